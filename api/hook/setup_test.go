package hook_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"discsafe/api/hook"
	v1 "discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
	"discsafe/worker/store/mem"
)

const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

var errInjected = errors.New("injected")

// clock is moved by hand.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

func (c *clock) pass(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.t = c.t.Add(d) }

// names answers for hosts, each question with the next of the answers.
type names struct {
	mu    sync.Mutex
	hosts map[string][]string
	asked int
}

func (n *names) LookupNetIP(_ context.Context, _, host string) ([]netip.Addr, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.asked++
	a := n.hosts[host]
	if len(a) == 0 {
		return nil, &net.DNSError{Err: "no such host", Name: host, IsNotFound: true}
	}
	if len(a) > 1 {
		n.hosts[host] = a[1:]
	}
	if a[0] == "trouble" {
		return nil, &net.DNSError{Err: "server misbehaving", Name: host, IsTemporary: true}
	}
	var out []netip.Addr
	for _, s := range strings.Split(a[0], " ") {
		out = append(out, netip.MustParseAddr(s))
	}
	return out, nil
}

// got is a request as a receiver saw it.
type got struct {
	header http.Header
	body   []byte
	host   string
	uri    string
}

// bench is a store with a ledger, a receiver and what they were told.
type bench struct {
	t     *testing.T
	ctx   context.Context
	clock *clock
	store *mem.Store
	l     *job.Ledger
	log   *buffer
	url   string // of the receiver
	names *names

	mu      sync.Mutex
	fail    func(step, key string) error
	steps   []string // "step key"
	got     []got
	answer  func(w http.ResponseWriter, r *http.Request)
	results []string
}

// buffer is a log that may be written from many goroutines.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) { b.mu.Lock(); defer b.mu.Unlock(); return b.b.Write(p) }
func (b *buffer) String() string              { b.mu.Lock(); defer b.mu.Unlock(); return b.b.String() }

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{t: t, ctx: context.Background(), clock: &clock{t: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}, log: &buffer{}}
	b.store = mem.New(mem.Options{Now: b.clock.now, Fault: func(step, key string) error {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.steps = append(b.steps, step+" "+key)
		if b.fail == nil {
			return nil
		}
		return b.fail(step, key)
	}})
	var err error
	if b.l, err = job.NewLedger(job.Config{Store: b.store, Now: b.clock.now}); err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(http.HandlerFunc(b.serve))
	t.Cleanup(s.Close)
	u, err := url.Parse(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	b.names = &names{hosts: map[string][]string{"hooks.example": {u.Hostname()}, "away.example": {"trouble"}}}
	b.url = "http://hooks.example:" + u.Port() + "/told/pathsecret?key=querysecret"
	return b
}

func (b *bench) serve(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		b.t.Errorf("body: %v", err)
	}
	b.mu.Lock()
	b.got = append(b.got, got{r.Header, body, r.Host, r.RequestURI})
	answer := b.answer
	b.mu.Unlock()
	if answer != nil {
		answer(w, r)
	}
}

func (b *bench) say(f func(w http.ResponseWriter, r *http.Request)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.answer = f
}

func status(n int) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(n) }
}

func (b *bench) failAt(f func(step, key string) error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = f
}

func (b *bench) heard() []got { b.mu.Lock(); defer b.mu.Unlock(); return slices.Clone(b.got) }

func (b *bench) told() []string { b.mu.Lock(); defer b.mu.Unlock(); return slices.Clone(b.results) }

// options are those of a service that may tell the receiver of the test.
func (b *bench) options() hook.Options {
	return hook.Options{Store: b.store, Ledger: b.l, AllowPrivate: true, AllowHTTP: true, Resolver: b.names, Now: b.clock.now,
		Log: slog.New(slog.NewTextHandler(b.log, nil)), Observe: func(r string) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.results = append(b.results, r)
		}}
}

func (b *bench) hooks() *hook.Hooks { return hook.New(b.options()) }

func (b *bench) submit() string {
	b.t.Helper()
	hash := strings.Repeat("0a", 32)
	r, _, err := b.l.Submit(b.ctx, "", job.Request{Studio: "north", Title: "Night Train", Side: "A", Plan: job.Input{Name: "plan.yaml", Key: "input/plan", Bytes: 100, SHA256: hash},
		Inputs: []job.Input{{Name: "mixes/one.wav", Key: "input/one", Bytes: 1000, SHA256: hash}}})
	if err != nil {
		b.t.Fatal(err)
	}
	b.clock.pass(time.Second)
	return r.ID
}

func (b *bench) add(h *hook.Hooks, id string) {
	b.t.Helper()
	if err := h.Add(b.ctx, id, v1.Hook{URL: b.url, Secret: secret}); err != nil {
		b.t.Fatal(err)
	}
}

// end ends a job without work.
func (b *bench) end(id string) {
	b.t.Helper()
	if _, err := b.l.Cancel(b.ctx, id, "test"); err != nil {
		b.t.Fatal(err)
	}
	b.clock.pass(time.Second)
}

func (b *bench) pass(h *hook.Hooks, want int) {
	b.t.Helper()
	if n, err := h.Pass(b.ctx); err != nil || n != want {
		b.t.Fatalf("pass sent %d, %v; want %d\n%s", n, err, want, b.log.String())
	}
}

// kept is how many hooks are in the store, but for those that wait for a decision.
func (b *bench) kept() int { return b.below("hook/") }

// below is how many objects have keys with this beginning.
func (b *bench) below(prefix string) int {
	b.t.Helper()
	n := 0
	for _, err := range store.All(b.ctx, b.store, prefix) {
		if err != nil {
			b.t.Fatal(err)
		}
		n++
	}
	return n
}

func (b *bench) wantTold(want ...string) {
	b.t.Helper()
	if got := b.told(); fmt.Sprint(got) != fmt.Sprint(want) {
		b.t.Fatalf("results %v, want %v\n%s", got, want, b.log.String())
	}
}
