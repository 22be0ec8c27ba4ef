package client

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"discsafe/api/v1"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	token = "canary-token-5f1d"
	jobID = "01J0000000000000000000000A"
)

// clock is time that passes only by sleeping.
type clock struct {
	mu     sync.Mutex
	now    time.Time
	sleeps []time.Duration
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) Sleep(ctx context.Context, d time.Duration) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
	c.sleeps = append(c.sleeps, d)
	return ctx.Err()
}

func (c *clock) slept() []time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.sleeps
}

func newClock() *clock { return &clock{now: time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)} }

// dial makes a server of h and a client of it.
func dial(t testing.TB, h http.Handler, set ...func(*Options)) (*Client, *clock) {
	t.Helper()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	k := newClock()
	o := Options{Server: srv.URL, Token: token, Now: k.Now, Sleep: k.Sleep}
	for _, s := range set {
		s(&o)
	}
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c, k
}

func within(t testing.TB) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // a client that left is the test's business
}

func noise(n int) []byte {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func sum(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

func aJob(state string, rev int64) v1.Job {
	return v1.Job{ID: jobID, Kind: v1.Prepare, Studio: "north", Lane: "express", State: state, Rev: rev}
}

// recorder counts requests by method and path.
type recorder struct {
	mu   sync.Mutex
	seen []string
}

func (r *recorder) note(s string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.seen = append(r.seen, s)
}

func (r *recorder) count(prefix string) (n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.seen {
		if strings.HasPrefix(s, prefix) {
			n++
		}
	}
	return n
}

func (r *recorder) all() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.seen)
}

func (r *recorder) wrap(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		r.note(q.Method + " " + q.URL.Path)
		h.ServeHTTP(w, q)
	})
}

// first answers the first n requests with h, later ones with then.
func first(n int, h, then http.HandlerFunc) http.HandlerFunc {
	var mu sync.Mutex
	return func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		n--
		now := n >= 0
		mu.Unlock()
		if now {
			h(w, r)
		} else {
			then(w, r)
		}
	}
}

func problem(code v1.Code, after time.Duration) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		p := v1.NewProblem(code, "told by the double")
		if after > 0 {
			p.After(after)
		}
		p.Write(w)
	}
}

func abort(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }
