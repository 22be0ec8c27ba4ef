package metrics

import (
	"slices"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
)

// prefix begins every name of ours.
const prefix = "discsafe_"

// Doc describes one metric.
type Doc struct {
	Name   string
	Type   string // counter, gauge, histogram
	Unit   string // seconds, bytes, ratio, or empty for plain counts
	Labels []string
	Help   string
}

// Describe lists every metric of ours, by name. The collectors of the runtime
// and the process come on top.
func Describe() []Doc {
	d := New().docs
	slices.SortFunc(d, func(a, b Doc) int { return strings.Compare(a.Name, b.Name) })
	return d
}

// families makes metrics, registers them and notes their description.
type families struct {
	reg  *prometheus.Registry
	docs []Doc
}

// note completes a name and notes its description.
func (f *families) note(kind, name, help string, labels []string) (full, unit string) {
	full = prefix + name
	for _, u := range []string{"seconds", "bytes", "ratio"} {
		if slices.Contains(strings.Split(name, "_"), u) {
			unit = u
		}
	}
	f.docs = append(f.docs, Doc{Name: full, Type: kind, Unit: unit, Labels: labels, Help: help})
	return full, unit
}

func (f *families) counter(name, help string) prometheus.Counter {
	full, _ := f.note("counter", name, help, nil)
	c := prometheus.NewCounter(prometheus.CounterOpts{Name: full, Help: help})
	f.reg.MustRegister(c)
	return c
}

// counts is a counter with one label. Every value is there from the start, at 0:
// a series that comes into being at 1 shows no rise, and the first failure
// would raise no alarm.
type counts struct {
	vec  *prometheus.CounterVec
	list values
}

func (f *families) counts(name, help, label string, list values) counts {
	c := counts{f.counterVec(name, help, label), list}
	for _, v := range list {
		c.vec.WithLabelValues(v)
	}
	c.vec.WithLabelValues(other)
	return c
}

func (c counts) add(value string, n float64) { c.vec.WithLabelValues(c.list.of(value)).Add(n) }

func (f *families) counterVec(name, help string, labels ...string) *prometheus.CounterVec {
	full, _ := f.note("counter", name, help, labels)
	c := prometheus.NewCounterVec(prometheus.CounterOpts{Name: full, Help: help}, labels)
	f.reg.MustRegister(c)
	return c
}

func (f *families) gauge(name, help string) prometheus.Gauge {
	full, _ := f.note("gauge", name, help, nil)
	g := prometheus.NewGauge(prometheus.GaugeOpts{Name: full, Help: help})
	f.reg.MustRegister(g)
	return g
}

func (f *families) gauges(name, help string, labels ...string) *prometheus.GaugeVec {
	full, _ := f.note("gauge", name, help, labels)
	g := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: full, Help: help}, labels)
	f.reg.MustRegister(g)
	return g
}

func (f *families) histogram(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
	full, _ := f.note("histogram", name, help, labels)
	h := prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: full, Help: help, Buckets: buckets}, labels)
	f.reg.MustRegister(h)
	return h
}

// asked is a metric whose values are asked for at each scrape.
type asked struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
	ask  func(tell func(v float64, labels ...string))
}

func (f *families) asked(name, help string, labels []string, ask func(tell func(v float64, labels ...string))) {
	full, _ := f.note("gauge", name, help, labels)
	f.reg.MustRegister(&asked{prometheus.NewDesc(full, help, labels, nil), prometheus.GaugeValue, ask})
}

// askedCounter is asked for what only rises.
func (f *families) askedCounter(name, help string, ask func(tell func(v float64, labels ...string))) {
	full, _ := f.note("counter", name, help, nil)
	f.reg.MustRegister(&asked{prometheus.NewDesc(full, help, nil, nil), prometheus.CounterValue, ask})
}

// Describe implements prometheus.Collector.
func (a *asked) Describe(ch chan<- *prometheus.Desc) { ch <- a.desc }

// Collect implements prometheus.Collector.
func (a *asked) Collect(ch chan<- prometheus.Metric) {
	a.ask(func(v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(a.desc, a.kind, v, labels...)
	})
}
