package job

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Reconciler rings again for jobs that wait and whose message the broker may
// have lost. Several may run at the same time: a job that is rung for twice is
// worked on once.
type Reconciler struct {
	Ledger *Ledger
	// Ring publishes a message for a job. Required.
	Ring func(ctx context.Context, r *Record) error
	// Depth is how many messages the broker holds, waiting or in flight; nil if
	// it cannot be asked. Fewer than there are jobs means that some are lost.
	Depth func(ctx context.Context) (int, error)
	// Grace is how long a message is waited for before it is missed; 0: 20 s. It
	// must be longer than it takes a worker to be handed a message.
	Grace time.Duration
	// Patience is after how long a job is rung for though no message seems to be
	// lost; doubled each time. 0: 10 minutes.
	Patience time.Duration

	rung map[string]*ring
}

// ring is what is remembered of ringing for a job.
type ring struct {
	attempt int
	last    time.Time
	urgent  int // times rung because messages were missing
	routine int // times rung for no such reason
}

// Counts is what one pass found.
type Counts struct {
	Open       int           // jobs that have not ended
	Waiting    int           // of them accepted
	Running    int           // of them running
	Lost       int           // of the running, those whose worker shows no life
	Depth      int           // messages in the broker; -1 when unknown
	Rung       int           // rung for again
	Closed     int           // markers of ended jobs removed, waiting cancellations carried out, broken-off deletions finished
	Orphans    int           // markers of submissions that broke off, removed
	Unreadable []string      // jobs whose records this version cannot read
	Oldest     time.Duration // age of the job that waits longest
}

// maxPatience bounds the doubling of Patience.
const maxPatience = 6 * time.Hour

// orphanAge is how long a submission may take between its marker and its
// record. None takes a day.
const orphanAge = 24 * time.Hour

// Pass looks at every open job once. It goes on after a job that gave trouble,
// and returns all such errors joined. Not for use by several goroutines.
func (c *Reconciler) Pass(ctx context.Context) (Counts, error) {
	if c.Ledger == nil || c.Ring == nil {
		return Counts{}, errors.New("reconciler: Ledger and Ring are required")
	}
	l := c.Ledger
	n := Counts{Depth: -1}
	var errs []error
	if c.Depth != nil {
		d, err := c.Depth(ctx)
		if err != nil {
			errs = append(errs, fmt.Errorf("asking the broker how much waits: %w", err))
		} else {
			n.Depth = d
		}
	}
	var want []*Record // jobs that need a message
	err := l.each(ctx, openDir, func(id string, made time.Time, r *Record, err error) error {
		_, deleted := errors.AsType[*DeletedError](err)
		switch {
		case deleted: // but not to the end
			n.Closed++
			errs = append(errs, l.Delete(ctx, id, retention))
		case errors.Is(err, ErrUnknown):
			if !made.IsZero() && l.now().Sub(made) > orphanAge {
				n.Orphans++
				errs = append(errs, l.store.Delete(ctx, openDir+id))
			}
		case err != nil:
			n.Open++
			n.Unreadable = append(n.Unreadable, id)
		case r.State.Ended():
			n.Closed++
			errs = append(errs, l.close(ctx, r))
		case r.State == Accepted:
			n.Open++
			n.Waiting++
			n.Oldest = max(n.Oldest, l.now().Sub(r.Last().At))
			if wait := r.NotBefore.Sub(l.now()); wait <= 0 || wait > maxWait {
				want = append(want, r)
			}
		default:
			n.Open++
			n.Running++
			if l.leaseLeft(r) > 0 {
				break
			}
			n.Lost++
			if r.Cancel != nil { // nobody is left to carry it out
				n.Closed++
				errs = append(errs, l.stopLost(ctx, r))
				break
			}
			want = append(want, r)
		}
		return nil
	})
	if err != nil {
		return n, errors.Join(append(errs, err)...)
	}
	// Every open job should have a message: waiting, delayed, or in its worker's hands.
	missing := n.Depth >= 0 && n.Depth < n.Waiting+n.Running
	errs = append(errs, c.ringAll(ctx, want, missing, &n))
	return n, errors.Join(errs...)
}

func (c *Reconciler) ringAll(ctx context.Context, want []*Record, missing bool, n *Counts) error {
	grace, patience := c.Grace, c.Patience
	if grace <= 0 {
		grace = 20 * time.Second
	}
	if patience <= 0 {
		patience = 10 * time.Minute
	}
	now := c.Ledger.now()
	next := make(map[string]*ring, len(want))
	var errs []error
	for _, r := range want {
		g := c.rung[r.ID]
		if g == nil || g.attempt != r.Attempt {
			g = &ring{attempt: r.Attempt, last: r.waitsSince()}
		}
		next[r.ID] = g
		// Rarer each time: the broker knows doubles by job and attempt, but asking costs.
		after, count := min(patience<<min(g.routine, 6), maxPatience), &g.routine
		if missing {
			after, count = min(grace<<min(g.urgent, 6), patience), &g.urgent
		}
		if now.Sub(g.last) < after {
			continue
		}
		if err := c.Ring(ctx, r); err != nil {
			errs = append(errs, fmt.Errorf("ringing for job %s: %w", r.ID, err))
			if ctx.Err() != nil {
				break
			}
			continue
		}
		g.last = now
		*count++
		n.Rung++
	}
	c.rung = next
	return errors.Join(errs...)
}

// waitsSince is when the message now missed should have been published.
func (r *Record) waitsSince() time.Time {
	at := r.Last().At
	if r.Holder != nil {
		at = r.Holder.BeatAt
	}
	if r.NotBefore.After(at) {
		return r.NotBefore
	}
	return at
}

// stopLost carries out a cancellation whose worker is gone.
func (l *Ledger) stopLost(ctx context.Context, seen *Record) error {
	r, err := l.change(ctx, seen.ID, func(r *Record) error {
		if r.State != Running || r.Rev != seen.Rev {
			return errSame // it showed life after all
		}
		return l.cancelled(r, r.Cancel.By)
	})
	if err != nil || !r.State.Ended() {
		return err
	}
	return l.close(ctx, r)
}

// ExpireKeys removes idempotency keys older than they are remembered, and
// returns how many.
func (l *Ledger) ExpireKeys(ctx context.Context) (int, error) {
	n := 0
	for o, err := range l.all(ctx, idemDir) {
		if err != nil {
			return n, err
		}
		// Twice the time: the medium's clock may differ, and keeping longer does no harm.
		if l.now().Sub(o.Modified) > 2*l.keepKey {
			if err := l.store.Delete(ctx, o.Key); err != nil {
				return n, err
			}
			n++
		}
	}
	return n, nil
}
