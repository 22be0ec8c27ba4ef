package worker

import (
	"context"
	"errors"
	"sync"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/queue"
)

// every calls f, then again each time d has passed, until f returns false or
// the returned function is called, which waits for it to end.
func (w *Worker) every(ctx context.Context, d time.Duration, f func(context.Context) bool) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-ctx.Done():
				return
			case <-w.o.Clock.After(d):
			}
			if ctx.Err() != nil || !f(ctx) {
				return
			}
		}
	}()
	return func() { cancel(); <-done }
}

// keepMessage tells the queue that the message is in good hands. Failing is no
// reason to stop: should the message come to somebody else, the beats of the
// record keep him waiting.
func (w *Worker) keepMessage(ctx context.Context, d queue.Delivery) (stop func()) {
	told := false
	return w.every(ctx, w.o.AckWait/3, func(context.Context) bool {
		err := d.InProgress()
		if errors.Is(err, queue.ErrSettled) {
			return false
		}
		if err != nil && !told {
			w.o.Log.Warn("the queue does not hear that a job is in progress", "worker", w.o.Name, "job", d.Message().JobID, "error", err)
		}
		told = err != nil
		return true
	})
}

// keepRecord beats until the attempt is over, and ends it when the record says
// that it must end. A store that does not answer is no reason to stop: while it
// does not answer, nobody else can take the job.
func (a *attempt) keepRecord(ctx context.Context, end context.CancelCauseFunc) (stop func()) {
	told := false
	return a.w.every(ctx, a.w.o.Lease/10, func(ctx context.Context) bool {
		err := a.hold.Beat(ctx, a.progress.now())
		_, fenced := errors.AsType[*job.FencedError](err)
		_, unreadable := errors.AsType[*job.RecordError](err)
		switch {
		case err == nil:
			told = false
			return true
		case ctx.Err() != nil:
			return false
		case fenced, unreadable, errors.Is(err, job.ErrCancelAsked), errors.Is(err, job.ErrUnknown):
			end(err)
			return false
		}
		if !told {
			told = true
			a.w.o.Log.Warn("the record does not hear that a job is alive", "worker", a.w.o.Name, "job", a.hold.ID, "attempt", a.hold.Attempt, "error", err)
		}
		return true
	})
}

// gauge is the progress of an attempt, told from several goroutines.
type gauge struct {
	mu    sync.Mutex
	clock queue.Clock
	began time.Time
	p     job.Progress
}

// Shares of an attempt, as they fall out on ordinary sides.
const (
	shareBrought  = 0.05
	sharePrepared = 0.95
)

func (g *gauge) now() job.Progress {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.p
}

// step tells how far bringing or storing is.
func (g *gauge) step(name string, fraction, share float64) {
	g.set(job.Progress{Step: name, Fraction: fraction, Share: share})
}

func (g *gauge) pass(p Pass) {
	of := max(p.Of, p.Number, 1)
	share := (float64(max(p.Number, 1)-1) + p.Fraction) / float64(of)
	g.set(job.Progress{Step: "preparing", Pass: p.Name, PassNumber: p.Number, Passes: p.Of, Fraction: p.Fraction, RealTime: p.RealTime,
		Share: shareBrought + share*(sharePrepared-shareBrought)})
}

// passes sees where one pass ends and the next begins.
type passes struct {
	mu    sync.Mutex
	now   Pass // the last word heard of the pass under way; number 0: none
	began time.Time
}

// hear takes a word of progress and returns the pass that has ended with it.
func (w *passes) hear(p Pass, now time.Time) (ended Pass, took time.Duration, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	old, began := w.now, w.began
	switch {
	case p.Number > old.Number:
		w.now, w.began = p, now
		// Without its last word: the next one has begun, so it did end.
		ok = old.Number > 0 && old.Fraction < 1
		if !ok && p.Fraction >= 1 {
			return p, 0, true
		}
		return old, now.Sub(began), ok
	case p.Number == old.Number && old.Fraction < 1:
		if p.RealTime == 0 {
			p.RealTime = old.RealTime // not told every time
		}
		w.now = p
		return p, now.Sub(began), p.Fraction >= 1
	}
	return p, 0, false
}

// pass is told by the runner how far it is.
func (a *attempt) pass(p Pass) {
	a.progress.pass(p)
	if done, took, ok := a.passes.hear(p, a.w.o.Clock.Now()); ok {
		q := &a.hold.Record.Request
		a.w.o.Observe(Event{Kind: Passed, Job: a.hold.ID, Lane: q.Lane, Attempt: a.hold.Attempt, Deliveries: a.d.Deliveries(), State: job.Running,
			Pass: done.Name, Took: took, RealTime: done.RealTime, LengthS: q.LengthS})
	}
}

func (g *gauge) set(p job.Progress) {
	g.mu.Lock()
	defer g.mu.Unlock()
	// Passes may grow while treatment is tightened; what people watch must not go back.
	p.Share = max(min(p.Share, 1), g.p.Share)
	if took := g.clock.Now().Sub(g.began).Seconds(); p.Share > shareBrought && took > 1 {
		p.LeftS = took * (1 - p.Share) / p.Share
	}
	g.p = p
}
