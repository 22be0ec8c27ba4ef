package main

import (
	"context"
	"slices"
	"time"

	"discsafe/api/v1"
	"discsafe/cmd/faultrun/lab"
)

// poisons are the catalogue numbers on which a build for fault runs misbehaves,
// and the reason a job of such a plan must end with.
var poisons = []struct{ catalogue, code string }{
	{"FAULT-PANIC", "crashed"},
	{"FAULT-MEMORY", "out-of-memory"},
	{"FAULT-LOOP", "timed-out"},
}

// poison hands in sides that break their process. They must die of their own
// cause after three attempts, and nobody else may suffer.
func poison(ctx context.Context, r *run) error {
	l, err := r.lab(ctx, lab.Options{Workers: 2, Tune: lab.Tuning{JobArgs: []string{"--memory", "256MiB", "--time-base", "6s"}}})
	if err != nil {
		return err
	}
	if err := l.MakeSides(ctx, 5, 1); err != nil {
		return err
	}
	healthy := len(l.Sides)
	want := map[int]string{}
	for _, p := range poisons {
		want[l.MakePoison(p.catalogue)] = p.code
	}
	for n := range r.scale {
		for side := range want {
			if _, err := l.Submit(ctx, 100000*(n+1)+side, side, v1.Prepare); err != nil {
				return err
			}
		}
		for i := range 20 {
			if _, err := l.Submit(ctx, 1000*n+i, i%healthy, v1.Prepare); err != nil {
				return err
			}
		}
	}
	at := time.Now()
	if err := l.Until(ctxFor(ctx, 6*time.Minute), 300*time.Millisecond, func() error {
		if err := l.Look(ctx, l.APIs[0]); err != nil {
			return err
		}
		if open := l.Open(); slices.ContainsFunc(open, func(j *lab.Job) bool { return want[j.Side] == "" }) && time.Since(at) < 5*time.Minute {
			return context.DeadlineExceeded
		}
		return nil
	}); err != nil {
		return err
	}
	l.Fact("healthy_done_s", time.Since(at))
	l.Await(ctx, 6*time.Minute)
	l.Fact("poison_ended_s", time.Since(at))
	for _, j := range l.Jobs() {
		code := want[j.Side]
		if code == "" {
			continue
		}
		f := j.Final
		if f.State != "dead" || f.Reason == nil || f.Reason.Code != code {
			l.Bad("poison", "job %s of %s ended %s, reason %+v; want dead, %s", j.ID, l.Sides[j.Side].Plan, f.State, f.Reason, code)
		}
		if f.Attempt > 3 {
			l.Bad("poison", "job %s was tried %d times", j.ID, f.Attempt)
		}
	}
	return l.Judge(ctx, lab.Verdict{Counted: true, MayEnd: func(j *lab.Job) bool { return want[j.Side] != "" }})
}
