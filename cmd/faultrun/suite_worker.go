package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"discsafe/cmd/faultrun/lab"
	"discsafe/worker"
)

const lease = 30 * time.Second // the service's own

// loading submits in the background and tells when it is over.
func loading(ctx context.Context, l *lab.Lab, n int, pause time.Duration) (over func() bool, wait func() error) {
	done := make(chan struct{})
	var err error
	go func() { err = l.Load(ctx, 0, n, pause); close(done) }()
	return func() bool {
			select {
			case <-done:
				return true
			default:
				return false
			}
		}, func() error {
			<-done
			return err
		}
}

// sleep waits, less if the run is interrupted.
func sleep(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// draw is a random time between two.
func draw(l *lab.Lab, from, to time.Duration) time.Duration {
	return from + time.Duration(l.Rand.Int64N(int64(to-from)))
}

// workerKill kills workers while they work.
func workerKill(ctx context.Context, r *run) error {
	jobs, kills := 100*r.scale, 20*r.scale
	l, err := r.lab(ctx, lab.Options{Workers: 3})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 8, 6); err != nil {
		return err
	}
	_, wait := loading(ctx, l, jobs, 0)
	done := 0
	for n := range kills {
		sleep(ctx, draw(l, 100*time.Millisecond, 1100*time.Millisecond))
		if ctx.Err() != nil {
			return ctx.Err()
		}
		alive := l.Living()
		alive[l.Rand.IntN(len(alive))].Crash()
		done++
		if n%2 == 0 {
			sleep(ctx, draw(l, 0, 500*time.Millisecond))
		}
		if _, err := l.Worker(nil); err != nil {
			return err
		}
	}
	if err := wait(); err != nil {
		return err
	}
	l.Fact("kills", done)
	l.Fact("drained_s", l.Await(ctx, time.Duration(4+4*r.scale)*time.Minute))
	l.Fact("resumed_s", slowestResume(l))
	return l.Judge(ctx, lab.Verdict{MayEnd: fiveLosses})
}

// fiveLosses allows the end of a job that lost its worker as often as the
// service bears.
func fiveLosses(j *lab.Job) bool {
	return j.Final.State == "dead" && j.Final.Losses >= 5 && j.Final.Reason != nil && j.Final.Reason.Code == "worker-lost"
}

// slowestResume is the longest time between two claims of a job whose worker
// was lost.
func slowestResume(l *lab.Lab) time.Duration {
	var slowest time.Duration
	for _, j := range l.Jobs() {
		var claimed time.Time
		for _, e := range j.Final.History {
			if e.To == "running" {
				if e.Code == "worker-lost" {
					slowest = max(slowest, e.At.Sub(claimed))
				}
				claimed = e.At
			}
		}
	}
	return slowest
}

// steps kills at each named step. All workers that are to die work at the same
// time, so that their jobs wait for the same half minute.
func steps(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 5, 1); err != nil {
		return err
	}
	kills := 0
	for round := range r.scale {
		var dying []*lab.Worker
		for _, s := range worker.Steps() {
			w, err := l.Worker([]string{"DISCSAFE_CRASH_AT=" + s})
			if err != nil {
				return err
			}
			dying = append(dying, w)
		}
		if err := l.Load(ctx, 1000*round, 15, 0); err != nil {
			return err
		}
		for i, w := range dying {
			select {
			case <-w.P.Done():
				if w.P.Code() != -1 {
					return fmt.Errorf("the worker that was to be killed at %s exited with %d: %s", worker.Steps()[i], w.P.Code(), w.P.Tail(5))
				}
				l.Note("fault", "what", "kill -9 at "+worker.Steps()[i])
				kills++
			case <-time.After(time.Minute):
				return fmt.Errorf("no worker came to the step %s within a minute", worker.Steps()[i])
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		var clean []*lab.Worker
		for range 2 {
			w, err := l.Worker(nil)
			if err != nil {
				return err
			}
			clean = append(clean, w)
		}
		l.Await(ctx, 4*time.Minute)
		if round+1 < r.scale {
			for _, w := range clean {
				if _, err := w.P.Stop(30 * time.Second); err != nil {
					return err
				}
			}
		}
	}
	resumed := slowestResume(l)
	l.Fact("resumed_s", resumed)
	if limit := lease + 10*time.Second; resumed > limit {
		l.Bad("resume", "a job whose worker was killed went on only after %v, want %v", resumed, limit)
	}
	for round := range r.scale {
		for _, s := range []string{"stored", "recorded"} {
			if err := apiStep(ctx, l, s, 500000+1000*round); err != nil {
				return err
			}
			kills++
		}
	}
	l.Fact("kills", kills)
	l.Await(ctx, 4*time.Minute)
	return l.Judge(ctx, lab.Verdict{MayEnd: fiveLosses})
}

// apiStep lets an API die at a step of a submission, and hands the same
// submission in again: there must be one job of it.
func apiStep(ctx context.Context, l *lab.Lab, step string, n int) error {
	a := l.APIs[0]
	if _, err := a.P.Stop(30 * time.Second); err != nil {
		return err
	}
	if err := a.Start([]string{"DISCSAFE_CRASH_AT=" + step}); err != nil {
		return err
	}
	// A side of its own: its mix is new, and its jobs can be counted.
	if err := l.MakeSides(ctx, 1, 1); err != nil {
		return err
	}
	side := len(l.Sides) - 1
	once, cancel := context.WithTimeout(ctx, 20*time.Second)
	var wg sync.WaitGroup
	var err error
	wg.Go(func() { _, err = l.Submit(once, n+side, side, "prepare") })
	select {
	case <-a.P.Done():
		l.Note("fault", "what", "kill -9 of the API at "+step)
	case <-once.Done():
		cancel()
		wg.Wait()
		return fmt.Errorf("the API did not come to the step %s: %w", step, errors.Join(err, once.Err()))
	}
	if serr := a.Start(nil); serr != nil {
		cancel()
		wg.Wait()
		return serr
	}
	wg.Wait()
	cancel()
	if err != nil {
		return fmt.Errorf("handing in again after a kill at %s: %w", step, err)
	}
	return oneJob(ctx, l, side)
}

// oneJob wants one job of a side.
func oneJob(ctx context.Context, l *lab.Lab, side int) error {
	found, err := l.OfSide(ctx, side)
	if err != nil {
		return err
	}
	if len(found) != 1 {
		l.Bad("I2", "one submission of side %d made %d jobs: %v", side, len(found), found)
	}
	return nil
}

// freeze stops workers in the middle of a job for longer than their lease.
// Woken, each must find that its word does not count any more.
func freeze(ctx context.Context, r *run) error {
	want := 5 * r.scale
	l, err := r.lab(ctx, lab.Options{})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 5, 30); err != nil {
		return err
	}
	froze := 0
	for round := 0; froze < want; round++ {
		if round > 3*r.scale+5 {
			return fmt.Errorf("in %d rounds only %d workers could be stopped in the middle of a job", round, froze)
		}
		n := min(5, want-froze)
		held, err := freezeRound(ctx, l, round, n)
		if err != nil {
			return err
		}
		froze += held
	}
	l.Fact("freezes", froze)
	refused, err := l.Logs("worker-", func(n lab.Line) bool { return n.Text("reason") == "taken-over" })
	if err != nil {
		return err
	}
	l.Fact("refused", len(refused))
	if len(refused) != froze {
		l.Bad("fence", "%d workers were stopped while they held a job; %d found themselves refused", froze, len(refused))
	}
	return l.Judge(ctx, lab.Verdict{MayEnd: fiveLosses})
}

// freezeRound stops n workers and returns how many held a job that another then
// took.
func freezeRound(ctx context.Context, l *lab.Lab, round, n int) (held int, err error) {
	var cold []*lab.Worker
	for range n {
		w, err := l.Worker(nil)
		if err != nil {
			return 0, err
		}
		cold = append(cold, w)
	}
	before := takeovers(l)
	if err := l.Load(ctx, 1000*round, 2*n, 0); err != nil {
		return 0, err
	}
	for _, w := range cold {
		if err := l.Until(ctxFor(ctx, 2*time.Minute), 5*time.Millisecond, func() error {
			s, err := w.Scrape()
			if err == nil && s.Sum("discsafe_slots", `state="busy"`) < 1 {
				err = errors.New("it does not work")
				if len(l.Open()) == 0 {
					return nil
				}
				if lerr := l.Look(ctx, l.APIs[0]); lerr != nil {
					return lerr
				}
			}
			return err
		}); err != nil {
			return 0, err
		}
		sleep(ctx, draw(l, 0, 100*time.Millisecond))
		w.Freeze()
	}
	sleep(ctx, lease+2*time.Second)
	warm, err := l.Worker(nil)
	if err != nil {
		return 0, err
	}
	l.Await(ctx, 3*time.Minute)
	held = takeovers(l) - before
	for _, w := range cold {
		w.Thaw()
	}
	// Each must speak up before it is asked to stop.
	wctx, cancel := context.WithTimeout(ctx, 40*time.Second)
	defer cancel()
	if err := l.Until(wctx, 200*time.Millisecond, func() error {
		said, err := l.Logs("worker-", func(n lab.Line) bool { return n.Text("reason") == "taken-over" })
		if err == nil && len(said) < before+held {
			err = fmt.Errorf("%d of %d woken workers found themselves refused", len(said)-before, held)
		}
		return err
	}); err != nil {
		l.Bad("fence", "%v", err)
	}
	for _, w := range append(cold, warm) {
		if _, err := w.P.Stop(30 * time.Second); err != nil {
			l.Bad("I6", "%v", err)
		}
	}
	return held, nil
}

// takeovers counts the jobs taken from a lost worker, over all histories.
func takeovers(l *lab.Lab) int {
	n := 0
	for _, j := range l.Jobs() {
		for _, e := range j.Final.History {
			if e.To == "running" && e.Code == "worker-lost" {
				n++
			}
		}
	}
	return n
}

// drain asks workers to end while they work. Every second one gets no time to
// end what it has, and must hand it back.
func drain(ctx context.Context, r *run) error {
	jobs, stops := 24*r.scale, 6*r.scale
	l, err := r.lab(ctx, lab.Options{})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 4, 30); err != nil {
		return err
	}
	started := 0
	start := func() error {
		started++
		_, err := l.Worker([][]string{nil, {"DISCSAFE_GRACE=10ms"}}[started%2])
		return err
	}
	for range 2 {
		if err := start(); err != nil {
			return err
		}
	}
	_, wait := loading(ctx, l, jobs, 100*time.Millisecond)
	var slowest time.Duration
	for range stops {
		sleep(ctx, draw(l, 500*time.Millisecond, 1500*time.Millisecond))
		if ctx.Err() != nil {
			return ctx.Err()
		}
		w := l.Living()[0] // the oldest, so that both kinds have their turn
		l.Note("fault", "what", "SIGTERM", "process", w.P.Name)
		took, err := w.P.Stop(30 * time.Second)
		if err != nil {
			l.Bad("drain", "%v", err)
		} else if w.P.Code() != 0 {
			l.Bad("drain", "%s exited with %d: %s", w.P.Name, w.P.Code(), w.P.Tail(3))
		}
		slowest = max(slowest, took)
		if err := start(); err != nil {
			return err
		}
	}
	if err := wait(); err != nil {
		return err
	}
	l.Fact("stops", stops)
	l.Fact("slowest_stop_s", slowest)
	l.Await(ctx, time.Duration(3+2*r.scale)*time.Minute)
	back := 0
	for _, j := range l.Jobs() {
		if j.Final.Crashes+j.Final.Losses > 0 {
			l.Bad("drain", "job %s was charged for a worker that was asked to stop: %d crashes, %d losses", j.ID, j.Final.Crashes, j.Final.Losses)
		}
		for _, e := range j.Final.History {
			if e.Code == "worker-stopping" {
				back++
			}
		}
	}
	l.Fact("handed_back", back)
	if back == 0 {
		return errors.New("no job was handed back: the stops missed the work")
	}
	return l.Judge(ctx, lab.Verdict{})
}
