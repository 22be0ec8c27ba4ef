package jetstream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"discsafe/worker/queue"
)

// letter is the payload in the stream of dead letters.
type letter struct {
	Payload    []byte `json:"payload"` // as it was published
	Deliveries int    `json:"deliveries"`
	Reason     string `json:"reason"`
}

// bury keeps a dead letter.
func (q *Queue) bury(ctx context.Context, d *delivery, reason string) error {
	payload := d.raw
	place := fmt.Sprintf("%s.%s.seq-%d", d.key.Lane, d.key.Studio, d.seq)
	if payload == nil {
		var err error
		if payload, err = queue.Encode(d.m); err != nil {
			return err
		}
		place = tail(d.m)
	}
	// A foreign payload may be larger than a letter can hold; its beginning tells
	// the operator enough.
	payload = payload[:min(len(payload), queue.MaxBytes/2)]
	body, err := json.Marshal(letter{Payload: payload, Deliveries: d.deliveries, Reason: reason})
	if err != nil {
		return fmt.Errorf("encode dead letter: %w", err)
	}
	id := fmt.Sprintf("%s@%d", place, d.seq)
	err = q.send(ctx, q.o.deadSubject()+place, id, body, nil)
	if missing(err) {
		if err := q.ensureStreams(ctx); err != nil {
			return err
		}
		err = q.send(ctx, q.o.deadSubject()+place, id, body, nil)
	}
	return err
}

// Dead implements queue.DeadLetters. Each letter is one call to the broker.
func (q *Queue) Dead(ctx context.Context, after uint64, limit int) ([]queue.DeadLetter, error) {
	if q.isClosed() {
		return nil, &queue.Error{Op: "dead", Kind: queue.ErrClosed}
	}
	letters, err := q.letters(ctx, after, limit)
	return letters, q.fault(ctx, "dead", "", err)
}

func (q *Queue) letters(ctx context.Context, after uint64, limit int) (all []queue.DeadLetter, err error) {
	one, cancel := q.within(ctx)
	defer cancel()
	s, err := q.js.Stream(one, q.o.deadStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for len(all) < limit {
		raw, err := q.nextLetter(ctx, s, after+1)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			break
		}
		if err != nil {
			return nil, err
		}
		after = raw.Sequence
		all = append(all, readLetter(raw))
	}
	return all, nil
}

func (q *Queue) nextLetter(ctx context.Context, s jetstream.Stream, from uint64) (*jetstream.RawStreamMsg, error) {
	ctx, cancel := q.within(ctx)
	defer cancel()
	return s.GetMsg(ctx, from, jetstream.WithGetMsgSubject(q.o.deadSubject()+">"))
}

// readLetter never fails: what cannot be read is shown raw.
func readLetter(raw *jetstream.RawStreamMsg) queue.DeadLetter {
	out := queue.DeadLetter{Seq: raw.Sequence, At: raw.Time}
	var l letter
	if err := json.Unmarshal(raw.Data, &l); err != nil {
		out.Raw, out.Reason = raw.Data, "unreadable letter: "+err.Error()
		return out
	}
	out.Deliveries, out.Reason = l.Deliveries, l.Reason
	m, err := queue.Decode(l.Payload)
	if err != nil {
		out.Raw = l.Payload
	}
	out.Message = m
	return out
}

// Forget implements queue.DeadLetters. It costs one listing of the studio's
// letters and one call for each attempt that has one.
func (q *Queue) Forget(ctx context.Context, studio, jobID string) (int, error) {
	if q.isClosed() {
		return 0, &queue.Error{Op: "forget", Job: jobID, Kind: queue.ErrClosed}
	}
	n, err := q.forget(ctx, studio, jobID)
	return n, q.fault(ctx, "forget", jobID, err)
}

func (q *Queue) forget(ctx context.Context, studio, jobID string) (n int, err error) {
	one, cancel := q.within(ctx)
	defer cancel()
	s, err := q.js.Stream(one, q.o.deadStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	// The lane may have changed since.
	info, err := s.Info(one, jetstream.WithSubjectFilter(q.o.deadSubject()+"*."+queue.StudioHash(studio)+".*"))
	if err != nil {
		return 0, err
	}
	for subject, letters := range info.State.Subjects {
		if !ofJob(subject, jobID) {
			continue
		}
		if err := q.purge(ctx, s, subject); err != nil {
			return n, err
		}
		n += int(letters)
	}
	return n, nil
}

func (q *Queue) purge(ctx context.Context, s jetstream.Stream, subject string) error {
	ctx, cancel := q.within(ctx)
	defer cancel()
	return s.Purge(ctx, jetstream.WithPurgeSubject(subject))
}

// ofJob tells whether a subject ends with Message.ID of any attempt of a job.
func ofJob(subject, jobID string) bool {
	id := subject[strings.LastIndexByte(subject, '.')+1:]
	end := strings.LastIndexByte(id, '-')
	return end >= 0 && id[:end] == jobID
}
