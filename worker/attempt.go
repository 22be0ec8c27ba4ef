package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/queue"
	"discsafe/worker/store"
)

// attempt is one claim on one job.
type attempt struct {
	w        *Worker
	hold     *job.Hold
	d        queue.Delivery
	progress gauge
	passes   passes
	began    time.Time
	waited   time.Duration
}

// Waits before a job that was handed back is tried again.
const (
	waitLeast = 1 * time.Second
	waitSpace = 30 * time.Second
	waitStore = 15 * time.Second
	waitAlien = 1 * time.Minute // for a record of another version
)

// handle takes a message to its end.
func (w *Worker) handle(ctx context.Context, d queue.Delivery) {
	if ctx.Err() != nil {
		w.later(d, waitLeast)
		return
	}
	life, end := context.WithCancelCause(context.WithoutCancel(ctx))
	defer end(nil)
	defer context.AfterFunc(ctx, func() {
		select {
		case <-w.o.Clock.After(w.o.Grace):
			end(errDrain)
		case <-life.Done():
		}
	})()
	release := w.keepMessage(life, d)
	hold, err := w.claim(life, d.Message())
	if err != nil {
		release()
		w.turnAway(d, err)
		return
	}
	a := &attempt{w: w, hold: hold, d: d, began: w.o.Clock.Now()}
	a.progress.clock, a.progress.began = w.o.Clock, a.began
	a.waited = a.began.Sub(waitingSince(hold.Record))
	w.enter(hold.ID, a)
	defer w.leave(hold.ID, a)
	w.o.Observe(Event{Kind: Claimed, Job: hold.ID, Lane: d.Message().Lane, Attempt: hold.Attempt, Deliveries: d.Deliveries(), State: job.Running,
		Code: hold.Record.Last().Code, Waited: a.waited, LengthS: hold.Record.Request.LengthS})
	if hold.Taken {
		w.o.Log.Warn("job taken over from a worker that was lost", "worker", w.o.Name, "job", hold.ID, "studio", hold.Record.Request.Studio,
			"attempt", hold.Attempt, "losses", hold.Record.Losses, "reason", hold.Record.Last().Code, "trace", hold.Record.Request.Trace)
	}
	still := a.keepRecord(life, end)
	res, why := a.work(life)
	still()
	if why != nil && why.Code == codeKilled {
		release()
		return
	}
	a.settle(context.Cause(life), res, why, release)
}

// waitingSince is when the job began to wait for this claim.
func waitingSince(r *job.Record) time.Time {
	if n := len(r.History); n > 1 {
		return r.History[n-2].At
	}
	return r.Accepted
}

// claim claims the job of a message, again if the store's answer is unclear.
func (w *Worker) claim(ctx context.Context, m queue.Message) (h *job.Hold, err error) {
	by := job.Claimant{Worker: w.o.Name, Version: w.o.Version, Token: w.token(), Lease: w.o.Lease}
	ctx, cancel := context.WithTimeout(ctx, SettleTime)
	defer cancel()
	err = w.again(ctx, func() error { h, err = w.o.Ledger.Claim(ctx, m.JobID, by); return err })
	return h, err
}

// again calls f until it succeeds, fails for a reason that will not go away, or
// the context ends.
func (w *Worker) again(ctx context.Context, f func() error) error {
	for pause := time.Second; ; pause *= 2 {
		err := f()
		if err == nil || !mayPass(err) || ctx.Err() != nil {
			return err
		}
		w.sleep(ctx, pause)
		if ctx.Err() != nil {
			return err
		}
	}
}

// mayPass reports whether an error is of a kind that goes away by itself.
func mayPass(err error) bool {
	if errors.Is(err, job.ErrBusy) {
		return true
	}
	e, is := errors.AsType[*store.Error](err)
	return is && !errors.Is(err, store.ErrFull) && (e.Kind == nil || errors.Is(err, store.ErrUnavailable) || errors.Is(err, store.ErrRefused)) && !errors.Is(err, context.Canceled)
}

// turnAway answers a message whose job could not be claimed.
func (w *Worker) turnAway(d queue.Delivery, err error) {
	m := d.Message()
	e := Event{Kind: Turned, Job: m.JobID, Lane: m.Lane, Deliveries: d.Deliveries()}
	if over, is := errors.AsType[*job.OverError](err); is {
		e.State, e.Code, e.Record = over.State, over.Code, over.Record
		if over.Now {
			w.o.Log.Info("job ended without work", "worker", w.o.Name, "job", m.JobID, "state", over.State, "reason", over.Code)
			e.Kind = Settled
		}
		w.o.Observe(e)
		if over.State == job.Dead && over.Now {
			w.drop(d, string(over.Code))
			return
		}
		w.done(d)
		return
	}
	if _, is := errors.AsType[*job.DeletedError](err); is {
		// Cancelled while it waited, and deleted before its message came.
		w.o.Observe(e)
		w.done(d)
		return
	}
	if wait, is := errors.AsType[*job.WaitError](err); is {
		w.o.Observe(e)
		w.later(d, wait.Wait)
		return
	}
	e.Kind, e.Err = Trouble, err
	if errors.Is(err, job.ErrUnknown) {
		e.Code = job.CodeUnsupported
		w.o.Log.Error("message for a job that does not exist", "worker", w.o.Name, "job", m.JobID)
		w.o.Observe(e)
		w.drop(d, "unknown-job: "+err.Error())
		return
	}
	wait := waitStore
	e.Code = codeOf(err)
	if _, is := errors.AsType[*job.RecordError](err); is {
		e.Code, wait = job.CodeUnsupported, waitAlien
	}
	w.o.Log.Warn("job cannot be claimed", "worker", w.o.Name, "job", m.JobID, "reason", e.Code, "error", err)
	w.o.Observe(e)
	w.later(d, wait)
}

// codeOf names what is wrong with the surroundings.
func codeOf(err error) job.Code {
	_, space := errors.AsType[*spaceError](err)
	switch {
	case space, errors.Is(err, store.ErrFull), errors.Is(err, queue.ErrFull), errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return job.CodeNoSpace
	case errors.Is(err, queue.ErrUnavailable):
		return CodeQueue
	}
	return job.CodeStore
}

// CodeQueue stands in events and logs when the broker does not answer; it never
// stands in a record.
const CodeQueue job.Code = "queue-unavailable"

// step calls the hook and reports whether the attempt goes on.
func (a *attempt) step(name string) bool { return a.w.o.Step(name, a.hold.ID) }

// work does everything between claim and last word. It returns a result to be
// committed, or a reason; neither if ctx ended, or if a test killed it.
func (a *attempt) work(ctx context.Context) (*job.Result, *job.Reason) {
	q := &a.hold.Record.Request
	reason := func(err error) (*job.Result, *job.Reason) {
		if ctx.Err() != nil {
			return nil, nil
		}
		why := reasonOf(err)
		return nil, &why
	}
	if !a.step("claimed") {
		return a.killed()
	}
	free, err := a.w.reserve(spaceFor(q))
	if err != nil {
		return reason(err)
	}
	defer free()
	if left, known := a.w.o.Store.Free(ctx); known && left < spaceFor(q) {
		return reason(&spaceError{where: "store", free: left, want: spaceFor(q)})
	}
	dir, err := a.w.scratch.room(a.hold.ID, a.hold.Attempt)
	if err != nil {
		return reason(&scratchError{err})
	}
	dead := false
	defer func() {
		if dead {
			return
		}
		if err := os.RemoveAll(dir); err != nil {
			a.w.o.Log.Warn("scratch of a job cannot be removed", "worker", a.w.o.Name, "job", a.hold.ID, "error", err)
		}
	}()
	in := filepath.Join(dir, inputDir)
	a.progress.step("bringing", 0, 0)
	if err := bring(ctx, a.w.o.Store, q, in, func(s float64) { a.progress.step("bringing", s, s*shareBrought) }); err != nil {
		return reason(err)
	}
	if !a.step("brought") {
		dead = true
		return a.killed()
	}
	l := a.w.o.Limits
	out := a.w.o.Runner.Run(ctx, Task{Kind: q.Kind, Job: a.hold.ID, Attempt: a.hold.Attempt, Dir: dir, Plan: filepath.Join(in, filepath.FromSlash(q.Plan.Name)),
		Out: filepath.Join(dir, outputDir), AsTraced: q.AsTraced, MemoryBytes: l.MemoryBytes, Trace: q.Trace, Time: l.timeFor(q), Stall: l.Stall}, a.pass)
	if !a.step("prepared") {
		dead = true
		return a.killed()
	}
	if ctx.Err() != nil || out.Stopped {
		return nil, nil
	}
	if out.Reason != nil {
		return nil, out.Reason
	}
	var res job.Result
	if err := a.w.again(ctx, func() (err error) {
		res, err = keepResult(ctx, a.w.o.Store, a.hold, filepath.Join(dir, outputDir), func(s float64) {
			a.progress.step("storing", s, sharePrepared+s*(1-sharePrepared))
		})
		return err
	}); err != nil {
		return reason(err)
	}
	res.Verdict = out.Made.Verdict
	if !a.step("stored") {
		dead = true
		return a.killed()
	}
	return &res, nil
}

// killed makes the attempt end as if the process had been killed.
func (a *attempt) killed() (*job.Result, *job.Reason) { return nil, &job.Reason{Code: codeKilled} }

const codeKilled job.Code = "killed"

// scratchError is trouble with the scratch folder.
type scratchError struct{ err error }

func (e *scratchError) Error() string { return "scratch folder: " + e.err.Error() }
func (e *scratchError) Unwrap() error { return e.err }

// reasonOf turns an error of the worker's own work into a reason.
func reasonOf(err error) job.Reason {
	if in, is := errors.AsType[*inputError](err); is {
		return job.Because(in.code, in.text)
	}
	if res, is := errors.AsType[*resultError](err); is {
		return job.Because(job.CodeResult, res.text)
	}
	code := codeOf(err)
	if code == job.CodeStore {
		if _, is := errors.AsType[*store.Error](err); !is {
			code = job.CodeScratch
		}
	}
	return job.Because(code, err.Error()+".")
}

// settle says the last word to the record, then to the message.
func (a *attempt) settle(cause error, res *job.Result, why *job.Reason, release func()) {
	ctx, cancel := detached(context.Background())
	defer func() { cancel() }()
	var r *job.Record
	say := func() error {
		return a.w.again(ctx, func() (err error) { r, err = a.lastWord(ctx, cause, res, why); return err })
	}
	asked := a.w.o.Clock.Now()
	err := say()
	if errors.Is(err, context.DeadlineExceeded) && a.w.o.Clock.Now().Sub(asked) > SettleTime+SettleTime/4 {
		// Not the store was slow: this process, or its machine, stood still.
		cancel()
		ctx, cancel = detached(context.Background())
		err = say()
	}
	fenced, isFenced := errors.AsType[*job.FencedError](err)
	untidy := a.tidy(ctx, r, isFenced)
	e := Event{Kind: Settled, Job: a.hold.ID, Lane: a.hold.Record.Request.Lane, Attempt: a.hold.Attempt, Deliveries: a.d.Deliveries(),
		Waited: a.waited, Took: a.w.o.Clock.Now().Sub(a.began), LengthS: a.hold.Record.Request.LengthS}
	attrs := []any{"worker", a.w.o.Name, "job", a.hold.ID, "studio", a.hold.Record.Request.Studio, "attempt", a.hold.Attempt, "deliveries", e.Deliveries, "took", e.Took}
	if untidy != nil {
		attrs = append(attrs, "untidy", untidy)
	}
	if t := a.hold.Record.Request.Trace; t != "" {
		attrs = append(attrs, "trace", t)
	}
	switch {
	case isFenced:
		// The message is left alone: it comes again by itself, and whoever then
		// gets it sees how the job stands. Done here would take it from its holder.
		e.Kind, e.State, e.Code, e.Err = Fenced, fenced.State, job.CodeTakenOver, err
		a.w.o.Log.Warn("job was taken over", append(attrs, "reason", e.Code, "error", err)...)
		release()
	case err != nil:
		// The lease runs out, and the message comes after it.
		e.Kind, e.Code, e.Err = Trouble, codeOf(err), err
		a.w.o.Log.Error("the end of an attempt could not be recorded", append(attrs, "reason", e.Code, "error", err)...)
		release()
		a.w.later(a.d, a.w.o.Lease)
	default:
		last := r.Last()
		e.State, e.Code, e.Record = r.State, last.Code, r
		a.w.o.Log.Log(ctx, level(r.State, last.Code), "job "+string(r.State), append(attrs, "reason", last.Code, "text", last.Text)...)
		if !a.step("recorded") {
			release()
			return
		}
		release()
		a.answer(r)
	}
	a.w.o.Observe(e)
}

func level(s job.State, c job.Code) slog.Level {
	switch {
	case s == job.Dead:
		return slog.LevelError
	case c.Info().Kind == job.KindCrash, s == job.Accepted && c != job.CodeDrain:
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

// lastWord tells the record how the attempt ended.
func (a *attempt) lastWord(ctx context.Context, cause error, res *job.Result, why *job.Reason) (*job.Record, error) {
	_, fenced := errors.AsType[*job.FencedError](cause)
	switch {
	case fenced:
		return nil, cause
	case errors.Is(cause, job.ErrCancelAsked):
		return a.hold.Stop(ctx)
	case cause != nil && !errors.Is(cause, errDrain):
		return nil, cause // the record cannot be read any more
	case res != nil:
		r, err := a.hold.Finish(ctx, *res)
		if errors.Is(err, job.ErrCancelAsked) {
			return a.hold.Stop(ctx)
		}
		return r, err
	case why == nil: // stopped
		return a.hold.HandBack(ctx, job.Because(job.CodeDrain, ""), 0)
	}
	switch why.Code.Info().Kind {
	case job.KindFinal:
		return a.hold.Fail(ctx, *why)
	case job.KindHandBack:
		return a.hold.HandBack(ctx, *why, waitOf(why.Code))
	}
	return a.hold.Crash(ctx, *why)
}

func waitOf(c job.Code) time.Duration {
	switch c {
	case job.CodeDrain:
		return 0
	case job.CodeNoSpace:
		return waitSpace
	}
	return waitStore
}

// tidy removes what the attempt left in the store, if it is of no use. What it
// cannot remove now is removed when the job ends, or by Ledger.Rebuild.
func (a *attempt) tidy(ctx context.Context, r *job.Record, fenced bool) error {
	switch {
	case r != nil && r.State.Ended():
		return a.w.o.Ledger.Tidy(ctx, r)
	case r != nil || fenced:
		return a.hold.Discard(ctx)
	}
	return nil // nobody knows how the record stands
}

// answer settles the message of a job whose record is settled.
func (a *attempt) answer(r *job.Record) {
	switch {
	case r.State == job.Dead:
		text := string(r.Last().Code)
		if r.Reason != nil {
			text += ": " + r.Reason.Text
		}
		a.w.drop(a.d, text)
	case r.State.Ended():
		a.w.done(a.d)
	default:
		a.w.later(a.d, r.NotBefore.Sub(a.w.o.Clock.Now()))
	}
}

func (w *Worker) done(d queue.Delivery) {
	ctx, cancel := detached(context.Background())
	defer cancel()
	w.say(d, "done", func() error { return d.Done(ctx) })
}

func (w *Worker) later(d queue.Delivery, wait time.Duration) {
	w.say(d, "later", func() error { return d.Later(max(wait, waitLeast)) })
}

func (w *Worker) drop(d queue.Delivery, why string) {
	w.say(d, "drop", func() error { return d.Drop(why) })
}

// say tells the queue, twice if it must. If it does not hear, the message comes
// again, and the record says how to answer then.
func (w *Worker) say(d queue.Delivery, what string, f func() error) {
	err := f()
	if errors.Is(err, queue.ErrUnavailable) {
		err = f()
	}
	if err != nil && !errors.Is(err, queue.ErrSettled) {
		w.o.Log.Warn("the queue does not take an answer", "worker", w.o.Name, "job", d.Message().JobID, "answer", what, "error", fmt.Errorf("%s: %w", what, err))
		w.o.Observe(Event{Kind: Trouble, Job: d.Message().JobID, Code: CodeQueue, Err: err})
	}
}
