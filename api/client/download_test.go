package client

import (
	"bytes"
	"errors"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/api/v1"
)

// file serves b with a strong ETag; the connection breaks after cut bytes of
// the body, if cut is not negative.
func file(b []byte, etag string, cut int) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if etag != "" {
			w.Header().Set("ETag", etag)
		}
		if cut >= 0 {
			w = &cutter{w, cut}
		}
		http.ServeContent(w, r, "premaster.wav", time.Time{}, bytes.NewReader(b))
	}
}

type cutter struct {
	http.ResponseWriter
	left int
}

func (c *cutter) Write(p []byte) (int, error) {
	if len(p) < c.left {
		c.left -= len(p)
		return c.ResponseWriter.Write(p)
	}
	_, _ = c.ResponseWriter.Write(p[:c.left])
	_ = http.NewResponseController(c.ResponseWriter).Flush()
	panic(http.ErrAbortHandler)
}

func (c *cutter) Unwrap() http.ResponseWriter { return c.ResponseWriter }

func raw(h http.Header, status int, body string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		for k, v := range h {
			w.Header()[k] = v
		}
		w.WriteHeader(status)
		_, _ = w.Write([]byte(body)) // a client that has gone is the test's business
	}
}

func TestDownload(t *testing.T) {
	b, other := noise(300_000), noise(300_001)[:300_000]
	stall := func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("ETag", `"a"`)
		w.Header().Set("Content-Length", "300000")
		_, _ = w.Write(b[:1000])
		_ = http.NewResponseController(w).Flush()
		<-r.Context().Done()
	}
	bad := http.Header{"Content-Range": {"bytes 5-299999/300000"}}
	for name, c := range map[string]struct {
		steps  []http.HandlerFunc
		ranges string // asked for, step by step
		fails  string // part of the error; empty: none
	}{
		"whole":                 {steps: []http.HandlerFunc{file(b, `"a"`, -1)}, ranges: ";"},
		"breaks off":            {steps: []http.HandlerFunc{file(b, `"a"`, 100_000), abort, file(b, `"a"`, 50_000), file(b, `"a"`, -1)}, ranges: ";bytes=100000-;bytes=100000-;bytes=150000-;"},
		"busy":                  {steps: []http.HandlerFunc{problem(v1.Unavailable, time.Second), file(b, `"a"`, -1)}, ranges: ";;"},
		"stands still":          {steps: []http.HandlerFunc{stall, file(b, `"a"`, -1)}, ranges: ";bytes=1000-;"},
		"without ETag":          {steps: []http.HandlerFunc{file(b, "", 100_000), file(b, "", -1)}, ranges: ";;"},
		"weak ETag":             {steps: []http.HandlerFunc{file(b, `W/"a"`, 100_000), file(b, `W/"a"`, -1)}, ranges: ";;"},
		"ETag changes":          {steps: []http.HandlerFunc{file(other, `"a"`, 100_000), file(b, `"b"`, -1)}, ranges: ";bytes=100000-;"},
		"ETag changes always":   {steps: []http.HandlerFunc{file(other, `"a"`, 9), file(other, `"b"`, 9), file(other, `"c"`, 9), file(other, `"d"`, 9), file(other, `"e"`, 9)}, fails: "changed"},
		"ETag changes unsaid":   {steps: []http.HandlerFunc{file(b, `"a"`, 100_000), raw(http.Header{"Etag": {`"b"`}, "Content-Range": {"bytes 100000-299999/300000"}}, 206, "x"), file(b, `"b"`, -1)}, ranges: ";bytes=100000-;;"},
		"range refused":         {steps: []http.HandlerFunc{file(b, `"a"`, 100_000), problem(v1.RangeRefused, 0), file(b, `"a"`, -1)}, ranges: ";bytes=100000-;;"},
		"wrong range":           {steps: []http.HandlerFunc{file(b, `"a"`, 100_000), raw(bad, 206, "x")}, fails: "Content-Range"},
		"range nobody asked":    {steps: []http.HandlerFunc{raw(bad, 206, "x")}, fails: "Content-Range"},
		"wrong hash":            {steps: []http.HandlerFunc{file(other, `"a"`, -1)}, fails: "SHA-256"},
		"shorter than said":     {steps: []http.HandlerFunc{file(b[:10], `"a"`, -1)}, fails: "10 bytes come, want 300000"},
		"longer, length unsaid": {steps: []http.HandlerFunc{raw(http.Header{"Transfer-Encoding": {"chunked"}}, 200, strings.Repeat("x", 400_000))}, fails: "longer than the 300000"},
		"encoded":               {steps: []http.HandlerFunc{raw(http.Header{"Content-Encoding": {"br"}}, 200, "x")}, fails: "encoded"},
		"a proxy's page":        {steps: []http.HandlerFunc{raw(http.Header{"Content-Type": {"text/html"}}, 403, "<html>no")}, fails: "not this service's answer"},
		"not there":             {steps: []http.HandlerFunc{problem(v1.NotFound, 0)}, fails: "not-found"},
		"never":                 {steps: []http.HandlerFunc{abort}, fails: "EOF"},
	} {
		t.Run(name, func(t *testing.T) {
			var ranges string
			s := &script{steps: c.steps}
			cl, _ := dial(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				s.mu.Lock()
				ranges += r.Header.Get("Range") + ";"
				s.mu.Unlock()
				r.URL.Path += "/events" // the script's steps
				s.ServeHTTP(w, r)
			}), func(o *Options) {
				if name == "stands still" {
					o.Idle = 300 * time.Millisecond
				}
			})
			dir := t.TempDir()
			dst := filepath.Join(dir, "premaster.wav")
			if err := os.WriteFile(dst, []byte("old"), 0o600); err != nil {
				t.Fatal(err)
			}
			err := cl.Download(within(t), jobID, v1.File{Name: "premaster.wav", Bytes: int64(len(b)), SHA256: sum(b)}, dst)
			want := b
			if c.fails != "" {
				want = []byte("old")
				if err == nil || !strings.Contains(err.Error(), c.fails) {
					t.Errorf("%v, want an error with %q", err, c.fails)
				}
			} else if err != nil {
				t.Error(err)
			}
			if _, ok := errors.AsType[*HashError](err); ok != (c.fails == "SHA-256") {
				t.Errorf("%v: hash error %v", err, ok)
			}
			if got, err := os.ReadFile(dst); err != nil || !bytes.Equal(got, want) {
				t.Errorf("target holds %d bytes, want %d, %v", len(got), len(want), err)
			}
			if left, err := os.ReadDir(dir); err != nil || len(left) != 1 {
				t.Errorf("left behind: %v, %v", left, err)
			}
			s.mu.Lock()
			defer s.mu.Unlock()
			if c.ranges != "" && ranges != c.ranges {
				t.Errorf("asked for %q, want %q", ranges, c.ranges)
			}
		})
	}
}

func TestDownloadAll(t *testing.T) {
	rec := &recorder{}
	c, _ := dial(t, rec.wrap(file([]byte("{}"), `"a"`, -1)))
	f := func(name string) v1.File {
		return v1.File{Name: name, Bytes: 2, SHA256: sum([]byte("{}")), Href: "http://elsewhere.invalid/x"}
	}
	dir := filepath.Join(t.TempDir(), "new", "out")
	job := aJob("done", 4)
	job.Files = []v1.File{f("report.json"), f("manifest.json")}
	for range 2 { // the second time all is there
		if err := c.DownloadAll(within(t), &job, dir); err != nil {
			t.Fatal(err)
		}
	}
	if n := rec.count("GET"); n != 2 {
		t.Errorf("%d fetched, want 2", n)
	}
	for _, name := range []string{"", ".", "..", "../x", "/etc/passwd", "a/b", `a\b`, "a:b", "a\x00b"} {
		job.Files = []v1.File{f(name)}
		if err := c.DownloadAll(within(t), &job, dir); err == nil {
			t.Errorf("%q taken", name)
		}
	}
	job.Files = []v1.File{f("a"), f("A")}
	if err := c.DownloadAll(within(t), &job, dir); err == nil {
		t.Error("two names that are one on some systems were taken")
	}
	job.Files = nil
	if err := c.DownloadAll(within(t), &job, dir); err == nil {
		t.Error("no error though there are no files")
	}
}

func TestExcerpt(t *testing.T) {
	wav := raw(http.Header{"Content-Type": {"audio/wav"}}, 200, "RIFF")
	c, _ := dial(t, first(1, problem(v1.Unavailable, 0), func(w http.ResponseWriter, r *http.Request) {
		if r.URL.String() != "/v1/jobs/"+jobID+"/audio/before?from_s=1.5&to_s=9" {
			t.Errorf("asked %s", r.URL)
		}
		wav(w, r)
	}))
	var b bytes.Buffer
	if n, err := c.Excerpt(within(t), jobID, "before", 1.5, 9, &b); n != 4 || err != nil || b.String() != "RIFF" {
		t.Errorf("%d, %v, %q", n, err, b.String())
	}
	page, _ := dial(t, raw(http.Header{"Content-Type": {"text/html"}}, 200, "<html>"))
	if _, err := page.Excerpt(within(t), jobID, "before", 0, 1, &b); err == nil {
		t.Error("a page was taken for sound")
	}
}

func TestTimeline(t *testing.T) {
	const answer = `{"length_s":9,"from_s":1.5,"to_s":9,"bin_s":3.75,"revolution_s":1.8,"radius_mm":[146,145.5],
		"lanes":[{"id":"land","what":"after","label":"Land","unit":"um","limit":10,"limit_is":"least","min":[12.5,null],"max":[30,null]}],"tracks":[]}`
	line := raw(http.Header{"Content-Type": {"application/json"}}, 200, answer)
	c, _ := dial(t, first(1, problem(v1.Unavailable, 0), func(w http.ResponseWriter, r *http.Request) {
		if r.URL.String() != "/v1/jobs/"+jobID+"/timeline?bins=2&from_s=1.5&to_s=9" {
			t.Errorf("asked %s", r.URL)
		}
		line(w, r)
	}))
	got, err := c.Timeline(within(t), jobID, 1.5, 9, 2)
	if err != nil {
		t.Fatal(err)
	}
	if l := got.Lanes; len(l) != 1 || l[0].ID != "land" || *l[0].Limit != 10 || l[0].Min[0] != 12.5 || !math.IsNaN(l[0].Min[1]) || !slices.Equal(got.RadiusMM, v1.Curve{146, 145.5}) {
		t.Errorf("%+v", got)
	}
}
