package mem

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"discsafe/worker/queue"
)

// Queue is one worker's access to a Broker.
type Queue struct {
	b     *Broker
	turns queue.Turns // guarded by b.mu
	done  chan struct{}
	once  sync.Once
}

var (
	_ queue.Queue       = (*Queue)(nil)
	_ queue.DeadLetters = (*Queue)(nil)
)

// Open returns a queue on the broker.
func (b *Broker) Open() *Queue {
	return &Queue{b: b, done: make(chan struct{}), turns: queue.Turns{ExpressRun: b.o.ExpressRun}}
}

// Close wakes waiting calls; the broker keeps its messages.
func (q *Queue) Close() { q.once.Do(func() { close(q.done) }) }

// act runs f under the broker's lock, between the two moments of a fault.
func (q *Queue) act(op Op, m queue.Message, f func() error) error {
	fail := func(kind, err error) error { return &queue.Error{Op: string(op), Job: m.JobID, Kind: kind, Err: err} }
	select {
	case <-q.done:
		return fail(queue.ErrClosed, nil)
	default:
	}
	if err := q.b.fault(op, Before, m); err != nil {
		return fail(queue.ErrUnavailable, err)
	}
	err := func() error {
		q.b.mu.Lock()
		defer q.b.mu.Unlock()
		if q.b.down {
			return fail(queue.ErrUnavailable, nil)
		}
		return f()
	}()
	if err != nil {
		return err
	}
	if err := q.b.fault(op, After, m); err != nil {
		return fail(queue.ErrUnavailable, err)
	}
	return nil
}

func (b *Broker) fault(op Op, when Moment, m queue.Message) error {
	if b.o.Fault == nil {
		return nil
	}
	return b.o.Fault(op, when, m)
}

// Publish implements queue.Queue.
func (q *Queue) Publish(ctx context.Context, m queue.Message) error {
	if err := m.Validate(); err != nil {
		return &queue.Error{Op: string(Publish), Job: m.JobID, Err: err}
	}
	if err := ctx.Err(); err != nil {
		return &queue.Error{Op: string(Publish), Job: m.JobID, Err: err}
	}
	return q.act(Publish, m, func() error {
		if !q.b.put(m) {
			return &queue.Error{Op: string(Publish), Job: m.JobID, Kind: queue.ErrFull,
				Err: fmt.Errorf("%d messages are the limit", q.b.o.MaxWaiting)}
		}
		return nil
	})
}

// Fetch implements queue.Queue.
func (q *Queue) Fetch(ctx context.Context, wait time.Duration) (queue.Delivery, error) {
	fail := func(kind, err error) error { return &queue.Error{Op: string(Fetch), Kind: kind, Err: err} }
	clock := q.b.o.Clock
	end := clock.Now().Add(wait)
	for {
		select {
		case <-q.done:
			return nil, fail(queue.ErrClosed, nil)
		default:
		}
		if err := ctx.Err(); err != nil {
			return nil, fail(nil, err)
		}
		d, next, wake, kind := q.look()
		if d != nil {
			return q.hand(d)
		}
		now := clock.Now()
		if !now.Before(end) {
			return nil, fail(kind, nil)
		}
		sleep := end.Sub(now)
		if !next.IsZero() && next.Before(end) {
			sleep = next.Sub(now)
		}
		select {
		case <-wake:
		case <-clock.After(sleep):
		case <-ctx.Done():
		case <-q.done:
		}
	}
}

// look takes the next message, or says what to wait for and what the answer is
// if waiting is over.
func (q *Queue) look() (d *delivery, next time.Time, wake <-chan struct{}, kind error) {
	q.b.mu.Lock()
	defer q.b.mu.Unlock()
	if q.b.down {
		return nil, time.Time{}, q.b.wake, queue.ErrUnavailable
	}
	e, next := q.b.take(&q.turns)
	if e == nil {
		return nil, next, q.b.wake, queue.ErrEmpty
	}
	return &delivery{q: q, e: e, deliveries: e.deliveries}, next, q.b.wake, nil
}

// hand passes the delivery through the faults of Fetch. One that strikes
// before undoes the delivery, one after leaves it in flight.
func (q *Queue) hand(d *delivery) (queue.Delivery, error) {
	if err := q.b.fault(Fetch, Before, d.e.m); err != nil {
		q.b.change(func() {
			d.e.deliveries--
			d.e.due = time.Time{}
			if d.e.deliveries > 0 {
				d.e.due = q.b.o.Clock.Now()
			}
		})
		return nil, &queue.Error{Op: string(Fetch), Kind: queue.ErrUnavailable, Err: err}
	}
	if err := q.b.fault(Fetch, After, d.e.m); err != nil {
		return nil, &queue.Error{Op: string(Fetch), Kind: queue.ErrUnavailable, Err: err}
	}
	return d, nil
}

// Stats implements queue.Queue.
func (q *Queue) Stats(ctx context.Context) (s queue.Stats, err error) {
	if err := ctx.Err(); err != nil {
		return s, &queue.Error{Op: string(Stats), Err: err}
	}
	err = q.act(Stats, queue.Message{}, func() error {
		now := q.b.o.Clock.Now()
		s.Dead = len(q.b.dead)
		for _, line := range q.b.lines {
			for _, e := range line {
				if e.due.After(now) {
					s.InFlight++
				} else {
					s.Waiting++
				}
				if e.deliveries == 0 && (s.Oldest.IsZero() || e.published.Before(s.Oldest)) {
					s.Oldest = e.published
				}
			}
		}
		return nil
	})
	return s, err
}

// Dead implements queue.DeadLetters.
func (q *Queue) Dead(ctx context.Context, after uint64, limit int) (letters []queue.DeadLetter, err error) {
	if err := ctx.Err(); err != nil {
		return nil, &queue.Error{Op: string(Dead), Err: err}
	}
	err = q.act(Dead, queue.Message{}, func() error {
		for _, l := range q.b.dead {
			if l.Seq > after && len(letters) < limit {
				letters = append(letters, l)
			}
		}
		return nil
	})
	return slices.Clip(letters), err
}

// Forget implements queue.DeadLetters.
func (q *Queue) Forget(ctx context.Context, studio, jobID string) (n int, err error) {
	m := queue.Message{JobID: jobID, Studio: studio}
	if err := ctx.Err(); err != nil {
		return 0, &queue.Error{Op: string(Forget), Job: jobID, Err: err}
	}
	err = q.act(Forget, m, func() error {
		had := len(q.b.dead)
		q.b.dead = slices.DeleteFunc(q.b.dead, func(l queue.DeadLetter) bool { return l.Message.JobID == jobID && l.Message.Studio == studio })
		n = had - len(q.b.dead)
		return nil
	})
	return n, err
}
