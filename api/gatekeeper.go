package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

// pauseKey holds whether intake is paused, for all processes on the store.
const pauseKey = "setting/intake"

// How long what was found holds. A pause is obeyed everywhere within pauseAge.
const (
	pauseAge = 2 * time.Second
	diskAge  = 2 * time.Second
	countAge = 15 * time.Second
	fullAge  = 3 * time.Second // while the backlog is full: those refused come back
)

// gatekeeper decides whether new work is taken. It asks the store now and
// then, not for every request.
type gatekeeper struct {
	ledger *job.Ledger
	store  store.Store
	limits Limits
	now    func() time.Time

	mu       sync.Mutex
	pause    v1.Intake
	pauseAt  time.Time
	free     int64
	known    bool
	diskAt   time.Time
	open     int // jobs that have not ended, as last counted, and submissions since
	countAt  time.Time
	counts   job.Counts // of the reconciler
	countsAt time.Time
	asking   bool
}

func newGatekeeper(l *job.Ledger, st store.Store, lim Limits, now func() time.Time) *gatekeeper {
	return &gatekeeper{ledger: l, store: st, limits: lim, now: now}
}

// bytes answers whether files may be handed in.
func (g *gatekeeper) bytes(ctx context.Context) error { return g.check(ctx, false) }

// job answers whether a job may be submitted.
func (g *gatekeeper) job(ctx context.Context) error { return g.check(ctx, true) }

func (g *gatekeeper) check(ctx context.Context, jobs bool) error {
	if err := g.refresh(ctx); err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case g.pause.Paused:
		return v1.NewProblem(v1.Paused, g.pause.Why).After(time.Minute)
	case g.known && g.free < g.limits.MinFreeBytes:
		return v1.NewProblem(v1.DiskFull, "").After(time.Minute)
	case jobs && g.open >= g.limits.Backlog:
		return v1.NewProblem(v1.BacklogFull, fmt.Sprintf("%d jobs wait or run, which is the most", g.open)).After(30 * time.Second)
	}
	return nil
}

// paused answers whether intake is paused, asking if what is known is old.
func (g *gatekeeper) paused(ctx context.Context) (bool, error) {
	g.mu.Lock()
	age := g.now().Sub(g.pauseAt)
	old := g.pauseAt.IsZero() || age >= pauseAge || age < 0
	g.mu.Unlock()
	if old {
		if err := g.askPause(ctx); err != nil {
			return false, err
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.pause.Paused, nil
}

// submitted counts a new job.
func (g *gatekeeper) submitted() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.open++
}

func (g *gatekeeper) told(c job.Counts) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	g.open, g.countAt = c.Open, now
	g.counts, g.countsAt = c, now
}

// refresh asks again for what is too old. Only the first request of a process
// waits for it; others go by what is known while one asks.
func (g *gatekeeper) refresh(ctx context.Context) error {
	g.mu.Lock()
	now := g.now()
	old := func(at time.Time, age time.Duration) bool { return at.IsZero() || now.Sub(at) >= age || now.Before(at) }
	most := countAge
	if g.open >= g.limits.Backlog {
		most = fullAge
	}
	pause, disk, count := old(g.pauseAt, pauseAge), old(g.diskAt, diskAge), old(g.countAt, most)
	first := g.countAt.IsZero()
	if !pause && !disk && !count || g.asking && !first {
		g.mu.Unlock()
		return nil
	}
	g.asking = true
	g.mu.Unlock()
	defer func() {
		g.mu.Lock()
		g.asking = false
		g.mu.Unlock()
	}()
	if disk {
		g.askDisk(ctx)
	}
	if pause {
		if err := g.askPause(ctx); err != nil {
			return err
		}
	}
	if count {
		return g.askCount(ctx)
	}
	return nil
}

func (g *gatekeeper) askDisk(ctx context.Context) {
	free, known := g.store.Free(ctx)
	g.mu.Lock()
	defer g.mu.Unlock()
	g.free, g.known, g.diskAt = free, known, g.now()
}

func (g *gatekeeper) askPause(ctx context.Context) error {
	p, _, err := g.readPause(ctx)
	if err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.pause, g.pauseAt = p, g.now()
	return nil
}

func (g *gatekeeper) askCount(ctx context.Context) error {
	n, err := g.ledger.CountOpen(ctx, g.limits.Backlog+1)
	if err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.open, g.countAt = n, g.now()
	return nil
}

func (g *gatekeeper) readPause(ctx context.Context) (v1.Intake, store.Version, error) {
	data, v, err := store.Read(ctx, g.store, pauseKey)
	if isNotFound(err) {
		return v1.Intake{}, "", nil
	}
	if err != nil {
		return v1.Intake{}, "", err
	}
	var p v1.Intake
	if err := json.Unmarshal(data, &p); err != nil {
		return p, v, fmt.Errorf("%s is damaged: %w; pause or resume intake to write it anew", pauseKey, err)
	}
	return p, v, nil
}

// setPause pauses or resumes intake for all processes on the store.
func (g *gatekeeper) setPause(ctx context.Context, p v1.Intake) error {
	data, err := json.Marshal(p)
	if err != nil {
		return err
	}
	for range 10 {
		_, v, err := store.Read(ctx, g.store, pauseKey)
		if err != nil && !isNotFound(err) {
			return err
		}
		_, err = g.store.Swap(ctx, pauseKey, v, data)
		if errors.Is(err, store.ErrConflict) {
			continue
		}
		if err != nil {
			return err
		}
		g.mu.Lock()
		defer g.mu.Unlock()
		g.pause, g.pauseAt = p, g.now()
		return nil
	}
	return job.ErrBusy
}

// state is what an operator is shown.
func (g *gatekeeper) state(ctx context.Context) (v1.Intake, v1.JobCounts, *v1.Disk, error) {
	if err := g.refresh(ctx); err != nil {
		return v1.Intake{}, v1.JobCounts{}, nil, err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	c := v1.JobCounts{Open: g.open, Most: g.limits.Backlog}
	if !g.countsAt.IsZero() {
		c.Waiting, c.Running, c.Lost, c.OldestS = g.counts.Waiting, g.counts.Running, g.counts.Lost, g.counts.Oldest.Seconds()
	}
	var d *v1.Disk
	if g.known {
		d = &v1.Disk{FreeBytes: g.free, LeastBytes: max(0, g.limits.MinFreeBytes)}
	}
	return g.pause, c, d, nil
}
