package queuetest

import (
	"context"
	"errors"
	"testing"
	"time"

	"discsafe/worker/queue"
)

func testRestart(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	publish(t, q, job("a", 1), job("a", 2), job("b", 1))
	held := fetch(t, q)
	lost := fetch(t, q) // its worker does not survive
	b.Stop(t)
	b.Start(t)
	// What was held is still held: no second worker is given it before AckWait.
	eventually(t, "Done after the restart", func(ctx context.Context) error { return held.Done(ctx) })
	seen := make(map[string]int)
	for range 2 {
		d := fetch(t, other)
		seen[d.Message().ID()] = d.Deliveries()
		done(t, d)
	}
	if seen[lost.Message().ID()] < 2 || seen[held.Message().ID()] != 0 {
		t.Errorf("deliveries after the restart: %v; want %s again and not %s", seen, lost.Message().ID(), held.Message().ID())
	}
	eventually(t, "Publish after the restart", func(ctx context.Context) error { return q.Publish(ctx, job("c", 1)) })
	done(t, fetchJob(t, other, job("c", 1), 1))
	wantStats(t, q, 0, 0, 0)
}

func testDown(t *testing.T, b *bench) {
	q := b.open(t)
	publish(t, q, job("a", 1), job("a", 2))
	d := fetchJob(t, q, job("a", 1), 1)
	b.Stop(t)
	// A connection may need a moment to notice.
	eventually(t, "Publish to a stopped broker", func(ctx context.Context) error {
		err := q.Publish(ctx, job("a", 3))
		if !errors.Is(err, queue.ErrUnavailable) {
			t.Fatalf("Publish: %v; want %v", err, queue.ErrUnavailable)
		}
		return nil
	})
	wantErr(t, "InProgress", d.InProgress(), queue.ErrUnavailable)
	wantErr(t, "Done", d.Done(t.Context()), queue.ErrUnavailable)
	wantErr(t, "Later", d.Later(time.Second), queue.ErrUnavailable)
	wantErr(t, "Drop", d.Drop("test: down"), queue.ErrUnavailable)
	_, err := q.Stats(t.Context())
	wantErr(t, "Stats", err, queue.ErrUnavailable)
	const wait = 150 * time.Millisecond
	start := time.Now()
	_, err = q.Fetch(t.Context(), wait)
	wantErr(t, "Fetch", err, queue.ErrUnavailable)
	if took := time.Since(start); took < wait {
		t.Errorf("Fetch gave up after %v of %v: a loop around it would spin", took, wait)
	}
	// A Fetch that waits meanwhile goes on when the broker is back.
	time.AfterFunc(100*time.Millisecond, func() { b.Start(t) })
	done(t, fetchJob(t, q, job("a", 2), 1))
	eventually(t, "Done", func(ctx context.Context) error { return d.Done(ctx) })
	eventually(t, "Publish", func(ctx context.Context) error { return q.Publish(ctx, job("a", 3)) })
	done(t, fetchJob(t, q, job("a", 3), 1))
	wantStats(t, q, 0, 0, 0)
}

func testWipe(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	publish(t, q, job("a", 1), job("a", 2), job("a", 3))
	zombie := fetchJob(t, q, job("a", 1), 1)
	b.Stop(t)
	b.Wipe(t)
	b.Start(t)
	// The reconciler rings again what the store still holds as accepted.
	for n := 1; n <= 3; n++ {
		eventually(t, "Publish", func(ctx context.Context) error { return q.Publish(ctx, job("a", n)) })
	}
	wantStats(t, other, 3, 0, 0)
	var again []queue.Delivery
	for n := 1; n <= 3; n++ {
		again = append(again, fetchJob(t, other, job("a", n), 1))
	}
	// A word from before the loss must not hit what came after it, however the
	// broker answers.
	for name, word := range map[string]func() error{
		"InProgress": zombie.InProgress,
		"Done": func() error {
			ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			defer cancel()
			return zombie.Done(ctx)
		},
	} {
		t.Logf("%s of a delivery from before: %v", name, word())
	}
	wantStats(t, other, 0, 3, 0)
	for _, d := range again {
		done(t, d)
	}
	wantStats(t, q, 0, 0, 0)
}
