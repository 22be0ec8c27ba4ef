package metrics

import (
	"context"
	"strings"
	"sync"
	"time"

	"discsafe/worker"
	"discsafe/worker/job"
)

// readTime is how long the record of an ended job is waited for.
const readTime = 5 * time.Second

// Accepted counts a job that was submitted here, not one that was replayed.
func (m *Metrics) Accepted(lane string) { m.accepted.add(lane, 1) }

// Records says how to read the record of a job that a worker ended; usually
// Ledger.Get. Without it verdict and times of such jobs are not known.
func (m *Metrics) Records(get func(ctx context.Context, id string) (*job.Record, error)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.records = get
}

// Worker counts what a worker did; it is for worker.Options.Observe. A job that
// the worker ended is counted here; see Ended for the others.
func (m *Metrics) Worker(e worker.Event) {
	// Each message begins with one event that carries no attempt, or with a claim.
	if e.Deliveries > 1 && (e.Kind == worker.Claimed || e.Attempt == 0) {
		m.redeliveries.Inc()
	}
	switch e.Kind {
	case worker.Claimed:
		m.waitS.WithLabelValues(lanes.of(e.Lane)).Observe(max(0, e.Waited.Seconds()))
	case worker.Settled:
		m.settled(e)
	case worker.Fenced:
		m.fenced.Inc()
		m.attempt("fenced", e.Took)
	case worker.Trouble:
		m.trouble.add(string(e.Code), 1)
		if e.Attempt > 0 {
			m.attempt("unrecorded", e.Took)
		}
	}
}

func (m *Metrics) attempt(outcome string, took time.Duration) {
	m.attempts.add(outcome, 1)
	m.attemptS.WithLabelValues().Observe(max(0, took.Seconds()))
}

func (m *Metrics) settled(e worker.Event) {
	if e.Attempt > 0 {
		m.attempt(outcomeOf(e), e.Took)
		if e.Code == job.CodeResult || e.Code == job.CodeInputDamaged {
			m.integrity.Inc()
		}
		if e.State == job.Done {
			m.audioS.Add(max(0, e.LengthS))
		}
	}
	if !e.State.Ended() {
		return
	}
	m.mu.Lock()
	get := m.records
	m.mu.Unlock()
	if get != nil {
		ctx, cancel := context.WithTimeout(context.Background(), readTime)
		defer cancel()
		// Retried or deleted meanwhile, the record tells of something else.
		if r, err := get(ctx, e.Job); err == nil && r.State == e.State {
			m.Ended(r)
			return
		}
	}
	m.end(e.State, e.Code, other)
}

func outcomeOf(e worker.Event) string {
	switch {
	case e.State != job.Accepted:
		return string(e.State)
	case e.Code.Info().Kind == job.KindHandBack:
		return "handed-back"
	}
	return "crashed"
}

// Ended counts a job that ended otherwise than through a worker of this
// process: cancelled while it waited. Worker calls it for the others.
func (m *Metrics) Ended(r *job.Record) {
	if !r.State.Ended() {
		return
	}
	verdict := other
	if r.Result != nil {
		verdict = r.Result.Verdict
	}
	m.end(r.State, r.Last().Code, verdict)
	since := r.Accepted
	for _, e := range r.History {
		if e.Code == job.CodeRetried {
			since = e.At
		}
	}
	took := max(0, r.Ended.Sub(since).Seconds())
	m.jobS.WithLabelValues(lanes.of(r.Request.Lane)).Observe(took)
	if r.State == job.Cancelled {
		return // not the service's doing
	}
	kept := "no"
	if took <= promisedS+r.Request.LengthS {
		kept = "yes"
	}
	m.promised.add(kept, 1)
}

func (m *Metrics) end(s job.State, c job.Code, verdict string) {
	if s != job.Done {
		m.failed.add(string(c), 1)
		return
	}
	m.completed.add(verdict, 1)
	m.lastDone.SetToCurrentTime()
}

// Pass takes the time of one pass over a side, and how many seconds of programme
// it did per second; 0 if that is not known.
func (m *Metrics) Pass(name string, seconds, realTime float64) {
	stage := stages.of(strings.ReplaceAll(name, " ", "-"))
	m.stageS.WithLabelValues(stage).Observe(max(0, seconds))
	if realTime > 0 {
		m.stageRatio.WithLabelValues(stage).Observe(realTime)
	}
}

// Runner is r, with the passes of its tasks timed by now; nil is time.Now. A
// pass counts once the next begins, the last one only if the task was made.
func (m *Metrics) Runner(r worker.Runner, now func() time.Time) worker.Runner {
	if now == nil {
		now = time.Now
	}
	return &timed{m, r, now}
}

type timed struct {
	m    *Metrics
	next worker.Runner
	now  func() time.Time
}

// Run implements worker.Runner.
func (t *timed) Run(ctx context.Context, task worker.Task, told func(worker.Pass)) worker.Outcome {
	var mu sync.Mutex
	var pass worker.Pass
	var began time.Time
	end := func() {
		if pass.Number > 0 {
			t.m.Pass(pass.Name, t.now().Sub(began).Seconds(), pass.RealTime)
		}
	}
	out := t.next.Run(ctx, task, func(p worker.Pass) {
		mu.Lock()
		was := pass
		if pass.Number != p.Number {
			end()
			began = t.now()
		}
		pass = p
		if p.RealTime == 0 && was.Number == p.Number {
			pass.RealTime = was.RealTime // not told every time
		}
		mu.Unlock()
		told(p)
	})
	mu.Lock()
	defer mu.Unlock()
	if out.Reason == nil && !out.Stopped {
		end()
	}
	return out
}
