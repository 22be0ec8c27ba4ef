package jetstream

import (
	"context"
	"fmt"
	"sync"
	"time"

	"discsafe/worker/queue"
)

// delivery is one message in one worker's hands. Everything it says to the
// broker is a request whose answer is awaited, so nil means heard.
type delivery struct {
	q          *Queue
	m          queue.Message
	raw        []byte // payload, if it could not be read
	key        queue.Key
	seq        uint64 // in the stream
	reply      string // where its acknowledgements go
	deliveries int

	mu      sync.Mutex
	settled bool
}

func (d *delivery) Message() queue.Message { return d.m }
func (d *delivery) Deliveries() int        { return d.deliveries }

// say sends one word on the delivery and waits for the answer. before runs
// first, under the same protection against a second settling.
func (d *delivery) say(ctx context.Context, op, word string, final bool, before func(context.Context) error) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.settled {
		return &queue.Error{Op: op, Job: d.m.JobID, Kind: queue.ErrSettled}
	}
	if d.q.isClosed() {
		return &queue.Error{Op: op, Job: d.m.JobID, Kind: queue.ErrClosed}
	}
	if err := ctx.Err(); err != nil {
		return &queue.Error{Op: op, Job: d.m.JobID, Err: err}
	}
	if before != nil {
		if err := before(ctx); err != nil {
			return d.q.fault(ctx, op, d.m.JobID, err)
		}
	}
	if err := d.send(ctx, word); err != nil {
		return d.q.fault(ctx, op, d.m.JobID, err)
	}
	d.settled = final
	return nil
}

func (d *delivery) send(ctx context.Context, word string) error {
	ctx, cancel := d.q.within(ctx)
	defer cancel()
	_, err := d.q.nc.RequestWithContext(ctx, d.reply, []byte(word))
	return err
}

// nakWord is how JetStream spells a hand-back.
func nakWord(delay time.Duration) string {
	return fmt.Sprintf(`-NAK {"delay": %d}`, delay.Nanoseconds())
}

func (d *delivery) InProgress() error {
	return d.say(context.Background(), "in progress", "+WPI", false, nil)
}

func (d *delivery) Done(ctx context.Context) error {
	return d.say(ctx, "done", "+ACK", true, nil)
}

func (d *delivery) Later(delay time.Duration) error {
	if err := queue.ValidDelay(delay); err != nil {
		return &queue.Error{Op: "later", Job: d.m.JobID, Err: err}
	}
	return d.say(context.Background(), "later", nakWord(delay), true, nil)
}

// Drop writes the dead letter before it takes the message away. If it fails in
// between, the message comes again and the letter is written again: the
// stream's dedupe window drops the second if it comes soon.
func (d *delivery) Drop(reason string) error {
	reason = queue.CleanReason(reason)
	return d.say(context.Background(), "drop", "+TERM "+reason, true, func(ctx context.Context) error {
		return d.q.bury(ctx, d, reason)
	})
}
