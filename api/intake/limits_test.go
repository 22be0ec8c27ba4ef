package intake

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
	"discsafe/worker/store/dir"
	"discsafe/worker/store/mem"
)

// onDisk is the size of all files below root, a file with two names once.
func onDisk(root string) (n int64) {
	var seen []fs.FileInfo
	// Files go while we look: those do not count.
	_ = filepath.WalkDir(root, func(_ string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return nil
		}
		st, err := e.Info()
		if err != nil {
			return nil
		}
		for _, s := range seen {
			if os.SameFile(s, st) {
				return nil
			}
		}
		seen = append(seen, st)
		n += st.Size()
		return nil
	})
	return n
}

// What is cut off at a limit has not filled the disk meanwhile.
func TestOversizeBodies(t *testing.T) {
	const limit = 1 << 20
	root := t.TempDir()
	d, err := dir.Open(filepath.Join(root, "store"), dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t, func(o *Options) {
		o.Store, o.Spool = d, filepath.Join(root, "spool")
		o.Limits = Limits{MaxBytes: limit, MinFree: -1}
	})
	var most atomic.Int64
	stop := make(chan struct{})
	var watching sync.WaitGroup
	watching.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
			}
			most.Store(max(most.Load(), onDisk(root)))
			time.Sleep(time.Millisecond)
		}
	})
	big := int64(64 << 20)
	head := "--b\r\nContent-Disposition: form-data; name=f; filename=x\r\n\r\n"
	field := strings.Replace(head, "; filename=x", "", 1)
	kind := "multipart/form-data; boundary=b"
	endless := func() io.Reader { return zeros(big) }
	where := h.create(limit)
	patch := []string{"Tus-Resumable", "1.0.0", "Upload-Offset", "0", "Content-Type", "application/offset+octet-stream"}
	for _, tt := range []struct {
		name, method, path string
		body               func() io.Reader
		length             int64
		headers            []string
	}{
		{"put declared", "PUT", "/v1/mixes/" + shaOf("x"), endless, big, nil},
		{"put chunked", "PUT", "/v1/mixes/" + shaOf("x"), endless, -1, nil},
		{"form declared", "POST", "/v1/mixes", endless, big, []string{"Content-Type", kind}},
		{"form chunked", "POST", "/v1/mixes", func() io.Reader { return io.MultiReader(strings.NewReader(head), zeros(big)) }, -1, []string{"Content-Type", kind}},
		{"form field", "POST", "/v1/mixes", func() io.Reader { return io.MultiReader(strings.NewReader(field), zeros(big)) }, -1, []string{"Content-Type", kind}},
		{"patch declared", "PATCH", where, endless, big, patch},
		{"patch growing", "PATCH", where, endless, -1, patch},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var a *http.Response
			// A sender that goes on writing may lose the answer to a reset.
			for range 20 {
				r, err := http.NewRequest(tt.method, h.srv.URL+tt.path, tt.body())
				if err != nil {
					t.Fatal(err)
				}
				r.ContentLength = tt.length
				r.Header.Set("X-Who", asStudio)
				for i := 0; i+1 < len(tt.headers); i += 2 {
					r.Header.Set(tt.headers[i], tt.headers[i+1])
				}
				if a, err = h.srv.Client().Do(r); err == nil {
					break
				}
			}
			if a == nil {
				t.Fatal("never answered")
			}
			defer a.Body.Close()
			want := 413
			if tt.name == "form field" {
				want = 422
			}
			if a.StatusCode != want {
				b, _ := io.ReadAll(a.Body)
				t.Errorf("%d %s, want %d", a.StatusCode, b, want)
			}
		})
	}
	close(stop)
	watching.Wait()
	// The finished upload is once in the spool and once in the store.
	if got := most.Load(); got > 2*limit+64<<10 || got == 0 {
		t.Errorf("up to %d bytes on disk, limit %d", got, limit)
	}
}

// A body that trickles or stops is cut off, and told so.
func TestSlowBodies(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.MinRate = 1000; o.Limits.Grace = 100 * time.Millisecond })
	where := h.create(1000)
	for _, tt := range []struct{ name, head string }{
		{"put", "PUT /v1/mixes/" + shaOf("x") + " HTTP/1.1\r\nContent-Length: 1000"},
		{"form", "POST /v1/mixes HTTP/1.1\r\nContent-Length: 1000\r\nContent-Type: multipart/form-data; boundary=b"},
		{"patch", "PATCH " + where + " HTTP/1.1\r\nContent-Length: 1000\r\nTus-Resumable: 1.0.0\r\nUpload-Offset: %d\r\nContent-Type: application/offset+octet-stream"},
	} {
		for _, trickle := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, trickling %v", tt.name, trickle), func(t *testing.T) {
				head := tt.head
				if tt.name == "patch" {
					u, err := h.in.readUpload("north", where[len("/v1/uploads/"):])
					if err != nil {
						t.Fatal(err)
					}
					head = strings.Replace(fmt.Sprintf(head, u.offset), "Content-Length: 1000", fmt.Sprint("Content-Length: ", 1000-u.offset), 1)
				}
				conn, err := net.Dial("tcp", h.srv.Listener.Addr().String())
				if err != nil {
					t.Fatal(err)
				}
				defer conn.Close()
				fmt.Fprintf(conn, "%s\r\nHost: x\r\nX-Who: %s\r\n\r\nab", head, asStudio)
				gone := make(chan struct{})
				var writing sync.WaitGroup
				defer writing.Wait()
				defer close(gone)
				if trickle {
					writing.Go(func() {
						for {
							select {
							case <-gone:
								return
							case <-time.After(10 * time.Millisecond):
								if _, err := conn.Write([]byte("c")); err != nil {
									return
								}
							}
						}
					})
				}
				_ = conn.SetReadDeadline(time.Now().Add(20 * time.Second))
				resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
				if err != nil {
					t.Fatal(err)
				}
				defer resp.Body.Close()
				var p v1.Problem
				if err := json.NewDecoder(resp.Body).Decode(&p); err != nil || resp.StatusCode != 408 || p.Code != string(v1.Timeout) {
					t.Errorf("%d %+v, %v", resp.StatusCode, p, err)
				}
			})
		}
	}
	if files := h.files(); len(files) > 3 {
		t.Errorf("left in the spool: %v", files)
	}
}

func TestDiskFull(t *testing.T) {
	small := mem.New(mem.Options{CapacityBytes: 1 << 20})
	h := newHouse(t, func(o *Options) { o.Store = small; o.Limits.MinFree = 1000 })
	where := h.create(100)
	full := func(name string, a answer) {
		t.Helper()
		if p := a.problem(t); a.StatusCode != 507 || p.Code != string(v1.DiskFull) || a.Header.Get("Retry-After") != "60" {
			t.Errorf("%s: %d %v %s", name, a.StatusCode, a.Header, a.body)
		}
	}
	all := func(t *testing.T) {
		full("put", h.put(asStudio, "x"))
		body, kind := form(t, file{"f", "x", "x"})
		full("form", h.do("POST", "/v1/mixes", asStudio, body, "Content-Type", kind))
		full("creation", h.do("POST", "/v1/uploads", asStudio, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "10"))
		if _, err := h.in.Take(t.Context(), "north", "", strings.NewReader("x"), ""); err == nil {
			t.Error("taken")
		}
	}
	h.free.Store(999)
	t.Run("spool below the watermark", all)
	h.free.Store(1 << 40)
	if err := small.PutIfAbsent(t.Context(), "filler/a", make([]byte, 1<<20-900)); err != nil {
		t.Fatal(err)
	}
	t.Run("store below the watermark", all)
	full("last patch", h.patch(where, 0, strings.Repeat("x", 100)))
	// Room comes back: what was sent is not lost.
	if err := small.Delete(t.Context(), "filler/a"); err != nil {
		t.Fatal(err)
	}
	if a := h.head(where); a.StatusCode != 200 || a.Header.Get(MixHeader) != shaOf(strings.Repeat("x", 100)) {
		t.Errorf("with room again: %d %v", a.StatusCode, a.Header)
	}
	if a := h.put(asStudio, "x"); a.StatusCode != 201 {
		t.Errorf("with room again: %d %s", a.StatusCode, a.body)
	}
}

// The disk fills up while a body comes, by this one or by others.
func TestDiskFillsUpMeanwhile(t *testing.T) {
	h := newHouse(t, nil)
	r, w := io.Pipe()
	var sent int64
	var sending sync.WaitGroup
	sending.Go(func() {
		_, _ = io.Copy(w, zeros(roomEvery-1))
		h.free.Store(0)
		n, err := io.Copy(w, zeros(4*roomEvery))
		sent = n
		_ = w.CloseWithError(err)
	})
	a := h.do("PUT", "/v1/mixes/"+shaOf("x"), asStudio, r)
	r.Close()
	sending.Wait()
	if p := a.problem(t); a.StatusCode != 507 || p.Code != string(v1.DiskFull) || a.Header.Get("Retry-After") != "60" {
		t.Errorf("%d %s", a.StatusCode, a.body)
	}
	if sent == 4*roomEvery {
		t.Error("all of it was taken first")
	}
}

func TestStoreAway(t *testing.T) {
	h := newHouse(t, nil)
	for _, kind := range []error{store.ErrUnavailable, store.ErrRefused} {
		away := store.Fault(func(string, string) error {
			return &store.Error{Kind: kind, Err: errors.New("secret-host:9000 refused")}
		})
		h.fault.Store(&away)
		a := h.put(asStudio, "x")
		if p := a.problem(t); a.StatusCode != 503 || p.RetryAfter == 0 || strings.Contains(string(a.body), "secret-host") {
			t.Errorf("%v: %d %s", kind, a.StatusCode, a.body)
		}
	}
	noRoom := store.Fault(func(string, string) error { return &store.Error{Kind: store.ErrFull} })
	h.fault.Store(&noRoom)
	if a := h.put(asStudio, "x"); a.StatusCode != 507 || a.Header.Get("Retry-After") != "60" {
		t.Errorf("%d %s", a.StatusCode, a.body)
	}
	h.fault.Store(nil)
	if a := h.put(asStudio, "x"); a.StatusCode != 201 {
		t.Errorf("%d %s", a.StatusCode, a.body)
	}
}

func TestQuotaAndStreams(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.PerStudioBytes = 10; o.Limits.PerStudioUploads = 1 })
	if a := h.put(asStudio, "123456"); a.StatusCode != 201 {
		t.Fatal(a.StatusCode)
	}
	for name, body := range map[string]io.Reader{"declared": strings.NewReader("abcdef"), "chunked": io.MultiReader(strings.NewReader("abcdef"))} {
		a := h.do("PUT", "/v1/mixes/"+shaOf("abcdef"), asStudio, body)
		if p := a.problem(t); a.StatusCode != 507 || !strings.Contains(p.Detail, "this studio") {
			t.Errorf("%s: %d %s", name, a.StatusCode, a.body)
		}
	}
	if a := h.put(asOther, "abcdef"); a.StatusCode != 201 {
		t.Errorf("another studio: %d", a.StatusCode)
	}
	if a := h.put(asStudio, "1234"); a.StatusCode != 201 {
		t.Errorf("what fits: %d", a.StatusCode)
	}
	r, w := io.Pipe()
	answered := make(chan int)
	go func() { answered <- h.do("PUT", "/v1/mixes/"+shaOf("ab"), asOther, r).StatusCode }()
	if _, err := w.Write([]byte("a")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the first body is counted", func() bool {
		h.in.mu.Lock()
		defer h.in.mu.Unlock()
		return h.in.streams["south"] == 1
	})
	a := h.put(asOther, "c")
	if p := a.problem(t); a.StatusCode != 429 || p.RetryAfter == 0 {
		t.Errorf("second body: %d %s", a.StatusCode, a.body)
	}
	if _, err := w.Write([]byte("b")); err != nil {
		t.Fatal(err)
	}
	w.Close()
	if got := <-answered; got != 201 {
		t.Errorf("first body: %d", got)
	}
	h.in.mu.Lock()
	defer h.in.mu.Unlock()
	if len(h.in.streams) != 0 || len(h.in.coming) != 0 {
		t.Errorf("still counted: %v %v", h.in.streams, h.in.coming)
	}
}
