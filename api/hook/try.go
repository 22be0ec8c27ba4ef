package hook

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"discsafe/worker/store"
)

// tell sends the hooks of one host, one after the other. It stops when the host
// does not answer, or has had its share: neither burns a try of the rest.
func (h *Hooks) tell(ctx context.Context, host string, all []*due) (sent int, err error) {
	h.mu.Lock()
	rest := h.hosts[host]
	h.mu.Unlock()
	began := time.Now() // of this machine: it bounds real waiting
	var errs []error
	for _, d := range all {
		if ctx.Err() != nil {
			break
		}
		now := h.o.Now()
		if now.Before(rest) {
			h.restUntil(d.rec.Job, rest)
			continue
		}
		if time.Since(began) > hostTime {
			// Those behind it in the next pass may belong to others.
			h.restUntil(d.rec.Job, now.Add(hostTime))
			continue
		}
		a, tried, err := h.try(ctx, d)
		if err != nil {
			errs = append(errs, err)
		}
		if tried && a.taken() {
			sent++
		}
		if tried && a.err != nil {
			rest = h.o.Now().Add(quiet)
			h.mu.Lock()
			h.hosts[host] = rest
			h.mu.Unlock()
		}
	}
	return sent, errors.Join(errs...)
}

// try claims a hook, sends it and notes what came of it. An error is the
// store's.
func (h *Hooks) try(ctx context.Context, d *due) (a answer, tried bool, err error) {
	id := d.rec.Job
	key, kerr := keyOf(d.address.Secret)
	u, uerr := h.target(d.address.URL)
	msg, body, merr := h.message(d.job, d.rec)
	if err := errors.Join(kerr, merr); err != nil {
		h.o.Observe(Unreadable)
		h.restUntil(id, h.o.Now().Add(longest))
		h.o.Log.Error("hook cannot be made", "job", id, "error", err)
		return answer{}, false, nil
	}
	next := *d.rec
	next.Rev++
	next.Tries++
	next.Lease = h.o.Now().UTC().Add(lease)
	version, err := h.swap(ctx, d.version, &next)
	if errors.Is(err, store.ErrConflict) || errors.Is(err, store.ErrNotFound) {
		return answer{}, false, nil // another process was quicker
	}
	if err != nil {
		return answer{}, false, h.trouble(id, err)
	}
	if uerr != nil {
		a = answer{err: uerr} // was allowed when it was added
	} else {
		a = h.post(ctx, u, key, msg, body)
	}
	// What was sent must be noted, also while stopping.
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), tryTime)
	defer cancel()
	if ctx.Err() != nil && a.err != nil {
		next.Tries-- // cut off by us: not the receiver's fault
		return a, false, h.put(last, version, &next, time.Time{})
	}
	return a, true, h.note(last, d, version, &next, a)
}

// note does what an answer asks for.
func (h *Hooks) note(ctx context.Context, d *due, version store.Version, r *record, a answer) error {
	attrs := []any{"job", r.Job, "host", d.url.Host, "try", r.Tries, "answer", a.String()}
	switch {
	case a.taken():
		h.o.Observe(Sent)
		h.o.Log.Info("hook taken", attrs...)
		return h.taken(ctx, d, version, r)
	case a.err == nil && a.status == http.StatusGone:
		h.o.Observe(Gone)
		h.o.Log.Info("hook not wanted any more", attrs...)
		return h.settle(ctx, r.Job, nil)
	case r.Tries > len(h.o.Backoff):
		h.o.Observe(GivenUp)
		h.o.Log.Warn("hook given up", attrs...)
		return h.settle(ctx, r.Job, nil)
	}
	result := Retry
	if errors.Is(a.err, errInside) {
		result = Refused
	}
	next := h.o.Now().UTC().Add(max(h.o.Backoff[r.Tries-1], a.after))
	h.o.Observe(result)
	h.o.Log.Info("hook not taken", append(attrs, "next", next)...)
	return h.put(ctx, version, r, next)
}

// taken goes on to what is to be told next: a decision that is there, one that may
// come, or nothing.
func (h *Hooks) taken(ctx context.Context, d *due, version store.Version, r *record) error {
	if !r.Decisions || !d.job.Request.Prepares() {
		return h.settle(ctx, r.Job, nil)
	}
	if r.End {
		r.Told++
	}
	r.End = true
	if len(d.job.Signoff) <= r.Told {
		return h.settle(ctx, r.Job, r)
	}
	r.Tries = 0
	return h.put(ctx, version, r, h.o.Now().UTC())
}

// put ends a claim and says when the next try is due. Whoever has taken the
// record over meanwhile knows better.
func (h *Hooks) put(ctx context.Context, version store.Version, r *record, next time.Time) error {
	r.Rev++
	r.Next, r.Lease = next, time.Time{}
	_, err := h.swap(ctx, version, r)
	if err == nil {
		h.restUntil(r.Job, next)
		return nil
	}
	if errors.Is(err, store.ErrConflict) || errors.Is(err, store.ErrNotFound) {
		return nil
	}
	return h.trouble(r.Job, err)
}

func (h *Hooks) swap(ctx context.Context, old store.Version, r *record) (store.Version, error) {
	data, err := json.Marshal(r)
	if err != nil {
		return "", fmt.Errorf("writing a hook: %w", err)
	}
	return h.o.Store.Swap(ctx, dir+r.Job, old, data)
}
