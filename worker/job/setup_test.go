package job_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"
	"discsafe/worker/store/mem"
)

// clock is moved by hand.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func newClock() *clock { return &clock{t: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)} }

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

func (c *clock) pass(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.t = c.t.Add(d) }

// random makes the same IDs on every run.
type random struct{ r *rand.Rand }

func (r random) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(r.r.Uint32())
	}
	return len(p), nil
}

// trouble makes the nth step of input or output fail.
type trouble struct {
	mu    sync.Mutex
	left  int // steps until the fault; 0: none
	hit   bool
	steps int

	step, prefix string // this step of keys with this prefix always fails

	kill bool // after the fault every step fails, as for a process that is no more
}

var errInjected = errors.New("injected")

func (f *trouble) arm(n int) { f.mu.Lock(); defer f.mu.Unlock(); f.left, f.hit = n, false }

func (f *trouble) fault(step, key string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.steps++
	if f.step != "" && step == f.step && strings.HasPrefix(key, f.prefix) {
		return fmt.Errorf("%w: %s %s", errInjected, step, key)
	}
	if f.hit && f.kill {
		return fmt.Errorf("%w: after the end", errInjected)
	}
	if f.left == 0 {
		return nil
	}
	if f.left--; f.left > 0 {
		return nil
	}
	f.hit = true
	return fmt.Errorf("%w: %s %s", errInjected, step, key)
}

// killAt ends the process at the nth step; 0: another one begins.
func (f *trouble) killAt(n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.left, f.hit, f.kill = n, false, n > 0
}

func (b *bench) failAt(step, prefix string) {
	b.fault.mu.Lock()
	defer b.fault.mu.Unlock()
	b.fault.step, b.fault.prefix = step, prefix
}

type bench struct {
	t     *testing.T
	ctx   context.Context
	clock *clock
	fault *trouble
	store *mem.Store
	l     *job.Ledger
}

func newBench(t *testing.T) *bench {
	b := &bench{t: t, ctx: context.Background(), clock: newClock(), fault: &trouble{}}
	b.store = mem.New(mem.Options{Now: b.clock.now, Fault: b.fault.fault})
	b.l = b.ledger(b.clock.now)
	return b
}

func (b *bench) ledger(now func() time.Time) *job.Ledger {
	b.t.Helper()
	l, err := job.NewLedger(job.Config{Store: b.store, Now: now, Random: random{rand.New(rand.NewPCG(1, uint64(b.fault.steps)))}})
	if err != nil {
		b.t.Fatal(err)
	}
	return l
}

func request(studio string) job.Request {
	hash := strings.Repeat("0a", 32)
	return job.Request{Studio: studio, Title: "Night Train", Side: "A", Catalogue: "CAT 1",
		Plan:   job.Input{Name: "plan.yaml", Key: "input/plan", Bytes: 100, SHA256: hash},
		Inputs: []job.Input{{Name: "mixes/one.wav", Key: "input/one", Bytes: 1000, SHA256: hash}}}
}

func (b *bench) submit(key string) *job.Record {
	b.t.Helper()
	r, _, err := b.l.Submit(b.ctx, key, request("north"))
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

const lease = 30 * time.Second

func by(worker string) job.Claimant {
	return job.Claimant{Worker: worker, Version: "1", Token: worker, Lease: lease}
}

func (b *bench) claim(id, worker string) *job.Hold {
	b.t.Helper()
	h, err := b.l.Claim(b.ctx, id, by(worker))
	if err != nil {
		b.t.Fatalf("claim by %s: %v", worker, err)
	}
	return h
}

func (b *bench) get(id string) *job.Record {
	b.t.Helper()
	r, err := b.l.Get(b.ctx, id)
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

// result stores one file for an attempt and describes it.
func (b *bench) result(h *job.Hold) job.Result {
	b.t.Helper()
	key := job.ResultKey(h.ID, h.Attempt, "premaster.wav")
	info, err := b.store.Put(b.ctx, key, strings.NewReader("sound"))
	if errors.Is(err, store.ErrExists) {
		info, err = b.store.Stat(b.ctx, key)
	}
	if err != nil {
		b.t.Fatal(err)
	}
	return job.Result{Verdict: "ready", Version: "1", Files: []job.Output{{Name: "premaster.wav", Key: key, Bytes: info.Size, SHA256: info.SHA256}}}
}

func (b *bench) keys(prefix string) []string {
	b.t.Helper()
	var out []string
	for o, err := range store.All(b.ctx, b.store, prefix) {
		if err != nil {
			b.t.Fatal(err)
		}
		out = append(out, o.Key)
	}
	return out
}

// path is the history in short.
func path(r *job.Record) string {
	var p []string
	for _, e := range r.History {
		p = append(p, fmt.Sprintf("%s/%d:%s", e.To, e.Attempt, e.Code))
	}
	return strings.Join(p, " ")
}

// checkHistory holds what must be true of every record at all times.
func checkHistory(t interface{ Fatalf(string, ...any) }, r *job.Record) {
	state, attempt, done := job.State(""), 0, 0
	for i, e := range r.History {
		if e.From != state || !job.May(e.From, e.To) {
			t.Fatalf("job %s: event %d goes from %q to %q after state %q: %s", r.ID, i, e.From, e.To, state, path(r))
		}
		if e.Attempt < attempt {
			t.Fatalf("job %s: attempt falls from %d to %d: %s", r.ID, attempt, e.Attempt, path(r))
		}
		if e.To == job.Done {
			done++
		}
		state, attempt = e.To, e.Attempt
	}
	if state != r.State || done > 1 || (r.Result != nil) != (r.State == job.Done) || (r.Holder != nil) != (r.State == job.Running) || r.State.Ended() == r.Ended.IsZero() {
		t.Fatalf("job %s is %s with result %v, holder %v, ended %v: %s", r.ID, r.State, r.Result, r.Holder, r.Ended, path(r))
	}
}
