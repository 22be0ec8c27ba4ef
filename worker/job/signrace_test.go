package job_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store/mem"
)

// cutIn is a bench whose store does something else, once, before the nth step
// of input or output.
func cutIn(t *testing.T) (b *bench, at func(n int, do func()) (did func() bool)) {
	b = &bench{t: t, ctx: context.Background(), clock: newClock(), fault: &trouble{}}
	var left int
	var do func()
	b.store = mem.New(mem.Options{Now: b.clock.now, Fault: func(string, string) error {
		if left > 0 {
			if left--; left == 0 {
				do()
			}
		}
		return nil
	}})
	b.l = b.ledger(b.clock.now)
	return b, func(n int, f func()) func() bool {
		left, do = n, f
		return func() bool {
			did := left == 0
			left = 0
			return did
		}
	}
}

// mustHold is what holds of a side on which people acted at the same time.
func (b *bench) mustHold(what, id string, signed, deleted error) {
	b.t.Helper()
	r, err := b.l.Get(b.ctx, id)
	switch {
	case signed == nil && deleted == nil:
		b.t.Fatalf("%s: approved and deleted", what)
	case signed == nil && (err != nil || r.Standing() != job.Approved || r.State != job.Done || len(b.keys("result/")) == 0):
		b.t.Fatalf("%s: approved, but %+v, %v, files %v", what, r, err, b.keys("result/"))
	case deleted == nil && (!errors.Is(err, job.ErrUnknown) || len(b.keys("result/")) != 0):
		b.t.Fatalf("%s: deleted, but %v, %v, files %v", what, r, err, b.keys("result/"))
	case signed != nil && deleted != nil:
		b.t.Fatalf("%s: neither came through: %v; %v", what, signed, deleted)
	case len(b.keys("open/")) != 0:
		b.t.Fatalf("%s: it has ended and is still marked %v", what, b.keys("open/"))
	}
}

// TestApproveAtEveryStep: whatever somebody else is about, and wherever in it
// an approval comes through, the side is either approved and whole or gone.
func TestApproveAtEveryStep(t *testing.T) {
	others := map[string]func(b *bench, id string) (deleted error){
		"delete": func(b *bench, id string) error { return b.l.Delete(b.ctx, id, "mira") },
		"expire": func(b *bench, _ string) error {
			n, err := b.expire(time.Hour)
			if err != nil {
				b.t.Fatalf("expire: %v", err)
			}
			if n.Removed == 0 {
				return errors.New("left alone")
			}
			return nil
		},
		"retry": func(b *bench, id string) error {
			r, err := b.l.Retry(b.ctx, id, "mira")
			_, state := errors.AsType[*job.StateError](err)
			_, locked := errors.AsType[*job.LockedError](err)
			if !state && !locked {
				b.t.Fatalf("retry: %v, %v", r, err)
			}
			return err
		},
	}
	for name, other := range others {
		t.Run(name, func(t *testing.T) {
			for n := 1; ; n++ {
				b, at := cutIn(t)
				id := b.preparedSide("ready").ID
				b.clock.pass(2 * time.Hour)
				signed := errors.New("did not come")
				did := at(n, func() { _, signed = b.l.Sign(b.ctx, id, sign(job.Approve, "")) })
				deleted := other(b, id)
				if !did() {
					if n < 5 {
						t.Fatalf("only %d steps", n)
					}
					return
				}
				b.mustHold(fmt.Sprintf("at step %d", n), id, signed, deleted)
			}
		})
	}
}

// TestOthersAtEveryStepOfApprove is the reverse: they come through wholly at
// one step of the approval.
func TestOthersAtEveryStepOfApprove(t *testing.T) {
	for n := 1; ; n++ {
		b, at := cutIn(t)
		id := b.preparedSide("ready").ID
		deleted := errors.New("did not come")
		did := at(n, func() { deleted = b.l.Delete(b.ctx, id, "mira") })
		_, signed := b.l.Sign(b.ctx, id, sign(job.Approve, ""))
		if !did() {
			if n < 4 {
				t.Fatalf("only %d steps", n)
			}
			return
		}
		b.mustHold(fmt.Sprintf("at step %d", n), id, signed, deleted)
	}
}

// TestSignCrowd lets everybody run at once; it is for the race detector.
func TestSignCrowd(t *testing.T) {
	for round := range 80 {
		b := newBench(t)
		id := b.preparedSide("ready").ID
		b.clock.pass(2 * time.Hour)
		var wg sync.WaitGroup
		var signed, deleted error
		var expired job.Batch
		wg.Go(func() { _, signed = b.l.Sign(b.ctx, id, sign(job.Approve, "")) })
		wg.Go(func() { deleted = b.l.Delete(b.ctx, id, "mira") })
		wg.Go(func() { expired, _ = b.expire(time.Hour) })    // its errors are those of Delete
		wg.Go(func() { _, _ = b.l.Retry(b.ctx, id, "mira") }) // never allowed; see TestApproveAtEveryStep
		wg.Wait()
		if expired.Removed > 0 {
			deleted = nil
		}
		r, err := b.l.Get(b.ctx, id)
		switch {
		case signed == nil && deleted == nil:
			t.Fatalf("round %d: approved and deleted", round)
		case signed == nil && (err != nil || r.Standing() != job.Approved || len(b.keys("result/")) == 0):
			t.Fatalf("round %d: approved, but %v, %v", round, r, err)
		case signed != nil && !errors.Is(err, job.ErrUnknown):
			t.Fatalf("round %d: not approved (%v) and yet there: %v", round, signed, r)
		}
	}
}
