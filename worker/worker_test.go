package worker_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue"
	queuemem "discsafe/worker/queue/mem"
	"discsafe/worker/store"
)

func TestManyJobsOnThreeSlots(t *testing.T) {
	inHouse(t, func(h *house) {
		w, stop := h.start("w1", func(o *worker.Options) { o.Slots = 3 })
		var ids []string
		for i := range 20 {
			ids = append(ids, h.submit(fmt.Sprint("job", i)))
		}
		time.Sleep(15 * time.Second)
		s := w.Status()
		if len(s.Running) != 3 || s.Running[0].Progress.Step != "preparing" || s.Running[0].Progress.Share <= 0.05 || s.Running[0].Progress.LeftS <= 0 {
			t.Errorf("status %+v", s)
		}
		for _, id := range ids {
			h.check(h.until(id, job.Done, 2*time.Minute))
		}
		stop()
		h.empty()
		if n := h.count(worker.Settled, job.CodeDone); n != 20 {
			t.Errorf("%d events of done", n)
		}
	})
}

// passing tells of three passes as the pipeline does: the second without its
// last word, the third one twice, and an end that is none.
type passing struct{ runner }

func (p *passing) Run(ctx context.Context, t worker.Task, told func(worker.Pass)) worker.Outcome {
	for _, x := range []worker.Pass{{Name: "a", Number: 1, Of: 2}, {Name: "a", Number: 1, Of: 2, Fraction: 0.5, RealTime: 30}, {Name: "a", Number: 1, Of: 2, Fraction: 1, RealTime: 20},
		{Name: "b", Number: 2, Of: 2}, {Name: "b", Number: 2, Of: 3, Fraction: 0.9, RealTime: 10},
		{Name: "c", Number: 3, Of: 3, RealTime: 40}, {Name: "c", Number: 3, Of: 3, Fraction: 1}, {Name: "c", Number: 3, Of: 3, Fraction: 1, RealTime: 40},
		{Name: "d", Number: 4, Of: 4, Fraction: 0.2}} {
		told(x)
		time.Sleep(time.Second)
	}
	return p.runner.Run(ctx, t, func(worker.Pass) {})
}

// Every finished pass is told once, with its name, its time and its speed.
func TestPassesAreObserved(t *testing.T) {
	inHouse(t, func(h *house) {
		_, stop := h.start("w1", func(o *worker.Options) { o.Runner = &passing{runner{takes: time.Second}} })
		h.check(h.until(h.submit("one"), job.Done, time.Minute))
		stop()
		h.empty()
		var got []string
		for _, e := range h.events {
			if e.Kind == worker.Passed {
				got = append(got, fmt.Sprintf("%s %v %g/%d", e.Pass, e.Took, e.RealTime, e.Attempt))
			}
		}
		if want := []string{"a 2s 20/1", "b 2s 10/1", "c 1s 40/1"}; !slices.Equal(got, want) {
			t.Errorf("passes %q, want %q", got, want)
		}
	})
}

// The message of a job that was cancelled and deleted before a worker met it is
// done with: it is no trouble and no dead letter.
func TestMessageOfADeletedJob(t *testing.T) {
	inHouse(t, func(h *house) {
		id := h.submit("one")
		if _, err := h.l.Cancel(h.ctx, id, "mira"); err != nil {
			t.Fatal(err)
		}
		if err := h.l.Delete(h.ctx, id, "mira"); err != nil {
			t.Fatal(err)
		}
		_, stop := h.start("w1", func(o *worker.Options) { o.Runner = &runner{takes: time.Second} })
		h.check(h.until(h.submit("two"), job.Done, time.Minute))
		stop()
		h.empty()
		turned := 0
		for _, e := range h.events {
			switch {
			case e.Kind == worker.Trouble:
				t.Errorf("trouble: %s %v", e.Code, e.Err)
			case e.Kind == worker.Turned && e.Job == id:
				turned++
			}
		}
		if turned != 1 {
			t.Errorf("turned away %d times, want once", turned)
		}
	})
}

func TestCancelStopsTheRunner(t *testing.T) {
	inHouse(t, func(h *house) {
		_, stop := h.start("w1", func(o *worker.Options) { o.Runner = &runner{takes: time.Hour} })
		id := h.submit("one")
		h.until(id, job.Running, time.Minute)
		if _, err := h.l.Cancel(h.ctx, id, "mira"); err != nil {
			t.Fatal(err)
		}
		r := h.until(id, job.Cancelled, 5*time.Second)
		if r.Last().By != "mira" {
			t.Errorf("%+v", r.Last())
		}
		stop()
		h.empty()
	})
}

// A worker told to stop lets short work end, hands long work back within its
// grace, and burns nothing.
func TestDrain(t *testing.T) {
	inHouse(t, func(h *house) {
		_, stop := h.start("w1", func(o *worker.Options) { o.Slots = 2; o.Runner = &runner{takes: time.Minute} })
		soon := h.submit("soon")
		h.until(soon, job.Running, time.Minute)
		time.Sleep(50 * time.Second)
		long := h.submit("long")
		h.until(long, job.Running, time.Minute)
		began := time.Now()
		stop()
		if took := time.Since(began); took > 22*time.Second {
			t.Errorf("draining took %v, grace is 20 s", took)
		}
		h.check(h.until(soon, job.Done, 0))
		r := h.until(long, job.Accepted, 0)
		if r.Crashes != 0 || r.Losses != 0 || r.Last().Code != job.CodeDrain {
			t.Errorf("handed back: %d crashes, %d losses, %+v", r.Crashes, r.Losses, r.Last())
		}
		_, stop = h.start("w2", nil)
		h.check(h.until(long, job.Done, 15*time.Second))
		stop()
		h.empty()
	})
}

// The worker is killed at each step; the job goes on within AckWait and five
// seconds, and ends with one complete result.
func TestKilledAtEachStep(t *testing.T) {
	for _, step := range worker.Steps() {
		t.Run(step, func(t *testing.T) {
			inHouse(t, func(h *house) {
				var killed atomic.Bool
				_, stop := h.start("w1", func(o *worker.Options) {
					o.Step = func(s, _ string) bool {
						if s == step {
							killed.Store(true)
						}
						return !killed.Load()
					}
				})
				id := h.submit("one")
				for !killed.Load() {
					time.Sleep(time.Second)
				}
				at := time.Now()
				stop()
				_, stop = h.start("w2", nil)
				r := h.until(id, job.Done, time.Minute)
				if wait := r.Started.Sub(at); wait > 35*time.Second {
					t.Errorf("went on after %v", wait)
				}
				h.check(r)
				time.Sleep(time.Minute) // the message of a job killed after its last word comes once more
				stop()
				h.empty()
			})
		})
	}
}

// frozen is a store whose calls stand still while it is frozen, as those of a
// process that got SIGSTOP.
type frozen struct {
	store.Store
	mu   sync.Mutex
	gate chan struct{} // nil: open
}

func (f *frozen) wait() {
	f.mu.Lock()
	g := f.gate
	f.mu.Unlock()
	if g != nil {
		<-g
	}
}

func (f *frozen) Put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	f.wait()
	return f.Store.Put(ctx, key, r)
}

func (f *frozen) PutIfAbsent(ctx context.Context, key string, data []byte) error {
	f.wait()
	return f.Store.PutIfAbsent(ctx, key, data)
}

func (f *frozen) Swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	f.wait()
	return f.Store.Swap(ctx, key, old, data)
}

func (f *frozen) Open(ctx context.Context, key string) (store.Object, error) {
	f.wait()
	return f.Store.Open(ctx, key)
}

// A worker stands still for longer than its lease and wakes up with its result
// in hands: refused.
func TestSleeperWakesUp(t *testing.T) {
	inHouse(t, func(h *house) {
		f := &frozen{Store: h.store}
		_, stop1 := h.start("w1", func(o *worker.Options) {
			o.Store, o.Ledger = f, h.ledger(f)
			o.Step = func(step, _ string) bool {
				if step == "stored" {
					f.mu.Lock()
					f.gate = make(chan struct{})
					f.mu.Unlock()
				}
				return true
			}
		})
		id := h.submit("one")
		h.faults(nil, func(op queuemem.Op, _ queuemem.Moment, _ queue.Message) error {
			if op == queuemem.InProgress {
				return errors.New("asleep")
			}
			return nil
		})
		time.Sleep(15 * time.Second)
		_, stop2 := h.start("w2", nil)
		r := h.until(id, job.Done, time.Minute)
		if r.Result.Attempt != 2 || r.Losses != 1 {
			t.Errorf("result of attempt %d, %d losses", r.Result.Attempt, r.Losses)
		}
		close(f.gate)
		f.mu.Lock()
		f.gate = nil
		f.mu.Unlock()
		time.Sleep(time.Minute)
		stop1()
		stop2()
		if n := h.count(worker.Fenced, job.CodeTakenOver); n != 1 {
			t.Errorf("%d fenced attempts, want 1", n)
		}
		h.check(h.until(id, job.Done, 0))
		h.empty()
	})
}

func TestPoisonEndsDeadAndOthersGoOn(t *testing.T) {
	inHouse(t, func(h *house) {
		var poison atomic.Value
		poison.Store("")
		_, stop := h.start("w1", func(o *worker.Options) {
			o.Runner = &runner{takes: time.Second, broken: func(k worker.Task) *job.Reason {
				if k.Job != poison.Load() {
					return nil
				}
				why := job.Because(job.CodeOutOfMemory, "")
				return &why
			}}
		})
		bad := h.submit("poison")
		poison.Store(bad)
		var ids []string
		for i := range 10 {
			ids = append(ids, h.submit(fmt.Sprint("good", i)))
		}
		for _, id := range ids {
			h.check(h.until(id, job.Done, 15*time.Second))
		}
		r := h.until(bad, job.Dead, 2*time.Minute)
		if r.Attempt != 3 || r.Reason.Code != job.CodeOutOfMemory {
			t.Errorf("attempt %d, %+v", r.Attempt, r.Reason)
		}
		time.Sleep(time.Second)
		dead, err := h.queue.(queue.DeadLetters).Dead(h.ctx, 0, 10)
		if err != nil || len(dead) != 1 || dead[0].Message.JobID != bad || !strings.HasPrefix(dead[0].Reason, "out-of-memory: ") {
			t.Errorf("dead letters %+v %v", dead, err)
		}
		if _, err := h.l.Retry(h.ctx, bad, "operator"); err != nil {
			t.Fatal(err)
		}
		poison.Store("") // mended
		r, err = h.l.Get(h.ctx, bad)
		if err != nil {
			t.Fatal(err)
		}
		if err := h.queue.Publish(h.ctx, worker.Ring(r)); err != nil {
			t.Fatal(err)
		}
		h.check(h.until(bad, job.Done, time.Minute))
		stop()
		h.empty()
	})
}
