package job

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
)

// Number is that of the revision: 1 for a job that takes no other's place.
func (q *Request) Number() int { return max(q.Revision, 1) }

// root is the first job of the chain a request belongs to; id is the request's own job.
func (q *Request) root(id string) string {
	if q.Root != "" {
		return q.Root
	}
	return id
}

// Revise makes a request one that takes the place of an earlier job of the same
// studio, with the next number of the chain. Of two requests at the same moment
// both may get the same number. Errors: ErrUnknown, also for another studio's
// job; the store's.
func (l *Ledger) Revise(ctx context.Context, q *Request, earlier string) error {
	r, err := l.Get(ctx, earlier)
	if err != nil {
		return err
	}
	if r.Request.Studio != q.Studio {
		return fmt.Errorf("job %s: %w", earlier, ErrUnknown)
	}
	chain, err := l.chain(ctx, r.Request.root(earlier))
	if err != nil {
		return err
	}
	last := r.Request.Number()
	for _, c := range chain {
		last = max(last, c.Request.Number())
	}
	q.Revises, q.Root, q.Revision = earlier, r.Request.root(earlier), last+1
	return nil
}

// Revisions returns the jobs of one chain of revisions, the first one first: a job and
// all that were submitted to take its place, as far as they are still there.
func (l *Ledger) Revisions(ctx context.Context, id string) ([]*Record, error) {
	r, err := l.Get(ctx, id)
	if err != nil {
		return nil, err
	}
	return l.chain(ctx, r.Request.root(id))
}

func (l *Ledger) chain(ctx context.Context, root string) ([]*Record, error) {
	var out []*Record
	add := func(id string) error {
		r, err := l.Get(ctx, id)
		if errors.Is(err, ErrUnknown) {
			return nil // deleted, or a submission that broke off
		}
		if err == nil {
			out = append(out, r)
		}
		return err
	}
	for o, err := range l.all(ctx, revisionDir+root+"/") {
		if err == nil {
			err = add(idOf(o.Key))
		}
		if err != nil {
			return nil, err
		}
	}
	if err := add(root); err != nil {
		return nil, err
	}
	// Identifiers sort newest first; two of one millisecond sort by chance.
	slices.SortFunc(out, func(a, b *Record) int {
		return cmp.Or(cmp.Compare(a.Request.Revision, b.Request.Revision), cmp.Compare(b.ID, a.ID))
	})
	return out, nil
}

// point tells the job that r revises of r, unless it knows of a newer one.
func (l *Ledger) point(ctx context.Context, r *Record) error {
	if r.Request.Revises == "" {
		return nil
	}
	_, err := l.change(ctx, r.Request.Revises, func(e *Record) error {
		if e.RevisedBy != "" && e.RevisedBy <= r.ID { // newer sorts first
			return errSame
		}
		e.RevisedBy = r.ID
		return nil
	})
	return ignoreAbsent(err)
}

// unpoint makes the job that the deleted r revised point at the newest that is
// left.
func (l *Ledger) unpoint(ctx context.Context, r *Record) error {
	q := &r.Request
	if q.Revises == "" {
		return nil
	}
	e, err := l.Get(ctx, q.Revises)
	if err != nil || e.RevisedBy != r.ID {
		return ignoreAbsent(err)
	}
	chain, err := l.chain(ctx, q.Root)
	if err != nil {
		return ignoreAbsent(err)
	}
	next := ""
	for _, c := range chain {
		if c.Request.Revises == q.Revises && (next == "" || c.ID < next) {
			next = c.ID
		}
	}
	_, err = l.change(ctx, q.Revises, func(e *Record) error {
		if e.RevisedBy != r.ID {
			return errSame // a newer one came meanwhile
		}
		e.RevisedBy = next
		return nil
	})
	return ignoreAbsent(err)
}

// ignoreAbsent drops that a job is gone, or cannot be read by this version:
// what points at another job is a help, and nothing may fail for it.
func ignoreAbsent(err error) error {
	if _, unreadable := errors.AsType[*RecordError](err); unreadable || errors.Is(err, ErrUnknown) {
		return nil
	}
	return err
}
