package metrics

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// What a History keeps: so long, a sample so often.
const (
	HistorySpan  = 4 * time.Hour
	HistoryEvery = 15 * time.Second
	// mostColumns bounds the series that are kept. Labels come from short lists, so
	// there are about 150; each that has ever moved takes 7.7 kB.
	mostColumns = 400
)

// kept names a family of which a history is kept. Its series are added up over
// all labels but split; "" adds up all.
type kept struct{ name, split string }

// keptFamilies is what the operations page draws.
var keptFamilies = []kept{
	{"discsafe_jobs_accepted_total", ""},
	{"discsafe_jobs_completed_total", ""},
	{"discsafe_jobs_failed_total", "reason"},
	{"discsafe_jobs_promised_total", "kept"},
	{"discsafe_job_seconds", ""},
	{"discsafe_job_wait_seconds", ""},
	{"discsafe_oldest_waiting_seconds", ""},
	{"discsafe_jobs_open", "state"},
	{"discsafe_slots", "state"},
	{"discsafe_stage_seconds", "stage"},
	{"discsafe_stage_realtime_ratio", "stage"},
	{"discsafe_disk_free_bytes", "volume"},
	{"discsafe_retention_behind_seconds", ""},
	{"discsafe_disk_write_seconds", "volume"},
	{"discsafe_disk_writable", "volume"},
	{"discsafe_uploads_unfinished", ""},
	{"discsafe_upload_silent_seconds", ""},
	{"discsafe_attempts_total", "outcome"},
	{"discsafe_worker_trouble_total", "reason"},
	{"discsafe_redeliveries_total", ""},
	{"discsafe_fenced_total", ""},
	{"discsafe_jobs_rung_again_total", ""},
	{"discsafe_integrity_violations_total", ""},
	{"discsafe_dead_letters", ""},
	{"discsafe_uploads_refused_total", "reason"},
	{"discsafe_sign_in_failures_total", "kind"},
	{"discsafe_http_requests_total", "status"},
	{"discsafe_job_processes_cpu_seconds_total", ""},
	{"discsafe_job_processes_resident_bytes", ""},
	{"process_cpu_seconds_total", ""},
	{"process_resident_memory_bytes", ""},
	{"process_open_fds", ""},
	{"go_goroutines", ""},
}

// probes are routes whose answers say how the service stands, not how it serves;
// they are left out, as the alerts leave them out.
var probes = []string{"GET /readyz", "GET /healthz", "GET /metrics"}

// History keeps samples of a process's own metrics for HistorySpan, in memory
// that does not grow beyond a bound (about 1.2 MB at the usual number of series,
// 3.1 MB at the most). Make one with NewHistory and call Take every HistoryEvery.
type History struct {
	from prometheus.Gatherer
	keep map[string]string // split by family
	cap  int

	mu      sync.Mutex
	wall    time.Time // of the last sample, as the clock told it
	atS     []float64 // ring: when samples were taken, in seconds of a clock that only runs forwards
	n, next int
	columns map[string]*column
	dropped int
}

// column is one series: a ring beside History.atS.
type column struct {
	counter bool
	v       []float64
}

// NewHistory keeps nothing yet.
func NewHistory(from prometheus.Gatherer) *History {
	h := &History{from: from, keep: map[string]string{}, cap: int(HistorySpan / HistoryEvery), columns: map[string]*column{}}
	for _, k := range keptFamilies {
		h.keep[k.name] = k.split
	}
	h.atS = make([]float64, h.cap)
	return h
}

// NewHistory keeps a history of m.
func (m *Metrics) NewHistory() *History { return NewHistory(m.reg) }

// Take takes a sample. Its error says what could not be read; what could is kept.
// A clock that is set back does not turn time around: the sample then counts as
// taken HistoryEvery after the one before.
func (h *History) Take(now time.Time) error {
	families, err := h.from.Gather()
	values := map[string]reading{}
	for _, f := range families {
		if split, ok := h.keep[f.GetName()]; ok {
			read(f, split, values)
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	atS := 0.0
	if h.n > 0 {
		step := now.Sub(h.wall)
		if step <= 0 {
			step = HistoryEvery
		}
		atS = h.atS[h.index(h.n-1)] + step.Seconds()
	}
	h.wall = now
	for key, r := range values {
		if h.columns[key] == nil {
			h.begin(key, r)
		}
	}
	h.atS[h.next] = atS
	for key, c := range h.columns {
		r, ok := values[key]
		switch {
		case ok:
			c.v[h.next] = r.value
		case c.counter && h.n > 0: // it does not go down because it was not told
			c.v[h.next] = c.v[h.index(h.n-1)]
		default:
			c.v[h.next] = math.NaN()
		}
	}
	h.next = (h.next + 1) % h.cap
	h.n = min(h.n+1, h.cap)
	if err != nil {
		return fmt.Errorf("metrics: sampling for the history: %w", err)
	}
	return nil
}

// begin makes a column for a series that is seen for the first time. A counter
// that has not moved needs none: without a column it counts as 0.
func (h *History) begin(key string, r reading) {
	if r.counter && r.value == 0 {
		return
	}
	if len(h.columns) >= mostColumns {
		h.dropped++
		return
	}
	c := &column{counter: r.counter, v: make([]float64, h.cap)}
	if !r.counter {
		for i := range c.v {
			c.v[i] = math.NaN()
		}
	}
	h.columns[key] = c
}

// index is where the i-th oldest sample stands.
func (h *History) index(i int) int { return (h.next - h.n + i + 2*h.cap) % h.cap }

// reading is one value of a scrape.
type reading struct {
	value   float64
	counter bool
}

// Parts of a histogram stand in columns of their own.
const (
	countPart  = "#count"
	sumPart    = "#sum"
	bucketPart = "#le="
)

func keyOf(name, value string) string { return name + "|" + value }

// read adds up the series of a family.
func read(f *dto.MetricFamily, split string, into map[string]reading) {
	add := func(key string, v float64, counter bool) {
		into[key] = reading{into[key].value + v, counter}
	}
	for _, m := range f.GetMetric() {
		if slices.Contains(probes, labelOf(m, "route")) {
			continue
		}
		key := keyOf(f.GetName(), labelOf(m, split))
		switch f.GetType() {
		case dto.MetricType_COUNTER:
			add(key, m.GetCounter().GetValue(), true)
		case dto.MetricType_GAUGE:
			add(key, m.GetGauge().GetValue(), false)
		case dto.MetricType_HISTOGRAM:
			g := m.GetHistogram()
			add(key+countPart, float64(g.GetSampleCount()), true)
			add(key+sumPart, g.GetSampleSum(), true)
			if split != "" {
				continue // only means are drawn
			}
			for _, b := range g.GetBucket() {
				add(key+bucketPart+fmt.Sprint(b.GetUpperBound()), float64(b.GetCumulativeCount()), true)
			}
		}
	}
}

func labelOf(m *dto.Metric, name string) string {
	for _, l := range m.GetLabel() {
		if name != "" && l.GetName() == name {
			return l.GetValue()
		}
	}
	return ""
}

// valuesOf lists the values of the split label that have a column, in order.
func (h *History) valuesOf(name string) []string {
	var out []string
	for key := range h.columns {
		if rest, ok := strings.CutPrefix(key, name+"|"); ok {
			rest, _, _ = strings.Cut(rest, "#")
			if !slices.Contains(out, rest) {
				out = append(out, rest)
			}
		}
	}
	slices.Sort(out)
	return out
}
