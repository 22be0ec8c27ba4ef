package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"discsafe/worker/job"
)

// How fast retention goes. It asks the store for one thing at a time, rests after
// each batch for as long as that took, and goes on until nothing is due: so it has
// one request under way at most, for at most half of the time, in each process.
const (
	retainEvery = time.Minute // between a look that found nothing and the next
	retainBatch = 100         // markers looked at in one go
)

// tidyWithin is of which jobs the daily walk looks for leftovers: those that
// ended since.
const tidyWithin = 7 * 24 * time.Hour

// retain returns the pass that deletes jobs past their time and tombstones that
// nobody needs any more, until nothing is due.
func (s *Service) retain() func(context.Context) error {
	r := &retention{ledger: s.ledger, keep: days(s.o.Limits.RetainDays), now: s.o.Now, rest: rest, behind: s.metrics.RetentionBehind, removed: s.metrics.Retained}
	return func(ctx context.Context) error {
		n, err := r.pass(ctx)
		s.metrics.RetentionPass(n.jobs)
		if n.jobs+n.tombstones > 0 {
			s.log.Info("what was past its time is deleted", "jobs", n.jobs, "tombstones", n.tombstones, "put_off", n.putOff)
		}
		return err
	}
}

// retention deletes what is past its time. For one goroutine.
type retention struct {
	ledger  *job.Ledger
	keep    time.Duration // ended jobs; 0: for ever
	now     func() time.Time
	rest    func(ctx context.Context, d time.Duration)
	behind  func(d time.Duration)
	removed func(jobs, tombstones int)

	// Where the next batch begins. After trouble the next pass goes on behind it, so
	// that what cannot be deleted does not hold up what can.
	afterJob, afterTombstone string
}

// retained is what a pass did.
type retained struct {
	jobs, tombstones, putOff int
	unreadable               []string
}

func (r *retention) pass(ctx context.Context) (n retained, err error) {
	if r.keep > 0 {
		err = r.jobs(ctx, &n)
	}
	lerr := r.walk(ctx, &r.afterTombstone, func() (job.Batch, error) {
		b, err := r.ledger.Lay(ctx, r.now(), r.afterTombstone, retainBatch)
		n.tombstones += b.Removed
		n.unreadable = append(n.unreadable, b.Unreadable...)
		r.removed(0, b.Removed)
		return b, err
	})
	if err := errors.Join(err, lerr); err != nil || len(n.unreadable) == 0 {
		return n, err
	}
	slices.Sort(n.unreadable)
	return n, fmt.Errorf("%d records past their time cannot be read by this version and stay, the first of job %s", len(n.unreadable), n.unreadable[0])
}

func (r *retention) jobs(ctx context.Context, n *retained) error {
	tell := func() error {
		d, err := r.ledger.Behind(ctx, r.keep, r.now())
		if err == nil {
			r.behind(d)
		}
		return err
	}
	if err := tell(); err != nil {
		return err
	}
	return r.walk(ctx, &r.afterJob, func() (job.Batch, error) {
		b, err := r.ledger.Expire(ctx, r.keep, r.now(), r.afterJob, retainBatch)
		n.jobs += b.Removed
		n.putOff += b.PutOff
		n.unreadable = append(n.unreadable, b.Unreadable...)
		r.removed(b.Removed, 0)
		return b, errors.Join(err, tell())
	})
}

// walk goes on from after, batch by batch, until nothing is due.
func (r *retention) walk(ctx context.Context, after *string, batch func() (job.Batch, error)) error {
	for {
		began := r.now()
		b, err := batch()
		*after = b.Next
		if err != nil || b.Next == "" {
			return err
		}
		r.rest(ctx, r.now().Sub(began))
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// rest waits, at most until ctx ends.
func rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(max(d, 0))
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// walkRecords returns what each process does at its start, when the store may have
// been restored, and one of them once a day: one walk over all records mends
// markers and finds out which mixes are used; those that nobody uses are then
// removed. A walk that did not come to its end is made again after an hour.
func (s *Service) walkRecords() func(context.Context) error {
	u := &turns{store: s.store, key: walkKey, name: s.name, every: daily, beat: turnBeat, now: s.o.Now}
	started := false
	return func(ctx context.Context) error {
		var after error // of a walk that came to its end
		err := u.do(ctx, !started, func(ctx context.Context) error {
			began := s.o.Now()
			b, err := s.ledger.Rebuild(ctx, tidyWithin)
			if b.Marked > 0 || len(b.Unreadable) > 0 {
				s.log.Warn("records walked over", "records", b.Records, "markers_put_back", b.Marked, "unreadable", b.Unreadable)
			}
			if err != nil {
				return fmt.Errorf("markers: %w", err)
			}
			if b.Uses == nil {
				after = fmt.Errorf("no mix is removed: %w", b.Unknown)
			} else {
				after = s.remove(ctx, "mixes nobody uses", func() (int, error) { return s.intake.SweepMixes(ctx, b.Uses.Has, began) })
			}
			return nil
		})
		started = started || err == nil
		return errors.Join(err, after)
	}
}
