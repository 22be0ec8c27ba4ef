//go:build battery

package pipeline_test

import (
	"fmt"
	"math"
	"sync"
)

// worst is the worst value of one measure and when it was met.
type worst struct {
	value float64
	atS   float64
}

// findings is the groove of a written premaster as the battery computes it.
// Ratios are over the limit at the radius where the moment lands.
type findings struct {
	minWidthUM, maxDepthUM, minLandUM worst
	slope, deepening, curvature       worst
	lateralPeakUM, verticalPeakUM     float64
}

// bounds are the limits a premaster is held against.
type bounds struct {
	minWidthUM, maxDepthUM, minLandUM float64
	backFacet, clearance              float64 // tangents
	tipUM                             float64
	revolutionS                       float64
}

func (o outcome) bounds() bounds {
	rad := func(deg float64) float64 { return deg * math.Pi / 180 }
	return bounds{
		minWidthUM: o.Room.Groove.MinWidthUM, maxDepthUM: o.Room.Groove.MaxDepthUM, minLandUM: o.Room.Groove.MinLandUM,
		backFacet: math.Tan(rad(o.Room.Cutter.BackFacetDeg)), clearance: math.Tan(rad(o.Room.Cutter.ClearanceDeg)),
		tipUM: o.Room.Playback.TipUM, revolutionS: 60 / o.Side.Disc.RPM,
	}
}

const (
	marginS    = 4.0  // the 1 Hz floor rings for about a second: exp(-4.4 x 4) is 2e-8
	leadFrames = 1024 // silence before the first frame, for reading between samples there
	maxWindow  = 1 << 21
)

// verify computes the groove that s cuts at v1k (m/s of a 1 kHz full-scale sine)
// along the plan. Programmes up to maxWindow frames are transformed whole;
// longer ones in windows that overlap by more than the predictor remembers.
func verify(s sound, v1k float64, p *groovePlan, b bounds) (findings, error) {
	if len(p.t) == 0 {
		return findings{}, fmt.Errorf("the report holds no land plan points")
	}
	longest := maxWindow
	if s.rate > 96000 {
		longest *= 2
	}
	n := 1 << 12
	for n < s.frames()+int(marginS*float64(s.rate)) && n < longest {
		n *= 2
	}
	return verifyIn(n, s, v1k, p, b), nil
}

// verifyIn works in windows of n frames.
func verifyIn(n int, s sound, v1k float64, p *groovePlan, b bounds) findings {
	over := 1
	if s.rate < 88200 {
		over = 2
	}
	margin := int(marginS * float64(s.rate))
	turn := int(math.Round(b.revolutionS * float64(s.rate)))
	f := findings{
		minWidthUM: worst{value: math.Inf(1)}, minLandUM: worst{value: math.Inf(1)}, maxDepthUM: worst{value: math.Inf(-1)},
	}
	t := newPairTransformer(n, over, s.rate)
	v := &verifier{b: b, plan: p, over: over, rate: s.rate, ip: newInterpolator(), f: &f}
	var w walls
	if s.frames()+margin <= n {
		l, r := make([]float64, s.frames()+leadFrames), make([]float64, s.frames()+leadFrames)
		cut(l, s.l, -leadFrames)
		cut(r, s.r, -leadFrames)
		t.motion(&w, l, r, v1k)
		v.window(&w, -leadFrames, 0, s.frames(), s.frames()-turn, turn)
		return f
	}
	core := n - 3*margin - turn
	taper := hann(margin / 2)
	l, r := make([]float64, n-margin), make([]float64, n-margin)
	for start := 0; start < s.frames(); start += core {
		from := start - margin
		cut(l, s.l, from)
		cut(r, s.r, from)
		fadeEdges(l, taper, from <= 0, from+len(l) >= s.frames())
		fadeEdges(r, taper, from <= 0, from+len(r) >= s.frames())
		t.motion(&w, l, r, v1k)
		end := min(start+core, s.frames())
		v.window(&w, from, start, end, min(end, s.frames()-turn), turn)
	}
	return f
}

// cut copies src from a frame on, with zeros outside.
func cut(dst, src []float64, from int) {
	clear(dst)
	lo, hi := max(0, from), min(len(src), from+len(dst))
	if hi > lo {
		copy(dst[lo-from:], src[lo:hi])
	}
}

func hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(math.Pi*(float64(i)+0.5)/float64(n))
	}
	return w
}

func fadeEdges(x, w []float64, first, last bool) {
	for i, g := range w {
		if !first {
			x[i] *= g
		}
		if !last {
			x[len(x)-1-i] *= g
		}
	}
}

// verifier walks windows of wall motion.
type verifier struct {
	b          bounds
	plan       *groovePlan
	over, rate int
	ip         *interpolator
	f          *findings
}

// cursor reads the plan at times that mostly go forward.
type cursor struct {
	plan groovePlan
	v    *verifier
}

// at is groove speed in m/s and mean depth in um.
func (c *cursor) at(t float64) (speed, depth float64) {
	r, h := c.plan.at(t)
	return 2 * math.Pi * r * 1e-6 / c.v.b.revolutionS, h
}

// window looks at frames [start, end) of the side; w begins at frame from. Land
// is looked at in [start, landEnd) against one revolution (turn frames) later.
// Every measure is turned so that greater is worse; the measures are
// independent of each other and run side by side.
func (v *verifier) window(w *walls, from, start, end, landEnd, turn int) {
	lo, hi := (start-from)*v.over, (end-from)*v.over
	t0 := float64(from) / float64(v.rate)
	time := func(i, eighth int) float64 { return t0 + (float64(i)+float64(eighth)/8)/w.rateHz }
	var all sync.WaitGroup
	scan := func(best *worst, sign float64, offset bool, hi int, measure func(c, next *cursor, i, p int) float64) {
		all.Go(func() {
			c, next := &cursor{plan: *v.plan, v: v}, &cursor{plan: *v.plan, v: v}
			found := worst{value: sign * best.value, atS: best.atS}
			v.scan(&found, offset, lo, hi, time, func(i, p int) float64 { return measure(c, next, i, p) })
			*best = worst{value: sign * found.value, atS: found.atS}
		})
	}
	scan(&v.f.slope, 1, false, hi, func(c, _ *cursor, i, p int) float64 {
		speed, _ := c.at(time(i, p))
		return math.Sqrt2 * math.Max(math.Abs(v.read(w.vl, i, p)), math.Abs(v.read(w.vr, i, p))) / (speed * v.b.backFacet)
	})
	scan(&v.f.curvature, 1, false, hi, func(c, _ *cursor, i, p int) float64 {
		speed, _ := c.at(time(i, p))
		return math.Max(math.Abs(v.read(w.al, i, p)), math.Abs(v.read(w.ar, i, p))) * v.b.tipUM * 1e-6 / (speed * speed)
	})
	scan(&v.f.deepening, 1, false, hi, func(c, _ *cursor, i, p int) float64 {
		speed, _ := c.at(time(i, p))
		return (v.read(w.vr, i, p) - v.read(w.vl, i, p)) / math.Sqrt2 / (speed * v.b.clearance)
	})
	scan(&v.f.maxDepthUM, 1, true, hi, func(c, _ *cursor, i, p int) float64 {
		_, depth := c.at(time(i, p))
		return depth - (v.read(w.xl, i, p)-v.read(w.xr, i, p))/math.Sqrt2
	})
	scan(&v.f.minWidthUM, -1, true, hi, func(c, _ *cursor, i, p int) float64 {
		_, depth := c.at(time(i, p))
		return math.Sqrt2*(v.read(w.xl, i, p)-v.read(w.xr, i, p)) - 2*depth
	})
	later := turn * v.over
	scan(&v.f.minLandUM, -1, true, (landEnd-from)*v.over, func(c, next *cursor, i, p int) float64 {
		r, h := c.plan.at(time(i, p))
		r2, h2 := next.plan.at(time(i+later, p))
		return -(r - r2 - h - h2 + math.Sqrt2*(v.read(w.xl, i, p)-v.read(w.xr, i+later, p)))
	})
	all.Go(func() {
		for i := lo; i < hi; i++ {
			v.f.lateralPeakUM = math.Max(v.f.lateralPeakUM, math.Abs(w.xl[i]+w.xr[i])/math.Sqrt2)
			v.f.verticalPeakUM = math.Max(v.f.verticalPeakUM, math.Abs(w.xl[i]-w.xr[i])/math.Sqrt2)
		}
	})
	all.Wait()
}

func (v *verifier) read(x []float64, i, p int) float64 {
	if p == 0 {
		if i < 0 || i >= len(x) {
			return 0
		}
		return x[i]
	}
	return v.ip.at(x, i, p)
}

// scan finds the greatest value of measure on the grid, then looks between the
// grid points around every local maximum that could hide a greater one: for a
// band-limited function with its greatest magnitude M at t0, |f(t)| >= M
// cos(w(t-t0)) while w|t-t0| <= pi/2, so on a grid of at least 88.2 kHz a signal
// that ends at 24 kHz reads at least cos(pi 24/88.2) = 0.66 of it on the grid. A
// measure with an offset (width, depth, land) swings around its mean instead
// of 0.
func (v *verifier) scan(best *worst, offset bool, lo, hi int, time func(i, eighth int) float64, measure func(i, eighth int) float64) {
	if hi <= lo {
		return
	}
	grid := make([]float64, hi-lo)
	top, rest := math.Inf(-1), 0.0
	for i := range grid {
		grid[i] = measure(lo+i, 0)
		top = math.Max(top, grid[i])
		if offset {
			rest += grid[i]
		}
	}
	rest /= float64(len(grid))
	low := rest + 0.65*(math.Max(top, best.value)-rest)
	for i, g := range grid {
		if g < low || i > 0 && g < grid[i-1] || i < len(grid)-1 && g < grid[i+1] {
			continue
		}
		for e := -7; e <= 7; e++ {
			j, p := lo+i+floorDiv(e, 8), ((e%8)+8)%8
			if j < lo || j >= hi {
				continue
			}
			if m := measure(j, p); m > best.value {
				*best = worst{value: m, atS: time(j, p)}
			}
		}
	}
}

func floorDiv(a, b int) int {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// Tolerances of the verdict. The predictor states 0.05 dB (0.58 %) on motion and
// the plan is given in micrometres with steps; together 1 % of a limit. Land is
// the small remainder of a pitch of some 100 um, so it is held to 1 % of the
// least pitch any default room cuts, 0.65 um.
const (
	ratioTolerance = 0.01
	landSlackUM    = 0.65
)

// violation is one limit broken.
type violation struct {
	measure      string
	value, limit float64
	atS          float64
}

func (x violation) String() string {
	return fmt.Sprintf("%s %.4g against %.4g at %.4f s", x.measure, x.value, x.limit, x.atS)
}

func (f findings) violations(b bounds) []violation {
	var out []violation
	over := func(name string, w worst, limit float64) {
		if w.value > limit*(1+ratioTolerance) {
			out = append(out, violation{name, w.value, limit, w.atS})
		}
	}
	over("slope", f.slope, 1)
	over("deepening", f.deepening, 1)
	over("curvature", f.curvature, 1)
	over("depth", f.maxDepthUM, b.maxDepthUM)
	if f.minWidthUM.value < b.minWidthUM*(1-ratioTolerance) {
		out = append(out, violation{"width", f.minWidthUM.value, b.minWidthUM, f.minWidthUM.atS})
	}
	if f.minLandUM.value < b.minLandUM-landSlackUM {
		out = append(out, violation{"land", f.minLandUM.value, b.minLandUM, f.minLandUM.atS})
	}
	return out
}
