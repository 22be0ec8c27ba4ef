package service

import (
	"context"
	"errors"
	"time"

	"discsafe/worker/roster"
)

// settled is how long after a worker was paused a fetch that was under way may
// still bring it a job.
const settled = 10 * time.Second

// tellOfWorker returns the step that lets the worker obey a mark that asks it to
// take no more jobs, and that tells the roster how it stands: now and then, and
// at each step while it is asked, as somebody waits for it to be done.
func (s *Service) tellOfWorker() func(context.Context) error {
	var told, paused time.Time
	return func(ctx context.Context) error {
		drain, err := s.roster.Asked(ctx, s.name)
		if err != nil {
			drain = !paused.IsZero() // what is not known changes nothing
		}
		news := drain == paused.IsZero()
		if news {
			paused = time.Time{}
			if drain {
				paused = time.Now()
			}
			s.worker.Pause(drain)
			s.log.Info("worker was asked", "worker", s.name, "take_jobs", !drain)
		}
		if !news && !drain && !told.IsZero() && time.Since(told) < roster.TellEvery {
			return err
		}
		w := s.worker.Status()
		e := s.roster.Tell(ctx, roster.Member{Name: s.name, Version: s.o.Version, Slots: w.Slots, Running: len(w.Running),
			Drained: drain && time.Since(paused) > settled, Stopping: w.Draining || s.draining.Load(), Trouble: w.Trouble})
		if e == nil {
			told = time.Now()
		}
		return errors.Join(err, e)
	}
}

// leaveRoster takes the worker off the list, with the mark that was for this
// process alone.
func (s *Service) leaveRoster() error {
	ctx, cancel := context.WithTimeout(context.Background(), probeTime)
	defer cancel()
	return s.roster.Leave(ctx, s.name)
}
