package mem_test

import (
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"discsafe/worker/queue"
	"discsafe/worker/queue/mem"
)

func message(n int) queue.Message {
	return queue.Message{JobID: fmt.Sprintf("j%d", n), Studio: "a", Lane: queue.Bulk}
}

// Each operation fails once, before and after it took effect. The caller sees
// ErrUnavailable both times and does it again; nothing is lost or doubled.
func TestEveryFaultIsSurvivedByRepeating(t *testing.T) {
	for _, op := range []mem.Op{mem.Publish, mem.Fetch, mem.InProgress, mem.Done, mem.Later, mem.Drop, mem.Stats, mem.Dead, mem.Forget} {
		for when, name := range map[mem.Moment]string{mem.Before: "before", mem.After: "after"} {
			t.Run(fmt.Sprintf("%s/%s", op, name), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					cause := errors.New("cable pulled")
					struck := 0
					b := mem.New(mem.Options{AckWait: time.Minute, Fault: func(o mem.Op, m mem.Moment, _ queue.Message) error {
						if o == op && m == when && struck == 0 {
							struck++
							return cause
						}
						return nil
					}})
					q := b.Open()
					defer q.Close()
					again := func(f func() error) {
						t.Helper()
						err := f()
						if err == nil {
							return
						}
						if !errors.Is(err, queue.ErrUnavailable) || !errors.Is(err, cause) {
							t.Fatalf("%v; want %v and %v", err, queue.ErrUnavailable, cause)
						}
						if err := f(); err != nil {
							t.Fatalf("second try: %v", err)
						}
					}
					fetch := func() (d queue.Delivery) {
						t.Helper()
						again(func() (err error) { d, err = q.Fetch(t.Context(), 2*time.Minute); return err })
						return d
					}
					again(func() error { return q.Publish(t.Context(), message(1)) })
					d := fetch()
					again(d.InProgress)
					again(func() error { return d.Later(time.Second) })
					d = fetch()
					again(func() error { return d.Done(t.Context()) })
					again(func() error { return q.Publish(t.Context(), message(2)) })
					d = fetch()
					again(func() error { return d.Drop("test: fault") })
					var s queue.Stats
					again(func() (err error) { s, err = q.Stats(t.Context()); return err })
					if want := (queue.Stats{Dead: 1}); s != want {
						t.Errorf("%+v; want %+v", s, want)
					}
					again(func() error { _, err := q.Dead(t.Context(), 0, 10); return err })
					again(func() error { _, err := q.Forget(t.Context(), message(2).Studio, message(2).JobID); return err })
					if struck != 1 {
						t.Errorf("the fault struck %d times", struck)
					}
				})
			})
		}
	}
}

// Time to the nanosecond, on a clock that stands still between events.
func TestTimesAreExact(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := mem.New(mem.Options{AckWait: 30 * time.Second, Dedupe: 10 * time.Second})
		q := b.Open()
		defer q.Close()
		fetchAt := func(want time.Duration, start time.Time) queue.Delivery {
			t.Helper()
			d, err := q.Fetch(t.Context(), time.Hour)
			if err != nil {
				t.Fatal(err)
			}
			if got := time.Since(start); got != want {
				t.Errorf("came after %v; want %v", got, want)
			}
			return d
		}
		start := time.Now()
		if err := q.Publish(t.Context(), message(1)); err != nil {
			t.Fatal(err)
		}
		d := fetchAt(0, start)
		time.Sleep(20 * time.Second)
		if err := d.InProgress(); err != nil {
			t.Fatal(err)
		}
		d = fetchAt(50*time.Second, start) // AckWait from the last word
		if err := d.Later(7 * time.Second); err != nil {
			t.Fatal(err)
		}
		d = fetchAt(57*time.Second, start)
		if err := d.Done(t.Context()); err != nil {
			t.Fatal(err)
		}
		empty := time.Now()
		if _, err := q.Fetch(t.Context(), 3*time.Second); !errors.Is(err, queue.ErrEmpty) || time.Since(empty) != 3*time.Second {
			t.Errorf("%v after %v; want %v after 3s", err, time.Since(empty), queue.ErrEmpty)
		}
		// Long after the dedupe window the attempt may ring anew.
		if err := q.Publish(t.Context(), message(1)); err != nil {
			t.Fatal(err)
		}
		fetchAt(60*time.Second, start)
	})
}

func TestDeadLettersAreBounded(t *testing.T) {
	b := mem.New(mem.Options{MaxDead: 3})
	q := b.Open()
	defer q.Close()
	for n := range 5 {
		if err := q.Publish(t.Context(), message(n)); err != nil {
			t.Fatal(err)
		}
		d, err := q.Fetch(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Drop("test: bounded"); err != nil {
			t.Fatal(err)
		}
	}
	letters, err := q.Dead(t.Context(), 0, 10)
	if err != nil || len(letters) != 3 || letters[0].Message != message(2) || letters[0].Seq != 3 {
		t.Errorf("%+v, %v; want the last three", letters, err)
	}
}
