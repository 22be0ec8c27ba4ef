package job_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"discsafe/worker/job"

	"github.com/google/go-cmp/cmp"
)

func wantPath(t *testing.T, r *job.Record, want string) {
	t.Helper()
	checkHistory(t, r)
	if got := path(r); got != want {
		t.Errorf("history\n got %s\nwant %s", got, want)
	}
}

func wantFenced(t *testing.T, what string, err error) {
	t.Helper()
	if _, ok := errors.AsType[*job.FencedError](err); !ok {
		t.Errorf("%s: %v, want *FencedError", what, err)
	}
}

func TestOneJobFromEndToEnd(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	h := b.claim(id, "w1")
	b.clock.pass(time.Second)
	p := job.Progress{Step: "preparing", Pass: "measuring the mixes", PassNumber: 1, Passes: 3, Fraction: 0.5, Share: 0.2}
	if err := h.Beat(b.ctx, p); err != nil {
		t.Fatal(err)
	}
	r := b.get(id)
	if diff := cmp.Diff(&p, r.Progress); diff != "" {
		t.Errorf("progress (-want +got):\n%s", diff)
	}
	if r.Holder.Beat != 1 || !r.Holder.BeatAt.Equal(b.clock.now()) {
		t.Errorf("beat %d at %v", r.Holder.Beat, r.Holder.BeatAt)
	}
	r, err := h.Finish(b.ctx, b.result(h))
	if err != nil {
		t.Fatal(err)
	}
	wantPath(t, r, "accepted/0:submitted running/1:claimed done/1:done")
	if len(b.keys("open/")) != 0 {
		t.Error("the finished job is still marked as open")
	}
	_, err = b.l.Claim(b.ctx, id, by("w2"))
	if over, ok := errors.AsType[*job.OverError](err); !ok || over.State != job.Done || over.Now {
		t.Errorf("claiming a finished job: %v, want *OverError", err)
	}
	if f, ok := r.Result.File("premaster.wav"); !ok || f.Bytes != 5 || r.Result.Attempt != 1 {
		t.Errorf("result %+v", r.Result)
	}
}

// A worker that slept through its lease is refused whatever it says, and its
// result does not become the job's.
func TestSleeperIsFenced(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	old := b.claim(id, "w1")
	res := b.result(old)
	_, err := b.l.Claim(b.ctx, id, by("w2"))
	if w, ok := errors.AsType[*job.WaitError](err); !ok || w.Wait != lease {
		t.Fatalf("claiming a held job: %v, want *WaitError of %v", err, lease)
	}
	b.clock.pass(lease)
	h := b.claim(id, "w2")
	if !h.Taken || h.Attempt != 2 {
		t.Errorf("taken over %v, attempt %d; want true and 2", h.Taken, h.Attempt)
	}
	wantFenced(t, "Beat", old.Beat(b.ctx, job.Progress{}))
	for what, f := range map[string]func() (*job.Record, error){
		"HandBack": func() (*job.Record, error) { return old.HandBack(b.ctx, job.Because(job.CodeDrain, ""), 0) },
		"Crash":    func() (*job.Record, error) { return old.Crash(b.ctx, job.Because(job.CodeCrashed, "")) },
		"Fail":     func() (*job.Record, error) { return old.Fail(b.ctx, job.Because(job.CodePlan, "")) },
		"Stop":     func() (*job.Record, error) { return old.Stop(b.ctx) },
		"Finish":   func() (*job.Record, error) { return old.Finish(b.ctx, res) },
	} {
		_, err := f()
		wantFenced(t, what, err)
	}
	if k := b.keys("seal/"); len(k) != 0 {
		t.Errorf("the sleeper left a seal: %v", k)
	}
	if err := old.Discard(b.ctx); err != nil {
		t.Fatal(err)
	}
	if k := b.keys("result/"); len(k) != 0 {
		t.Errorf("after Discard there are %v", k)
	}
	r, err := h.Finish(b.ctx, b.result(h))
	if err != nil {
		t.Fatal(err)
	}
	wantPath(t, r, "accepted/0:submitted running/1:claimed running/2:worker-lost done/2:done")
}

// The worker dies between seal and last word: the next claim finishes the job
// with what is sealed, and does no work twice.
func TestSealedResultIsFound(t *testing.T) {
	for n := 1; ; n++ {
		b := newBench(t)
		id := b.submit("").ID
		h := b.claim(id, "w1")
		res := b.result(h)
		b.fault.arm(n)
		_, err := h.Finish(b.ctx, res)
		hit := b.fault.hit
		b.fault.arm(0)
		sealed := len(b.keys("seal/")) == 1
		ended := b.get(id).State == job.Done
		b.clock.pass(lease)
		_, cerr := b.l.Claim(b.ctx, id, by("w2"))
		over, isOver := errors.AsType[*job.OverError](cerr)
		switch {
		case !sealed && cerr != nil:
			t.Errorf("step %d, nothing sealed: claim %v, want a new attempt", n, cerr)
		case sealed && (!isOver || over.State != job.Done || over.Now == ended):
			t.Errorf("step %d, sealed: claim %v, want *OverError, done", n, cerr)
		}
		r := b.get(id)
		checkHistory(t, r)
		if sealed && r.Result.Attempt != 1 {
			t.Errorf("step %d: result of attempt %d, want 1", n, r.Result.Attempt)
		}
		if !hit {
			if err != nil || n < 4 {
				t.Fatalf("after %d steps: %v", n, err)
			}
			return
		}
	}
}

// Every last word, with every step of the store failing once, is taken once
// when it is said again.
func TestLastWordsSaidAgain(t *testing.T) {
	for name, c := range map[string]struct {
		want string
		say  func(*bench, *job.Hold, job.Result) error
	}{
		"hand-back": {"accepted/1:no-space", func(b *bench, h *job.Hold, res job.Result) error {
			_, err := h.HandBack(b.ctx, job.Because(job.CodeNoSpace, ""), time.Second)
			return err
		}},
		"crash": {"accepted/1:crashed", func(b *bench, h *job.Hold, res job.Result) error {
			_, err := h.Crash(b.ctx, job.Because(job.CodeCrashed, ""))
			return err
		}},
		"fail": {"failed/1:bad-sound", func(b *bench, h *job.Hold, res job.Result) error {
			_, err := h.Fail(b.ctx, job.Because(job.CodeSound, ""))
			return err
		}},
		"stop":   {"cancelled/1:cancelled", func(b *bench, h *job.Hold, res job.Result) error { _, err := h.Stop(b.ctx); return err }},
		"finish": {"done/1:done", func(b *bench, h *job.Hold, res job.Result) error { _, err := h.Finish(b.ctx, res); return err }},
	} {
		t.Run(name, func(t *testing.T) {
			for n := 1; n < 40; n++ {
				b := newBench(t)
				id := b.submit("").ID
				h := b.claim(id, "w1")
				res := b.result(h)
				b.fault.arm(n)
				first := c.say(b, h, res)
				hit := b.fault.hit
				b.fault.arm(0)
				if first != nil {
					if err := c.say(b, h, res); err != nil {
						t.Fatalf("step %d: first %v, again %v", n, first, err)
					}
				}
				r := b.get(id)
				wantPath(t, r, "accepted/0:submitted running/1:claimed "+c.want)
				if r.Crashes > 1 {
					t.Errorf("step %d: one crash counted %d times", n, r.Crashes)
				}
				if !hit {
					return
				}
			}
			t.Error("the steps do not end")
		})
	}
}

func TestCrashesRestAndEndDead(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	for n, wait := range []time.Duration{10 * time.Second, 40 * time.Second} {
		h := b.claim(id, fmt.Sprint("w", n))
		r, err := h.Crash(b.ctx, job.Because(job.CodeOutOfMemory, ""))
		if err != nil || r.State != job.Accepted {
			t.Fatalf("crash %d: %v %v", n+1, r, err)
		}
		_, err = b.l.Claim(b.ctx, id, by("early"))
		if w, ok := errors.AsType[*job.WaitError](err); !ok || w.Wait != wait {
			t.Errorf("claim after crash %d: %v, want a wait of %v", n+1, err, wait)
		}
		b.clock.pass(wait)
	}
	r, err := b.claim(id, "w3").Crash(b.ctx, job.Because(job.CodeOutOfMemory, ""))
	if err != nil {
		t.Fatal(err)
	}
	wantPath(t, r, "accepted/0:submitted running/1:claimed accepted/1:out-of-memory running/2:claimed accepted/2:out-of-memory running/3:claimed dead/3:out-of-memory")
	if r.Reason == nil || r.Reason.Code != job.CodeOutOfMemory || r.Reason.Hint == "" {
		t.Errorf("reason %+v", r.Reason)
	}
	r, err = b.l.Retry(b.ctx, id, "operator")
	if err != nil || r.State != job.Accepted || r.Crashes != 0 || len(b.keys("open/"+id)) != 1 {
		t.Fatalf("retry: %+v %v", r, err)
	}
	if h := b.claim(id, "w4"); h.Attempt != 5 {
		t.Errorf("attempt %d after a retry, want 5: the retry raises the fence too", h.Attempt)
	}
}

func TestLostTooOftenIsDead(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	b.claim(id, "w0")
	for n := 1; n < 5; n++ {
		b.clock.pass(lease)
		if h := b.claim(id, fmt.Sprint("w", n)); !h.Taken {
			t.Fatal("not taken over")
		}
	}
	b.clock.pass(lease)
	_, err := b.l.Claim(b.ctx, id, by("w6"))
	if over, ok := errors.AsType[*job.OverError](err); !ok || over.State != job.Dead || over.Code != job.CodeWorkerLost {
		t.Errorf("after five losses: %v, want dead", err)
	}
	checkHistory(t, b.get(id))
}

func TestHandBackBurnsNothing(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	for n := range 300 {
		h := b.claim(id, fmt.Sprint("w", n))
		if _, err := h.HandBack(b.ctx, job.Because(job.CodeNoSpace, ""), time.Minute); err != nil {
			t.Fatal(err)
		}
		b.clock.pass(time.Minute)
	}
	r := b.get(id)
	if r.State != job.Accepted || r.Crashes != 0 || r.Losses != 0 || r.Attempt != 300 {
		t.Errorf("after 300 hand-backs: %s, %d crashes, %d losses, attempt %d", r.State, r.Crashes, r.Losses, r.Attempt)
	}
	if len(r.History) != 200 || r.Forgotten != 401 || r.History[0].Code != job.CodeSubmitted || r.Last().Attempt != 300 {
		t.Errorf("history of %d events, %d forgotten, from %s to attempt %d; want 200, 401, submitted, 300",
			len(r.History), r.Forgotten, r.History[0].Code, r.Last().Attempt)
	}
}

func TestClaimRepeatedAfterAnUnclearAnswer(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	b.claim(id, "w1")
	if h := b.claim(id, "w1"); h.Attempt != 1 || h.Taken {
		t.Errorf("the same claim again is attempt %d, taken %v; want 1, false", h.Attempt, h.Taken)
	}
}

// Clocks of two machines differ by an hour either way; a dead worker's job is
// taken over within a lease of looking at it, a living one's job is kept.
func TestClocksThatDisagree(t *testing.T) {
	for name, skew := range map[string]time.Duration{"holder ahead": -time.Hour, "clocks agree": 0} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			id := b.submit("").ID
			h := b.claim(id, "w1")
			other := b.ledger(func() time.Time { return b.clock.now().Add(skew) })
			for range 10 { // it lives
				if err := h.Beat(b.ctx, job.Progress{}); err != nil {
					t.Fatal(err)
				}
				b.clock.pass(lease / 2)
				if _, err := other.Claim(b.ctx, id, by("w2")); err == nil {
					t.Fatal("a living worker lost its job")
				}
			}
			deadline := 2 * lease
			for waited := time.Duration(0); ; waited += time.Second {
				_, err := other.Claim(b.ctx, id, by("w2"))
				if err == nil {
					return
				}
				if waited > deadline {
					t.Fatalf("not taken over after %v: %v", waited, err)
				}
				b.clock.pass(time.Second)
			}
		})
	}
	t.Run("holder behind is fenced, nothing is spoiled", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		h := b.claim(id, "w1")
		other := b.ledger(func() time.Time { return b.clock.now().Add(time.Hour) })
		h2, err := other.Claim(b.ctx, id, by("w2"))
		if err != nil {
			t.Fatal(err)
		}
		_, err = h.Finish(b.ctx, b.result(h))
		wantFenced(t, "Finish", err)
		if _, err := h2.Finish(b.ctx, b.result(h2)); err != nil {
			t.Fatal(err)
		}
	})
	t.Run("rest set by a clock a year ahead is not kept", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		if _, err := b.claim(id, "w1").Crash(b.ctx, job.Because(job.CodeCrashed, "")); err != nil {
			t.Fatal(err)
		}
		b.clock.pass(-365 * 24 * time.Hour)
		b.claim(id, "w2")
	})
}
