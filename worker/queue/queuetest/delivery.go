package queuetest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"discsafe/worker/queue"
)

func testRedelivery(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	publish(t, q, job("a", 1), job("a", 2))
	start := time.Now()
	fetchJob(t, q, job("a", 1), 1) // its worker dies
	fetchJob(t, q, job("a", 2), 1)
	first := fetchJob(t, other, job("a", 1), 2)
	if took := time.Since(start); took < b.ackWait {
		t.Errorf("came again after %v, AckWait is %v", took, b.ackWait)
	}
	done(t, first)
	done(t, fetchJob(t, other, job("a", 2), 2))
	wantStats(t, q, 0, 0, 0)
}

func testInProgress(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	publish(t, q, job("a", 1))
	d := fetchJob(t, q, job("a", 1), 1)
	stop := make(chan struct{})
	var beating sync.WaitGroup
	beating.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(b.ackWait / 5):
				if err := d.InProgress(); err != nil {
					t.Errorf("InProgress: %v", err)
				}
			}
		}
	})
	empty(t, other, 2*b.ackWait)
	close(stop)
	beating.Wait()
	done(t, d)
	wantStats(t, q, 0, 0, 0)
}

func testLateDone(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	publish(t, q, job("a", 1), job("a", 2))
	zombie := fetchJob(t, q, job("a", 1), 1)
	owner := fetchJobSkipping(t, other, job("a", 1), 2)
	// The broker takes the late word for the owner's: this is why the store
	// fences. What matters here: no error that a worker would retry for ever, and
	// no other message is touched.
	done(t, zombie)
	done(t, owner)
	eventually(t, "the other job", func(ctx context.Context) error {
		d, err := other.Fetch(ctx, time.Second)
		if err != nil {
			return err
		}
		if d.Message() != job("a", 2) {
			return fmt.Errorf("got %s", d.Message().ID())
		}
		return d.Done(ctx)
	})
	wantStats(t, q, 0, 0, 0)
	empty(t, q, b.ackWait+100*time.Millisecond)
}

// fetchJobSkipping fetches until the wanted job comes; what else comes is left
// to AckWait.
func fetchJobSkipping(t *testing.T, q queue.Queue, want queue.Message, deliveries int) queue.Delivery {
	t.Helper()
	for range 100 {
		if d := fetch(t, q); d.Message() == want && d.Deliveries() >= deliveries {
			return d
		}
	}
	t.Fatalf("%s did not come", want.ID())
	return nil
}

func testLater(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	publish(t, q, job("a", 1), job("a", 2))
	d := fetchJob(t, q, job("a", 1), 1)
	for _, delay := range []time.Duration{0, -time.Second, 25 * time.Hour} {
		var invalid *queue.InvalidError
		if err := d.Later(delay); !errors.As(err, &invalid) {
			t.Errorf("Later(%v): %v; want *InvalidError", delay, err)
		}
	}
	const delay = 200 * time.Millisecond
	start := time.Now()
	if err := d.Later(delay); err != nil {
		t.Fatal(err)
	}
	done(t, fetchJob(t, other, job("a", 2), 1)) // it does not block those behind it
	done(t, fetchJob(t, other, job("a", 1), 2))
	if took := time.Since(start); took < delay {
		t.Errorf("came again after %v, asked for %v", took, delay)
	}
	wantStats(t, q, 0, 0, 0)
}

func testDrop(t *testing.T, b *bench) {
	q := b.open(t)
	letters, ok := q.(queue.DeadLetters)
	if !ok {
		t.Fatalf("%T does not implement queue.DeadLetters", q)
	}
	for n := range 3 {
		publish(t, q, job("a", n))
		if err := fetchJob(t, q, job("a", n), 1).Drop(fmt.Sprintf("attempts: number\n%d", n)); err != nil {
			t.Fatal(err)
		}
	}
	wantStats(t, q, 0, 0, 3)
	empty(t, q, 50*time.Millisecond)
	var all []queue.DeadLetter
	for after := uint64(0); ; after = all[len(all)-1].Seq { // pages of two
		page, err := letters.Dead(t.Context(), after, 2)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) > 2 {
			t.Fatalf("%d letters on a page of 2", len(page))
		}
		if len(page) == 0 {
			break
		}
		all = append(all, page...)
	}
	if len(all) != 3 {
		t.Fatalf("%d letters; want 3", len(all))
	}
	for n, l := range all {
		if l.Message != job("a", n) || l.Deliveries != 1 || l.Reason != fmt.Sprintf("attempts: number %d", n) || l.At.IsZero() || l.Raw != nil {
			t.Errorf("letter %d: %+v", n, l)
		}
	}
}

func testForget(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	letters, ok := other.(queue.DeadLetters)
	if !ok {
		t.Fatalf("%T does not implement queue.DeadLetters", other)
	}
	forget := func(studio, id string, want int) {
		t.Helper()
		if n, err := letters.Forget(t.Context(), studio, id); n != want || err != nil {
			t.Errorf("Forget(%s, %s): %d, %v; want %d", studio, id, n, err, want)
		}
	}
	forget("a", "x", 0)
	drop := func(m queue.Message) {
		t.Helper()
		publish(t, q, m)
		if err := fetchJob(t, q, m, 1).Drop("attempts: 1 of 1 failed"); err != nil {
			t.Fatal(err)
		}
	}
	// Names that begin alike, another studio's, and another lane's.
	all := []queue.Message{
		{JobID: "x", Studio: "a", Lane: queue.Bulk, Attempt: 1},
		{JobID: "x-1", Studio: "a", Lane: queue.Bulk},
		{JobID: "x", Studio: "b", Lane: queue.Bulk, Attempt: 2},
		{JobID: "x", Studio: "a", Lane: queue.Express, Attempt: 12},
		{JobID: "xx", Studio: "a", Lane: queue.Bulk, Attempt: 1},
	}
	for _, m := range all {
		drop(m)
	}
	wantStats(t, q, 0, 0, 5)
	forget("a", "y", 0)
	forget("c", "x", 0)
	forget("a", "x", 2)
	forget("a", "x", 0)
	wantStats(t, q, 0, 0, 3)
	left, err := letters.Dead(t.Context(), 0, 10)
	if err != nil || len(left) != 3 || left[0].Message != all[1] || left[1].Message != all[2] || left[2].Message != all[4] {
		t.Errorf("%+v %v", left, err)
	}
	again := queue.Message{JobID: "x", Studio: "a", Lane: queue.Bulk, Attempt: 13}
	drop(again)
	left, err = letters.Dead(t.Context(), left[2].Seq, 10)
	if err != nil || len(left) != 1 || left[0].Message != again {
		t.Errorf("dropped again: %+v %v", left, err)
	}
	forget("a", "x", 1)
}

func testWorkers(t *testing.T, b *bench) {
	const jobs, queues, slots = 60, 2, 3
	submit := b.open(t)
	var mu sync.Mutex
	seen := make(map[string]int)
	var work sync.WaitGroup
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	for range queues {
		q := b.open(t)
		for range slots {
			work.Go(func() {
				for {
					d, err := q.Fetch(ctx, time.Hour)
					if errors.Is(err, context.Canceled) {
						return
					}
					if err == nil {
						err = d.Done(context.WithoutCancel(ctx))
					}
					if err != nil {
						t.Error(err)
						stop()
						return
					}
					mu.Lock()
					if seen[d.Message().ID()]++; len(seen) == jobs {
						stop()
					}
					mu.Unlock()
				}
			})
		}
	}
	for n := range jobs {
		publish(t, submit, job(string(rune('a'+n%4)), n))
	}
	time.AfterFunc(patience, stop)
	work.Wait()
	if len(seen) != jobs {
		t.Errorf("%d of %d jobs came", len(seen), jobs)
	}
	for id, n := range seen {
		if n != 1 {
			t.Errorf("%s came %d times", id, n)
		}
	}
	wantStats(t, submit, 0, 0, 0)
}
