package metrics

import (
	"time"

	"discsafe/worker"
	"discsafe/worker/job"
)

// Accepted counts a job that was submitted here, not one that was replayed.
func (m *Metrics) Accepted(lane string) { m.accepted.add(lane, 1) }

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
	case worker.Passed:
		m.Pass(e.Pass, e.Took.Seconds(), e.RealTime)
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
	if e.Record != nil {
		m.Ended(e.Record)
		return
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
	m.lastDone.Set(m.clock())
}

// Pass takes the time of one pass over a side, and how many seconds of programme
// it did per second; 0 if that is not known.
func (m *Metrics) Pass(name string, seconds, realTime float64) {
	stage := stages.of(stageName(name))
	m.stageS.WithLabelValues(stage).Observe(max(0, seconds))
	if realTime > 0 {
		m.stageRatio.WithLabelValues(stage).Observe(realTime)
	}
}
