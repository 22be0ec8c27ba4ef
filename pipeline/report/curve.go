package report

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// MaxPoints is the most points a curve of [Series] may have: more than a page
// or a screen can show apart.
const MaxPoints = 1200

// Curve is a row of values over time. NaN is a gap and is written as null;
// infinities are refused by [Report.Write].
type Curve []float64

// CurveOf copies v and turns infinities into gaps, for meters that say -Inf
// for silence.
func CurveOf(v []float64) Curve {
	c := make(Curve, len(v))
	for i, x := range v {
		if math.IsInf(x, 0) {
			x = math.NaN()
		}
		c[i] = x
	}
	return c
}

// MarshalJSON writes gaps as null and a nil curve as an empty array.
func (c Curve) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 2+9*len(c))
	b = append(b, '[')
	for i, x := range c {
		if i > 0 {
			b = append(b, ',')
		}
		switch {
		case math.IsNaN(x):
			b = append(b, "null"...)
		case math.IsInf(x, 0):
			return nil, fmt.Errorf("point %d is infinite; use NaN for a gap", i)
		default:
			// Six significant digits are finer than any plot and keep the file small.
			b = strconv.AppendFloat(b, round6(x), 'g', -1, 64)
		}
	}
	return append(b, ']'), nil
}

// UnmarshalJSON reads null as a gap.
func (c *Curve) UnmarshalJSON(b []byte) error {
	var raw []*float64
	if err := json.Unmarshal(b, &raw); err != nil {
		return err
	}
	out := make(Curve, len(raw))
	for i, p := range raw {
		if p == nil {
			out[i] = math.NaN()
		} else {
			out[i] = *p
		}
	}
	*c = out
	return nil
}

// round6 keeps six significant digits.
func round6(x float64) float64 {
	y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	return y
}

// Num returns a pointer to v, or nil if v is not a finite number. The caller
// states why in Unavailable.
func Num(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// RawOf encodes plan, room or parameters for a report.
func RawOf(v any) (json.RawMessage, error) {
	if err := checkFinite(v); err != nil {
		return nil, err
	}
	return json.Marshal(v)
}

// Keep says which value of an interval survives in [Reduce].
type Keep int

// The values of Keep.
const (
	KeepFirst Keep = iota // the first value: for time and radius
	KeepMin               // the least: width, land, gain
	KeepMax               // the greatest: depth, ratios
)

// Reduce cuts v into at most points intervals of equal length (the last may be
// shorter) and keeps one value of each. Curves of equal length reduced to the
// same number of points stay aligned. NaN counts only if nothing else is in
// the interval; infinities become NaN.
func Reduce(v []float64, points int, keep Keep) Curve {
	if points < 1 || len(v) == 0 {
		return Curve{}
	}
	step := (len(v) + points - 1) / points
	out := make(Curve, 0, points)
	for i := 0; i < len(v); i += step {
		part := v[i:min(i+step, len(v))]
		best := part[0]
		for _, x := range part[1:] {
			switch {
			case keep == KeepFirst || math.IsNaN(x):
			case math.IsNaN(best), keep == KeepMin && x < best, keep == KeepMax && x > best:
				best = x
			}
		}
		if math.IsInf(best, 0) {
			best = math.NaN()
		}
		out = append(out, best)
	}
	return out
}
