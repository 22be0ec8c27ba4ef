package job_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"

	"pgregory.net/rapid"
)

func TestReconcilerRingsForWhatTheBrokerForgot(t *testing.T) {
	b := newBench(t)
	waiting := b.submit("").ID
	running := b.submit("").ID
	resting := b.submit("").ID
	done := b.submit("").ID
	h := b.claim(running, "w1")
	if _, err := b.claim(resting, "w2").Crash(b.ctx, job.Because(job.CodeCrashed, "")); err != nil {
		t.Fatal(err)
	}
	hd := b.claim(done, "w3")
	if _, err := hd.Finish(b.ctx, b.result(hd)); err != nil {
		t.Fatal(err)
	}
	depth := 3
	rung := map[string]int{}
	c := &job.Reconciler{Ledger: b.l,
		Ring:  func(_ context.Context, r *job.Record) error { rung[r.ID]++; return nil },
		Depth: func(context.Context) (int, error) { return depth, nil }}
	pass := func(d time.Duration) job.Counts {
		t.Helper()
		b.clock.pass(d)
		n, err := c.Pass(b.ctx)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := pass(0); n.Open != 3 || n.Waiting != 2 || n.Running != 1 || n.Rung != 0 {
		t.Errorf("first pass: %+v", n)
	}
	for range 20 { // all is well: nobody is rung for
		if err := h.Beat(b.ctx, job.Progress{}); err != nil {
			t.Fatal(err)
		}
		if n := pass(10 * time.Second); n.Rung != 0 {
			t.Fatalf("%+v although the broker holds as many messages as there are jobs", n)
		}
	}
	depth = 0 // the broker's storage is gone
	pass(0)
	if rung[waiting] != 1 || rung[resting] != 1 || rung[running] != 0 {
		t.Errorf("rung %v; want the waiting and the rested one, not the running one", rung)
	}
	b.clock.pass(lease) // and now the worker is gone too
	pass(0)             // here its beat is first missed
	if n := pass(lease); n.Lost != 1 || rung[running] != 1 {
		t.Errorf("%+v, rung %v; want the lost one rung for", n, rung)
	}
	depth = 3
	before := rung[waiting]
	for range 61 {
		pass(10 * time.Second)
	}
	if got := rung[waiting] - before; got < 1 || got > 2 {
		t.Errorf("in ten minutes without a worker rung %d more times; want it rare, but not never", got)
	}
}

// crowd holds back reads of records until eight are under way, and a while longer:
// a ninth would show.
type crowd struct {
	store.Store
	mu        sync.Mutex
	now, most int
	full      chan struct{} // closed when eight are there
}

func (c *crowd) Open(ctx context.Context, key string) (store.Object, error) {
	if !strings.HasPrefix(key, "record/") {
		return c.Store.Open(ctx, key)
	}
	c.mu.Lock()
	if c.now++; c.now > c.most {
		if c.most = c.now; c.most == 8 {
			time.AfterFunc(50*time.Millisecond, func() { close(c.full) })
		}
	}
	c.mu.Unlock()
	defer func() { c.mu.Lock(); c.now--; c.mu.Unlock() }()
	select {
	case <-c.full:
		return c.Store.Open(ctx, key)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// A pass reads eight records beside each other, no more, and rings in their order.
func TestReconcilerReadsAhead(t *testing.T) {
	b := newBench(t)
	want := make([]string, 40)
	for i := range want {
		want[i] = b.submit("").ID
		b.clock.pass(time.Second)
	}
	slices.Reverse(want) // newest first
	c := &crowd{Store: b.store, full: make(chan struct{})}
	l, err := job.NewLedger(job.Config{Store: c, Now: b.clock.now})
	if err != nil {
		t.Fatal(err)
	}
	var rung []string
	r := &job.Reconciler{Ledger: l, Ring: func(_ context.Context, r *job.Record) error { rung = append(rung, r.ID); return nil },
		Depth: func(context.Context) (int, error) { return 0, nil }}
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	b.clock.pass(time.Minute)
	n, err := r.Pass(ctx)
	if err != nil || n.Open != 40 || c.most != 8 || !slices.Equal(rung, want) {
		t.Errorf("%+v, %v; %d reads at once, rung for %d in the wrong order or not at all", n, err, c.most, len(rung))
	}
	// A read that fails ends the pass, and no other is left behind.
	b.failAt("open", "record/"+want[10])
	if _, err := r.Pass(ctx); !errors.Is(err, errInjected) || c.now != 0 {
		t.Errorf("%v, %d reads under way; want the fault and none", err, c.now)
	}
}

func TestReconcilerTidiesMarks(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	h := b.claim(id, "w1")
	if _, err := h.Finish(b.ctx, b.result(h)); err != nil {
		t.Fatal(err)
	}
	orphan := b.submit("").ID
	for _, err := range []error{b.store.PutIfAbsent(b.ctx, "open/"+id, nil), b.store.Delete(b.ctx, "record/"+orphan)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	gone := b.submit("").ID
	b.claim(gone, "w2")
	if _, err := b.l.Cancel(b.ctx, gone, "mira"); err != nil {
		t.Fatal(err)
	}
	c := &job.Reconciler{Ledger: b.l, Ring: func(context.Context, *job.Record) error { return errors.New("must not ring") }}
	b.clock.pass(lease)
	if n, err := c.Pass(b.ctx); err != nil || n.Closed != 2 || n.Orphans != 0 {
		t.Errorf("%+v %v; want two closed and the fresh orphan left alone", n, err)
	}
	if s := b.get(gone).State; s != job.Cancelled {
		t.Errorf("the cancelled job whose worker is gone is %s", s)
	}
	b.clock.pass(25 * time.Hour)
	if n, err := c.Pass(b.ctx); err != nil || n.Orphans != 1 || len(b.keys("open/")) != 0 {
		t.Errorf("%+v %v, open %v", n, err, b.keys("open/"))
	}
}

func TestReconcilerGoesOnAfterTrouble(t *testing.T) {
	b := newBench(t)
	for range 3 {
		b.submit("")
	}
	if err := b.store.PutIfAbsent(b.ctx, "open/"+strings.Repeat("0", 26), nil); err != nil {
		t.Fatal(err)
	}
	if err := b.store.PutIfAbsent(b.ctx, "record/"+strings.Repeat("0", 26), []byte("{}")); err != nil {
		t.Fatal(err)
	}
	calls := 0
	c := &job.Reconciler{Ledger: b.l,
		Ring: func(context.Context, *job.Record) error {
			if calls++; calls == 1 {
				return errInjected
			}
			return nil
		},
		Depth: func(context.Context) (int, error) { return 0, nil }}
	b.clock.pass(time.Minute)
	n, err := c.Pass(b.ctx)
	if !errors.Is(err, errInjected) || calls != 3 || n.Rung != 2 || len(n.Unreadable) != 1 {
		t.Errorf("%+v, %d calls, %v", n, calls, err)
	}
	if n, err := c.Pass(b.ctx); err != nil || n.Rung != 1 {
		t.Errorf("next pass: %+v %v; want the failed one rung for again", n, err)
	}
}

func TestRebuildPutsMarksBack(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	done := b.submit("").ID
	h := b.claim(done, "w1")
	b.result(h)
	b.clock.pass(lease)
	h = b.claim(done, "w2")
	if _, err := h.Finish(b.ctx, b.result(h)); err != nil {
		t.Fatal(err)
	}
	for _, k := range slices.Concat(b.keys("open/"), b.keys("studio/"), b.keys("ended/")) {
		if err := b.store.Delete(b.ctx, k); err != nil {
			t.Fatal(err)
		}
	}
	n, err := b.l.Rebuild(b.ctx, time.Hour)
	if err != nil || n.Records != 2 || n.Marked != 4 {
		t.Errorf("%+v %v; want 2 records, 4 marks", n, err)
	}
	if k := b.keys("open/"); len(k) != 1 || k[0] != "open/"+id {
		t.Errorf("open: %v", k)
	}
	if k := b.keys("result/"); len(k) != 1 || k[0] != job.ResultKey(done, 2, "premaster.wav") {
		t.Errorf("results after tidying: %v; want only those of attempt 2", k)
	}
}

func TestExpireKeys(t *testing.T) {
	b := newBench(t)
	b.submit("old")
	b.clock.pass(15 * 24 * time.Hour)
	b.submit("new")
	if n, err := b.l.ExpireKeys(b.ctx); err != nil || n != 1 || len(b.keys("idem/")) != 1 {
		t.Errorf("%d removed, %v, left %v", n, err, b.keys("idem/"))
	}
}

// Random histories: workers claim, beat, sleep, crash and finish in any order
// while people cancel and retry and the store fails at random steps. At the
// end every job ends, each at most once with a result, and no fenced worker's
// result counts.
func TestRandomLives(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		var ids []string
		holds := map[string]*job.Hold{} // by worker
		results := map[string]int{}     // attempt whose Finish was confirmed, by job
		note := func(h *job.Hold, r *job.Record, err error) {
			if err == nil && r.State == job.Done && r.Result.Attempt == h.Attempt {
				results[h.ID] = h.Attempt
			}
		}
		workers := []string{"w1", "w2", "w3"}
		serial := 0
		claim := func(id, w string) {
			serial++
			c := by(w)
			c.Token = fmt.Sprint(w, "-", serial)
			if h, err := b.l.Claim(b.ctx, id, c); err == nil {
				holds[w] = h
			}
		}
		rt.Repeat(map[string]func(*rapid.T){
			"submit": func(rt *rapid.T) {
				n := len(ids)
				if n > 3 { // enough jobs: one of them again
					n = rapid.IntRange(0, 3).Draw(rt, "again")
				}
				r, _, err := b.l.Submit(b.ctx, fmt.Sprint("k", n), request("north"))
				switch {
				case err != nil:
				case n == len(ids):
					ids = append(ids, r.ID)
				case r.ID != ids[n]:
					rt.Fatalf("the key of job %s made job %s", ids[n], r.ID)
				}
			},
			"act": func(rt *rapid.T) {
				if len(ids) == 0 {
					return
				}
				id := rapid.SampledFrom(ids).Draw(rt, "job")
				w := rapid.SampledFrom(workers).Draw(rt, "worker")
				h := holds[w]
				if rapid.IntRange(0, 3).Draw(rt, "trouble") == 0 {
					b.fault.arm(rapid.IntRange(1, 8).Draw(rt, "step"))
				}
				defer b.fault.arm(0)
				what := rapid.SampledFrom([]string{"claim", "claim", "beat", "finish", "finish", "crash", "hand back", "cancel", "retry", "sleep"}).Draw(rt, "what")
				if h == nil && what != "cancel" && what != "retry" && what != "sleep" {
					what = "claim"
				}
				switch what {
				case "claim":
					claim(id, w)
				case "beat":
					_ = h.Beat(b.ctx, job.Progress{})
				case "finish":
					key := job.ResultKey(h.ID, h.Attempt, "premaster.wav")
					_, _ = b.store.Put(b.ctx, key, strings.NewReader("sound"))
					if _, err := b.store.Stat(b.ctx, key); err == nil {
						r, err := h.Finish(b.ctx, job.Result{Files: []job.Output{{Name: "premaster.wav", Key: key, Bytes: 5}}})
						note(h, r, err)
						if _, fenced := errors.AsType[*job.FencedError](err); fenced {
							_ = h.Discard(b.ctx)
						}
					}
				case "crash":
					_, _ = h.Crash(b.ctx, job.Because(job.CodeCrashed, ""))
				case "hand back":
					_, _ = h.HandBack(b.ctx, job.Because(job.CodeDrain, ""), time.Second)
				case "cancel":
					_, _ = b.l.Cancel(b.ctx, id, "")
				case "retry":
					_, _ = b.l.Retry(b.ctx, id, "")
				case "sleep":
					b.clock.pass(rapid.SampledFrom([]time.Duration{time.Second, lease, time.Hour}).Draw(rt, "sleep"))
				}
			},
			"": func(rt *rapid.T) {
				for _, id := range ids {
					r := b.get(id)
					checkHistory(rt, r)
					if n := results[id]; n > 0 && (r.State != job.Done || r.Result.Attempt != n) {
						rt.Fatalf("job %s: attempt %d was told that its result counts, but the record says %s, %+v", id, n, r.State, r.Result)
					}
					if r.State == job.Done {
						for _, f := range r.Result.Files {
							if _, err := b.store.Stat(b.ctx, f.Key); err != nil {
								rt.Fatalf("job %s: done, but %v", id, err)
							}
						}
					}
					if !r.State.Ended() && len(b.keys("open/"+id)) == 0 {
						rt.Fatalf("job %s is %s and has no mark: %s", id, r.State, path(r))
					}
				}
			},
		})
		// Healed: one worker that does its work brings everything to an end.
		c := &job.Reconciler{Ledger: b.l, Depth: func(context.Context) (int, error) { return 0, nil },
			Ring: func(_ context.Context, r *job.Record) error {
				serial++
				h, err := b.l.Claim(b.ctx, r.ID, job.Claimant{Worker: "last", Version: "1", Token: fmt.Sprint(serial), Lease: lease})
				if err == nil {
					_, err = h.Finish(b.ctx, b.result(h))
				}
				if _, over := errors.AsType[*job.OverError](err); over {
					return nil
				}
				return err
			}}
		for range 6 {
			b.clock.pass(20 * time.Minute)
			if _, err := c.Pass(b.ctx); err != nil {
				rt.Fatal(err)
			}
		}
		for _, id := range ids {
			if r := b.get(id); !r.State.Ended() {
				rt.Fatalf("job %s never ends: %s", id, path(r))
			}
		}
		if k := b.keys("open/"); len(k) != 0 {
			rt.Fatalf("left open: %v", k)
		}
	})
}
