package queue_test

import (
	"errors"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"discsafe/worker/queue"
)

func valid() queue.Message {
	return queue.Message{JobID: "01h-Job_9", Studio: "Studio North", Lane: queue.Express, Attempt: 2,
		Trace: "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"}
}

func TestValidate(t *testing.T) {
	for _, c := range []struct {
		name, field string // field at fault, "" for none
		change      func(*queue.Message)
	}{
		{"as it is", "", func(*queue.Message) {}},
		{"no job", "job id", func(m *queue.Message) { m.JobID = "" }},
		{"longest job", "", func(m *queue.Message) { m.JobID = strings.Repeat("a", 64) }},
		{"job too long", "job id", func(m *queue.Message) { m.JobID = strings.Repeat("a", 65) }},
		{"job with a dot", "job id", func(m *queue.Message) { m.JobID = "a.b" }},
		{"job with a wildcard", "job id", func(m *queue.Message) { m.JobID = ">" }},
		{"job with a space", "job id", func(m *queue.Message) { m.JobID = "a b" }},
		{"job with an umlaut", "job id", func(m *queue.Message) { m.JobID = "ä" }},
		{"no studio", "studio", func(m *queue.Message) { m.Studio = "" }},
		{"longest studio", "", func(m *queue.Message) { m.Studio = strings.Repeat("ö", 100) }},
		{"studio too long", "studio", func(m *queue.Message) { m.Studio = strings.Repeat("s", 201) }},
		{"studio of bad UTF-8", "studio", func(m *queue.Message) { m.Studio = "a\xff" }},
		{"studio of two lines", "studio", func(m *queue.Message) { m.Studio = "a\r\nb" }},
		{"no lane", "lane", func(m *queue.Message) { m.Lane = "" }},
		{"unknown lane", "lane", func(m *queue.Message) { m.Lane = "Express" }},
		{"first attempt", "", func(m *queue.Message) { m.Attempt = 0 }},
		{"attempt below 0", "attempt", func(m *queue.Message) { m.Attempt = -1 }},
		{"attempt beyond reason", "attempt", func(m *queue.Message) { m.Attempt = 1_000_001 }},
		{"no trace", "", func(m *queue.Message) { m.Trace = "" }},
		{"trace too long", "trace", func(m *queue.Message) { m.Trace = strings.Repeat("t", 257) }},
		{"trace of two lines", "trace", func(m *queue.Message) { m.Trace = "a\nb" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := valid()
			c.change(&m)
			err := m.Validate()
			var invalid *queue.InvalidError
			switch {
			case c.field == "" && err != nil:
				t.Errorf("%v; want no fault", err)
			case c.field != "" && (!errors.As(err, &invalid) || invalid.Field != c.field):
				t.Errorf("%v; want a fault of %s", err, c.field)
			}
			body, encErr := queue.Encode(m)
			if (encErr == nil) != (err == nil) {
				t.Errorf("Encode: %v; Validate: %v", encErr, err)
			}
			if encErr == nil && len(body) > queue.MaxBytes {
				t.Errorf("%d bytes; at most %d are read", len(body), queue.MaxBytes)
			}
		})
	}
}

func TestDecodeRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		payload string
		want    error // nil: any but ErrVersion
	}{
		"nothing":         {"", nil},
		"no JSON":         {"job 1", nil},
		"no version":      {`{"job":"a","studio":"s","lane":"bulk"}`, nil},
		"newer":           {`{"v":2}`, queue.ErrVersion},
		"bad job":         {`{"v":1,"job":"a/b","studio":"s","lane":"bulk"}`, nil},
		"too long":        {`{"v":1,"job":"` + strings.Repeat("a", queue.MaxBytes) + `"}`, nil},
		"two documents":   {`{"v":1,"job":"a","studio":"s","lane":"bulk"}{}`, nil},
		"wrong type":      {`{"v":1,"job":7,"studio":"s","lane":"bulk"}`, nil},
		"attempt of 1e99": {`{"v":1,"job":"a","studio":"s","lane":"bulk","attempt":1e99}`, nil},
	} {
		m, err := queue.Decode([]byte(c.payload))
		if err == nil || m != (queue.Message{}) || errors.Is(err, queue.ErrVersion) != (c.want == queue.ErrVersion) {
			t.Errorf("%s: %+v, %v", name, m, err)
		}
	}
	// A field that only a newer program knows does no harm.
	m, err := queue.Decode([]byte(`{"v":1,"job":"a","studio":"s","lane":"bulk","colour":"blue"}`))
	if err != nil || m.JobID != "a" {
		t.Errorf("unknown field: %+v, %v", m, err)
	}
}

func FuzzDecode(f *testing.F) {
	body, err := queue.Encode(valid())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Add([]byte(`{"v":2}`))
	f.Add([]byte(`{"v":1,"job":"a","studio":"\u0000","lane":"bulk"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := queue.Decode(b)
		if err != nil {
			return
		}
		// Whatever is accepted is valid and survives another round.
		again, err := queue.Encode(m)
		if err != nil {
			t.Fatalf("accepted what cannot be encoded: %+v: %v", m, err)
		}
		if back, err := queue.Decode(again); err != nil || back != m {
			t.Fatalf("%+v became %+v: %v", m, back, err)
		}
	})
}

func TestStudioHash(t *testing.T) {
	// FIPS 180-2, example of "abc": ba7816bf 8f01cfea 41414040 ...
	if got, want := queue.StudioHash("abc"), "ba7816bf8f01cfea"; got != want {
		t.Errorf("got %s; want %s", got, want)
	}
}

func TestCleanReason(t *testing.T) {
	for in, want := range map[string]string{
		"":                       "no reason given",
		" \r\n ":                 "no reason given",
		"attempts: 5 of 5":       "attempts: 5 of 5",
		"two\r\nX-Header: lines": "two  X-Header: lines",
		"bad \xff byte":          "bad   byte",
	} {
		if got := queue.CleanReason(in); got != want {
			t.Errorf("CleanReason(%q) = %q; want %q", in, got, want)
		}
	}
	if got := queue.CleanReason(strings.Repeat("ä", 400)); len(got) > 500 || !utf8.ValidString(got) {
		t.Errorf("long reason: %d bytes, valid %v", len(got), utf8.ValidString(got))
	}
}

func TestValidDelay(t *testing.T) {
	for d, ok := range map[time.Duration]bool{-1: false, 0: false, 1: true, time.Minute: true, 24 * time.Hour: true, 24*time.Hour + 1: false} {
		if err := queue.ValidDelay(d); (err == nil) != ok {
			t.Errorf("ValidDelay(%v) = %v", d, err)
		}
	}
}

func TestErrorTells(t *testing.T) {
	cause := errors.New("connection reset")
	err := error(&queue.Error{Op: "publish", Job: "j1", Kind: queue.ErrUnavailable, Err: cause})
	if got, want := err.Error(), "publish job j1: broker does not answer: connection reset"; got != want {
		t.Errorf("got %q; want %q", got, want)
	}
	if !errors.Is(err, queue.ErrUnavailable) || !errors.Is(err, cause) || errors.Is(err, queue.ErrFull) {
		t.Error("kind and cause must be found, and nothing else")
	}
}
