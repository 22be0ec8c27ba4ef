package job

import (
	"context"
	"errors"
)

// Delete removes a job that has ended: its files, seals and marks, and all of
// its record but a tombstone. Inputs are not touched; see Rebuild.
//
// The tombstone comes first. With it the job is gone for everybody, in one
// step, and whatever breaks off after it is finished by Delete again, by the
// Reconciler or by Rebuild. It stays for twice as long as idempotency keys are
// remembered: a request repeated under its key is told that its job was
// deleted and does not make it anew, and what a worker asleep for days still
// writes is found. Then Lay removes it.
//
// Deleting what is deleted already is fine. Errors: ErrUnknown, *StateError if
// the job has not ended, *LockedError if it is approved, *RecordError, the store's.
func (l *Ledger) Delete(ctx context.Context, id, by string) error {
	if r, _, err := l.readAny(ctx, id); err != nil {
		return err
	} else if err := r.deletable(); err != nil {
		return err
	}
	r, _, err := l.entomb(ctx, id, by)
	if err != nil {
		return err
	}
	return l.bury(ctx, r)
}

// entomb replaces the record of a job that may be deleted by its tombstone, and
// says whether it was this call that did. bury comes next.
func (l *Ledger) entomb(ctx context.Context, id, by string) (r *Record, mine bool, err error) {
	// The marker brings the reconciler here if this process ends half-way.
	if err := l.mark(ctx, openDir+id); err != nil {
		return nil, false, err
	}
	r, err = l.changeAny(ctx, id, func(r *Record) error {
		mine = false
		if err := r.deletable(); err != nil {
			return err
		}
		if r.Deleted != nil {
			return errSame
		}
		*r, mine = r.tombstone(Ask{At: l.stamp(), By: by}), true
		return nil
	})
	if _, is := errors.AsType[*LockedError](err); is {
		err = errors.Join(err, ignoreTransient(l.close(ctx, r))) // approved meanwhile: it has ended and needs no marker
	}
	return r, mine, err // after any other error a retry was faster: its job is open and stays marked
}

// deletable says why a job may not be deleted; one that is deleted may.
func (r *Record) deletable() error {
	switch {
	case r.Deleted != nil:
		return nil
	case !r.State.Ended():
		return &StateError{ID: r.ID, State: r.State, Want: "be deleted"}
	case r.Standing() == Approved:
		return r.Locked("be deleted")
	}
	return nil
}

// tombstone is what stays of a record: nothing of plan, title or people but who
// deleted it.
func (r *Record) tombstone(by Ask) Record {
	return Record{Schema: Schema, ID: r.ID, Rev: r.Rev, Request: Request{Studio: r.Request.Studio, Inputs: []Input{}, Revises: r.Request.Revises, Root: r.Request.Root},
		State: r.State, Attempt: r.Attempt, Accepted: r.Accepted, Ended: r.Ended, History: []Event{}, Deleted: &by}
}

// bury removes what a tombstone stands for. The marker of open jobs goes last:
// as long as it is there, the reconciler comes back. That of tombstones comes
// when everything else of the job is gone, so it says that nothing was forgotten.
func (l *Ledger) bury(ctx context.Context, r *Record) error {
	if err := l.empty(ctx, r.ID); err != nil {
		return err
	}
	if root := r.Request.Root; root != "" {
		if err := l.unpoint(ctx, r); err != nil {
			return err
		}
		if err := l.store.Delete(ctx, revisionKey(root, r.ID)); err != nil {
			return err
		}
	}
	for _, key := range []string{studioKey(r.Request.Studio, r.ID), endedKey(r)} {
		if err := l.store.Delete(ctx, key); err != nil {
			return err
		}
	}
	if err := l.mark(ctx, buriedKey(r)); err != nil {
		return err
	}
	if err := l.store.Delete(ctx, openDir+r.ID); err != nil {
		return err
	}
	l.forget(r.ID)
	return nil
}

// empty removes the files and seals of all attempts of a job.
func (l *Ledger) empty(ctx context.Context, id string) error {
	for _, prefix := range []string{resultDir + id + "/", sealDir + id + "/"} {
		if err := l.deleteAll(ctx, prefix); err != nil {
			return err
		}
	}
	return nil
}
