package client

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"
)

func readEvents(r io.Reader) (evs []streamEvent, e *eventReader, err error) {
	e = newEventReader(r, "")
	for {
		ev, err := e.next()
		if err != nil {
			return evs, e, err
		}
		evs = append(evs, ev)
	}
}

// Source: HTML Living Standard, section 9.2 "Server-sent events"
// (https://html.spec.whatwg.org/multipage/server-sent-events.html): cases that
// begin with "example" are its examples in 9.2.1 and 9.2.6, with the outcome
// its text gives; the others follow from its ABNF in 9.2.5 and rules in 9.2.6.
var streams = []struct {
	name, text string
	want       []streamEvent
	lastID     string
	retry      time.Duration
}{
	{name: "example: three data lines are one event", text: "data: YHOO\ndata: +2\ndata: 10\n\n",
		want: []streamEvent{{"message", "YHOO\n+2\n10", ""}}},
	{name: "example: four blocks, the last not ended", text: ": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n",
		want: []streamEvent{{"message", "first event", "1"}, {"message", "second event", ""}}},
	{name: "example: four blocks, the last ended", text: ": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n\n",
		want: []streamEvent{{"message", "first event", "1"}, {"message", "second event", ""}, {"message", " third event", ""}}},
	{name: "example: empty data, a line feed, and nothing", text: "data\n\ndata\ndata\n\ndata:\n",
		want: []streamEvent{{"message", "", ""}, {"message", "\n", ""}}},
	{name: "example: one space after the colon is ignored", text: "data:test\n\ndata: test\n\n",
		want: []streamEvent{{"message", "test", ""}, {"message", "test", ""}}},
	{name: "example: types", text: "event: add\ndata: 73857293\n\nevent: remove\ndata: 2153\n\nevent: add\ndata: 113411\n\n",
		want: []streamEvent{{"add", "73857293", ""}, {"remove", "2153", ""}, {"add", "113411", ""}}},
	{name: "example: messages", text: "data: This is the first message.\n\ndata: This is the second message, it\ndata: has two lines.\n\ndata: This is the third message.\n\n",
		want: []streamEvent{{"message", "This is the first message.", ""}, {"message", "This is the second message, it\nhas two lines.", ""}, {"message", "This is the third message.", ""}}},

	{name: "nothing"},
	{name: "CRLF", text: "data: a\r\ndata: b\r\n\r\n", want: []streamEvent{{"message", "a\nb", ""}}},
	{name: "CR", text: "data: a\rdata: b\r\r", want: []streamEvent{{"message", "a\nb", ""}}},
	{name: "all three ends", text: "data: a\r\ndata: b\rdata: c\n\r\n", want: []streamEvent{{"message", "a\nb\nc", ""}}},
	{name: "LF CR are two ends", text: "data: a\n\rdata: b\n\n", want: []streamEvent{{"message", "a", ""}, {"message", "b", ""}}},
	{name: "a byte order mark", text: "\ufeffdata: a\n\n", want: []streamEvent{{"message", "a", ""}}},
	{name: "only one byte order mark", text: "\ufeff\ufeffdata: a\n\ndata: b\n\n", want: []streamEvent{{"message", "b", ""}}},
	{name: "no byte order mark later", text: "data: a\n\n\ufeffdata: b\n\n", want: []streamEvent{{"message", "a", ""}}},
	{name: "comments", text: ":\n: data: x\n:data: y\ndata: a\n:\n\n", want: []streamEvent{{"message", "a", ""}}},
	{name: "unknown fields", text: "Data: x\n data: y\ndatax: z\ndata: a\nfoo\n\n", want: []streamEvent{{"message", "a", ""}}},
	{name: "colons in the value", text: "data: a: b:c\n\n", want: []streamEvent{{"message", "a: b:c", ""}}},
	{name: "id stays", text: "id: 7\ndata: a\n\ndata: b\n\n", want: []streamEvent{{"message", "a", "7"}, {"message", "b", "7"}}, lastID: "7"},
	{name: "id without data counts", text: "id: 7\n\n", lastID: "7"},
	{name: "id of an event cut short does not", text: "id: 7\ndata: a\n\nid: 8\ndata: b\n", want: []streamEvent{{"message", "a", "7"}}, lastID: "7"},
	{name: "id with NULL is ignored", text: "id: 7\ndata: a\n\nid: 8\x00\ndata: b\n\n", want: []streamEvent{{"message", "a", "7"}, {"message", "b", "7"}}, lastID: "7"},
	{name: "type without data is forgotten", text: "event: x\n\ndata: a\n\n", want: []streamEvent{{"message", "a", ""}}},
	{name: "the last type holds", text: "event: x\nevent: y\ndata: a\n\n", want: []streamEvent{{"y", "a", ""}}},
	{name: "retry", text: "retry: 1500\n\n", retry: 1500 * time.Millisecond},
	{name: "retry that is no number", text: "retry: 1500\nretry: 3s\nretry: -1\nretry\nretry: 1.5\n\n", retry: 1500 * time.Millisecond},
	{name: "retry beyond an hour", text: "retry: 999999999999999999999999\n\n", retry: time.Hour},
	{name: "bytes that are not UTF-8", text: "data: a\xffb\n\n", want: []streamEvent{{"message", "a\ufffdb", ""}}},
}

func TestEvents(t *testing.T) {
	for _, s := range streams {
		t.Run(s.name, func(t *testing.T) {
			for how, r := range map[string]io.Reader{
				"whole": strings.NewReader(s.text), "byte by byte": iotest.OneByteReader(strings.NewReader(s.text)),
			} {
				got, e, err := readEvents(r)
				if d := cmp.Diff(s.want, got); d != "" || !errors.Is(err, io.EOF) {
					t.Errorf("%s: %v (-want +got)\n%s", how, err, d)
				}
				if e.lastID != s.lastID || e.retry != s.retry {
					t.Errorf("%s: last id %q, retry %v; want %q, %v", how, e.lastID, e.retry, s.lastID, s.retry)
				}
			}
		})
	}
}

// An event that ends in CR must not wait for the byte after it: on a live
// stream that may come a minute later.
func TestEventDoesNotWaitAfterCR(t *testing.T) {
	r, w := io.Pipe()
	defer r.Close()
	go func() { _, _ = io.WriteString(w, "data: a\r\r") }() // the pipe ends with the test
	done := make(chan streamEvent, 1)
	go func() {
		ev, _ := newEventReader(r, "").next()
		done <- ev
	}()
	select {
	case ev := <-done:
		if ev.Data != "a" {
			t.Errorf("%+v", ev)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("waits")
	}
}

func TestEventsAreBounded(t *testing.T) {
	for name, text := range map[string]string{
		"one line":   "data: " + strings.Repeat("x", maxEvent+1),
		"many lines": strings.Repeat("data: "+strings.Repeat("x", 1<<20)+"\n", 5),
	} {
		if _, _, err := readEvents(strings.NewReader(text)); !errors.Is(err, errEventTooLong) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// plainly interprets a whole stream as the standard words it, with no thought
// of streaming: the oracle of the fuzz test.
func plainly(s string) (evs []streamEvent, lastID string) {
	s = strings.TrimPrefix(strings.ToValidUTF8(s, "\ufffd"), "\ufeff")
	s = strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
	lines := strings.Split(s, "\n")
	var data, kind, id string
	for _, l := range lines[:len(lines)-1] {
		if l == "" {
			lastID = id
			if data != "" {
				if kind == "" {
					kind = "message"
				}
				evs = append(evs, streamEvent{kind, data[:len(data)-1], id})
			}
			data, kind = "", ""
			continue
		}
		name, value := l, ""
		if i := strings.IndexByte(l, ':'); i >= 0 {
			name, value = l[:i], strings.TrimPrefix(l[i+1:], " ")
		}
		switch {
		case name == "data":
			data += value + "\n"
		case name == "event":
			kind = value
		case name == "id" && !strings.Contains(value, "\x00"):
			id = value
		}
	}
	return evs, lastID
}

func FuzzEvents(f *testing.F) {
	for _, s := range streams {
		f.Add([]byte(s.text))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		want, id := plainly(string(b))
		for _, r := range []io.Reader{strings.NewReader(string(b)), iotest.HalfReader(strings.NewReader(string(b)))} {
			got, e, err := readEvents(r)
			if d := cmp.Diff(want, got); d != "" || e.lastID != id || !errors.Is(err, io.EOF) {
				t.Fatalf("%v, last id %q want %q (-want +got)\n%s", err, e.lastID, id, d)
			}
		}
	})
}
