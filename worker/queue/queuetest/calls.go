package queuetest

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"discsafe/worker/queue"
)

func testRoundTrip(t *testing.T, b *bench) {
	q := b.open(t)
	for _, m := range []queue.Message{
		{JobID: "j", Studio: "s", Lane: queue.Express},
		{JobID: strings.Repeat("a", 64), Studio: strings.Repeat("ü", 100), Lane: queue.Bulk, Attempt: 1_000_000, Trace: strings.Repeat("t", 256)},
		{JobID: "A-_9", Studio: `Studio "North" * > . $ <b>`, Lane: queue.Bulk, Attempt: 3,
			Trace: "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"},
	} {
		publish(t, q, m)
		done(t, fetchJob(t, q, m, 1))
	}
	wantStats(t, q, 0, 0, 0)
	empty(t, q, 0)
}

func testEmpty(t *testing.T, b *bench) {
	q := b.open(t)
	empty(t, q, 0)
	const wait = 100 * time.Millisecond
	start := time.Now()
	empty(t, q, wait)
	if took := time.Since(start); took < wait {
		t.Errorf("empty after %v, asked to wait %v", took, wait)
	}
}

func testWake(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	for n := range 3 { // a studio never seen, then one known, then one emptied
		got := make(chan error, 1)
		go func() {
			d, err := q.Fetch(t.Context(), time.Hour)
			if err == nil {
				err = d.Done(t.Context())
			}
			got <- err
		}()
		time.Sleep(30 * time.Millisecond) // let it find the queue empty
		publish(t, other, job("a", n))
		select {
		case err := <-got:
			if err != nil {
				t.Fatal(err)
			}
		case <-time.After(patience):
			t.Fatalf("message %d did not wake Fetch", n)
		}
	}
}

func testContext(t *testing.T, b *bench) {
	q := b.open(t)
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(30*time.Millisecond, cancel)
	if _, err := q.Fetch(ctx, time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("Fetch: %v; want %v", err, context.Canceled)
	}
	// What is done already does nothing, and takes nothing along.
	if err := q.Publish(ctx, job("a", 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("Publish: %v; want %v", err, context.Canceled)
	}
	publish(t, q, job("a", 2))
	if _, err := q.Fetch(ctx, time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("Fetch: %v; want %v", err, context.Canceled)
	}
	d := fetch(t, q)
	if err := d.Done(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Done: %v; want %v", err, context.Canceled)
	}
	done(t, d)
	if _, err := q.Stats(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Stats: %v; want %v", err, context.Canceled)
	}
}

func testInvalid(t *testing.T, b *bench) {
	q := b.open(t)
	for name, spoil := range map[string]func(*queue.Message){
		"job id":  func(m *queue.Message) { m.JobID = "a.b" },
		"studio":  func(m *queue.Message) { m.Studio = "" },
		"lane":    func(m *queue.Message) { m.Lane = "slow" },
		"attempt": func(m *queue.Message) { m.Attempt = -1 },
		"trace":   func(m *queue.Message) { m.Trace = "a\nb" },
	} {
		m := job("a", 1)
		spoil(&m)
		var invalid *queue.InvalidError
		if err := q.Publish(t.Context(), m); !errors.As(err, &invalid) || invalid.Field != name {
			t.Errorf("spoilt %s: %v; want *InvalidError of that field", name, err)
		}
	}
	wantStats(t, q, 0, 0, 0)
}

func testClosed(t *testing.T, b *bench) {
	q := b.Open(t)
	publish(t, q, job("a", 1))
	d := fetchJob(t, q, job("a", 1), 1)
	got := make(chan error, 1)
	go func() {
		_, err := q.Fetch(context.WithoutCancel(t.Context()), time.Hour)
		got <- err
	}()
	time.Sleep(30 * time.Millisecond)
	q.Close()
	q.Close()
	select {
	case err := <-got:
		wantErr(t, "waiting Fetch", err, queue.ErrClosed)
	case <-time.After(patience):
		t.Fatal("Close did not wake Fetch")
	}
	_, err := q.Fetch(t.Context(), 0)
	wantErr(t, "Fetch", err, queue.ErrClosed)
	wantErr(t, "Publish", q.Publish(t.Context(), job("a", 2)), queue.ErrClosed)
	_, err = q.Stats(t.Context())
	wantErr(t, "Stats", err, queue.ErrClosed)
	wantErr(t, "Done", d.Done(t.Context()), queue.ErrClosed)
	wantErr(t, "InProgress", d.InProgress(), queue.ErrClosed)
}

func testSettled(t *testing.T, b *bench) {
	q := b.open(t)
	for _, c := range []struct {
		name   string
		settle func(queue.Delivery) error
	}{
		{"Done", func(d queue.Delivery) error { return d.Done(t.Context()) }},
		{"Later", func(d queue.Delivery) error { return d.Later(time.Hour) }},
		{"Drop", func(d queue.Delivery) error { return d.Drop("test: settled") }},
	} {
		publish(t, q, queue.Message{JobID: c.name, Studio: "a", Lane: queue.Bulk})
		d := fetch(t, q)
		if err := c.settle(d); err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		wantErr(t, c.name+", then Done", d.Done(t.Context()), queue.ErrSettled)
		wantErr(t, c.name+", then Later", d.Later(time.Second), queue.ErrSettled)
		wantErr(t, c.name+", then Drop", d.Drop("test: twice"), queue.ErrSettled)
		wantErr(t, c.name+", then InProgress", d.InProgress(), queue.ErrSettled)
	}
	wantStats(t, q, 0, 1, 1)
}

func testFull(t *testing.T, b *bench) {
	q := b.open(t)
	for n := range 5 {
		publish(t, q, job("a", n))
	}
	wantErr(t, "Publish past the limit", q.Publish(t.Context(), job("b", 0)), queue.ErrFull)
	// What is there already is not refused: nothing would be added.
	publish(t, q, job("a", 3))
	done(t, fetch(t, q))
	publish(t, q, job("b", 0))
	wantStats(t, q, 5, 0, 0)
}

func testDedupe(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	m := job("a", 1)
	publish(t, q, m, m)
	publish(t, other, m)
	d := fetchJob(t, q, m, 1)
	publish(t, other, m) // in flight is in the queue
	empty(t, q, 50*time.Millisecond)
	next := m
	next.Attempt++
	publish(t, q, next) // another attempt is another message
	done(t, fetchJob(t, q, next, 1))
	done(t, d)
	publish(t, q, m) // just published and gone: a call repeated for want of an answer
	empty(t, q, 50*time.Millisecond)
	wantStats(t, q, 0, 0, 0)
}

func testStats(t *testing.T, b *bench) {
	q := b.open(t)
	if s := wantStats(t, q, 0, 0, 0); !s.Oldest.IsZero() {
		t.Errorf("oldest of an empty queue: %v", s.Oldest)
	}
	before := time.Now()
	publish(t, q, job("a", 1))
	after := time.Now()
	time.Sleep(20 * time.Millisecond)
	publish(t, q, job("a", 2), job("a", 3))
	s := wantStats(t, q, 3, 0, 0)
	if s.Oldest.Before(before) || s.Oldest.After(after) {
		t.Errorf("oldest %v; want between %v and %v", s.Oldest, before, after)
	}
	d := fetchJob(t, q, job("a", 1), 1)
	if s = wantStats(t, q, 2, 1, 0); !s.Oldest.After(after) {
		t.Errorf("oldest %v belongs to a job in work; want one after %v", s.Oldest, after)
	}
	if err := d.Later(time.Hour); err != nil {
		t.Fatal(err)
	}
	wantStats(t, q, 2, 1, 0) // handed back and not due
	if err := fetch(t, q).Drop("test: stats"); err != nil {
		t.Fatal(err)
	}
	wantStats(t, q, 1, 1, 1)
	done(t, fetch(t, q))
	if s = wantStats(t, q, 0, 1, 1); !s.Oldest.IsZero() {
		t.Errorf("oldest %v; nothing waits", s.Oldest)
	}
}
