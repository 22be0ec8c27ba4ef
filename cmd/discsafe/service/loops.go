package service

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"time"

	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
	"discsafe/worker/queue"
	"discsafe/worker/store"
)

// How often things are done beside requests and jobs.
const (
	passEvery   = 5 * time.Second // a lost ring is missed after the reconciler's grace and this
	probeEvery  = 10 * time.Second
	syncEvery   = 2 * time.Second // asks only if the last answer is old or the connection was lost
	tokensEvery = 2 * time.Second
	houseEvery  = time.Hour
	memoryEvery = time.Minute // what a burst took is for the jobs beside it; a collection takes some 10 ms
	daily       = 24 * time.Hour
	healthMost  = 24 * time.Hour // a probe's record older than this was left by a killed process
)

// runLoops starts what happens beside requests and jobs, until ctx is done.
func (s *Service) runLoops(ctx context.Context, wg *sync.WaitGroup) {
	loop := func(what string, every time.Duration, f func(context.Context) error) {
		wg.Go(func() { s.loop(ctx, what, every, f) })
	}
	loop("probing the store", probeEvery, s.probeStore)
	if s.worker != nil {
		loop("probing the scratch folder", probeEvery, s.probeFolder("scratch", s.o.Scratch))
	}
	// Publishing asks too, but a worker publishes nothing.
	loop("asking whether the broker syncs", syncEvery, s.queue.CheckSync)
	if s.worker != nil {
		loop("telling of the worker", s.o.AskEvery, s.tellOfWorker())
	}
	loop("giving memory back", memoryEvery, func(context.Context) error { debug.FreeOSMemory(); return nil })
	if s.server == nil {
		return
	}
	loop("sampling metrics", metrics.HistoryEvery, func(context.Context) error { return s.history.Take(time.Now()) })
	loop("probing the spool", probeEvery, s.probeFolder("spool", s.o.Spool))
	loop("looking for silent uploads", probeEvery, s.lookAtUploads)
	loop("reconciling", s.o.PassEvery, s.reconcile())
	loop("looking for tokens", tokensEvery, s.watchTokens)
	// Each by one at a time: they read much, and requests come first. Hooks are sent by the server.
	loop("keeping house", s.o.HouseEvery, s.keepHouse())
	loop("walking over records", s.o.HouseEvery, s.walkRecords())
	loop("deleting what is past its time", retainEvery, s.retain())
}

// loop calls f at once and then again and again. Trouble is told when it
// begins and when it is over, not every time.
func (s *Service) loop(ctx context.Context, what string, every time.Duration, f func(context.Context) error) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for was := ""; ; {
		text := ""
		if err := f(ctx); err != nil && ctx.Err() == nil {
			text = err.Error()
		}
		switch {
		case text != "" && text != was:
			s.log.Error(what+" has trouble", "error", text)
		case text == "" && was != "" && ctx.Err() == nil:
			s.log.Info(what + " is well again")
		}
		was = text
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// reconcile returns the pass that rings for what the broker forgot, and feeds
// gauges and the cap on the backlog.
func (s *Service) reconcile() func(context.Context) error {
	r := &job.Reconciler{
		Ledger: s.ledger,
		Ring:   func(ctx context.Context, r *job.Record) error { return s.queue.Publish(ctx, worker.Ring(r)) },
		Depth: func(ctx context.Context) (int, error) {
			st, err := s.queue.Stats(ctx)
			s.health.rang(err)
			if err == nil {
				s.metrics.Queue(st)
			}
			return st.Waiting + st.InFlight, err
		},
	}
	return func(ctx context.Context) error {
		c, err := r.Pass(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err == nil || !store.Transient(err) || errors.Is(err, queue.ErrUnavailable) {
			s.metrics.Counts(c)
			s.server.Counts(c)
		}
		if c.Rung > 0 {
			s.log.Info("rung again for jobs whose message is missing", "jobs", c.Rung)
		}
		return err
	}
}

// lookAtUploads tells the metrics of uploads that have not ended.
func (s *Service) lookAtUploads(context.Context) error {
	n, silent, err := s.intake.Unfinished()
	if err == nil {
		s.metrics.Uploads(n, silent)
	}
	return err
}

// keepHouse returns what is done at the start and every HouseEvery: what was left is
// swept, what is over is forgotten; some of it once a day.
func (s *Service) keepHouse() func(context.Context) error {
	var walked time.Time
	return func(ctx context.Context) error {
		var errs []error
		do := func(what string, f func() (int, error)) { errs = append(errs, s.remove(ctx, what, f)) }
		do("uploads nobody goes on with", func() (int, error) { return s.intake.Sweep(ctx) })
		do("sessions that are over", func() (int, error) { return s.gate.SweepSessions(ctx) })
		do("dead letters of jobs that were decided on", func() (int, error) { return s.forgetDecided(ctx) })
		do("idempotency keys that are too old", func() (int, error) { return s.ledger.ExpireKeys(ctx) })
		if time.Since(walked) < daily {
			return errors.Join(errs...)
		}
		walked = time.Now()
		do("workers that left without a word", func() (int, error) { return s.roster.Sweep(ctx) })
		do("records of probes", func() (int, error) { return s.sweepHealth(ctx) })
		do("unfinished writes", func() (int, error) {
			sw, ok := s.store.(store.Sweeper)
			if !ok {
				return 0, nil
			}
			swept, err := sw.Sweep(ctx)
			return swept.Removed, err
		})
		return errors.Join(errs...)
	}
}

// remove does one thing of the house, and says what it removed.
func (s *Service) remove(ctx context.Context, what string, f func() (int, error)) error {
	if ctx.Err() != nil {
		return nil
	}
	n, err := f()
	if n > 0 {
		s.log.Info(what, "removed", n)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// lettersAtOnce is how many dead letters are read in one go.
const lettersAtOnce = 100

// forgetDecided takes out dead letters of jobs that are dead no more: the broker
// was away when that was decided, a worker dropped late, or retention deleted the
// job. A letter of a job that the book does not know stays for a person.
func (s *Service) forgetDecided(ctx context.Context) (n int, err error) {
	for after := uint64(0); ; {
		letters, err := s.queue.Dead(ctx, after, lettersAtOnce)
		if err != nil || len(letters) == 0 {
			return n, err
		}
		for _, l := range letters {
			after = l.Seq
			if l.Message.JobID == "" {
				continue
			}
			decided := false
			r, err := s.ledger.Get(ctx, l.Message.JobID)
			_, deleted := errors.AsType[*job.DeletedError](err)
			switch {
			case deleted:
				decided = true
			case err == nil:
				decided = r.State != job.Dead
			case !errors.Is(err, job.ErrUnknown):
				return n, err
			}
			if !decided {
				continue
			}
			out, err := s.queue.Forget(ctx, l.Message.Studio, l.Message.JobID)
			if n += out; err != nil {
				return n, err
			}
		}
	}
}

// sweepHealth removes the records of probes that killed processes left.
func (s *Service) sweepHealth(ctx context.Context) (n int, err error) {
	for o, err := range store.All(ctx, s.store, healthDir) {
		if err != nil {
			return n, err
		}
		if time.Since(o.Modified) < healthMost {
			continue
		}
		if err := s.store.Delete(ctx, o.Key); err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}
