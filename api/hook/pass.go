package hook

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

// Pace of passes.
const (
	parallel = 16               // hosts told at the same time
	perPass  = 256              // hooks looked at in one pass
	hostTime = 10 * time.Second // one host's share of a pass; the rest waits for the next
	// lease is longer than a try takes with what comes before and after.
	lease      = time.Minute
	quiet      = 30 * time.Second // a host that did not answer gets no other hook before
	lookAgain  = time.Minute      // at a job that has neither ended nor its marker
	longest    = 10 * time.Minute // whatever is remembered, everything is looked at again after
	mostNudges = 10000
	// openDir holds a marker for each job that has not ended; see package job.
	openDir = "open/"
)

// Nudge says that a job has ended, so that its hook need not wait for its turn.
// It is quick and never blocks; jobs without a hook are fine.
func (h *Hooks) Nudge(jobID string) {
	h.mu.Lock()
	if len(h.nudged) < mostNudges {
		h.nudged[jobID] = true
	}
	h.mu.Unlock()
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// Run makes passes until ctx ends.
func (h *Hooks) Run(ctx context.Context) {
	tick := time.NewTicker(h.o.Every)
	defer tick.Stop()
	told := false
	for {
		if _, err := h.Pass(ctx); err != nil && ctx.Err() == nil {
			if !told {
				h.o.Log.Warn("hooks cannot be looked at", "error", err)
			}
			told = true
		} else {
			told = false
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-h.wake:
			// Jobs end in crowds; one look is enough for all that end within a moment.
			select {
			case <-ctx.Done():
				return
			case <-time.After(h.o.Every / 20):
			}
		}
	}
}

// Pass sends what is due and says how many hooks were taken. Its cost grows with
// the hooks of jobs that have ended; of the others only keys are listed. An error
// is the store's; everything it concerns is tried again by the next pass.
func (h *Hooks) Pass(ctx context.Context) (sent int, err error) {
	h.pass.Lock()
	defer h.pass.Unlock()
	var errs []error
	if err := h.recall(ctx); err != nil {
		errs = append(errs, err) // the others need not wait for it
	}
	ids, err := h.candidates(ctx)
	if err != nil {
		return 0, errors.Join(append(errs, fmt.Errorf("listing hooks: %w", err))...)
	}
	hosts := map[string][]*due{}
	for _, id := range ids {
		d, err := h.look(ctx, id)
		if err != nil {
			errs = append(errs, err)
			if ctx.Err() != nil {
				break
			}
		}
		if d != nil {
			hosts[d.url.Host] = append(hosts[d.url.Host], d)
		}
	}
	var (
		mu    sync.Mutex
		wait  sync.WaitGroup
		slots = make(chan struct{}, parallel)
	)
	for _, host := range slices.Sorted(maps.Keys(hosts)) {
		slots <- struct{}{}
		wait.Go(func() {
			defer func() { <-slots }()
			n, err := h.tell(ctx, host, hosts[host])
			mu.Lock()
			defer mu.Unlock()
			sent += n
			if err != nil {
				errs = append(errs, err)
			}
		})
	}
	wait.Wait()
	return sent, errors.Join(errs...)
}

// candidates lists hooks that may be due: of jobs that are not marked as open,
// or were nudged.
func (h *Hooks) candidates(ctx context.Context) ([]string, error) {
	h.mu.Lock()
	nudged := h.nudged
	h.nudged = map[string]bool{}
	h.mu.Unlock()
	now := h.o.Now()
	there := map[string]bool{}
	var ids []string
	for info, err := range store.All(ctx, h.o.Store, dir) {
		if err != nil {
			h.again(nudged)
			return nil, err
		}
		id := strings.TrimPrefix(info.Key, dir)
		there[id] = true
		if nudged[id] || !h.resting(id, now) {
			ids = append(ids, id)
		}
	}
	h.forget(there, now)
	if len(ids) == 0 {
		return nil, nil
	}
	open := map[string]bool{}
	for info, err := range store.All(ctx, h.o.Store, openDir) {
		if err != nil {
			h.again(nudged)
			return nil, err
		}
		open[strings.TrimPrefix(info.Key, openDir)] = true
	}
	ids = slices.DeleteFunc(ids, func(id string) bool { return open[id] && !nudged[id] })
	// Keys sort newest first; who waits longest goes first.
	slices.Reverse(ids)
	if len(ids) > perPass {
		for _, id := range ids[perPass:] {
			if nudged[id] {
				h.Nudge(id)
			}
		}
		ids = ids[:perPass]
	}
	return ids, nil
}

// again takes nudges back that nothing came of.
func (h *Hooks) again(nudged map[string]bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	maps.Copy(h.nudged, nudged)
}

func (h *Hooks) resting(id string, now time.Time) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return now.Before(h.rest[id])
}

// restUntil remembers that a hook needs no look before a time.
func (h *Hooks) restUntil(id string, until time.Time) {
	if most := h.o.Now().Add(longest); until.After(most) {
		until = most
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.rest[id] = until
}

// forget drops what is remembered of hooks that are gone and hosts that rested.
func (h *Hooks) forget(there map[string]bool, now time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	maps.DeleteFunc(h.rest, func(id string, _ time.Time) bool { return !there[id] })
	maps.DeleteFunc(h.done, func(id string, _ *record) bool { return !there[id] })
	maps.DeleteFunc(h.hosts, func(_ string, until time.Time) bool { return !now.Before(until) })
}

// due is a hook that can be sent.
type due struct {
	rec     *record
	version store.Version
	address address
	url     *url.URL
	job     *job.Record
}

// look reads a hook and its job, and returns it if it is due. An error is the
// store's.
func (h *Hooks) look(ctx context.Context, id string) (*due, error) {
	h.mu.Lock()
	wait, done := h.done[id]
	h.mu.Unlock()
	if done {
		return nil, h.settle(ctx, id, wait)
	}
	data, version, err := store.Read(ctx, h.o.Store, dir+id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, h.trouble(id, err)
	}
	now := h.o.Now()
	unreadable := func(err error) (*due, error) {
		h.o.Observe(Unreadable)
		h.o.Log.Error("hook cannot be read; a newer version or another key may have written it", "job", id, "error", err)
		h.restUntil(id, now.Add(longest))
		return nil, nil
	}
	r, err := decode(data)
	if err != nil {
		return unreadable(err)
	}
	until := r.Next
	if r.Lease.After(until) {
		until = r.Lease
	}
	if now.Before(until) {
		h.restUntil(id, until)
		return nil, nil
	}
	j, err := h.o.Ledger.Get(ctx, id)
	if errors.Is(err, job.ErrUnknown) {
		h.o.Observe(Dropped)
		h.o.Log.Info("hook dropped: its job was deleted", "job", id)
		return nil, h.settle(ctx, id, nil)
	}
	if _, is := errors.AsType[*job.RecordError](err); is {
		return unreadable(err)
	}
	if err != nil {
		return nil, h.trouble(id, err)
	}
	switch {
	case !r.End && !j.State.Ended():
		h.restUntil(id, now.Add(lookAgain))
		return nil, nil
	case r.End && len(j.Signoff) <= r.Told:
		return nil, h.settle(ctx, id, r)
	}
	a, err := h.sealer.get(r)
	if err != nil {
		return unreadable(err)
	}
	u, err := url.Parse(a.URL)
	if err != nil {
		return unreadable(errors.New("its address is damaged"))
	}
	return &due{rec: r, version: version, address: a, url: u, job: j}, nil
}

// trouble counts an error of the store.
func (h *Hooks) trouble(id string, err error) error {
	h.o.Observe(Trouble)
	return fmt.Errorf("hook of job %s: %w", id, err)
}

// settle deletes a record, after another that is to wait for a decision, if any,
// was put away. Until that is done this process does nothing else with it.
func (h *Hooks) settle(ctx context.Context, id string, wait *record) (err error) {
	if wait != nil {
		err = h.wait(ctx, wait)
	}
	if err == nil {
		if err = h.o.Store.Delete(ctx, dir+id); err != nil {
			err = h.trouble(id, err)
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if err == nil {
		delete(h.done, id)
		return nil
	}
	h.done[id] = wait
	return err
}
