package job

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"discsafe/worker/store"
)

// retention is who deletes what has expired, in tombstones.
const retention = "retention"

// Retention walks over markers that sort by time, oldest first, so it costs what
// is due and not what is kept. Every ended job that is not approved has one in
// endedDir, every tombstone one in buriedDir; whatever takes one away has put
// another before, or removed the record. A marker too many costs one look.

func endedKey(r *Record) string { return endedAt(r.Ended, r.ID) }

func endedAt(at time.Time, id string) string {
	return minuteOf(endedDir, at) + "/" + id
}

func buriedKey(r *Record) string {
	return minuteOf(buriedDir, r.Deleted.At) + "/" + r.ID
}

// Batch is what one call of Expire or Lay did.
type Batch struct {
	Removed    int      // jobs deleted, or tombstones removed
	PutOff     int      // markers of jobs that are approved, or open again
	Unreadable []string // jobs whose records this version cannot read: left alone
	// Next is where the next batch begins: after the last marker looked at; empty
	// if nothing more is due.
	Next string
}

// Expire deletes jobs, but for approved ones, that ended in a minute wholly before
// now minus olderThan, oldest first. It looks at most markers at most (at least
// 1), those behind after, which is empty or the Next of the batch before. It goes
// on after a job that gave trouble, unless there are many, and returns all such
// errors joined; Next is then good all the same. Several processes may do so at
// the same time: a job that another is about to delete is left to it.
//
// An approved job is put off, as if it had ended now: reopening marks it anew.
// So is one that was retried and is open.
func (l *Ledger) Expire(ctx context.Context, olderThan time.Duration, now time.Time, after string, most int) (Batch, error) {
	edge := now.Add(-olderThan)
	return l.walkDue(ctx, endedDir, edge, after, most, func(b *Batch, key, id string, r *Record) error {
		switch {
		case r.Deleted != nil && now.Sub(r.Deleted.At) < deletingTakes:
			return nil // somebody is at it; should that break off, there is the reconciler, and the next walk
		case r.Deleted != nil:
			return l.buryFrom(ctx, key, r)
		case r.State.Ended() && !r.Ended.Before(edge): // retried since
			return l.unmark(ctx, key, l.mark(ctx, endedKey(r)))
		case !r.State.Ended() || r.Standing() == Approved:
			b.PutOff++
			return l.unmark(ctx, key, l.mark(ctx, endedAt(now, id)))
		}
		r, mine, err := l.entomb(ctx, id, retention)
		_, state := errors.AsType[*StateError](err)
		_, locked := errors.AsType[*LockedError](err)
		switch {
		case state || locked || err == nil && !mine:
			return nil // retried, approved or deleted meanwhile: the marker stays for the next walk
		case err != nil:
			return err
		}
		b.Removed++
		return l.buryFrom(ctx, key, r)
	})
}

// buryFrom buries what a marker led to. Of a job that was retried it may be an
// older one than that of its end, which bury removes.
func (l *Ledger) buryFrom(ctx context.Context, key string, r *Record) error {
	if err := l.bury(ctx, r); err != nil || key == endedKey(r) {
		return err
	}
	return l.store.Delete(ctx, key)
}

// deletingTakes is how long a tombstone is taken for one that its maker is
// still burying.
const deletingTakes = time.Minute

// Lay removes tombstones that nobody can need any more, in batches as Expire
// does. What a worker that slept through the deletion has written since goes
// with them.
func (l *Ledger) Lay(ctx context.Context, now time.Time, after string, most int) (Batch, error) {
	edge := now.Add(-2 * l.keepKey)
	return l.walkDue(ctx, buriedDir, edge, after, most, func(b *Batch, key, _ string, r *Record) error {
		if r.Deleted == nil {
			return l.store.Delete(ctx, key)
		}
		b.Removed++
		return l.lay(ctx, r)
	})
}

// lay buries once more and removes the tombstone; its marker goes last.
func (l *Ledger) lay(ctx context.Context, r *Record) error {
	if err := l.bury(ctx, r); err != nil {
		return err
	}
	return l.unmark(ctx, buriedKey(r), l.store.Delete(ctx, recordDir+r.ID))
}

// unmark removes a marker unless what had to come before failed.
func (l *Ledger) unmark(ctx context.Context, key string, before error) error {
	if before != nil {
		return before
	}
	return l.store.Delete(ctx, key)
}

// walkDue calls f with the records of a batch of due markers. Markers whose
// record is gone are removed.
func (l *Ledger) walkDue(ctx context.Context, dir string, edge time.Time, after string, most int, f func(b *Batch, key, id string, r *Record) error) (b Batch, err error) {
	keys, more, err := l.due(ctx, dir, edge, after, most)
	if err != nil {
		b.Next = after
		return b, err
	}
	var errs []error
	for _, k := range keys {
		b.Next = k.Key
		id := idOf(k.Key)
		if markerTime(dir, k.Key).IsZero() {
			continue
		}
		r, _, err := l.readAny(ctx, id)
		switch _, unreadable := errors.AsType[*RecordError](err); {
		case unreadable:
			b.Unreadable = append(b.Unreadable, id)
			continue
		case errors.Is(err, ErrUnknown):
			err = l.store.Delete(ctx, k.Key)
		case err == nil:
			err = f(&b, k.Key, id, r)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("job %s: %w", id, err))
		}
		if len(errs) == maxTries || ctx.Err() != nil {
			return b, errors.Join(append(errs, ctx.Err())...)
		}
	}
	if !more {
		b.Next = ""
	}
	return b, errors.Join(errs...)
}

// due lists at most most markers of minutes that are wholly before edge.
func (l *Ledger) due(ctx context.Context, dir string, edge time.Time, after string, most int) (keys []store.Info, more bool, err error) {
	keys, err = l.store.List(ctx, dir, after, most)
	end := minuteOf(dir, edge)
	for i, k := range keys {
		if k.Key >= end {
			return keys[:i], false, err
		}
	}
	return keys, len(keys) == most, err
}

// markerTime is the minute of a marker; the zero time for a key that is none.
func markerTime(dir, key string) time.Time {
	minute, id, _ := strings.Cut(key[len(dir):], "/")
	at, err := time.Parse(minuteForm, minute)
	if err != nil || !ValidID(id) {
		return time.Time{}
	}
	return at
}

// Behind is how long the oldest job that Expire would look at has been due; 0 if
// none is.
func (l *Ledger) Behind(ctx context.Context, olderThan time.Duration, now time.Time) (time.Duration, error) {
	edge := now.Add(-olderThan)
	keys, _, err := l.due(ctx, endedDir, edge, "", listPage)
	for _, k := range keys {
		if minute := markerTime(endedDir, k.Key); !minute.IsZero() {
			return edge.Sub(minute.Add(time.Minute)), nil
		}
	}
	return 0, err
}
