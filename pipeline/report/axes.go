package report

import (
	"html"
	"math"
	"sort"
)

// timeSteps are the distances between time ticks, in seconds.
var timeSteps = []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 180, 300, 600, 900, 1200, 1800, 3600}

// timeAxis draws m:ss along the bottom, radius along the top and a mark where
// each track begins.
func (p plot) timeAxis(d *drawing) {
	step := timeSteps[len(timeSteps)-1]
	for _, s := range timeSteps {
		if (d.x1-d.x0)/s <= 6 {
			step = s
			break
		}
	}
	base := plotH - plotB
	for i, k := 0, math.Ceil(d.x0/step); k*step <= d.x1 && i < 20; i, k = i+1, k+1 {
		t := k * step
		label := clockShort(t)
		if step < 1 {
			label = number(t, 1)
		}
		d.f(`<path class="frame" d="M%.1f %gv5"/><text class="tick" x="%.1f" y="%g" text-anchor="middle">%s</text>`, d.px(t), base, d.px(t), base+19, label)
	}
	unit := "time on the side, m:ss"
	if step < 1 {
		unit = "time on the side, s"
	}
	d.f(`<text class="axis-name" x="%g" y="%g" text-anchor="end">%s</text>`, plotW-plotR, base+36, unit)
	for i, t := range p.tracks {
		if i > 0 && t.StartS >= d.x0 && t.StartS <= d.x1 {
			d.f(`<path class="track" d="M%.1f %gV%g"/>`, d.px(t.StartS), plotT, base)
		}
	}
	p.radiusAxis(d)
}

// radiusAxis puts round radii where the groove reaches them.
func (p plot) radiusAxis(d *drawing) {
	n := min(len(p.radius), len(p.radiusT))
	if n < 2 {
		return
	}
	from, to := p.radius[0], p.radius[n-1]
	if !(from > to) || !drawable(from) || !drawable(to) {
		return
	}
	step := 20.0
	for _, s := range []float64{0.5, 1, 2, 5, 10, 20} {
		if (from-to)/s <= 8 {
			step = s
			break
		}
	}
	decimals := 0
	if step < 1 {
		decimals = 1
	}
	d.f(`<path class="frame" d="M%g %gH%g"/>`, plotL, plotT, plotW-plotR)
	d.f(`<text class="axis-name" x="4" y="%g">mm</text>`, plotT-9)
	for k, r := 0, math.Floor(from/step)*step; r >= to && k < 20; k, r = k+1, r-step {
		// radius never grows with time, so a search finds the moment
		i := sort.Search(n, func(i int) bool { return p.radius[i] <= r })
		if i >= n {
			break
		}
		t := p.radiusT[i]
		if i > 0 && p.radius[i-1] > p.radius[i] {
			t = p.radiusT[i-1] + (p.radiusT[i]-p.radiusT[i-1])*(p.radius[i-1]-r)/(p.radius[i-1]-p.radius[i])
		}
		if !(t >= d.x0 && t <= d.x1) { // also NaN
			continue
		}
		d.f(`<path class="frame" d="M%.1f %gv-5"/><text class="tick" x="%.1f" y="%g" text-anchor="middle">%s</text>`, d.px(t), plotT, d.px(t), plotT-9, number(r, decimals))
	}
}

// frequencyAxis draws decades and their thirds.
func (p plot) frequencyAxis(d *drawing) {
	base := plotH - plotB
	for _, t := range []struct {
		hz   float64
		text string
	}{{20, "20"}, {50, "50"}, {100, "100"}, {200, "200"}, {500, "500"}, {1000, "1k"}, {2000, "2k"}, {5000, "5k"}, {10000, "10k"}, {20000, "20k"}} {
		if t.hz < d.x0 || t.hz > d.x1 {
			continue
		}
		x := d.px(t.hz)
		d.f(`<path class="grid" d="M%.1f %gV%g"/><path class="frame" d="M%.1f %gv5"/>`, x, plotT, base, x, base)
		d.f(`<text class="tick" x="%.1f" y="%g" text-anchor="middle">%s</text>`, x, base+19, html.EscapeString(t.text))
	}
	d.f(`<text class="axis-name" x="%g" y="%g" text-anchor="end">third-octave centre, Hz</text>`, plotW-plotR, base+36)
}
