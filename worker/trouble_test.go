package worker_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"discsafe/pipeline/report"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue"
	queuemem "discsafe/worker/queue/mem"
	"discsafe/worker/store"
)

func TestInputsThatAreNotWhatWasAccepted(t *testing.T) {
	for name, c := range map[string]struct {
		code  job.Code
		spoil func(*house, string) error
	}{
		"missing": {job.CodeInputMissing, func(h *house, k string) error { return h.store.Delete(h.ctx, k) }},
		"flipped": {job.CodeInputDamaged, func(h *house, k string) error {
			_, err := h.store.Put(h.ctx, k, strings.NewReader("mix 0ne"))
			return errors.Join(h.store.Delete(h.ctx, k), put(h, k, "mix 0ne"), ignoreExists(err))
		}},
		"longer": {job.CodeInputDamaged, func(h *house, k string) error {
			return errors.Join(h.store.Delete(h.ctx, k), put(h, k, "mix one and more"))
		}},
	} {
		t.Run(name, func(t *testing.T) {
			inHouse(t, func(h *house) {
				id := h.submit("one")
				if err := c.spoil(h, "input/one/mixes-one.wav"); err != nil {
					t.Fatal(err)
				}
				_, stop := h.start("w1", nil)
				r := h.until(id, job.Failed, time.Minute)
				if r.Reason.Code != c.code || !strings.Contains(r.Reason.Text, "mixes-one.wav") {
					t.Errorf("%+v", r.Reason)
				}
				stop()
				h.empty()
			})
		})
	}
}

func put(h *house, key, text string) error {
	_, err := h.store.Put(h.ctx, key, strings.NewReader(text))
	return err
}

func ignoreExists(err error) error {
	if errors.Is(err, store.ErrExists) {
		return nil
	}
	return err
}

func TestResultThatDoesNotMatchItsManifest(t *testing.T) {
	for name, spoil := range map[string]func(dir string) error{
		"flipped": func(d string) error {
			return os.WriteFile(filepath.Join(d, "premaster.wav"), []byte("noise of plan one"), 0o600)
		},
		"missing":     func(d string) error { return os.Remove(filepath.Join(d, "premaster.wav")) },
		"no manifest": func(d string) error { return os.Remove(filepath.Join(d, report.ManifestName)) },
		"a link out": func(d string) error {
			return errors.Join(os.Remove(filepath.Join(d, "report.json")), os.Symlink("/etc/hostname", filepath.Join(d, "report.json")))
		},
		"no folder": os.RemoveAll,
	} {
		t.Run(name, func(t *testing.T) {
			inHouse(t, func(h *house) {
				id := h.submit("one")
				first := true
				_, stop := h.start("w1", func(o *worker.Options) {
					o.Runner = &runner{takes: time.Second, spoil: func(dir string) {
						if first {
							first = false
							if err := spoil(dir); err != nil {
								t.Error(err)
							}
						}
					}}
				})
				r := h.until(id, job.Done, time.Minute)
				h.check(r)
				if r.Crashes != 1 || h.count(worker.Settled, job.CodeResult) != 1 {
					t.Errorf("%d crashes; the damage was not seen", r.Crashes)
				}
				stop()
				h.empty()
			})
		})
	}
}

// Full disks: nothing is burned, and work goes on within a minute of there
// being room.
func TestNoSpace(t *testing.T) {
	for _, where := range []string{"scratch", "scratch for this job", "store"} {
		t.Run(where, func(t *testing.T) {
			inHouse(t, func(h *house) {
				var full atomic.Bool
				full.Store(true)
				free := func() (int64, bool) {
					switch {
					case full.Load() && where == "scratch":
						return 1 << 20, true
					case full.Load() && where == "scratch for this job":
						return 64 << 20, true
					}
					return 1 << 40, true
				}
				h.faults(func(step, key string) error {
					if full.Load() && where == "store" && strings.HasPrefix(key, "result/") {
						return &store.Error{Kind: store.ErrFull}
					}
					return nil
				}, nil)
				_, stop := h.start("w1", func(o *worker.Options) { o.Free = free; o.MinFree = 32 << 20 })
				id := h.submit("one")
				time.Sleep(10 * time.Minute)
				if h.count(worker.Settled, job.CodeNoSpace)+h.count(worker.Trouble, job.CodeNoSpace) == 0 {
					t.Error("nobody was told that there is no space")
				}
				full.Store(false)
				r := h.until(id, job.Done, time.Minute+10*time.Second)
				if r.Crashes != 0 || r.Losses != 0 {
					t.Errorf("%d crashes, %d losses", r.Crashes, r.Losses)
				}
				h.check(r)
				stop()
				h.empty()
			})
		})
	}
}

func TestBrokerLosesEverything(t *testing.T) {
	inHouse(t, func(h *house) {
		var ids []string
		for i := range 5 {
			ids = append(ids, h.submit(fmt.Sprint("job", i)))
		}
		_, stop := h.start("w1", nil)
		h.until(ids[0], job.Running, time.Minute)
		h.broker.Stop()
		time.Sleep(2 * time.Minute)
		h.broker.Wipe()
		h.broker.Start()
		rec := &job.Reconciler{Ledger: h.l,
			Ring: func(ctx context.Context, r *job.Record) error { return h.queue.Publish(ctx, worker.Ring(r)) },
			Depth: func(ctx context.Context) (int, error) {
				s, err := h.queue.Stats(ctx)
				return s.Waiting + s.InFlight, err
			}}
		for range 12 {
			if _, err := rec.Pass(h.ctx); err != nil {
				t.Error(err)
			}
			time.Sleep(10 * time.Second)
		}
		for _, id := range ids {
			h.check(h.until(id, job.Done, 0))
		}
		stop()
		h.empty()
	})
}

func TestMessagesThatNeedNoWork(t *testing.T) {
	inHouse(t, func(h *house) {
		id := h.submit("one")
		r, err := h.l.Get(h.ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		double := worker.Ring(r)
		double.Attempt = 7
		unknown := double
		unknown.JobID = strings.Repeat("0", 26)
		for _, m := range []queue.Message{double, unknown} {
			if err := h.queue.Publish(h.ctx, m); err != nil {
				t.Fatal(err)
			}
		}
		_, stop := h.start("w1", func(o *worker.Options) { o.Slots = 3 })
		h.check(h.until(id, job.Done, time.Minute))
		time.Sleep(2 * time.Minute)
		r, err = h.l.Get(h.ctx, id)
		if err != nil || r.Attempt != 1 {
			t.Errorf("attempt %d %v: a doubled message must not work twice", r.Attempt, err)
		}
		dead, err := h.queue.(queue.DeadLetters).Dead(h.ctx, 0, 10)
		if err != nil || len(dead) != 1 || dead[0].Message.JobID != unknown.JobID {
			t.Errorf("dead letters %+v %v", dead, err)
		}
		stop()
		h.empty()
	})
}

// A job that runs for many AckWaits keeps its message: it is handed out once.
func TestLongJobKeepsItsMessage(t *testing.T) {
	inHouse(t, func(h *house) {
		_, stop1 := h.start("w1", func(o *worker.Options) { o.Runner = &runner{takes: 10 * time.Minute} })
		_, stop2 := h.start("w2", func(o *worker.Options) { o.Runner = &runner{takes: 10 * time.Minute} })
		id := h.submit("one")
		h.check(h.until(id, job.Done, 11*time.Minute))
		stop1()
		stop2()
		for _, e := range h.events {
			if e.Deliveries > 1 {
				t.Errorf("delivered %d times: %+v", e.Deliveries, e)
			}
		}
		h.empty()
	})
}

// The store is away when the last word is due: nothing is lost but the
// attempt, and the job goes on when the store is back.
func TestStoreAwayForTheLastWord(t *testing.T) {
	inHouse(t, func(h *house) {
		var away atomic.Bool
		h.faults(func(string, string) error {
			if away.Load() {
				return &store.Error{Kind: store.ErrUnavailable}
			}
			return nil
		}, nil)
		_, stop := h.start("w1", func(o *worker.Options) {
			var once sync.Once
			o.Step = func(step, _ string) bool {
				if step == "stored" {
					once.Do(func() { away.Store(true) })
				}
				return true
			}
		})
		id := h.submit("one")
		time.Sleep(5 * time.Minute)
		if n := h.count(worker.Trouble, job.CodeStore); n == 0 {
			t.Error("nobody was told that the store is away")
		}
		away.Store(false)
		r := h.until(id, job.Done, time.Minute)
		h.check(r)
		if r.Crashes != 0 || r.Attempt != 2 {
			t.Errorf("attempt %d, %d crashes", r.Attempt, r.Crashes)
		}
		stop()
		h.empty()
	})
}

func TestPauseKeepsTheQueue(t *testing.T) {
	inHouse(t, func(h *house) {
		w, stop := h.start("w1", nil)
		w.Pause(true)
		time.Sleep(10 * time.Second)
		id := h.submit("one")
		time.Sleep(time.Minute)
		h.until(id, job.Accepted, 0)
		w.Pause(false)
		h.check(h.until(id, job.Done, 15*time.Second))
		stop()
	})
}

var seeds = flag.Uint64("seeds", 12, "number of random histories in TestChaos")

// Chaos with a seed: three workers, store and broker failing at random before
// and after each step, workers stopped and killed, jobs cancelled. When all has
// healed every job has ended, with at most one result, and nothing is left.
func TestChaos(t *testing.T) {
	for seed := range *seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			inHouse(t, func(h *house) {
				rng := rand.New(rand.NewPCG(seed, 1))
				var mu sync.Mutex
				healthy := false
				bad := func(percent int) bool {
					mu.Lock()
					defer mu.Unlock()
					return !healthy && rng.IntN(100) < percent
				}
				var ids []string
				for i := range 8 {
					ids = append(ids, h.submit(fmt.Sprint("job", i)))
				}
				h.faults(func(step, key string) error {
					if bad(3) {
						return &store.Error{Kind: store.ErrUnavailable, Err: errors.New("chaos")}
					}
					return nil
				}, func(queuemem.Op, queuemem.Moment, queue.Message) error {
					if bad(5) {
						return errors.New("chaos")
					}
					return nil
				})
				rec := &job.Reconciler{Ledger: h.l,
					Ring: func(ctx context.Context, r *job.Record) error { return h.queue.Publish(ctx, worker.Ring(r)) },
					Depth: func(ctx context.Context) (int, error) {
						s, err := h.queue.Stats(ctx)
						return s.Waiting + s.InFlight, err
					}}
				for round := range 6 {
					var stops []func()
					for n := range 3 {
						_, stop := h.start(fmt.Sprintf("w%d-%d", n, round), func(o *worker.Options) {
							o.Grace = time.Second
							o.Step = func(string, string) bool { return !bad(4) }
						})
						stops = append(stops, stop)
					}
					if round == 5 {
						mu.Lock()
						healthy = true
						mu.Unlock()
					}
					for range 6 {
						time.Sleep(time.Duration(5+round*10) * time.Second)
						_, _ = rec.Pass(h.ctx) // its troubles are part of the play
						if bad(10) {
							_, _ = h.l.Cancel(h.ctx, ids[int(seed)%len(ids)], "chaos")
						}
					}
					if round == 5 {
						for range 60 {
							time.Sleep(20 * time.Second)
							if _, err := rec.Pass(h.ctx); err != nil {
								t.Error(err)
							}
						}
					}
					for _, stop := range stops {
						stop()
					}
				}
				if _, err := h.l.Rebuild(h.ctx, 24*time.Hour); err != nil {
					t.Error(err)
				}
				for i, id := range ids {
					r, err := h.l.Get(h.ctx, id)
					if err != nil || !r.State.Ended() {
						t.Fatalf("job %s: %+v %v", id, r, err)
					}
					if r.State != job.Done {
						continue
					}
					h.check(r)
					f, _ := r.Result.File("premaster.wav")
					sum := sha256.Sum256(fmt.Appendf(nil, "sound of plan job%d", i))
					if f.SHA256 != hex.EncodeToString(sum[:]) {
						t.Errorf("job %s has another job's result", id)
					}
				}
				h.empty()
			})
		})
	}
}
