package job_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"discsafe/worker/job"
	"discsafe/worker/store/mem"
)

// A side that is reopened is met again, whatever retention does meanwhile and
// wherever either of the two ends.
func TestReopenedIsNotForgotten(t *testing.T) {
	approved := func(b *bench) string {
		id := b.preparedSide("ready").ID
		if _, err := b.l.Sign(b.ctx, id, sign(job.Approve, "")); err != nil {
			t.Fatal(err)
		}
		b.clock.pass(2 * day)
		return id
	}
	reopen := func(b *bench, id string) error {
		_, err := b.l.Sign(b.ctx, id, sign(job.Reopen, "a new mix came"))
		return err
	}
	for n, went := 1, 2; went > 0; n++ {
		went = 0
		for name, play := range map[string]func(b *bench, id string, at func(int, func()) func() bool) func() bool{
			"reopened in a walk": func(b *bench, id string, at func(int, func()) func() bool) func() bool {
				did := at(n, func() {
					if err := reopen(b, id); err != nil {
						t.Fatal(err)
					}
				})
				if _, err := b.expire(day); err != nil {
					t.Fatal(err)
				}
				return did
			},
			"a walk in reopening": func(b *bench, id string, at func(int, func()) func() bool) func() bool {
				did := at(n, func() {
					if _, err := b.expire(day); err != nil {
						t.Fatal(err)
					}
				})
				if err := reopen(b, id); err != nil {
					t.Fatal(err)
				}
				if k := b.keys("ended/"); len(b.keys("result/")) > 0 && !strings.HasPrefix(k[0], "ended/202603011200/") {
					t.Fatalf("step %d: it is not looked at before it is due again: %v", n, k)
				}
				return did
			},
		} {
			b, at := cutIn(t)
			id := approved(b)
			if !play(b, id, at)() {
				continue
			}
			went++
			b.walked(fmt.Sprintf("%s at step %d", name, n))
			b.clock.pass(2 * day)
			if _, err := b.expire(day); err != nil {
				t.Fatal(err)
			}
			if _, err := b.l.Get(b.ctx, id); !errors.Is(err, job.ErrUnknown) {
				t.Fatalf("%s at step %d: days later it is %v", name, n, err)
			}
		}
		// Of a version that knew no markers there is none.
		b := newBench(t)
		id := approved(b)
		for _, k := range b.keys("ended/") {
			if err := b.store.Delete(b.ctx, k); err != nil {
				t.Fatal(err)
			}
		}
		b.fault.killAt(n)
		_ = reopen(b, id)
		if b.fault.hit {
			went++
		}
		b.fault.killAt(0)
		b.walked(fmt.Sprintf("reopening killed at step %d", n))
		if n > 100 {
			t.Fatal("it does not end")
		}
	}
}

// Two processes end, one in the midst of the other: a walk and a reopening.
func TestReopenedIsNotForgottenByTwoKills(t *testing.T) {
	for _, walkFirst := range []bool{true, false} {
		for first := range 12 {
			for second := range 12 {
				for _, last := range []int{0, 1, 2, 20} {
					var outer, inner int
					within, armed := false, false
					b := &bench{t: t, ctx: t.Context(), clock: newClock(), fault: &trouble{}}
					var do func()
					b.store = mem.New(mem.Options{Now: b.clock.now, Fault: func(string, string) error {
						switch {
						case !armed:
							return nil
						case within:
							if inner++; inner > second {
								return errInjected
							}
							return nil
						}
						if outer++; outer == first {
							within = true
							do()
							within = false
						}
						if outer > first+last {
							return errInjected
						}
						return nil
					}})
					b.l = b.ledger(b.clock.now)
					id := b.preparedSide("ready").ID
					if _, err := b.l.Sign(b.ctx, id, sign(job.Approve, "")); err != nil {
						t.Fatal(err)
					}
					b.clock.pass(2 * day)
					walk := func() { _, _ = b.expire(day) }
					reopen := func() { _, _ = b.l.Sign(b.ctx, id, sign(job.Reopen, "a new mix came")) }
					run := reopen
					if do = walk; walkFirst {
						run, do = walk, reopen
					}
					armed = true
					run()
					armed = false
					b.walked(fmt.Sprintf("walk first %v, the other at step %d, killed at its %d, the first %d later", walkFirst, first, second, last))
				}
			}
		}
	}
}
