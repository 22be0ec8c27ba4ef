package intake

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"discsafe/api/access"
	v1 "discsafe/api/v1"
	"discsafe/worker/store"
	"discsafe/worker/store/mem"
)

// wavFile is one frame of 16-bit stereo.
const wavFile = "RIFF\x28\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x44\xAC\x00\x00\x10\xB1\x02\x00\x04\x00\x10\x00data\x04\x00\x00\x00\x00\x40\x00\xC0"

func shaOf(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}

// house is an Intake behind a server, with a clock and faults to set.
type house struct {
	t     *testing.T
	in    *Intake
	store store.Store
	opt   Options
	srv   *httptest.Server
	shift atomic.Int64 // of the clock
	free  atomic.Int64 // of the spool
	fault atomic.Pointer[store.Fault]
	mu    sync.Mutex
	seen  map[string]int
}

func (h *house) now() time.Time { return time.Now().Add(time.Duration(h.shift.Load())) }

// who stands in for the gate: the header names role and studio.
func who(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		role, studio, _ := strings.Cut(r.Header.Get("X-Who"), "/")
		if role != "" {
			r = r.WithContext(access.With(r.Context(), access.Identity{Role: role, Studio: studio, TokenID: "t"}))
		}
		next.ServeHTTP(w, r)
	})
}

func newHouse(t *testing.T, change func(*Options)) *house {
	t.Helper()
	h := &house{t: t, seen: map[string]int{}}
	h.free.Store(1 << 40)
	h.store = mem.New(mem.Options{Now: h.now, Fault: func(step, key string) error {
		if f := h.fault.Load(); f != nil {
			return (*f)(step, key)
		}
		return nil
	}})
	h.opt = Options{
		Store: h.store, Spool: filepath.Join(t.TempDir(), "spool"), Now: h.now,
		Free: func() (int64, bool) { return h.free.Load(), true },
		Log:  slog.New(slog.NewTextHandler(testLog{t}, nil)),
		Observe: func(kind string) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.seen[kind]++
		},
	}
	if change != nil {
		change(&h.opt)
		h.store = h.opt.Store
	}
	h.restart()
	return h
}

type testLog struct{ t *testing.T }

func (l testLog) Write(p []byte) (int, error) {
	l.t.Helper()
	if testing.Verbose() {
		os.Stderr.Write(p)
	}
	return len(p), nil
}

// restart begins a new process on the same spool and store.
func (h *house) restart() {
	h.t.Helper()
	if h.srv != nil {
		h.srv.CloseClientConnections()
		h.srv.Close()
	}
	in, err := New(h.opt)
	if err != nil {
		h.t.Fatal(err)
	}
	h.in = in
	mux := http.NewServeMux()
	mux.Handle("/v1/uploads", in.Tus("/v1/uploads"))
	mux.Handle("/v1/uploads/", in.Tus("/v1/uploads"))
	mux.HandleFunc("PUT /v1/mixes/{sha256}", in.PutByHash)
	mux.HandleFunc("GET /v1/mixes/{sha256}", in.Stat)
	mux.HandleFunc("POST /v1/mixes", in.PostForm)
	mux.HandleFunc("GET /v1/mixes", in.List)
	srv := httptest.NewServer(who(mux))
	h.srv = srv
	h.t.Cleanup(func() {
		srv.CloseClientConnections()
		srv.Close()
	})
}

type answer struct {
	*http.Response
	body []byte
}

func (a answer) problem(t *testing.T) v1.Problem {
	t.Helper()
	var p v1.Problem
	if err := json.Unmarshal(a.body, &p); err != nil {
		t.Fatalf("status %d, body %q is no problem: %v", a.StatusCode, a.body, err)
	}
	if got := a.Header.Get("Content-Type"); got != v1.ProblemType {
		t.Errorf("problem of type %q", got)
	}
	if p.Status != a.StatusCode {
		t.Errorf("problem says %d, status is %d", p.Status, a.StatusCode)
	}
	return p
}

func (a answer) mix(t *testing.T) v1.Mix {
	t.Helper()
	var m v1.Mix
	if err := json.Unmarshal(a.body, &m); err != nil {
		t.Fatalf("status %d, body %q: %v", a.StatusCode, a.body, err)
	}
	return m
}

// do sends a request; headers come in pairs.
func (h *house) do(method, path, as string, body io.Reader, headers ...string) answer {
	h.t.Helper()
	if !strings.HasPrefix(path, "http") {
		path = h.srv.URL + path
	}
	r, err := http.NewRequest(method, path, body)
	if err != nil {
		h.t.Fatal(err)
	}
	r.Header.Set("X-Who", as)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	return h.send(r)
}

func (h *house) send(r *http.Request) answer {
	h.t.Helper()
	resp, err := h.srv.Client().Do(r)
	if err != nil {
		h.t.Fatalf("%s %s: %v", r.Method, r.URL.Path, err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	return answer{resp, b}
}

const (
	asStudio   = "studio/north"
	asOther    = "studio/south"
	asEngineer = "engineer/"
)

func metadata(pairs ...string) string {
	var out []string
	for i := 0; i+1 < len(pairs); i += 2 {
		out = append(out, pairs[i]+" "+base64.StdEncoding.EncodeToString([]byte(pairs[i+1])))
	}
	return strings.Join(out, ",")
}

func (h *house) create(size int, headers ...string) string {
	h.t.Helper()
	a := h.do("POST", "/v1/uploads", asStudio, nil, append([]string{"Tus-Resumable", "1.0.0", "Upload-Length", strconv.Itoa(size)}, headers...)...)
	if a.StatusCode != http.StatusCreated {
		h.t.Fatalf("creation: %d %s", a.StatusCode, a.body)
	}
	return a.Header.Get("Location")
}

func (h *house) patch(where string, offset int, body string) answer {
	h.t.Helper()
	return h.do("PATCH", where, asStudio, strings.NewReader(body), "Tus-Resumable", "1.0.0",
		"Upload-Offset", strconv.Itoa(offset), "Content-Type", "application/offset+octet-stream")
}

func (h *house) head(where string) answer {
	h.t.Helper()
	return h.do("HEAD", where, asStudio, nil, "Tus-Resumable", "1.0.0")
}

// holds checks that the store has these bytes for the studio, with a record.
func (h *house) holds(studio, content string) {
	h.t.Helper()
	o, err := h.store.Open(context.Background(), Key(studio, shaOf(content)))
	if err != nil {
		h.t.Fatal(err)
	}
	defer o.Close()
	got, err := io.ReadAll(o)
	if err != nil || string(got) != content {
		h.t.Fatalf("store holds %d bytes, %v, want %d", len(got), err, len(content))
	}
	m, err := h.in.Find(context.Background(), studio, shaOf(content))
	if err != nil || m.Bytes != int64(len(content)) || m.Studio != studio {
		h.t.Fatalf("found %+v, %v", m, err)
	}
}

// files lists the regular files of the spool.
func (h *house) files() []string {
	h.t.Helper()
	return tree(h.t, h.opt.Spool)
}

func tree(t *testing.T, root string) (files []string) {
	t.Helper()
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func (h *house) count(kind string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.seen[kind]
}

// eventually polls until ok, with a deadline for loaded machines.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("did not happen: %s", what)
		}
	}
}

// zeros yields n zero bytes without a length.
func zeros(n int64) io.Reader { return io.LimitReader(zeroReader{}, n) }

type zeroReader struct{}

func (zeroReader) Read(p []byte) (int, error) { clear(p); return len(p), nil }
