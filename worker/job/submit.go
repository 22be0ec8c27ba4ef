package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"discsafe/worker/store"
)

// idem is what an idempotency key stands for.
type idem struct {
	ID          string    `json:"id"`
	Fingerprint string    `json:"fingerprint"`
	At          time.Time `json:"at"`
}

// Submit stores a job; when it returns without an error, the job will end in
// one of the ends, whatever happens to broker and workers. The caller then
// rings the bell; if that fails, the reconciler rings later.
//
// key, if not empty, is the studio's idempotency key: the same key and request
// again, also at the same time and also after a crash in between, give the same
// job, and replayed says so. The same key with another request is a *KeyError,
// and if the job was deleted meanwhile, a *DeletedError: it is not made anew.
// Other errors: *RequestError, the store's.
func (l *Ledger) Submit(ctx context.Context, key string, req Request) (_ *Record, replayed bool, err error) {
	if req.Lane == "" {
		req.Lane = Express
	}
	if err := req.validate(); err != nil {
		return nil, false, err
	}
	if req.Kind == Prepare {
		req.Kind = ""
	}
	if len(key) > maxKeyBytes {
		return nil, false, &RequestError{Faults: []string{fmt.Sprintf("idempotency key: %d bytes, at most %d", len(key), maxKeyBytes)}}
	}
	l.mu.Lock()
	id, err := newID(l.now(), l.random)
	l.mu.Unlock()
	if err != nil {
		return nil, false, err
	}
	if key != "" {
		if id, err = l.bind(ctx, key, id, &req); err != nil {
			return nil, false, err
		}
	}
	// Who makes the record is told that the job is new, and nobody else, whoever
	// tied the key.
	r, made, err := l.create(ctx, id, req)
	if err != nil {
		return nil, false, err
	}
	// The job is safe; that the earlier one does not know of it yet is no reason to
	// tell the client that there is none. Rebuild mends it.
	_ = l.point(ctx, r)
	return r, !made, nil
}

// Keyed says whether a studio's idempotency key has made a job and is still
// remembered.
func (l *Ledger) Keyed(ctx context.Context, studio, key string) (bool, error) {
	is, _, err := l.tie(ctx, keyAt(studio, key))
	if is == nil || err != nil {
		return false, err
	}
	// The key is tied before the record is made.
	switch _, err := l.Get(ctx, is.ID); {
	case err == nil:
		return true, nil
	case errors.Is(err, ErrUnknown):
		return false, nil
	default:
		return false, err
	}
}

// keyAt is where an idempotency key lies.
func keyAt(studio, key string) string {
	sum := sha256.Sum256([]byte(key))
	return idemDir + studio + "/" + hex.EncodeToString(sum[:])
}

// tie reads what a key is tied to: nil if it is free, or was tied so long ago
// that it counts as free.
func (l *Ledger) tie(ctx context.Context, at string) (*idem, store.Version, error) {
	data, v, err := store.Read(ctx, l.store, at)
	if errors.Is(err, store.ErrNotFound) {
		return nil, v, nil
	}
	if err != nil {
		return nil, v, err
	}
	var is idem
	if err := json.Unmarshal(data, &is); err != nil || !ValidID(is.ID) {
		return nil, v, &RecordError{ID: at, Detail: "is a damaged idempotency key", Err: err}
	}
	if l.now().Sub(is.At) > l.keepKey {
		return nil, v, nil
	}
	return &is, v, nil
}

// bind ties a key to an ID, or returns the ID it is tied to.
func (l *Ledger) bind(ctx context.Context, key, id string, req *Request) (string, error) {
	at := keyAt(req.Studio, key)
	mine := idem{ID: id, Fingerprint: req.Fingerprint(), At: l.stamp()}
	data, err := json.Marshal(mine)
	if err != nil {
		return "", fmt.Errorf("encoding an idempotency key: %w", err)
	}
	for range maxTries {
		is, v, err := l.tie(ctx, at)
		switch {
		case err != nil:
			return "", err
		case is != nil && is.Fingerprint != mine.Fingerprint:
			return "", &KeyError{ID: is.ID}
		case is != nil:
			return is.ID, nil
		}
		// An unclear answer is cleared up by reading again.
		if _, err = l.store.Swap(ctx, at, v, data); err == nil {
			return id, nil
		}
		if !errors.Is(err, store.ErrConflict) {
			return "", err
		}
	}
	return "", fmt.Errorf("idempotency key: %w", ErrBusy)
}

// create writes the record of a new job, or returns the one that is there. The
// marker comes first: a record without one would be found by nobody if the
// process ended here.
func (l *Ledger) create(ctx context.Context, id string, req Request) (_ *Record, made bool, err error) {
	if r, err := l.Get(ctx, id); err == nil {
		return r, false, nil
	} else if _, deleted := errors.AsType[*DeletedError](err); deleted || !errors.Is(err, ErrUnknown) {
		return nil, false, err
	}
	if err := l.mark(ctx, openDir+id); err != nil {
		return nil, false, err
	}
	if err := l.mark(ctx, studioKey(req.Studio, id)); err != nil {
		return nil, false, err
	}
	if req.Root != "" {
		if err := l.mark(ctx, revisionKey(req.Root, id)); err != nil {
			return nil, false, err
		}
	}
	now := l.stamp()
	r := &Record{Schema: Schema, ID: id, Rev: 1, Request: req, Accepted: now}
	if err := r.move(Accepted, now, CodeSubmitted, "", req.By); err != nil {
		return nil, false, err
	}
	data, err := r.encode()
	if err != nil {
		return nil, false, err
	}
	_, err = l.store.Swap(ctx, recordDir+id, "", data)
	// Only an unclear answer is cleared up by what is there: another's record of the
	// same moment has the same bytes.
	conflict := errors.Is(err, store.ErrConflict)
	if err == nil || !conflict && l.holds(ctx, id, data) {
		return r, true, nil
	}
	if conflict {
		r, err := l.Get(ctx, id)
		return r, false, err
	}
	return nil, false, err
}
