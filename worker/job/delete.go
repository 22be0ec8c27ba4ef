package job

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"discsafe/worker/store"
)

// retention is who deletes what has expired, in tombstones.
const retention = "retention"

// Delete removes a job that has ended: its files, seals and marks, and all of
// its record but a tombstone. Inputs are not touched; see Uses.
//
// The tombstone comes first. With it the job is gone for everybody, in one
// step, and whatever breaks off after it is finished by Delete again, by the
// Reconciler or by Rebuild. It stays for twice as long as idempotency keys are
// remembered: a request repeated under its key is told that its job was
// deleted and does not make it anew, and what a worker asleep for days still
// writes is found. Then Expire or Rebuild removes it.
//
// Deleting what is deleted already is fine. Errors: ErrUnknown, *StateError if
// the job has not ended, *LockedError if it is approved, *RecordError, the store's.
func (l *Ledger) Delete(ctx context.Context, id, by string) error {
	may := func(r *Record) error {
		switch {
		case r.Deleted != nil:
			return nil
		case !r.State.Ended():
			return &StateError{ID: id, State: r.State, Want: "be deleted"}
		case r.Standing() == Approved:
			return r.Locked("be deleted")
		}
		return nil
	}
	if r, _, err := l.readAny(ctx, id); err != nil {
		return err
	} else if err := may(r); err != nil {
		return err
	}
	// The marker brings the reconciler here if this process ends half-way.
	if err := l.mark(ctx, openDir+id); err != nil {
		return err
	}
	r, err := l.changeAny(ctx, id, func(r *Record) error {
		if err := may(r); err != nil {
			return err
		}
		if r.Deleted != nil {
			return errSame
		}
		*r = r.tombstone(Ask{At: l.stamp(), By: by})
		return nil
	})
	if err != nil {
		if _, is := errors.AsType[*LockedError](err); is {
			return errors.Join(err, ignoreTransient(l.close(ctx, id))) // approved meanwhile: it has ended and needs no marker
		}
		return err // a retry was faster: its job is open and stays marked
	}
	return l.bury(ctx, r)
}

// tombstone is what stays of a record: nothing of plan, title or people but who
// deleted it.
func (r *Record) tombstone(by Ask) Record {
	return Record{Schema: Schema, ID: r.ID, Rev: r.Rev, Request: Request{Studio: r.Request.Studio, Inputs: []Input{}, Revises: r.Request.Revises, Root: r.Request.Root},
		State: r.State, Attempt: r.Attempt, Accepted: r.Accepted, Ended: r.Ended, History: []Event{}, Deleted: &by}
}

// bury removes what a tombstone stands for. The marker goes last: as long as it
// is there, the reconciler comes back.
func (l *Ledger) bury(ctx context.Context, r *Record) error {
	for _, prefix := range []string{resultDir + r.ID + "/", sealDir + r.ID + "/"} {
		if err := l.deleteAll(ctx, prefix); err != nil {
			return err
		}
	}
	if root := r.Request.Root; root != "" {
		if err := l.unpoint(ctx, r); err != nil {
			return err
		}
		if err := l.store.Delete(ctx, revisionKey(root, r.ID)); err != nil {
			return err
		}
	}
	for _, key := range []string{studioKey(r.Request.Studio, r.ID), openDir + r.ID} {
		if err := l.store.Delete(ctx, key); err != nil {
			return err
		}
	}
	l.forget(r.ID)
	return nil
}

// lay buries again, for a worker may have slept through the first time, and
// removes the tombstone itself once nobody can need it.
func (l *Ledger) lay(ctx context.Context, r *Record) error {
	if err := l.bury(ctx, r); err != nil {
		return err
	}
	if l.now().Sub(r.Deleted.At) <= 2*l.keepKey {
		return nil
	}
	return l.store.Delete(ctx, recordDir+r.ID)
}

// Expire deletes jobs, but for approved ones, that ended longer than olderThan before now, at most most
// of them (0: all), and tombstones that are no longer needed. It goes on after
// a job that gave trouble and returns all such errors joined; records this
// version cannot read are left alone.
func (l *Ledger) Expire(ctx context.Context, olderThan time.Duration, now time.Time, most int) (deleted int, err error) {
	var errs []error
	err = l.expired(ctx, olderThan, now, func(r *Record) (bool, error) {
		var err error
		if r.Deleted != nil {
			err = l.lay(ctx, r)
		} else if err = l.Delete(ctx, r.ID, retention); err == nil {
			deleted++
		} else if _, is := errors.AsType[*StateError](err); is {
			err = nil // retried meanwhile
		} else if _, is := errors.AsType[*LockedError](err); is {
			err = nil // approved meanwhile
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("deleting job %s: %w", r.ID, err))
		}
		return (most == 0 || deleted < most) && len(errs) < maxTries, ctx.Err()
	})
	return deleted, errors.Join(append(errs, err)...)
}

// Expiring returns the IDs of the jobs that Expire would delete, newest first.
func (l *Ledger) Expiring(ctx context.Context, olderThan time.Duration, now time.Time, most int) ([]string, error) {
	var ids []string
	err := l.expired(ctx, olderThan, now, func(r *Record) (bool, error) {
		if r.Deleted == nil {
			ids = append(ids, r.ID)
		}
		return most == 0 || len(ids) < most, nil
	})
	return ids, err
}

// expired calls f with ended jobs and tombstones old enough, until it says no.
func (l *Ledger) expired(ctx context.Context, olderThan time.Duration, now time.Time, f func(*Record) (bool, error)) error {
	edge := now.Add(-olderThan)
	after := recordDir + idFloor(edge) // a younger job has not ended so long ago
	for {
		keys, err := l.store.List(ctx, recordDir, after, listPage)
		if err != nil {
			return err
		}
		for _, k := range keys {
			after = k.Key
			r, _, err := l.readAny(ctx, idOf(k.Key))
			if _, unreadable := errors.AsType[*RecordError](err); unreadable || errors.Is(err, ErrUnknown) {
				continue
			}
			if err != nil {
				return err
			}
			if r.Deleted == nil && (!r.State.Ended() || !r.Ended.Before(edge) || r.Standing() == Approved) {
				continue
			}
			if more, err := f(r); err != nil || !more {
				return err
			}
		}
		if len(keys) < listPage {
			return nil
		}
	}
}

// Uses returns the keys in the store of all plans and inputs that a record
// names: also those of ended jobs, which may be retried. What is not among them
// may be removed, if it is older than a submission takes. A record that not
// even its inputs can be read of is a *RecordError: then nothing may be
// removed.
func (l *Ledger) Uses(ctx context.Context) (map[string]bool, error) {
	used := map[string]bool{}
	for o, err := range l.all(ctx, recordDir) {
		if err != nil {
			return nil, err
		}
		data, _, err := store.Read(ctx, l.store, o.Key)
		if isNotFound(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		// Not decodeRecord: a field that a newer version added hides no input.
		var r struct {
			Schema  string `json:"schema"`
			Request *struct {
				Plan   Input   `json:"plan"`
				Inputs []Input `json:"inputs"`
			} `json:"request"`
		}
		switch err := json.Unmarshal(data, &r); {
		case err != nil:
			return nil, &RecordError{ID: idOf(o.Key), Detail: "is damaged, and which mixes it uses is not known", Err: err}
		case r.Schema != Schema || r.Request == nil:
			return nil, &RecordError{ID: idOf(o.Key), Detail: fmt.Sprintf("has layout %q, this version knows %q, and which mixes it uses is not known", r.Schema, Schema)}
		}
		for _, in := range append(r.Request.Inputs, r.Request.Plan) {
			if in.Key != "" {
				used[in.Key] = true
			}
		}
	}
	return used, nil
}
