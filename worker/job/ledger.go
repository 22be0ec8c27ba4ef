package job

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"strings"
	"sync"
	"time"

	"discsafe/worker/store"
)

// Limits say how often a job is tried.
type Limits struct {
	Crashes int // attempts that may crash before the job is dead; 0: 3
	Losses  int // attempts that may lose their worker before the job is dead; 0: 5
	// Backoff is the wait after the nth crash, from 1; nil: 10 s, 40 s, 160 s and so on up to 10 minutes.
	Backoff func(n int) time.Duration
}

// maxWait bounds every wait: a record whose clock was wrong must not hold a job
// back for days.
const maxWait = 10 * time.Minute

func (l Limits) withDefaults() Limits {
	if l.Crashes <= 0 {
		l.Crashes = 3
	}
	if l.Losses <= 0 {
		l.Losses = 5
	}
	if l.Backoff == nil {
		l.Backoff = func(n int) time.Duration {
			d := 10 * time.Second
			for ; n > 1 && d < maxWait; n-- {
				d *= 4
			}
			return min(d, maxWait)
		}
	}
	return l
}

// Config says how a Ledger works. Store and Now are required.
type Config struct {
	Store   store.Store
	Now     func() time.Time
	Limits  Limits
	Random  io.Reader     // for IDs; nil: crypto/rand
	KeepKey time.Duration // how long an idempotency key is remembered; 0: 7 days
}

// Ledger keeps the records of jobs. It may be used from many goroutines, and
// several ledgers in several processes may share a store.
type Ledger struct {
	store   store.Store
	now     func() time.Time
	limits  Limits
	random  io.Reader
	keepKey time.Duration

	mu   sync.Mutex // guards random and seen
	seen map[string]sighting
}

// sighting is a holder's last sign of life as this ledger saw it, by its own
// clock.
type sighting struct {
	attempt int
	beat    int64
	at      time.Time
}

// NewLedger makes a ledger. It reads and writes nothing yet.
func NewLedger(c Config) (*Ledger, error) {
	if c.Store == nil || c.Now == nil {
		return nil, errors.New("ledger: Store and Now are required")
	}
	l := &Ledger{store: c.Store, now: c.Now, limits: c.Limits.withDefaults(), random: c.Random, keepKey: c.KeepKey, seen: map[string]sighting{}}
	if l.random == nil {
		l.random = rand.Reader
	}
	if l.keepKey <= 0 {
		l.keepKey = 7 * 24 * time.Hour
	}
	return l, nil
}

// Keys in the store; see the package comment.
const (
	recordDir = "record/"
	openDir   = "open/"
	studioDir = "studio/"
	idemDir   = "idem/"
	resultDir = "result/"
	sealDir   = "seal/"
	// revisionDir holds a marker for each job of a chain but the first.
	revisionDir = "revision/"
	// newsDir notes decisions; see Decided.
	newsDir = "news/"
	// endedDir and buriedDir are what retention walks; see Expire and Lay.
	endedDir  = "ended/"
	buriedDir = "buried/"
)

// minuteForm is the minute, UTC, that keys begin with which sort by time.
const minuteForm = "200601021504"

// minuteOf is where the keys of a minute begin in such a dir.
func minuteOf(dir string, at time.Time) string { return dir + at.UTC().Format(minuteForm) }

// ResultKey is where a file of an attempt's result lies.
func ResultKey(id string, attempt int, name string) string {
	return fmt.Sprintf("%s%s/%06d/%s", resultDir, id, attempt, name)
}

func sealKey(id string, attempt int) string { return fmt.Sprintf("%s%s/%06d", sealDir, id, attempt) }

func studioKey(studio, id string) string { return studioDir + studio + "/" + id }

func revisionKey(root, id string) string { return revisionDir + root + "/" + id }

// mark makes a marker; one that is there already is fine.
func (l *Ledger) mark(ctx context.Context, key string) error {
	err := l.store.PutIfAbsent(ctx, key, []byte("1\n"))
	if errors.Is(err, store.ErrExists) {
		return nil
	}
	return err
}

// Get returns the record of a job. Errors: ErrUnknown, which is also a
// *DeletedError if the job was deleted not long ago; *RecordError; the store's.
func (l *Ledger) Get(ctx context.Context, id string) (*Record, error) {
	r, _, err := l.read(ctx, id)
	return r, err
}

// read gives no tombstones.
func (l *Ledger) read(ctx context.Context, id string) (*Record, store.Version, error) {
	r, v, err := l.readAny(ctx, id)
	if err == nil && r.Deleted != nil {
		return nil, "", &DeletedError{ID: id, Studio: r.Request.Studio, At: r.Deleted.At, By: r.Deleted.By}
	}
	return r, v, err
}

func (l *Ledger) readAny(ctx context.Context, id string) (*Record, store.Version, error) {
	if !ValidID(id) {
		return nil, "", fmt.Errorf("job %.40q: %w", id, ErrUnknown)
	}
	data, v, err := store.Read(ctx, l.store, recordDir+id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, "", fmt.Errorf("job %s: %w", id, ErrUnknown)
	}
	if err != nil {
		return nil, "", err
	}
	r, err := decodeRecord(id, data)
	return r, v, err
}

// errSame ends a change without writing: the record is already as wanted.
var errSame = errors.New("already so")

// maxTries bounds the compare-and-set of one change. Records are changed by one
// worker and now and then by a person; more conflicts than this are a storm.
const maxTries = 20

// change reads a record, lets edit alter it, and writes it if nobody else did
// meanwhile; else again. edit may run several times. It returns the record as
// it now is.
func (l *Ledger) change(ctx context.Context, id string, edit func(*Record) error) (*Record, error) {
	return l.changeBy(ctx, id, l.read, edit)
}

// changeAny is change, also of a tombstone.
func (l *Ledger) changeAny(ctx context.Context, id string, edit func(*Record) error) (*Record, error) {
	return l.changeBy(ctx, id, l.readAny, edit)
}

func (l *Ledger) changeBy(ctx context.Context, id string, read func(context.Context, string) (*Record, store.Version, error), edit func(*Record) error) (*Record, error) {
	for range maxTries {
		r, v, err := read(ctx, id)
		if err != nil {
			return nil, err
		}
		if err := edit(r); errors.Is(err, errSame) {
			return r, nil
		} else if err != nil {
			return r, err
		}
		r.Rev++
		data, err := r.encode()
		if err != nil {
			return nil, err
		}
		_, err = l.store.Swap(ctx, recordDir+id, v, data)
		switch {
		case err == nil:
			return r, nil
		case errors.Is(err, store.ErrConflict):
			// Either somebody else was faster, or a driver repeated a write that had come through.
			if l.holds(ctx, id, data) {
				return r, nil
			}
		case l.holds(ctx, id, data):
			return r, nil // the answer was lost, the write was not
		default:
			return nil, err
		}
	}
	return nil, fmt.Errorf("job %s: %w", id, ErrBusy)
}

// holds reports whether the record is exactly data. Rev makes that unmistakable
// only together with who wrote it; two writers of the same bytes want the same.
func (l *Ledger) holds(ctx context.Context, id string, data []byte) bool {
	got, _, err := store.Read(ctx, l.store, recordDir+id)
	return err == nil && bytes.Equal(got, data)
}

// close hands a job that has ended over from the walk of the reconciler to that
// of retention: it gets the marker of the one before it loses that of the other.
// Should a retry open the job again meanwhile, its marker is put back.
func (l *Ledger) close(ctx context.Context, ended *Record) error {
	id := ended.ID
	if ended.Standing() != Approved { // reopening marks it
		if err := l.mark(ctx, endedKey(ended)); err != nil {
			return err
		}
	}
	if err := l.store.Delete(ctx, openDir+id); err != nil {
		return err
	}
	r, err := l.Get(ctx, id)
	_, deleted := errors.AsType[*DeletedError](err)
	if deleted {
		err = nil // perhaps not to the end: the reconciler looks again
	} else if errors.Is(err, ErrUnknown) {
		return nil
	}
	if err != nil || deleted || !r.State.Ended() {
		return errors.Join(err, l.mark(ctx, openDir+id))
	}
	return nil
}

// Cancel asks for a job to be cancelled. A job that waits is cancelled at once;
// one that runs when its worker next shows life, seconds later. Cancelling
// what is cancelled already is fine. Errors: ErrUnknown, *StateError.
func (l *Ledger) Cancel(ctx context.Context, id, by string) (*Record, error) {
	r, err := l.change(ctx, id, func(r *Record) error {
		switch r.State {
		case Cancelled:
			return errSame
		case Accepted:
			return l.cancelled(r, by)
		case Running:
			if r.Cancel != nil {
				return errSame
			}
			r.Cancel = &Ask{At: l.stamp(), By: by}
			return nil
		}
		return &StateError{ID: id, State: r.State, Want: "be cancelled"}
	})
	if err != nil {
		return nil, err
	}
	if r.State.Ended() {
		// The marker is of no more use; if it stays, the reconciler removes it.
		return r, ignoreTransient(l.close(ctx, r))
	}
	return r, nil
}

func (l *Ledger) cancelled(r *Record, by string) error {
	why := Because(CodeCancelled, "")
	r.Reason = &why
	return r.move(Cancelled, l.stamp(), CodeCancelled, "", by)
}

// Retry puts a job that failed, was cancelled or is dead back to the start,
// with its counts at zero and a new attempt number. The caller rings the bell. Errors: ErrUnknown,
// *StateError; *LockedError if it is approved.
func (l *Ledger) Retry(ctx context.Context, id, by string) (*Record, error) {
	if _, err := l.Get(ctx, id); err != nil {
		return nil, err
	}
	if err := l.mark(ctx, openDir+id); err != nil {
		return nil, err
	}
	r, err := l.change(ctx, id, func(r *Record) error {
		if r.Standing() == Approved {
			return r.Locked("be retried")
		}
		if !May(r.State, Accepted) || !r.State.Ended() {
			return &StateError{ID: id, State: r.State, Want: "be retried"}
		}
		r.Crashes, r.Losses, r.Reason, r.Started = 0, 0, nil, time.Time{}
		r.Attempt++ // a new ring for the broker, and a fence against everybody from before
		return r.move(Accepted, l.stamp(), CodeRetried, "", by)
	})
	_, state := errors.AsType[*StateError](err)
	_, locked := errors.AsType[*LockedError](err)
	if state || locked {
		if r.State.Ended() { // a finished job must not stay marked as open
			return nil, errors.Join(err, ignoreTransient(l.close(ctx, r)))
		}
		return nil, err
	}
	if err != nil {
		return nil, err
	}
	// Once more: a reconciler may have removed the marker before the job was open again.
	return r, l.mark(ctx, openDir+id)
}

// ignoreTransient drops errors of the store that mend themselves: what was to be
// tidied is tidied later by the reconciler.
func ignoreTransient(err error) error {
	if store.Transient(err) {
		return nil
	}
	return err
}

// stamp is the time as it stands in records.
func (l *Ledger) stamp() time.Time { return l.now().UTC().Truncate(time.Millisecond) }

func (l *Ledger) deleteAll(ctx context.Context, prefix string) error {
	for o, err := range l.all(ctx, prefix) {
		if err != nil {
			return err
		}
		if err := l.store.Delete(ctx, o.Key); err != nil {
			return err
		}
	}
	return nil
}

// Tidy removes what attempts of an ended job left in the store, but for its
// result. Attempts made after r was read are not touched.
func (l *Ledger) Tidy(ctx context.Context, r *Record) error {
	if !r.State.Ended() {
		return &StateError{ID: r.ID, State: r.State, Want: "be tidied up"}
	}
	keep := 0
	if r.Result != nil {
		keep = r.Result.Attempt
	}
	for _, prefix := range []string{sealDir + r.ID + "/", resultDir + r.ID + "/"} {
		for o, err := range l.all(ctx, prefix) {
			if err != nil {
				return err
			}
			number, _, _ := strings.Cut(strings.TrimPrefix(o.Key, prefix), "/")
			n, err := strconv.Atoi(number)
			if err != nil || n == keep || n > r.Attempt {
				continue
			}
			if err := l.store.Delete(ctx, o.Key); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *Ledger) all(ctx context.Context, prefix string) iter.Seq2[store.Info, error] {
	return store.All(ctx, l.store, prefix)
}

func isNotFound(err error) bool { return errors.Is(err, store.ErrNotFound) }

func idOf(key string) string { return key[strings.LastIndexByte(key, '/')+1:] }
