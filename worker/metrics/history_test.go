package metrics_test

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"pgregory.net/rapid"

	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
)

// own is a registry with metrics that a history keeps.
type own struct {
	reg     *prometheus.Registry
	rises   prometheus.Counter
	gauge   prometheus.Gauge
	times   prometheus.Histogram
	refused *prometheus.CounterVec
	h       *metrics.History
	at      time.Time
}

func newOwn(t testing.TB) *own {
	t.Helper()
	o := &own{reg: prometheus.NewRegistry(), at: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	o.rises = prometheus.NewCounter(prometheus.CounterOpts{Name: "discsafe_redeliveries_total"})
	o.gauge = prometheus.NewGauge(prometheus.GaugeOpts{Name: "discsafe_oldest_waiting_seconds"})
	o.times = prometheus.NewHistogram(prometheus.HistogramOpts{Name: "discsafe_job_seconds", Buckets: []float64{10, 20, 60}})
	o.refused = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "discsafe_uploads_refused_total"}, []string{"reason"})
	o.reg.MustRegister(o.rises, o.gauge, o.times, o.refused)
	o.h = metrics.NewHistory(o.reg)
	return o
}

// take takes a sample after d.
func (o *own) take(t testing.TB, d time.Duration) {
	t.Helper()
	o.at = o.at.Add(d)
	if err := o.h.Take(o.at); err != nil {
		t.Fatal(err)
	}
}

const (
	rises  = "discsafe_redeliveries_total"
	gauge  = "discsafe_oldest_waiting_seconds"
	every  = metrics.HistoryEvery // 15 s
	gotDim = 1e-9                 // sums of few small numbers
)

var nan = math.NaN()

func same(t *testing.T, what string, got, want []float64) {
	t.Helper()
	if d := cmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, gotDim)); d != "" {
		t.Errorf("%s: want - got +:\n%s", what, d)
	}
}

// Worked out by hand. Five samples, 15 s apart; bins of 30 s, so the last bin is
// samples 3 and 4 and rises from sample 2, the one before rises from sample 0.
func TestWindowByHand(t *testing.T) {
	o := newOwn(t)
	o.gauge.Set(7)
	o.take(t, 0)
	o.rises.Add(3)
	o.gauge.Set(9)
	o.times.Observe(5)
	o.take(t, every)
	o.rises.Add(1)
	o.gauge.Set(2)
	for _, v := range []float64{15, 15, 15} {
		o.times.Observe(v)
	}
	o.take(t, every)
	o.gauge.Set(4)
	o.take(t, every)
	o.rises.Add(6)
	o.times.Observe(1000)
	o.take(t, every)

	w := o.h.Window(90*time.Second, 3)
	if w.Step != 30*time.Second || w.Samples != 5 || w.KeptS != 60 || !w.Taken.Equal(o.at) {
		t.Errorf("%+v", w)
	}
	// Before the first bin there is nothing but the very first sample, at its end.
	same(t, "increase", w.Increase(rises, ""), []float64{nan, 4, 6})
	same(t, "per second", w.PerSecond(rises, ""), []float64{nan, 4.0 / 30, 0.2})
	same(t, "greatest", w.Greatest(gauge, ""), []float64{7, 9, 4})
	same(t, "least", w.Least(gauge, ""), []float64{7, 2, 4})
	same(t, "at end", w.AtEnd(gauge, ""), []float64{7, 2, 4})
	same(t, "mean", w.Mean("discsafe_job_seconds", ""), []float64{nan, 12.5, 1000})
	// In the second bin 1 value below 10 and 3 between 10 and 20. The median is
	// the second of four: a third into the bucket from 10 to 20. The 95th
	// hundredth is 3.8: 2.8/3 into it. What lies beyond 60, the last bound told,
	// counts as the last bound of all (14400 of our own buckets).
	same(t, "median", w.Quantile("discsafe_job_seconds", 0.5), []float64{nan, 10 + 10.0/3, 14400})
	same(t, "p95", w.Quantile("discsafe_job_seconds", 0.95), []float64{nan, 10 + 10*2.8/3, 14400})
	if v, n := w.QuantileOfAll("discsafe_job_seconds", 0.5); n != 5 || math.Abs(v-(10+10*1.5/3)) > gotDim {
		t.Errorf("of all: %g of %g", v, n)
	}
	if m, n := w.MeanOfAll("discsafe_job_seconds", ""); n != 5 || m != 210 {
		t.Errorf("mean of all: %g of %g", m, n)
	}
	if v := w.Last(gauge, ""); v != 4 {
		t.Errorf("last %g", v)
	}
	// What nobody keeps or has is not known; a counter that never moved did not rise.
	same(t, "unknown gauge", w.Greatest("discsafe_x", ""), []float64{nan, nan, nan})
	same(t, "unmoved counter", w.Increase("discsafe_fenced_total", ""), []float64{nan, 0, 0})
	if !math.IsNaN(w.Last("discsafe_x", "")) {
		t.Error("an unknown gauge has a last value")
	}
}

func TestNothingYet(t *testing.T) {
	o := newOwn(t)
	w := o.h.Window(time.Hour, 4)
	same(t, "increase", w.Increase(rises, ""), []float64{nan, nan, nan, nan})
	same(t, "gauge", w.Greatest(gauge, ""), []float64{nan, nan, nan, nan})
	same(t, "median", w.Quantile("discsafe_job_seconds", 0.5), []float64{nan, nan, nan, nan})
	o.rises.Add(5) // before the first sample: nobody saw it rise
	o.take(t, 0)
	w = o.h.Window(time.Hour, 2)
	same(t, "one sample", w.Increase(rises, ""), []float64{nan, nan})
	o.take(t, every)
	same(t, "two samples", o.h.Window(time.Hour, 2).Increase(rises, ""), []float64{nan, 0})
}

// A time without samples is a gap, not a zero; what happened in it shows where
// it was seen.
func TestGap(t *testing.T) {
	o := newOwn(t)
	o.take(t, 0)
	o.take(t, every)
	o.rises.Add(8)
	o.take(t, 60*time.Second)
	o.take(t, every)
	same(t, "increase", o.h.Window(90*time.Second, 3).Increase(rises, ""), []float64{0, nan, 8})
}

func TestFamilyByLabel(t *testing.T) {
	o := newOwn(t)
	o.take(t, 0)
	hostile := "x|y{#le=1}\"><script>"
	o.refused.WithLabelValues("few").Add(2)
	o.refused.WithLabelValues(hostile).Add(5)
	o.refused.WithLabelValues("none").Add(0)
	o.take(t, every)
	var got []string
	for _, n := range o.h.Window(time.Minute, 2).Increases("discsafe_uploads_refused_total") {
		got = append(got, fmt.Sprintf("%s %g", n.Value, n.Total))
	}
	// The label is cut at the mark that parts of histograms have; it names nothing else.
	if want := []string{"few 2"}; !slices.Equal(got[len(got)-1:], want) || len(got) > 2 {
		t.Errorf("%q", got)
	}
}

// However long it runs and however many series strangers make, it keeps a bound.
func TestHistoryIsBounded(t *testing.T) {
	o := newOwn(t)
	for i := range 2000 {
		o.refused.WithLabelValues(fmt.Sprint("r", i)).Inc()
	}
	most := int(metrics.HistorySpan / metrics.HistoryEvery)
	o.take(t, 0)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	for range most + 300 {
		o.take(t, every)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if grew := int64(after.HeapAlloc) - int64(before.HeapAlloc); grew > 1<<20 {
		t.Errorf("grew by %d bytes after its columns were made", grew)
	}
	w := o.h.Window(metrics.HistorySpan, 60)
	if w.Samples != most || math.Abs(w.KeptS-float64(most-1)*every.Seconds()) > 1e-6 {
		t.Errorf("%d samples over %g s, want %d", w.Samples, w.KeptS, most)
	}
	if w.Dropped == 0 || len(w.Values("discsafe_uploads_refused_total")) > 400 {
		t.Errorf("%d kept, %d dropped", len(w.Values("discsafe_uploads_refused_total")), w.Dropped)
	}
	runtime.KeepAlive(o)
}

// The service's own metrics fit, with every label in use.
func TestOwnMetricsFit(t *testing.T) {
	m := metrics.New()
	h := m.NewHistory()
	fill(m)
	for _, c := range job.Codes() {
		m.Worker(worker.Event{Kind: worker.Trouble, Code: c.Code})
		m.Ended(record(job.Failed, c.Code, time.Second, 0))
	}
	for _, s := range []string{"bad-plan", "token-unknown", "disk-full"} {
		m.Refused(s)
		m.SignIn(s)
	}
	if err := h.Take(time.Now()); err != nil {
		t.Fatal(err)
	}
	w := h.Window(time.Minute, 2)
	if w.Dropped > 0 {
		t.Errorf("%d series do not fit", w.Dropped)
	}
	for _, g := range []string{"process_resident_memory_bytes", "go_goroutines", "discsafe_job_processes_resident_bytes"} {
		if runtime.GOOS == "linux" && !(w.Last(g, "") >= 0) {
			t.Errorf("%s is not kept", g)
		}
	}
	if v := w.Last("discsafe_disk_free_bytes", "data"); v != 1 {
		t.Errorf("disk %g", v)
	}
}

// Whatever the clock does, nothing is negative, no time is lost for good, and
// what rose in all is what was counted.
func TestClockSteps(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o := newOwn(t)
		o.take(t, 0)
		sum := 0.0
		n := rapid.IntRange(1, 40).Draw(rt, "samples")
		for range n {
			d := time.Duration(rapid.Int64Range(-int64(48*time.Hour), int64(2*time.Minute)).Draw(rt, "step"))
			if rapid.Bool().Draw(rt, "steady") {
				d = every
			}
			add := float64(rapid.IntRange(0, 9).Draw(rt, "add"))
			o.rises.Add(add)
			o.times.Observe(add)
			sum += add
			o.take(t, d)
		}
		w := o.h.Window(metrics.HistorySpan, rapid.IntRange(1, 200).Draw(rt, "bins"))
		if w.KeptS < 0 || w.KeptS > 120*float64(n) {
			rt.Errorf("%d samples over %g s", n, w.KeptS)
		}
		for what, p := range map[string][]float64{"increase": w.Increase(rises, ""), "per second": w.PerSecond(rises, ""), "p95": w.Quantile("discsafe_job_seconds", 0.95), "mean": w.Mean("discsafe_job_seconds", "")} {
			for _, v := range p {
				if v < 0 || math.IsInf(v, 0) {
					rt.Fatalf("%s: %v", what, p)
				}
			}
		}
		// The window holds all samples, so it holds all that rose, unless the bins
		// are so fine that the first one holds the first sample alone.
		if got := metrics.Total(w.Increase(rises, "")); got > sum+gotDim || w.Step >= 4*time.Minute && math.Abs(got-sum) > gotDim && w.KeptS > 0 && w.KeptS < w.Step.Seconds() {
			rt.Errorf("rose by %g of %g", got, sum)
		}
	})
}

// A quantile lies between the bounds of the bucket that holds the true one.
func TestQuantileIsInItsBucket(t *testing.T) {
	bounds := []float64{0, 0.5, 1, 2.5, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400}
	rapid.Check(t, func(rt *rapid.T) {
		m := metrics.New()
		h := m.NewHistory()
		at := time.Unix(1e9, 0)
		take := func() {
			at = at.Add(every)
			if err := h.Take(at); err != nil {
				rt.Fatal(err)
			}
		}
		take()
		n := rapid.IntRange(1, 50).Draw(rt, "n")
		var took []float64
		for range n {
			s := rapid.Float64Range(0.01, 14000).Draw(rt, "s")
			took = append(took, s)
			m.Ended(record(job.Done, job.CodeDone, time.Duration(s*float64(time.Second)), 0))
		}
		take()
		slices.Sort(took)
		q := rapid.SampledFrom([]float64{0.5, 0.9, 0.95, 1}).Draw(rt, "q")
		got, count := h.Window(time.Minute, 1).QuantileOfAll("discsafe_job_seconds", q)
		if count != float64(n) {
			rt.Fatalf("%g of %d", count, n)
		}
		truth := took[max(0, int(math.Ceil(q*float64(n)-1e-9))-1)] // the nearest rank
		i, _ := slices.BinarySearch(bounds, truth)
		// Durations are cut to nanoseconds; a value at a bound may fall below it.
		if got < bounds[i-1]-1e-6 || got > bounds[i]+1e-6 {
			rt.Errorf("q %g: %g, want %g to %g (of %v)", q, got, bounds[i-1], bounds[i], truth)
		}
	})
}

// What a gatherer cannot tell is told, and what it can is kept.
func TestHalfAGatherer(t *testing.T) {
	o := newOwn(t)
	o.gauge.Set(3)
	bad := prometheus.GathererFunc(func() ([]*dto.MetricFamily, error) {
		f, err := o.reg.Gather()
		if err != nil {
			return nil, err
		}
		return f, fmt.Errorf("half")
	})
	h := metrics.NewHistory(bad)
	if err := h.Take(o.at); err == nil || !strings.Contains(err.Error(), "half") {
		t.Errorf("%v", err)
	}
	if v := h.Window(time.Minute, 1).Last(gauge, ""); v != 3 {
		t.Errorf("%g", v)
	}
}

func BenchmarkTake(b *testing.B) {
	m := metrics.New()
	h := m.NewHistory()
	at := time.Unix(1e9, 0)
	for b.Loop() {
		at = at.Add(every)
		if err := h.Take(at); err != nil {
			b.Fatal(err)
		}
	}
}
