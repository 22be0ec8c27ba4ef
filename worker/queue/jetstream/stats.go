package jetstream

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"discsafe/worker/queue"
)

// Stats implements queue.Queue. It costs one listing of subjects, one of
// consumers, and one look at the first waiting message of each line.
func (q *Queue) Stats(ctx context.Context) (queue.Stats, error) {
	if q.isClosed() {
		return queue.Stats{}, &queue.Error{Op: "stats", Kind: queue.ErrClosed}
	}
	s, err := q.stats(ctx)
	if err != nil {
		return queue.Stats{}, q.fault(ctx, "stats", "", err)
	}
	return s, nil
}

func (q *Queue) stats(ctx context.Context) (out queue.Stats, err error) {
	if err := ctx.Err(); err != nil {
		return out, err
	}
	if !q.nc.IsConnected() {
		return out, errors.New("not connected")
	}
	found, err := q.subjects(ctx)
	if err != nil {
		return out, err
	}
	given, err := q.given(ctx)
	if err != nil {
		return out, err
	}
	for k, n := range found {
		g := given[k]
		// The two listings are not of one moment; never report below zero.
		flight := min(g.inFlight, n)
		out.InFlight += flight
		out.Waiting += n - flight
		if n == flight {
			continue
		}
		at, err := q.firstAfter(ctx, k, g.last)
		if err != nil {
			return out, err
		}
		if !at.IsZero() && (out.Oldest.IsZero() || at.Before(out.Oldest)) {
			out.Oldest = at
		}
	}
	one, cancel := q.within(ctx)
	defer cancel()
	dead, err := q.js.Stream(one, q.o.deadStream())
	if err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
		return out, err
	}
	if err == nil {
		out.Dead = int(min(dead.CachedInfo().State.Msgs, 1<<30))
	}
	return out, nil
}

// given is what a line's consumer has handed out.
type given struct {
	inFlight int
	last     uint64 // highest place in the stream it has given
}

func (q *Queue) given(ctx context.Context) (map[queue.Key]given, error) {
	// Pages of the listing take an answer each; ten are room for 2,560 lines.
	ctx, cancel := context.WithTimeout(ctx, 10*q.o.Timeout)
	defer cancel()
	s, err := q.js.Stream(ctx, q.o.jobsStream())
	if err != nil {
		return nil, err
	}
	all := make(map[queue.Key]given)
	list := s.ListConsumers(ctx)
	for info := range list.Info() {
		if k, ok := keyOf(info.Config.FilterSubject, q.o.jobsSubject()); ok {
			all[k] = given{info.NumAckPending, info.Delivered.Stream}
		}
	}
	return all, list.Err()
}

// firstAfter tells when the first message of a line behind a place was
// published, zero if there is none.
func (q *Queue) firstAfter(ctx context.Context, k queue.Key, after uint64) (at time.Time, err error) {
	ctx, cancel := q.within(ctx)
	defer cancel()
	s, err := q.js.Stream(ctx, q.o.jobsStream())
	if err != nil {
		return at, err
	}
	msg, err := s.GetMsg(ctx, after+1, jetstream.WithGetMsgSubject(lineFilter(q.o, k)))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return at, nil
	}
	if err != nil {
		return at, err
	}
	return msg.Time, nil
}
