package job

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"discsafe/worker/store"
)

// Claimant is a worker that wants a job.
type Claimant struct {
	Worker  string        // its name
	Version string        // of its program
	Token   string        // unlike any other claim's; the same when a claim is repeated after an unclear answer
	Lease   time.Duration // without a beat for so long, it may be taken for lost
}

// Hold is a claim on a job: the right to work on it, until another holds it.
//
// Whether a holder is lost is judged from its beats in two ways, and either is
// enough: the time it wrote is older than its lease, or this ledger has seen no
// new beat for the length of the lease by its own clock. So a holder whose clock
// runs ahead cannot keep a job for ever. One whose clock is behind may lose a
// job that it works on; it then finds itself fenced, and nothing is spoiled.
type Hold struct {
	ID      string
	Attempt int
	Record  *Record // as of the claim
	Taken   bool    // taken over from a worker that vanished

	l     *Ledger
	token string
}

// Claim takes a job to work on it. Errors that call for an answer to the queue:
// ErrUnknown (no such job: drop the message), *OverError (it has ended: the
// message is done with), *WaitError (ring again later), *RecordError (another
// version may understand it: ring again later). Others come from the store.
func (l *Ledger) Claim(ctx context.Context, id string, by Claimant) (*Hold, error) {
	if by.Worker == "" || by.Token == "" || by.Lease <= 0 {
		return nil, fmt.Errorf("claiming job %s: worker, token and lease are required", id)
	}
	h := &Hold{ID: id, l: l, token: by.Token}
	var ended Code
	r, err := l.change(ctx, id, func(r *Record) error {
		h.Taken, ended = false, ""
		now := l.stamp()
		switch {
		case r.State.Ended():
			return &OverError{ID: id, State: r.State, Code: r.Last().Code}
		case r.State == Running && r.Holder != nil && r.Holder.Token == by.Token:
			return errSame
		case r.State == Running:
			if wait := l.leaseLeft(r); wait > 0 {
				return &WaitError{ID: id, Why: "a worker holds it", Wait: wait}
			}
			h.Taken = true
			r.Losses++
		default:
			if wait := r.NotBefore.Sub(now); wait > 0 && wait <= maxWait {
				return &WaitError{ID: id, Why: "it rests after a failed attempt", Wait: wait}
			}
		}
		if seal, err := l.findSeal(ctx, r); err != nil {
			return err
		} else if seal != nil && r.Cancel == nil {
			ended = CodeFound
			return r.finish(seal, now, CodeFound, by.Worker)
		}
		switch {
		case r.Cancel != nil:
			ended = CodeCancelled
			return l.cancelled(r, r.Cancel.By)
		case r.Losses >= l.limits.Losses:
			ended = CodeWorkerLost
			why := Because(CodeWorkerLost, fmt.Sprintf("That happened %d times.", r.Losses))
			r.Reason = &why
			return r.move(Dead, now, CodeWorkerLost, "", by.Worker)
		}
		r.Attempt++
		code, text := CodeClaimed, ""
		if h.Taken {
			code, text = CodeWorkerLost, "taken over from "+r.Holder.Worker
		}
		if err := r.move(Running, now, code, text, by.Worker); err != nil {
			return err
		}
		r.Started, r.NotBefore, r.Progress = now, time.Time{}, nil
		r.Holder = &Holder{Worker: by.Worker, Version: by.Version, Token: by.Token, BeatAt: now, LeaseS: by.Lease.Seconds()}
		return nil
	})
	if err != nil {
		return nil, err
	}
	l.forget(id)
	if ended != "" {
		return nil, errors.Join(&OverError{ID: id, State: r.State, Now: true, Code: ended, Record: r}, ignoreTransient(l.close(ctx, r)))
	}
	h.Attempt, h.Record = r.Attempt, r
	return h, nil
}

// leaseLeft is how long the holder of a running job must still be waited for.
func (l *Ledger) leaseLeft(r *Record) time.Duration {
	if r.Holder == nil {
		return 0
	}
	now := l.now()
	lease := min(time.Duration(r.Holder.LeaseS*float64(time.Second)), maxWait)
	left := r.Holder.BeatAt.Add(lease).Sub(now)
	if left <= 0 {
		return 0
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	s, ok := l.seen[r.ID]
	if !ok || s.attempt != r.Attempt || s.beat != r.Holder.Beat {
		if len(l.seen) >= maxSeen {
			clear(l.seen) // costs one more lease of waiting
		}
		s = sighting{attempt: r.Attempt, beat: r.Holder.Beat, at: now}
		l.seen[r.ID] = s
	}
	return max(0, min(left, lease, lease-now.Sub(s.at)))
}

// maxSeen bounds what a ledger remembers of holders.
const maxSeen = 10000

func (l *Ledger) forget(id string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, id)
}

// edit changes the record while this hold is good.
func (h *Hold) edit(ctx context.Context, f func(*Record) error) (*Record, error) {
	r, err := h.l.change(ctx, h.ID, func(r *Record) error {
		if r.State != Running || r.Attempt != h.Attempt || r.Holder == nil || r.Holder.Token != h.token {
			return &FencedError{ID: h.ID, Attempt: h.Attempt, Now: r.Attempt, State: r.State}
		}
		return f(r)
	})
	if errors.Is(err, ErrUnknown) { // a job is only deleted once nobody holds it
		return nil, &FencedError{ID: h.ID, Attempt: h.Attempt}
	}
	return r, err
}

// end is edit for the last word of an attempt. Said twice, because the first
// answer was lost, it is taken once.
func (h *Hold) end(ctx context.Context, to State, code Code, f func(*Record) error) (*Record, error) {
	r, err := h.edit(ctx, f)
	if _, fenced := errors.AsType[*FencedError](err); fenced && r != nil {
		last := r.Last()
		said := last.To == to && last.Code == code || to != Done && last.Code == CodeCancelled
		if said && last.From == Running && last.Attempt == h.Attempt {
			err = nil
		}
	}
	if err != nil {
		return nil, err
	}
	if r.State.Ended() {
		return r, ignoreTransient(h.l.close(ctx, r))
	}
	return r, nil
}

// Beat says that the worker lives and how far it is. ErrCancelAsked if the job
// is to be cancelled, *FencedError if it is no longer held.
func (h *Hold) Beat(ctx context.Context, p Progress) error {
	r, err := h.edit(ctx, func(r *Record) error {
		r.Holder.Beat++
		r.Holder.BeatAt = h.l.stamp()
		r.Progress = &p
		return nil
	})
	if err == nil && r.Cancel != nil {
		return ErrCancelAsked
	}
	return err
}

// HandBack gives the job back unfinished through no fault of its own; nothing is
// burned. It may be claimed again after wait.
func (h *Hold) HandBack(ctx context.Context, why Reason, wait time.Duration) (*Record, error) {
	to := Accepted
	return h.end(ctx, to, why.Code, func(r *Record) error {
		if r.Cancel != nil {
			return h.l.cancelled(r, r.Cancel.By)
		}
		now := h.l.stamp()
		r.Reason, r.NotBefore = &why, now.Add(min(wait, maxWait))
		return r.move(Accepted, now, why.Code, why.Text, r.Holder.Worker)
	})
}

// Crash ends an attempt that broke down. The job is tried again after a wait, or
// is dead when it has crashed too often; the record says which.
func (h *Hold) Crash(ctx context.Context, why Reason) (*Record, error) {
	dead := h.Record.Crashes+1 >= h.l.limits.Crashes
	to := Accepted
	if dead {
		to = Dead
	}
	return h.end(ctx, to, why.Code, func(r *Record) error {
		if r.Cancel != nil {
			return h.l.cancelled(r, r.Cancel.By)
		}
		now := h.l.stamp()
		r.Crashes++
		r.Reason = &why
		if !dead {
			r.NotBefore = now.Add(min(h.l.limits.Backoff(r.Crashes), maxWait))
		}
		return r.move(to, now, why.Code, why.Text, r.Holder.Worker)
	})
}

// Fail ends the job for good: its input cannot be used.
func (h *Hold) Fail(ctx context.Context, why Reason) (*Record, error) {
	return h.end(ctx, Failed, why.Code, func(r *Record) error {
		r.Reason = &why
		return r.move(Failed, h.l.stamp(), why.Code, why.Text, r.Holder.Worker)
	})
}

// Stop ends the job because Beat said ErrCancelAsked.
func (h *Hold) Stop(ctx context.Context) (*Record, error) {
	return h.end(ctx, Cancelled, CodeCancelled, func(r *Record) error {
		by := ""
		if r.Cancel != nil {
			by = r.Cancel.By
		}
		return h.l.cancelled(r, by)
	})
}

// Discard removes what this attempt put into the store, after a *FencedError or
// a failure. A sealed result is left alone: whoever holds the job now may have
// found it. What is left is removed when the job ends (Ledger.Tidy).
func (h *Hold) Discard(ctx context.Context) error {
	if _, err := h.l.store.Stat(ctx, sealKey(h.ID, h.Attempt)); !errors.Is(err, store.ErrNotFound) {
		return err
	}
	return h.l.deleteAll(ctx, ResultKey(h.ID, h.Attempt, ""))
}

// SealSchema names the layout of a seal.
const SealSchema = "discsafe-seal/1"

// seal lists the complete result of an attempt.
type seal struct {
	Schema string    `json:"schema"`
	Job    string    `json:"job"`
	At     time.Time `json:"at"`
	Result
}

// Finish makes res the result of the job: sealed by put-if-absent, then, while
// this hold is good, entered in the record. Every file of res must be in the
// store. *FencedError if the job is no longer held: remove the files.
// ErrCancelAsked if cancelling was asked for before the last word: call Stop.
func (h *Hold) Finish(ctx context.Context, res Result) (*Record, error) {
	res.Attempt = h.Attempt
	s := &seal{Schema: SealSchema, Job: h.ID, At: h.l.stamp(), Result: res}
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("encoding the seal of job %s: %w", h.ID, err)
	}
	// Asked first, so that a worker fenced long ago leaves no seal behind.
	if _, err := h.edit(ctx, func(r *Record) error {
		if r.Cancel != nil {
			return ErrCancelAsked
		}
		return errSame
	}); err != nil {
		if _, fenced := errors.AsType[*FencedError](err); !fenced {
			return nil, err
		}
		// Perhaps by our own earlier word, whose answer was lost: end tells.
		return h.end(ctx, Done, CodeDone, func(*Record) error { return err })
	}
	if err := h.l.store.PutIfAbsent(ctx, sealKey(h.ID, h.Attempt), data); err != nil && !errors.Is(err, store.ErrExists) {
		return nil, err
	}
	return h.end(ctx, Done, CodeDone, func(r *Record) error {
		if r.Cancel != nil {
			return ErrCancelAsked
		}
		return r.finish(s, h.l.stamp(), CodeDone, r.Holder.Worker)
	})
}

func (r *Record) finish(s *seal, now time.Time, code Code, by string) error {
	res := s.Result
	r.Result, r.Reason = &res, nil
	return r.move(Done, now, code, "", by)
}

// findSeal returns the newest seal of earlier attempts since the last retry by
// hand, or nil. Attempts before that retry do not count: somebody wanted the
// work done again.
func (l *Ledger) findSeal(ctx context.Context, r *Record) (*seal, error) {
	first := 1
	for _, e := range r.History {
		if e.Code == CodeRetried {
			first = e.Attempt
		}
	}
	// A worker lost now may have sealed; so may one that handed back after an
	// unclear answer of the store. More than a few back nothing is worth asking.
	for n := r.Attempt; n >= max(first, r.Attempt-sealDepth); n-- {
		s, err := l.readSeal(ctx, r.ID, n)
		if err != nil || s != nil {
			return s, err
		}
	}
	return nil, nil
}

const sealDepth = 8

// readSeal returns a seal whose files are all there, or nil.
func (l *Ledger) readSeal(ctx context.Context, id string, attempt int) (*seal, error) {
	data, _, err := store.Read(ctx, l.store, sealKey(id, attempt))
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var s seal
	if json.Unmarshal(data, &s) != nil || s.Schema != SealSchema || s.Job != id || s.Attempt != attempt || len(s.Files) == 0 {
		return nil, nil // of another version, or damaged: the work is done again
	}
	for _, f := range s.Files {
		info, err := l.store.Stat(ctx, f.Key)
		if errors.Is(err, store.ErrNotFound) || err == nil && info.Size != f.Bytes {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
	}
	return &s, nil
}
