package lab

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"discsafe/cmd/faultrun/proc"
)

// Verdict says what a suite allows.
type Verdict struct {
	// MayEnd says whether a job may end other than done; nil: none may.
	MayEnd func(j *Job) bool
	// Measured is how many results are measured again; the others are held
	// against size, hash and reference. 0: 10.
	Measured int
	// Fetched is how many results are fetched at all; 0: all.
	Fetched int
	// Counted says that no worker was killed, so that the counters are whole.
	Counted bool
	// Stray files that the suite made on purpose, by a part of their path.
	Stray []string
}

// Judge ends the workers and APIs and holds everything against the invariants.
// Await comes before it.
func (l *Lab) Judge(ctx context.Context, v Verdict) error {
	if err := l.Look(ctx, l.api(0)); err != nil {
		return fmt.Errorf("looking at the jobs: %w", err)
	}
	if err := l.judgeJobs(ctx, v); err != nil {
		return err
	}
	if err := l.judgeReasons(v); err != nil {
		return err
	}
	if err := l.judgeStore(); err != nil {
		return err
	}
	l.judgeQueue()
	l.judgeUsage()
	if err := l.stopAll(); err != nil {
		return err
	}
	l.judgeRest(v)
	return nil
}

func (l *Lab) judgeJobs(ctx context.Context, v Verdict) error {
	measured, fetched, done, crashes, losses, again := 0, 0, 0, 0, 0, 0
	jobs := l.Jobs()
	if len(jobs) == 0 {
		return errors.New("no job was accepted: nothing was tried")
	}
	most := v.Measured
	if most == 0 {
		most = 10
	}
	// The sample is drawn, not the first ones.
	for _, i := range l.Rand.Perm(len(jobs)) {
		j := jobs[i]
		f := j.Final
		crashes, losses = crashes+f.Crashes, losses+f.Losses
		if f.Attempt > 1 {
			again++
		}
		ends := 0
		for _, e := range f.History {
			if e.To == "done" {
				ends++
			}
		}
		if ends > 1 {
			l.Bad("I2", "job %s was done %d times", j.ID, ends)
		}
		if f.State != "done" {
			if f.Over() && (v.MayEnd == nil || !v.MayEnd(j)) {
				l.Bad("I1", "job %s ended %s, reason %s", j.ID, f.State, reason(j))
			}
			continue
		}
		done++
		if ends != 1 {
			l.Bad("I2", "job %s is done, its history says so %d times", j.ID, ends)
		}
		if j.Gone {
			continue // its files were looked at while they were there
		}
		if v.Fetched > 0 && fetched >= v.Fetched {
			continue
		}
		fetched++
		if err := l.checkResult(ctx, l.api(i), j, measured < most); err != nil {
			return err
		}
		measured++
	}
	for name, n := range map[string]int{"jobs": len(jobs), "done": done, "ended_otherwise": len(jobs) - done, "run_again": again, "crashes": crashes, "losses": losses,
		"fetched": fetched, "measured": min(measured, most)} {
		l.Fact(name, n)
	}
	return nil
}

func reason(j *Job) string {
	if j.Final.Reason == nil {
		return "none"
	}
	return j.Final.Reason.Code
}

// judgeStore holds the store's folder against I2 and I6: one attempt's files
// for a job that is done, none for others, no job marked open.
func (l *Lab) judgeStore() error {
	state := map[string]string{}
	for _, j := range l.Jobs() {
		if state[j.ID] = j.Final.State; j.Gone {
			state[j.ID] = "deleted"
		}
	}
	// The reconciler and late tidying may be at it for a moment.
	var faults []string
	err := l.until(40*time.Second, func() error {
		faults = nil
		found, err := l.results()
		if err != nil {
			return err
		}
		for id, attempts := range found {
			want := 0
			if s, known := state[id]; s == "done" || !known {
				want = 1
			}
			if len(attempts) != want {
				faults = append(faults, fmt.Sprintf("job %s (%s) has files of attempts %v in the store", id, state[id], attempts))
			}
		}
		for id, s := range state {
			if s == "done" && len(found[id]) == 0 {
				faults = append(faults, fmt.Sprintf("job %s is done and has no files in the store", id))
			}
		}
		for _, f := range leftIn(l.objects() + "/open") {
			if _, ours := state[f]; ours {
				faults = append(faults, "job "+f+" has ended and is marked open")
			}
		}
		if len(faults) > 0 {
			return errors.New(faults[0])
		}
		return nil
	})
	for _, f := range faults {
		l.Bad("I2/I6", "%s", f)
	}
	if err != nil && len(faults) == 0 {
		return err
	}
	return nil
}

// judgeQueue wants nothing waiting: I6.
func (l *Lab) judgeQueue() {
	if open := l.Open(); len(open) > 0 {
		return // told already
	}
	if len(l.Brokers) == 0 {
		return // serve's own is reached by nobody else
	}
	// An orphaned message is dropped when it comes again.
	if err := l.until(60*time.Second, func() error {
		n, err := l.waiting()
		if err == nil && n != 0 {
			err = fmt.Errorf("%d messages are left in the queue", n)
		}
		return err
	}); err != nil {
		l.Bad("I6", "%v", err)
	}
}

// stopAll ends workers, then APIs, as an operator does.
func (l *Lab) stopAll() error {
	var slowest time.Duration
	end := func(p *proc.Proc) {
		took, err := p.Stop(30 * time.Second)
		if err != nil {
			l.Bad("I6", "%v", err)
		} else if p.Code() != 0 {
			l.Bad("I6", "%s, asked to end, exited with %d: %s", p.Name, p.Code(), p.Tail(3))
		}
		slowest = max(slowest, took)
	}
	for _, w := range l.Living() {
		end(w.P)
	}
	for _, a := range l.APIs {
		if a.P.Alive() {
			end(a.P)
		}
	}
	l.Fact("stop_s", slowest)
	return l.sweep()
}

// sweep lets an API and a worker start and end: what killed processes left
// unfinished is removed by the next start.
func (l *Lab) sweep() error {
	a := l.APIs[0]
	if err := a.Start(nil); err != nil {
		return err
	}
	var w *Worker
	if !l.o.Serve {
		var err error
		if w, err = l.Worker(nil); err != nil {
			return err
		}
	}
	// What is still there then is told by judgeRest.
	_ = l.until(20*time.Second, func() error {
		if n := len(leftIn(l.Volume("store") + "/.discsafe/tmp")); n > 0 {
			return fmt.Errorf("%d unfinished files", n)
		}
		return nil
	})
	var werr error
	if w != nil {
		_, werr = w.P.Stop(30 * time.Second)
	}
	_, err := a.P.Stop(30 * time.Second)
	return errors.Join(err, werr)
}

// judgeRest looks at what is left when nothing of ours runs: I5, I6.
func (l *Lab) judgeRest(v Verdict) {
	left := leftIn(l.Volume("scratch"), v.Stray...)
	left = append(left, leftIn(l.Volume("spool"), append([]string{"lock", "done/"}, v.Stray...)...)...)
	left = append(left, leftIn(l.Volume("store")+"/.discsafe/tmp", v.Stray...)...)
	for _, f := range left {
		l.Bad("I6", "temporary file %s is left", f)
	}
	if pids := proc.Of(l.exe); len(pids) > 0 {
		l.Bad("I6", "processes %v are left", pids)
	}
	after, err := tree(l.outside)
	if err != nil {
		l.Bad("I5", "%v", err)
		return
	}
	for _, d := range differences(l.before, after) {
		l.Bad("I5", "outside the data folder: %s", d)
	}
	names, err := os.ReadDir(l.Data)
	if err != nil {
		l.Bad("I5", "%v", err)
	}
	for _, n := range names {
		if l.o.Serve && (n.Name() == "lock" || n.Name() == "hook.key") {
			continue
		}
		if !slices.Contains([]string{"store", "spool", "scratch", "broker", "objects"}, n.Name()) && !strings.HasPrefix(n.Name(), "broker-") {
			l.Bad("I5", "%s in the data folder belongs to nobody", n.Name())
		}
	}
}
