package mem

import (
	"context"
	"sync"
	"time"

	"discsafe/worker/queue"
)

// delivery is one handing-out of an entry.
type delivery struct {
	q          *Queue
	e          *entry
	deliveries int

	mu      sync.Mutex
	settled bool
}

func (d *delivery) Message() queue.Message { return d.e.m }
func (d *delivery) Deliveries() int        { return d.deliveries }

// settle runs f once it has not been settled; final says whether it is then.
func (d *delivery) settle(op Op, final bool, f func()) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.settled {
		return &queue.Error{Op: string(op), Job: d.e.m.JobID, Kind: queue.ErrSettled}
	}
	err := d.q.act(op, d.e.m, func() error { f(); return nil })
	d.settled = final && err == nil
	return err
}

func (d *delivery) InProgress() error {
	return d.settle(InProgress, false, func() {
		// Not a check whether the delivery is still ours: the broker makes none.
		d.e.due = d.q.b.o.Clock.Now().Add(d.q.b.o.AckWait)
	})
}

func (d *delivery) Done(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return &queue.Error{Op: string(Done), Job: d.e.m.JobID, Err: err}
	}
	return d.settle(Done, true, func() { d.q.b.remove(d.e) })
}

func (d *delivery) Later(delay time.Duration) error {
	if err := queue.ValidDelay(delay); err != nil {
		return &queue.Error{Op: string(Later), Job: d.e.m.JobID, Err: err}
	}
	return d.settle(Later, true, func() {
		d.e.due = d.q.b.o.Clock.Now().Add(delay)
		d.q.b.ring()
	})
}

func (d *delivery) Drop(reason string) error {
	return d.settle(Drop, true, func() {
		if d.q.b.remove(d.e) {
			d.q.b.bury(d.e, d.deliveries, queue.CleanReason(reason))
		}
	})
}
