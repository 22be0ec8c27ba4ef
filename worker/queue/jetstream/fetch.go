package jetstream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"discsafe/worker/queue"
)

// retryPause is how long Fetch waits before it asks a broker again that could
// not be reached.
const retryPause = 250 * time.Millisecond

// Fetch implements queue.Queue.
func (q *Queue) Fetch(ctx context.Context, wait time.Duration) (queue.Delivery, error) {
	end := q.o.Clock.Now().Add(wait)
	for {
		if q.isClosed() {
			return nil, &queue.Error{Op: "fetch", Kind: queue.ErrClosed}
		}
		if err := ctx.Err(); err != nil {
			return nil, &queue.Error{Op: "fetch", Err: err}
		}
		wake := q.known.waker()
		d, next, err := q.look(ctx)
		if d != nil {
			return d, nil
		}
		now := q.o.Clock.Now()
		if err != nil {
			err = q.fault(ctx, "fetch", "", err)
			if !errors.Is(err, queue.ErrUnavailable) {
				return nil, err
			}
			next = now.Add(retryPause)
			wake = nil // nothing that rings cures this; do not spin
		}
		if !now.Before(end) {
			if err == nil {
				err = &queue.Error{Op: "fetch", Kind: queue.ErrEmpty}
			}
			return nil, err
		}
		if end.Before(next) {
			next = end
		}
		select {
		case <-wake:
		case <-q.o.Clock.After(next.Sub(now)):
		case <-ctx.Done():
		case <-q.closed:
		}
	}
}

// look asks each line that is due for one message, until one has it. Only one
// goroutine looks at a time, so that slots of one process do not ask the same.
// A question once sent is waited for, whatever becomes of the caller's context:
// its answer serves the others too, and callers in a hurry would otherwise send
// the broker the same unanswered question over and over.
func (q *Queue) look(ctx context.Context) (d *delivery, next time.Time, err error) {
	select {
	case q.looking <- struct{}{}:
		defer func() { <-q.looking }()
	case <-ctx.Done():
		return nil, next, ctx.Err()
	case <-q.closed:
		return nil, next, queue.ErrClosed
	}
	if !q.nc.IsConnected() {
		return nil, next, nats.ErrConnectionReconnecting
	}
	if now := q.o.Clock.Now(); q.known.beginSweep(now) {
		found, err := q.subjects(context.WithoutCancel(ctx))
		if err != nil {
			return nil, next, err
		}
		q.known.endSweep(now, found)
	}
	ask, next := q.known.due(q.o.Clock.Now())
	for _, k := range ask {
		if ctx.Err() != nil || q.isClosed() {
			return nil, next, ctx.Err()
		}
		d, err := q.ask(ctx, k)
		if d != nil || err != nil {
			return d, next, err
		}
	}
	_, next = q.known.due(q.o.Clock.Now())
	return nil, next, nil
}

// subjects counts the messages of each line, those in flight included.
func (q *Queue) subjects(ctx context.Context) (map[queue.Key]int, error) {
	info, err := q.jobsInfo(ctx, jetstream.WithSubjectFilter(q.o.jobsSubject()+">"))
	if err != nil {
		return nil, err
	}
	found := make(map[queue.Key]int)
	for subject, n := range info.State.Subjects {
		if k, ok := keyOf(subject, q.o.jobsSubject()); ok {
			found[k] += int(n)
		}
	}
	return found, nil
}

// jobsInfo describes the stream of jobs, which it makes anew if it is gone.
func (q *Queue) jobsInfo(ctx context.Context, opts ...jetstream.StreamInfoOpt) (*jetstream.StreamInfo, error) {
	get := func() (*jetstream.StreamInfo, error) {
		ctx, cancel := q.within(ctx)
		defer cancel()
		s, err := q.js.Stream(ctx, q.o.jobsStream())
		if err != nil {
			return nil, err
		}
		return s.Info(ctx, opts...)
	}
	info, err := get()
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if err := q.ensureStreams(ctx); err != nil {
			return nil, err
		}
		info, err = get()
	}
	return info, err
}

// ask asks one line for one message, without waiting.
func (q *Queue) ask(ctx context.Context, k queue.Key) (*delivery, error) {
	for range 2 {
		if !q.known.isReady(k) {
			if err := q.ensureConsumer(context.WithoutCancel(ctx), k); err != nil {
				if errors.Is(err, jetstream.ErrStreamNotFound) {
					q.known.resweep()
				}
				return nil, err
			}
			q.known.setReady(k, true)
		}
		msg, answer, err := q.pull(ctx, k)
		if err != nil {
			return nil, err
		}
		switch answer {
		case gotMessage:
			d, err := q.receive(ctx, k, msg)
			if d != nil || err != nil {
				return d, err
			}
			continue // it was unreadable and is put away; one more question
		case gotNothing:
			q.known.nothing(k, q.o.Clock.Now())
			return nil, nil
		case gotSilence:
			q.known.silent(k, q.o.Clock.Now())
			return nil, nil
		case gotMissing:
			q.known.setReady(k, false)
		}
	}
	return nil, nil
}

type answer int

const (
	gotMessage answer = iota
	gotNothing
	gotSilence // no answer in time
	gotMissing // no such consumer
)

// pull sends one request for one message. It has an inbox of its own, which
// goes away with it: a request that the broker kept would otherwise be served
// later, into nobody's hands. Cancelling does not cut it short for the same
// reason.
func (q *Queue) pull(ctx context.Context, k queue.Key) (*nats.Msg, answer, error) {
	ctx, cancel := q.within(context.WithoutCancel(ctx))
	defer cancel()
	sub, err := q.nc.SubscribeSync(q.nc.NewInbox())
	if err != nil {
		return nil, gotSilence, err
	}
	defer func() {
		// Fails only on a connection that is closed, and then there is nothing to
		// take back.
		_ = sub.Unsubscribe()
	}()
	subject := fmt.Sprintf("$JS.API.CONSUMER.MSG.NEXT.%s.%s", q.o.jobsStream(), consumerName(k))
	if err := q.nc.PublishRequest(subject, sub.Subject, []byte(`{"batch":1,"no_wait":true}`)); err != nil {
		return nil, gotSilence, err
	}
	msg, err := sub.NextMsgWithContext(ctx)
	switch {
	case noResponders(err):
		return nil, gotMissing, nil
	case errors.Is(err, context.DeadlineExceeded):
		return nil, gotSilence, nil
	case err != nil:
		return nil, gotSilence, err
	}
	if msg.Reply == "" || len(msg.Data) == 0 && msg.Header.Get("Status") != "" {
		switch msg.Header.Get("Status") {
		case "404", "408":
			return nil, gotNothing, nil
		case "503":
			return nil, gotMissing, nil
		case "409": // consumer deleted, moved, or at a limit
			return nil, gotMissing, nil
		}
		return nil, gotNothing, fmt.Errorf("unexpected answer to a pull: %s %s", msg.Header.Get("Status"), msg.Header.Get("Description"))
	}
	return msg, gotMessage, nil
}

// newerPause is how long a message of a newer version is left to newer workers.
const newerPause = 30 * time.Second

// handBackPause is the delay of a message that arrived for a caller who is
// gone.
const handBackPause = 50 * time.Millisecond

// receive makes a delivery of a message. What is unreadable becomes a dead
// letter, and receive returns neither delivery nor error.
func (q *Queue) receive(ctx context.Context, k queue.Key, msg *nats.Msg) (*delivery, error) {
	meta, err := msg.Metadata()
	if err != nil {
		return nil, fmt.Errorf("message without a delivery's address: %w", err)
	}
	d := &delivery{q: q, reply: msg.Reply, deliveries: int(min(meta.NumDelivered, 1<<30)), key: k, seq: meta.Sequence.Stream}
	d.m, err = queue.Decode(msg.Data)
	if err == nil && d.m.Key() != k {
		err = &queue.InvalidError{Field: "subject", Reason: "lies in the line of another studio or lane"}
	}
	switch {
	case errors.Is(err, queue.ErrVersion):
		return nil, d.Later(newerPause)
	case err != nil:
		d.raw = msg.Data
		return nil, d.Drop("unreadable: " + err.Error())
	case ctx.Err() != nil || q.isClosed():
		return nil, errors.Join(ctx.Err(), d.send(context.WithoutCancel(ctx), nakWord(handBackPause)))
	}
	q.known.served(k)
	return d, nil
}
