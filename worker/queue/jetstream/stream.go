package jetstream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"discsafe/worker/queue"
)

// deadFor is how long dead letters are kept: a quarter, so that who comes back
// from a long absence still finds them.
const deadFor = 90 * 24 * time.Hour

// MismatchError means that a stream of the wanted name is there, but is not
// what the queue needs and cannot be made so.
type MismatchError struct {
	Stream string
	Field  string
	Want   string
	Got    string
}

// Error says what differs and what to do.
func (e *MismatchError) Error() string {
	return fmt.Sprintf("stream %s has %s %s, needed is %s: it belongs to something else or was made by hand; choose another name, or delete it (unfinished jobs are rung again)",
		e.Stream, e.Field, e.Got, e.Want)
}

func (q *Queue) jobsConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:                 q.o.jobsStream(),
		Description:          "discsafe: which jobs wait; the store is the book",
		Subjects:             []string{q.o.jobsSubject() + "*.*.*"},
		Retention:            jetstream.WorkQueuePolicy,
		Storage:              jetstream.FileStorage,
		Replicas:             q.o.Replicas,
		Discard:              jetstream.DiscardNew,
		DiscardNewPerSubject: true,
		MaxMsgsPerSubject:    1,
		MaxMsgs:              int64(q.o.MaxWaiting),
		MaxMsgSize:           queue.MaxBytes + 1024,
		Duplicates:           q.o.Dedupe,
		// A stream made anew must not give out numbers that deliveries from before
		// still hold. Microseconds stay exact in JSON readers until 2255, and nobody
		// publishes a million jobs a second.
		FirstSeq:  uint64(q.o.Clock.Now().UnixMicro()),
		RePublish: &jetstream.RePublish{Source: q.o.jobsSubject() + ">", Destination: q.o.rungSubject() + ">", HeadersOnly: true},
	}
}

func (q *Queue) deadConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        q.o.deadStream(),
		Description: "discsafe: what was dropped, and why",
		Subjects:    []string{q.o.deadSubject() + ">"},
		Retention:   jetstream.LimitsPolicy,
		Storage:     jetstream.FileStorage,
		Replicas:    q.o.Replicas,
		Discard:     jetstream.DiscardOld,
		MaxMsgs:     int64(q.o.MaxDead),
		MaxAge:      deadFor,
		MaxMsgSize:  queue.MaxBytes + 4096,
		Duplicates:  q.o.Dedupe,
	}
}

// ensureStreams makes what is missing and adapts sizes.
func (q *Queue) ensureStreams(ctx context.Context) error {
	for _, c := range []jetstream.StreamConfig{q.jobsConfig(), q.deadConfig()} {
		if err := q.ensureStream(ctx, c); err != nil {
			return err
		}
	}
	return nil
}

// ensureStream tries a few times with short times of its own: a cluster drops
// calls that come before it has a leader.
func (q *Queue) ensureStream(ctx context.Context, want jetstream.StreamConfig) error {
	var err error
	for range 3 {
		err = q.tryStream(ctx, want)
		var mismatch *MismatchError
		if err == nil || errors.As(err, &mismatch) || ctx.Err() != nil || q.isClosed() {
			return err
		}
	}
	return q.fault(ctx, "make stream "+want.Name, "", err)
}

func (q *Queue) tryStream(ctx context.Context, want jetstream.StreamConfig) error {
	ctx, cancel := q.within(ctx)
	defer cancel()
	s, err := q.js.Stream(ctx, want.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		// Another process may be faster; then the next try finds its stream.
		_, err = q.js.CreateStream(ctx, want)
		return err
	}
	if err != nil {
		return err
	}
	got := s.CachedInfo().Config
	for _, f := range []struct{ name, want, got string }{
		{"retention", fmt.Sprint(want.Retention), fmt.Sprint(got.Retention)},
		{"storage", fmt.Sprint(want.Storage), fmt.Sprint(got.Storage)},
		{"subjects", fmt.Sprint(want.Subjects), fmt.Sprint(got.Subjects)},
		{"persist mode", fmt.Sprint(want.PersistMode), fmt.Sprint(got.PersistMode)},
		{"messages per subject", fmt.Sprint(want.MaxMsgsPerSubject, want.DiscardNewPerSubject), fmt.Sprint(max(0, got.MaxMsgsPerSubject), got.DiscardNewPerSubject)},
	} {
		if f.want != f.got {
			return &MismatchError{Stream: want.Name, Field: f.name, Want: f.want, Got: f.got}
		}
	}
	if got.Replicas == want.Replicas && got.MaxMsgs == want.MaxMsgs && got.Duplicates == want.Duplicates {
		return nil
	}
	got.Replicas, got.MaxMsgs, got.Duplicates = want.Replicas, want.MaxMsgs, want.Duplicates
	_, err = q.js.UpdateStream(ctx, got)
	return err
}

// ensureConsumer makes a line's consumer, or adapts the one there.
func (q *Queue) ensureConsumer(ctx context.Context, k queue.Key) error {
	ctx, cancel := q.within(ctx)
	defer cancel()
	_, err := q.js.CreateOrUpdateConsumer(ctx, q.o.jobsStream(), jetstream.ConsumerConfig{
		Durable:           consumerName(k),
		Description:       "discsafe: one lane of one studio",
		FilterSubject:     lineFilter(q.o, k),
		DeliverPolicy:     jetstream.DeliverAllPolicy,
		AckPolicy:         jetstream.AckExplicitPolicy,
		AckWait:           q.o.AckWait,
		MaxDeliver:        -1, // whoever counts attempts drops; past a limit a message would stay for ever
		MaxAckPending:     q.o.MaxInFlight,
		InactiveThreshold: q.o.Idle,
	})
	return err
}

// missing tells whether an error may mean that stream or consumer are gone.
func missing(err error) bool {
	return errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, jetstream.ErrStreamNotFound) ||
		errors.Is(err, jetstream.ErrConsumerNotFound) || errors.Is(err, jetstream.ErrConsumerDoesNotExist) || noResponders(err)
}
