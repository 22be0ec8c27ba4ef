package intake

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	v1 "discsafe/api/v1"
)

// The protocol as tus.io's resumable upload protocol 1.0.x has it.
func TestTusUploadInPieces(t *testing.T) {
	h := newHouse(t, nil)
	a := h.do("OPTIONS", "/v1/uploads", asStudio, nil)
	if got := a.Header.Get("Tus-Extension"); got != "creation,creation-with-upload,termination,expiration" {
		t.Errorf("extensions %q", got)
	}
	if a.Header.Get("Tus-Version") != "1.0.0" || a.Header.Get("Tus-Max-Size") == "" {
		t.Errorf("version %q, max size %q", a.Header.Get("Tus-Version"), a.Header.Get("Tus-Max-Size"))
	}
	meta := metadata("filename", "side a.wav")
	where := h.create(len(wavFile), "Upload-Metadata", meta)
	if !strings.HasPrefix(where, "/v1/uploads/north.") {
		t.Fatalf("location %q", where)
	}
	for offset := 0; offset < len(wavFile); offset += 10 {
		a := h.head(where)
		if a.StatusCode != 200 || a.Header.Get("Upload-Offset") != fmt.Sprint(offset) || a.Header.Get("Upload-Length") != fmt.Sprint(len(wavFile)) ||
			a.Header.Get("Upload-Metadata") != meta || a.Header.Get("Cache-Control") != "no-store" || a.Header.Get("Tus-Resumable") != "1.0.0" {
			t.Fatalf("head at %d: %d %v", offset, a.StatusCode, a.Header)
		}
		a = h.patch(where, offset, wavFile[offset:min(offset+10, len(wavFile))])
		if a.StatusCode != 204 {
			t.Fatalf("patch at %d: %d %s", offset, a.StatusCode, a.body)
		}
		last := offset+10 >= len(wavFile)
		if (a.Header.Get(MixHeader) == shaOf(wavFile)) != last {
			t.Errorf("at %d the mix is told as %q", offset, a.Header.Get(MixHeader))
		}
		if _, err := http.ParseTime(a.Header.Get("Upload-Expires")); (err == nil) == last {
			t.Errorf("at %d it expires %q", offset, a.Header.Get("Upload-Expires"))
		}
	}
	h.holds("north", wavFile)
	m, err := h.in.Find(t.Context(), "north", shaOf(wavFile))
	if err != nil || m.Name != "side a.wav" || m.Audio == nil || m.Audio.Frames != 1 || m.Audio.Encoding != "16-bit PCM" || m.Audio.SampleRateHz != 44100 {
		t.Errorf("found %+v, %+v, %v", m, m.Audio, err)
	}
	// A finished upload tells its mix, takes an empty patch again, and forgets.
	if a := h.head(where); a.StatusCode != 200 || a.Header.Get(MixHeader) != shaOf(wavFile) || a.Header.Get("Upload-Offset") != fmt.Sprint(len(wavFile)) || a.Header.Get("Upload-Metadata") != meta {
		t.Errorf("head of a finished upload: %d %v", a.StatusCode, a.Header)
	}
	if a := h.patch(where, len(wavFile), ""); a.StatusCode != 204 || a.Header.Get(MixHeader) == "" {
		t.Errorf("empty patch of a finished upload: %d %v", a.StatusCode, a.Header)
	}
	if a := h.patch(where, 3, "x"); a.StatusCode != 409 {
		t.Errorf("patch within a finished upload: %d", a.StatusCode)
	}
	if files := h.files(); len(files) != 1 || !strings.Contains(files[0], "/done/") {
		t.Errorf("left in the spool: %v", files)
	}
	h.shift.Add(int64(61 * time.Minute))
	if a := h.head(where); a.StatusCode != 404 {
		t.Errorf("after an hour: %d", a.StatusCode)
	}
	if n, err := h.in.Sweep(t.Context()); n != 1 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
}

func TestTusRefusals(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.MaxBytes = 100 })
	where := h.create(20)
	if a := h.patch(where, 0, "12345"); a.StatusCode != 204 {
		t.Fatal(a.StatusCode)
	}
	tus := []string{"Tus-Resumable", "1.0.0"}
	chunk := "application/offset+octet-stream"
	for _, tt := range []struct {
		name, method, path, as, body string
		headers                      []string
		status                       int
		code                         v1.Code
	}{
		{"wrong offset", "PATCH", where, asStudio, "x", []string{"Upload-Offset", "4", "Content-Type", chunk}, 409, v1.UploadConflict},
		{"no offset", "PATCH", where, asStudio, "x", []string{"Content-Type", chunk}, 400, v1.BadRequest},
		{"wrong type", "PATCH", where, asStudio, "x", []string{"Upload-Offset", "5"}, 415, v1.MediaType},
		{"beyond its length", "PATCH", where, asStudio, strings.Repeat("x", 16), []string{"Upload-Offset", "5", "Content-Type", chunk}, 413, v1.TooLarge},
		{"no version", "PATCH", where, asStudio, "x", []string{"Tus-Resumable", "", "Upload-Offset", "5", "Content-Type", chunk}, 412, v1.BadRequest},
		{"another version", "POST", "/v1/uploads", asStudio, "", []string{"Tus-Resumable", "0.2.2", "Upload-Length", "5"}, 412, v1.BadRequest},
		{"too large", "POST", "/v1/uploads", asStudio, "", []string{"Upload-Length", "101"}, 413, v1.TooLarge},
		{"no length", "POST", "/v1/uploads", asStudio, "", nil, 400, v1.BadRequest},
		{"length deferred", "POST", "/v1/uploads", asStudio, "", []string{"Upload-Defer-Length", "1"}, 400, v1.BadRequest},
		{"negative", "POST", "/v1/uploads", asStudio, "", []string{"Upload-Length", "-1"}, 400, v1.BadRequest},
		{"bad metadata", "POST", "/v1/uploads", asStudio, "", []string{"Upload-Length", "1", "Upload-Metadata", "filename ***"}, 400, v1.BadRequest},
		{"bad hash", "POST", "/v1/uploads", asStudio, "", []string{"Upload-Length", "1", "Upload-Metadata", metadata("sha256", "abc")}, 422, v1.Invalid},
		{"another studio patches", "PATCH", where, asOther, "x", []string{"Upload-Offset", "5", "Content-Type", chunk}, 404, v1.NotFound},
		{"another studio deletes", "DELETE", where, asOther, "", nil, 404, v1.NotFound},
		{"nobody", "DELETE", where, "", "", nil, 401, v1.Unauthorized},
		{"download", "GET", where, asStudio, "", nil, 405, v1.MethodRefused},
		{"list", "GET", "/v1/uploads", asStudio, "", nil, 405, v1.MethodRefused},
		{"absent", "DELETE", "/v1/uploads/north." + strings.Repeat("0", 32), asStudio, "", nil, 404, v1.NotFound},
		{"climbing", "DELETE", "/v1/uploads/north.%2e%2e%2f%2e%2e", asStudio, "", nil, 404, v1.NotFound},
		{"for another studio", "POST", "/v1/uploads?studio=south", asStudio, "", []string{"Upload-Length", "1"}, 403, v1.Forbidden},
		{"for no studio", "POST", "/v1/uploads", asEngineer, "", []string{"Upload-Length", "1"}, 422, v1.Invalid},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h.t = t
			a := h.do(tt.method, tt.path, tt.as, strings.NewReader(tt.body), append(tus[:2:2], tt.headers...)...)
			if p := a.problem(t); a.StatusCode != tt.status || p.Code != string(tt.code) {
				t.Errorf("%d %s, want %d %s", a.StatusCode, a.body, tt.status, tt.code)
			}
		})
	}
	h.t = t
	// As if absent: the same answer to the letter.
	absent := h.do("HEAD", "/v1/uploads/north."+strings.Repeat("0", 32), asOther, nil, tus...)
	other := h.do("HEAD", where, asOther, nil, tus...)
	absent.Header.Del("Date")
	other.Header.Del("Date")
	if other.StatusCode != 404 || fmt.Sprint(other.Header) != fmt.Sprint(absent.Header) {
		t.Errorf("another studio's: %d %v, absent: %d %v", other.StatusCode, other.Header, absent.StatusCode, absent.Header)
	}
	if a := h.do("HEAD", where, asEngineer, nil, tus...); a.StatusCode != 200 {
		t.Errorf("an engineer sees %d", a.StatusCode)
	}
	if a := h.head(where); a.Header.Get("Upload-Offset") != "5" {
		t.Errorf("refusals moved the offset to %s", a.Header.Get("Upload-Offset"))
	}
}

func TestTusCreationForms(t *testing.T) {
	h := newHouse(t, nil)
	tus := []string{"Tus-Resumable", "1.0.0", "Content-Type", "application/offset+octet-stream"}
	t.Run("with upload", func(t *testing.T) {
		a := h.do("POST", "/v1/uploads/", asStudio, strings.NewReader("abc"), append(tus, "Upload-Length", "3")...)
		if a.StatusCode != 201 || a.Header.Get("Upload-Offset") != "3" || a.Header.Get(MixHeader) != shaOf("abc") {
			t.Fatalf("%d %v", a.StatusCode, a.Header)
		}
		h.holds("north", "abc")
	})
	t.Run("with part of it", func(t *testing.T) {
		a := h.do("POST", "/v1/uploads", asStudio, strings.NewReader("de"), append(tus, "Upload-Length", "3")...)
		if a.StatusCode != 201 || a.Header.Get("Upload-Offset") != "2" {
			t.Fatalf("%d %v", a.StatusCode, a.Header)
		}
		if a := h.patch(a.Header.Get("Location"), 2, "f"); a.Header.Get(MixHeader) != shaOf("def") {
			t.Fatalf("%d %v", a.StatusCode, a.Header)
		}
	})
	t.Run("empty", func(t *testing.T) {
		a := h.do("POST", "/v1/uploads", asStudio, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "0")
		if a.StatusCode != 201 || a.Header.Get(MixHeader) != shaOf("") {
			t.Fatalf("%d %v %s", a.StatusCode, a.Header, a.body)
		}
	})
	t.Run("for a studio, through a proxy", func(t *testing.T) {
		a := h.do("POST", "/v1/uploads?studio=south", asEngineer, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "1", "X-Forwarded-Host", "evil.example", "X-Forwarded-Proto", "https")
		where := a.Header.Get("Location")
		if a.StatusCode != 201 || !strings.HasPrefix(where, "/v1/uploads/south.") {
			t.Fatalf("%d %q", a.StatusCode, where)
		}
		if a := h.head(where); a.StatusCode != 404 {
			t.Errorf("another studio sees it: %d", a.StatusCode)
		}
	})
	t.Run("announced hash", func(t *testing.T) {
		where := h.create(4, "Upload-Metadata", metadata("sha256", shaOf("good")))
		a := h.patch(where, 0, "evil")
		if p := a.problem(t); a.StatusCode != 422 || p.Code != string(v1.HashDiffers) {
			t.Fatalf("%d %s", a.StatusCode, a.body)
		}
		if a := h.head(where); a.StatusCode != 404 {
			t.Errorf("it is still there: %d", a.StatusCode)
		}
		where = h.create(4, "Upload-Metadata", metadata("sha256", strings.ToUpper(shaOf("good"))))
		if a := h.patch(where, 0, "good"); a.Header.Get(MixHeader) != shaOf("good") {
			t.Errorf("%d %s", a.StatusCode, a.body)
		}
	})
	t.Run("terminated", func(t *testing.T) {
		where := h.create(4)
		a := h.do("POST", where, asStudio, nil, "Tus-Resumable", "1.0.0", "X-HTTP-Method-Override", "DELETE")
		if a.StatusCode != 204 {
			t.Fatalf("%d %s", a.StatusCode, a.body)
		}
		if a := h.head(where); a.StatusCode != 404 {
			t.Errorf("it is still there: %d", a.StatusCode)
		}
		for _, f := range h.files() {
			if strings.Contains(f, "/tus/") && strings.Contains(f, where[len("/v1/uploads/"):]) {
				t.Errorf("left behind: %s", f)
			}
		}
	})
}

// A sender whose connection dies in the middle goes on where it stood, even
// while the old request still waits for bytes.
func TestTusResumesAfterACut(t *testing.T) {
	for _, abrupt := range []bool{true, false} {
		t.Run(fmt.Sprintf("closed=%v", abrupt), func(t *testing.T) {
			h := newHouse(t, nil)
			content := strings.Repeat("0123456789", 1000)
			where := h.create(len(content))
			conn, err := net.Dial("tcp", h.srv.Listener.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			fmt.Fprintf(conn, "PATCH %s HTTP/1.1\r\nHost: x\r\nX-Who: %s\r\nTus-Resumable: 1.0.0\r\nUpload-Offset: 0\r\nContent-Type: application/offset+octet-stream\r\nContent-Length: %d\r\n\r\n%s",
				where, asStudio, len(content), content[:4000])
			id := where[len("/v1/uploads/"):]
			eventually(t, "the first bytes are written", func() bool {
				u, err := h.in.readUpload("north", id)
				return err == nil && u.offset == 4000
			})
			if abrupt {
				conn.Close()
			}
			a := h.head(where)
			if a.StatusCode != 200 || a.Header.Get("Upload-Offset") != "4000" {
				t.Fatalf("head: %d %v", a.StatusCode, a.Header)
			}
			if a := h.patch(where, 4000, content[4000:]); a.StatusCode != 204 || a.Header.Get(MixHeader) != shaOf(content) {
				t.Fatalf("patch: %d %s", a.StatusCode, a.body)
			}
			h.holds("north", content)
		})
	}
}

func TestTusUploadExpires(t *testing.T) {
	h := newHouse(t, nil)
	where := h.create(10)
	h.patch(where, 0, "12345")
	h.shift.Add(int64(23 * time.Hour))
	if n, err := h.in.Sweep(t.Context()); n != 0 || err != nil {
		t.Fatalf("swept %d, %v before its time", n, err)
	}
	h.shift.Add(int64(2 * time.Hour))
	a := h.do("PATCH", where, asStudio, strings.NewReader("67890"), "Tus-Resumable", "1.0.0", "Upload-Offset", "5", "Content-Type", "application/offset+octet-stream")
	if p := a.problem(t); a.StatusCode != 410 || p.Code != string(v1.Gone) {
		t.Errorf("expired: %d %s", a.StatusCode, a.body)
	}
	if n, err := h.in.Sweep(t.Context()); n != 1 || err != nil {
		t.Fatalf("swept %d, %v", n, err)
	}
	if a := h.head(where); a.StatusCode != 404 {
		t.Errorf("swept: %d", a.StatusCode)
	}
	if files := h.files(); len(files) != 0 {
		t.Errorf("left behind: %v", files)
	}
}

// An upload that was left is counted, with the time since its last byte, until it
// goes on to its end, is given up, or expires.
func TestUnfinishedUploads(t *testing.T) {
	h := newHouse(t, nil)
	const slack = time.Minute // the file's time is the system's
	want := func(when string, n int, silent time.Duration) {
		t.Helper()
		got, quiet, err := h.in.Unfinished()
		if got != n || quiet < silent || quiet > silent+slack || err != nil {
			t.Errorf("%s: %d unfinished, silent for %v, %v; want %d, %v", when, got, quiet, err, n, silent)
		}
	}
	want("nothing", 0, 0)
	left := h.create(10)
	h.patch(left, 0, "12345")
	h.shift.Add(int64(2 * time.Hour))
	other := h.create(10)
	want("one was left, one begins", 2, 2*time.Hour)
	h.patch(left, 5, "67890")
	h.shift.Add(int64(-2 * time.Hour))
	want("the first has ended", 1, 0)
	h.do("DELETE", other, asStudio, nil, "Tus-Resumable", "1.0.0")
	want("the other was given up", 0, 0)
}

func TestTusUploadsUnderWayAreLimited(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.PerStudioUploads = 2; o.Limits.PerStudioBytes = 100 })
	first := h.create(10)
	h.create(10)
	a := h.do("POST", "/v1/uploads", asStudio, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "1")
	if p := a.problem(t); a.StatusCode != 429 || p.RetryAfter == 0 {
		t.Errorf("third: %d %s", a.StatusCode, a.body)
	}
	if a := h.do("POST", "/v1/uploads", asOther, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "1"); a.StatusCode != 201 {
		t.Errorf("another studio: %d", a.StatusCode)
	}
	h.patch(first, 0, "0123456789")
	a = h.do("POST", "/v1/uploads", asStudio, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "81")
	if p := a.problem(t); a.StatusCode != 507 || p.Code != string(v1.DiskFull) {
		t.Errorf("beyond the quota: %d %s", a.StatusCode, a.body)
	}
	h.create(80)
}

// Two processes share a spool: neither takes an upload from the other's hands.
func TestTusSharedSpool(t *testing.T) {
	h := newHouse(t, nil)
	where := h.create(4)
	id := where[len("/v1/uploads/"):]
	second, err := New(h.opt)
	if err != nil {
		t.Fatal(err)
	}
	unlock, err := second.tryUpload("north", id, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := h.in.lockUpload(ctx, "north", id, nil); err != errBusy {
		t.Errorf("locked twice: %v", err)
	}
	h.shift.Add(int64(48 * time.Hour))
	if n, err := h.in.Sweep(t.Context()); n != 0 || err != nil {
		t.Errorf("swept %d from under the other process, %v", n, err)
	}
	p, err := second.newPart()
	if err != nil {
		t.Fatal(err)
	}
	if n, err := h.in.Sweep(t.Context()); n != 0 || err != nil {
		t.Errorf("swept %d parts of a living process, %v", n, err)
	}
	_ = p.Close() // as the kernel does for a dead process
	unlock()
	if n, err := h.in.Sweep(t.Context()); n != 2 || err != nil {
		t.Errorf("swept %d, %v, want upload and part", n, err)
	}
	if files := h.files(); len(files) != 0 {
		t.Errorf("left behind: %v", files)
	}
}
