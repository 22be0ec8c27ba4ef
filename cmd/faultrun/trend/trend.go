// Package trend says how fast a quantity that was sampled over time rises, and
// how sure that is: the median of the slopes of all pairs (Theil 1950, Sen
// 1968), which single jumps and the saw tooth of a garbage collector hardly
// move. Enter at Of. It must not know what was measured.
package trend

import (
	"errors"
	"math"
	"slices"
)

// Slope is a rate of change in units of the quantity for each unit of time,
// with a confidence interval of 95 %.
type Slope struct {
	Per, Low, High float64
	// Lag1 is the correlation of neighbouring blocks about the line, 0 if negative.
	// The interval is made wider for it.
	Lag1 float64
}

// ErrFew says that there are too few samples for a slope with an interval.
var ErrFew = errors.New("too few samples for a slope")

// leastBlocks is the least number of blocks: below, the normal approximation of
// Kendall's statistic, on which the interval rests, is poor.
const leastBlocks = 10

// Of finds the slope of samples v taken at times t, in rising order, from the
// medians of so many blocks of equal length in time. Samples that lie close
// together tell the same thing again; blocks are what is counted.
func Of(t, v []float64, blocks int) (Slope, error) {
	x, y := medians(t, v, blocks)
	n := len(x)
	if n < leastBlocks {
		return Slope{}, ErrFew
	}
	slopes := make([]float64, 0, n*(n-1)/2)
	for i := range n {
		for j := i + 1; j < n; j++ {
			slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
		}
	}
	slices.Sort(slopes)
	s := Slope{Per: middle(slopes)}
	s.Lag1 = lag1(x, y, s.Per)
	// Variance of Kendall's S without ties, which is the greatest it can be, times
	// what correlated neighbours add to that of a mean.
	k := float64(n)
	sigma := math.Sqrt(k * (k - 1) * (2*k + 5) / 18 * (1 + s.Lag1) / (1 - s.Lag1))
	const z = 1.96
	m := float64(len(slopes))
	low, high := int((m-z*sigma)/2), int(math.Ceil((m+z*sigma)/2))
	s.Low, s.High = math.Inf(-1), math.Inf(1)
	if low >= 0 {
		s.Low = slopes[low]
	}
	if high < len(slopes) {
		s.High = slopes[high]
	}
	return s, nil
}

// Median is the middle of values, NaN of none. They are not changed.
func Median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	v = slices.Clone(v)
	slices.Sort(v)
	return middle(v)
}

func middle(sorted []float64) float64 {
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

func medians(t, v []float64, blocks int) (x, y []float64) {
	if len(t) < 2 || blocks < 1 {
		return nil, nil
	}
	width := (t[len(t)-1] - t[0]) / float64(blocks)
	if width <= 0 {
		return nil, nil
	}
	var at, of []float64
	block := 0
	end := func() {
		if len(at) > 0 {
			x, y = append(x, Median(at)), append(y, Median(of))
		}
		at, of = at[:0], of[:0]
	}
	for i := range t {
		if b := min(blocks-1, int((t[i]-t[0])/width)); b != block {
			end()
			block = b
		}
		at, of = append(at, t[i]), append(of, v[i])
	}
	end()
	return x, y
}

// lag1 is the correlation of neighbours about a line of the given slope, from 0
// to 0.9: beyond that so few blocks say nothing.
func lag1(x, y []float64, slope float64) float64 {
	r := make([]float64, len(x))
	mean := 0.0
	for i := range x {
		r[i] = y[i] - slope*x[i]
		mean += r[i] / float64(len(x))
	}
	var with, own float64
	for i := range r {
		own += (r[i] - mean) * (r[i] - mean)
		if i > 0 {
			with += (r[i] - mean) * (r[i-1] - mean)
		}
	}
	if own == 0 {
		return 0
	}
	return min(0.9, max(0, with/own))
}
