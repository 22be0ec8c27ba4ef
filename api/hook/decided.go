package hook

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

const (
	// waitDir holds the hooks whose job's end was taken, until an engineer decides.
	// Passes do not read them: a side may wait for weeks.
	waitDir = "hook-decision/"
	// sweepEvery is between looks at all that wait: for jobs that were deleted, and
	// for decisions that were noted nowhere because a process was killed.
	sweepEvery = 6 * time.Hour
	// recallEvery is between looks for decisions: people decide, people wait.
	recallEvery = 10 * time.Second
	// clockApart is how far the clocks of processes may differ; see job.Ledger.Decided.
	clockApart = 2 * time.Minute
)

// recall takes the hooks of sides that were decided about back among those that
// are sent. It reads few jobs: those of the ledger's notes since it last did, and
// at the start and every few hours all that wait. An error is the store's.
func (h *Hooks) recall(ctx context.Context) error {
	now := h.o.Now()
	if now.Sub(h.recalled) < recallEvery {
		return nil
	}
	all := now.Sub(h.swept) >= sweepEvery
	var ids []string
	if all {
		for info, err := range store.All(ctx, h.o.Store, waitDir) {
			if err != nil {
				return fmt.Errorf("listing hooks that wait for a decision: %w", err)
			}
			ids = append(ids, strings.TrimPrefix(info.Key, waitDir))
		}
	} else {
		decided, err := h.o.Ledger.Decided(ctx, now.Sub(h.recalled)+clockApart)
		if err != nil {
			return fmt.Errorf("listing decisions: %w", err)
		}
		ids = decided
	}
	var errs []error
	for _, id := range ids {
		if err := h.recallOne(ctx, id); err != nil {
			errs = append(errs, err)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return err // looked at again by the next pass
	}
	h.recalled = now
	if all {
		h.swept = now
	}
	return nil
}

// recallOne looks at one hook that waits, if there is one.
func (h *Hooks) recallOne(ctx context.Context, id string) error {
	data, _, err := store.Read(ctx, h.o.Store, waitDir+id)
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if err != nil {
		return h.trouble(id, err)
	}
	r, err := decode(data)
	if err != nil {
		h.o.Observe(Unreadable)
		h.o.Log.Error("hook that waits for a decision cannot be read; a newer version may have written it", "job", id, "error", err)
		return nil
	}
	j, err := h.o.Ledger.Get(ctx, id)
	switch _, unreadable := errors.AsType[*job.RecordError](err); {
	case errors.Is(err, job.ErrUnknown):
		h.o.Observe(Dropped)
		h.o.Log.Info("hook dropped: its job was deleted", "job", id)
		return h.unwait(ctx, id)
	case unreadable:
		return nil // the job's own trouble; told where jobs are read
	case err != nil:
		return h.trouble(id, err)
	case len(j.Signoff) <= r.Told:
		return nil
	}
	// It was put away as it is to be sent; see wait. One that is there was left by a
	// process that was killed: it says what it says again, under the same id, and
	// comes to the decision then.
	if err := h.o.Store.PutIfAbsent(ctx, dir+id, data); err != nil && !errors.Is(err, store.ErrExists) {
		return h.trouble(id, err)
	}
	h.again(map[string]bool{id: true})
	return h.unwait(ctx, id)
}

func (h *Hooks) unwait(ctx context.Context, id string) error {
	if err := h.o.Store.Delete(ctx, waitDir+id); err != nil {
		return h.trouble(id, err)
	}
	return nil
}

// wait puts a hook away until there is a decision, with all its tries anew. It is
// written before the other is removed, so that a process that is killed in between
// leaves one too many.
func (h *Hooks) wait(ctx context.Context, r *record) error {
	_, version, err := store.Read(ctx, h.o.Store, waitDir+r.Job)
	if errors.Is(err, store.ErrNotFound) {
		version, err = "", nil
	}
	if err == nil {
		r.Tries, r.Next, r.Lease = 0, time.Time{}, time.Time{}
		r.Rev++
		var data []byte
		if data, err = json.Marshal(r); err == nil {
			_, err = h.o.Store.Swap(ctx, waitDir+r.Job, version, data)
		}
	}
	if err != nil {
		return h.trouble(r.Job, err)
	}
	return nil
}
