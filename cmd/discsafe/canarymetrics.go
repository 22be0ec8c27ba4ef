package main

import (
	"errors"
	"net/http"
	"time"

	"discsafe/api/v1"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Why a trial failed; the values of a label.
const (
	canaryAway   = "unreachable" // no answer, or one of 5xx
	canaryTurned = "turned-away" // an answer of 4xx, or intake is paused
	canaryFailed = "failed"      // the job ended without a result
	canaryWrong  = "wrong"       // the result is not what it should be
	canaryLate   = "late"        // it did not end within its time
	canaryOwn    = "own"         // this process could not do its part
)

var canaryReasons = []string{canaryAway, canaryTurned, canaryFailed, canaryWrong, canaryLate, canaryOwn}

// trialError is a trial that failed.
type trialError struct {
	reason string
	err    error
}

func (e *trialError) Error() string { return "the trial failed (" + e.reason + "): " + e.err.Error() }
func (e *trialError) Unwrap() error { return e.err }

// canaryReason is the reason of the outermost trialError.
func canaryReason(err error) string {
	if t, is := errors.AsType[*trialError](err); is {
		return t.reason
	}
	return canaryOwn
}

// reasonOf tells what a call of the client that failed says about the service.
func reasonOf(err error) string {
	if t, is := errors.AsType[*trialError](err); is {
		return t.reason
	}
	if p, is := errors.AsType[*v1.Problem](err); is && (p.Status < 500 || v1.Code(p.Code) == v1.Paused) {
		return canaryTurned
	}
	return canaryAway
}

// canaryMetrics are those of one canary process.
type canaryMetrics struct {
	reg      *prometheus.Registry
	last     prometheus.Gauge
	seconds  prometheus.Gauge
	trials   prometheus.Counter
	failures *prometheus.CounterVec
}

func newCanaryMetrics() *canaryMetrics {
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Name: "discsafe_canary_" + name, Help: help})
	}
	m := &canaryMetrics{
		reg:     prometheus.NewRegistry(),
		last:    gauge("timestamp_seconds", "When the last trial job ended well; 0 if none has since the start of the process."),
		seconds: gauge("seconds", "How long the last trial that ended well took, from the first request to a result that was fetched and checked."),
		trials: prometheus.NewCounter(prometheus.CounterOpts{Name: "discsafe_canary_trials_total",
			Help: "Trials that ended, well or not."}),
		failures: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "discsafe_canary_failures_total",
			Help: "Trials that failed, by reason."}, []string{"reason"}),
	}
	for _, r := range canaryReasons {
		m.failures.WithLabelValues(r) // a series that begins at 1 shows no rise
	}
	clock := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "discsafe_clock_timestamp_seconds",
		Help: "The time by the clock of this process, when it was asked."}, func() float64 { return float64(time.Now().UnixMilli()) / 1000 })
	m.reg.MustRegister(clock, m.last, m.seconds, m.trials, m.failures, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// ran notes a trial.
func (m *canaryMetrics) ran(at time.Time, took time.Duration, err error) {
	m.trials.Inc()
	if err != nil {
		m.failures.WithLabelValues(canaryReason(err)).Inc()
		return
	}
	m.last.Set(float64(at.UnixMilli()) / 1000)
	m.seconds.Set(took.Seconds())
}

func (m *canaryMetrics) handler() http.Handler {
	return promhttp.HandlerFor(m.reg, promhttp.HandlerOpts{Registry: m.reg})
}
