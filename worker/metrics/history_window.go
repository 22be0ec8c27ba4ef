package metrics

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Window is a part of a History up to its last sample, cut into bins of equal
// length. Its methods return one value for each bin, oldest first, NaN where
// nothing is known: before the process began, or while it was not sampled.
type Window struct {
	Span, Step time.Duration
	Bins       int
	Taken      time.Time // the last sample, as the clock told it; zero if there is none
	Samples    int       // in all of the history
	Dropped    int       // series too many, of which nothing is kept
	KeptS      float64   // from its oldest sample to the last, in seconds

	// A bin rises from sample first to sample last, and holds those from inside to
	// last; last -1: it holds none.
	first, inside, last []int
	seconds             []float64
	columns             map[string]column // in order of time
	values              map[string][]string
}

// Window cuts the last span into bins. A bin should hold at least two samples.
func (h *History) Window(span time.Duration, bins int) *Window {
	bins = max(1, bins)
	w := &Window{Span: span, Bins: bins, Step: span / time.Duration(bins), columns: map[string]column{}, values: map[string][]string{}}
	h.mu.Lock()
	defer h.mu.Unlock()
	w.Samples, w.Taken, w.Dropped = h.n, h.wall, h.dropped
	atS := make([]float64, h.n)
	for i := range atS {
		atS[i] = h.atS[h.index(i)]
	}
	if h.n > 0 {
		w.KeptS = atS[h.n-1] - atS[0]
	}
	from := w.cut(atS)
	for key, c := range h.columns {
		part := column{counter: c.counter, v: make([]float64, h.n-from)}
		for i := range part.v {
			part.v[i] = c.v[h.index(from+i)]
		}
		w.columns[key] = part
	}
	for name := range h.keep {
		w.values[name] = h.valuesOf(name)
	}
	return w
}

// cut finds the samples of each bin and returns the first sample that is needed.
// The edges of bins belong to the bin before.
func (w *Window) cut(atS []float64) (from int) {
	n := len(atS)
	w.first, w.inside, w.last, w.seconds = make([]int, w.Bins), make([]int, w.Bins), make([]int, w.Bins), make([]float64, w.Bins)
	if n == 0 {
		for i := range w.last {
			w.last[i] = -1
		}
		return 0
	}
	step := w.Span.Seconds() / float64(w.Bins)
	begin := atS[n-1] - w.Span.Seconds()
	upTo := func(t float64) int { // the last sample at or before t; -1: none
		i, found := slices.BinarySearch(atS, t+1e-9*(1+math.Abs(t))) // sums of steps err in the last bits
		if found {
			return i
		}
		return i - 1
	}
	for i := range w.Bins {
		a, b := upTo(begin+float64(i)*step), upTo(begin+float64(i+1)*step)
		w.inside[i] = a + 1
		switch {
		case b == a: // nothing in it
			b = -1
		case a < 0: // the process began within it
			a = 0
		}
		w.first[i], w.last[i] = a, b
		if b >= 0 {
			w.seconds[i] = atS[b] - atS[a]
		}
	}
	from = n
	for i, b := range w.last {
		if b >= 0 {
			from = min(from, w.first[i])
		}
	}
	for i := range w.last {
		if w.last[i] >= 0 {
			w.first[i], w.inside[i], w.last[i] = w.first[i]-from, w.inside[i]-from, w.last[i]-from
		}
	}
	return from
}

// grown is how much a counter rose between two samples. One that fell began
// anew at 0, as it does with a new process.
func grown(a, b float64) float64 {
	if b < a {
		return max(0, b)
	}
	return b - a
}

// Increase is by how much a counter rose in each bin. A counter that never moved
// rose by 0.
func (w *Window) Increase(name, value string) []float64 { return w.increase(keyOf(name, value)) }

func (w *Window) increase(key string) []float64 {
	c, ok := w.columns[key]
	out := make([]float64, w.Bins)
	for i := range out {
		switch {
		case w.last[i] < 0 || w.last[i] == w.first[i]:
			out[i] = math.NaN()
		case ok:
			// Between any two samples, so that a restart within the bin loses nothing.
			for j := w.first[i]; j < w.last[i]; j++ {
				out[i] += grown(c.v[j], c.v[j+1])
			}
		}
	}
	return out
}

// PerSecond is how fast a counter rose in each bin.
func (w *Window) PerSecond(name, value string) []float64 {
	out := w.Increase(name, value)
	for i := range out {
		out[i] /= w.seconds[i] // NaN stays NaN
	}
	return out
}

// Named is a series of a family with the value of its label.
type Named struct {
	Value  string
	Points []float64
	Total  float64
}

// Increases are those of all values of a family's label that rose in the window,
// the greatest first.
func (w *Window) Increases(name string) []Named {
	var out []Named
	for _, v := range w.values[name] {
		p := w.Increase(name, v)
		if total := Total(p); total > 0 {
			out = append(out, Named{v, p, total})
		}
	}
	slices.SortStableFunc(out, func(a, b Named) int { return cmp.Compare(b.Total, a.Total) })
	return out
}

// IncreaseOf is by how much the counters of a family rose together in each bin,
// those whose label has a value that keep takes; nil takes all.
func (w *Window) IncreaseOf(name string, keep func(value string) bool) []float64 {
	out := w.increase("") // no counter has this key: 0, or NaN where nothing is known
	for _, v := range w.values[name] {
		if keep != nil && !keep(v) {
			continue
		}
		for i, rose := range w.Increase(name, v) {
			out[i] += rose
		}
	}
	return out
}

// Values lists the values of a family's label of which anything is kept.
func (w *Window) Values(name string) []string { return w.values[name] }

// Total adds up what is known.
func Total(points []float64) (sum float64) {
	for _, p := range points {
		if !math.IsNaN(p) {
			sum += p
		}
	}
	return sum
}

// Greatest is the greatest value of a gauge in each bin.
func (w *Window) Greatest(name, value string) []float64 {
	return w.extreme(name, value, func(a, b float64) bool { return a > b })
}

// Least is the least value of a gauge in each bin.
func (w *Window) Least(name, value string) []float64 {
	return w.extreme(name, value, func(a, b float64) bool { return a < b })
}

func (w *Window) extreme(name, value string, better func(a, b float64) bool) []float64 {
	c, ok := w.columns[keyOf(name, value)]
	out := make([]float64, w.Bins)
	for i := range out {
		out[i] = math.NaN()
		if !ok || w.last[i] < 0 {
			continue
		}
		for _, v := range c.v[w.inside[i] : w.last[i]+1] {
			if !math.IsNaN(v) && (math.IsNaN(out[i]) || better(v, out[i])) {
				out[i] = v
			}
		}
	}
	return out
}

// AtEnd is the value of a gauge at the end of each bin. Gauges that add up to
// something must be added up at the same moments.
func (w *Window) AtEnd(name, value string) []float64 {
	c, ok := w.columns[keyOf(name, value)]
	out := make([]float64, w.Bins)
	for i := range out {
		out[i] = math.NaN()
		if ok && w.last[i] >= 0 {
			out[i] = c.v[w.last[i]]
		}
	}
	return out
}

// Last is the value of a gauge in the last sample; NaN if it is not known.
func (w *Window) Last(name, value string) float64 {
	c, ok := w.columns[keyOf(name, value)]
	if !ok || len(c.v) == 0 {
		return math.NaN()
	}
	return c.v[len(c.v)-1]
}

// Mean is the mean of what a histogram took in each bin; NaN where it took
// nothing.
func (w *Window) Mean(name, value string) []float64 {
	sum, count := w.increase(keyOf(name, value)+sumPart), w.increase(keyOf(name, value)+countPart)
	for i := range sum {
		sum[i] /= count[i] // 0/0 is NaN
	}
	return sum
}

// MeanOfAll is the mean of what a histogram took in the window, and how much it
// took.
func (w *Window) MeanOfAll(name, value string) (mean, count float64) {
	count = Total(w.increase(keyOf(name, value) + countPart))
	return Total(w.increase(keyOf(name, value)+sumPart)) / count, count
}

// Quantile estimates a quantile (q in 0..1) of what a histogram took in each bin;
// NaN where it took nothing. Within a bucket, values count as spread evenly; what
// lies beyond the last bound counts as that bound.
func (w *Window) Quantile(name string, q float64) []float64 {
	bounds, rose := w.buckets(name)
	count := w.increase(keyOf(name, "") + countPart)
	out := make([]float64, w.Bins)
	for i := range out {
		under := make([]float64, len(bounds))
		for j := range bounds {
			under[j] = rose[j][i]
		}
		out[i] = quantile(q, bounds, under, count[i])
	}
	return out
}

// QuantileOfAll estimates a quantile of what a histogram took in the window, and
// tells how much it took.
func (w *Window) QuantileOfAll(name string, q float64) (value, count float64) {
	bounds, rose := w.buckets(name)
	count = Total(w.increase(keyOf(name, "") + countPart))
	under := make([]float64, len(bounds))
	for j := range bounds {
		under[j] = Total(rose[j])
	}
	return quantile(q, bounds, under, count), count
}

// buckets returns the bounds of a histogram, rising, and how much each of its
// cumulative counts rose in each bin. A bucket that never counted has no column;
// those below it have none either, and it must still bound the next one.
func (w *Window) buckets(name string) (bounds []float64, rose [][]float64) {
	bounds = slices.Clone(jobBuckets)
	prefix := keyOf(name, "") + bucketPart
	for key := range w.columns {
		s, ok := strings.CutPrefix(key, prefix)
		if !ok {
			continue
		}
		if b, err := strconv.ParseFloat(s, 64); err == nil && !math.IsInf(b, 0) && !slices.Contains(bounds, b) {
			bounds = append(bounds, b)
		}
	}
	slices.Sort(bounds)
	for _, b := range bounds {
		rose = append(rose, w.increase(prefix+strconv.FormatFloat(b, 'g', -1, 64)))
	}
	return bounds, rose
}

func quantile(q float64, bounds, under []float64, count float64) float64 {
	if !(count > 0) {
		return math.NaN()
	}
	rank := min(1, max(0, q)) * count
	low, below := 0.0, 0.0
	for i, b := range bounds {
		if under[i] >= rank && under[i] > below {
			return low + (b-low)*(rank-below)/(under[i]-below)
		}
		low, below = b, max(below, under[i])
	}
	return bounds[len(bounds)-1]
}
