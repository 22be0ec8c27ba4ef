package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strings"
)

// Size of a plot in user units. A plot is drawn small and scaled by the page:
// at 390 pixels its text is still readable.
const (
	plotW, plotH = 480.0, 262.0
	plotL, plotR = 56.0, 12.0
	plotT, plotB = 58.0, 40.0
	// plotColumns is the most intervals a line is drawn with: two units wide,
	// with the least and the greatest value of each.
	plotColumns = 206
)

// plotLine is one line of a plot, or a filled band if hi is set.
type plotLine struct {
	name   string
	hue    int  // 1 to 4, see the style sheet
	before bool // thin and dashed
	quiet  bool // left out of the legend
	xs, ys Curve
	hi     Curve // upper edge: a band from ys to hi
	keep   Keep  // which extreme the table lists; the drawing keeps both
}

// plotLimit is a horizontal line with a label.
type plotLimit struct {
	at   float64
	text string
}

// plot is one picture. The horizontal axis is time on the side with radius
// along the top, or, with logHz, frequency.
type plot struct {
	id, title, desc string
	quantity, unit  string // of the vertical axis
	decimals        int    // of values in words; ticks take what they need
	zero            bool   // the vertical axis begins at 0
	floor           float64
	hasFloor        bool // values below floor are drawn on it
	ceil            float64
	hasCeil         bool // values above ceil are drawn on it
	logHz           bool
	lines           []plotLine
	limits          []plotLimit
	radiusT         Curve // time of each radius, ascending
	radius          Curve
	tracks          []Track
}

// empty tells that no line has a point to draw.
func (p plot) empty() bool {
	for _, l := range p.lines {
		for i, y := range l.ys {
			if i < len(l.xs) && !math.IsNaN(y) && !math.IsNaN(l.xs[i]) {
				return false
			}
		}
	}
	return true
}

// drawing carries the scales while a plot is written.
type drawing struct {
	strings.Builder
	x0, x1, y0, y1 float64
	log            bool
}

func (d *drawing) f(format string, a ...any) { fmt.Fprintf(d, format, a...) }

func (d *drawing) px(x float64) float64 {
	a, b := d.x0, d.x1
	if d.log {
		x, a, b = math.Log(x), math.Log(a), math.Log(b)
	}
	return plotL + (plotW-plotL-plotR)*(x-a)/(b-a)
}

func (d *drawing) py(y float64) float64 {
	t := (y - d.y0) / (d.y1 - d.y0)
	return plotH - plotB - (plotH-plotT-plotB)*math.Min(1, math.Max(0, t))
}

// svg draws the plot. Colours, dashes and type come from the page's style
// sheet through classes, so one drawing serves light, dark and print.
func (p plot) svg() template.HTML {
	lines := p.reduced()
	d := &drawing{log: p.logHz}
	d.x0, d.x1 = p.xRange(lines)
	var ticks []float64
	d.y0, d.y1, ticks = p.yRange(lines)
	e := html.EscapeString
	d.f(`<svg class="plot" viewBox="0 0 %g %g" role="img" aria-labelledby="%s-t %s-d">`, plotW, plotH, p.id, p.id)
	d.f(`<title id="%s-t">%s</title><desc id="%s-d">%s</desc>`, p.id, e(p.title), p.id, e(p.desc))
	d.f(`<text class="axis-name" x="4" y="17">%s</text>`, e(p.axisName()))
	p.legend(d)
	for _, y := range ticks {
		d.f(`<path class="grid" d="M%g %.1fH%g"/>`, plotL, d.py(y), plotW-plotR)
		d.f(`<text class="tick" x="%g" y="%.1f" text-anchor="end">%s</text>`, plotL-6, d.py(y)+4, number(y, tickDecimals(ticks)))
	}
	if p.logHz {
		p.frequencyAxis(d)
	} else {
		p.timeAxis(d)
	}
	for _, l := range lines {
		if l.hi != nil {
			d.band(l)
		}
	}
	for _, l := range lines {
		if l.hi == nil {
			d.line(l)
		}
	}
	for _, lim := range p.limits {
		if lim.at < d.y0 || lim.at > d.y1 {
			continue
		}
		y := d.py(lim.at)
		ty := y - 5
		if ty < plotT+12 {
			ty = y + 15
		}
		d.f(`<path class="limit" d="M%g %.1fH%g"/>`, plotL, y, plotW-plotR)
		d.f(`<text class="limit-text" x="%g" y="%.1f" text-anchor="end">%s</text>`, plotW-plotR-4, ty, e(lim.text))
	}
	d.f(`<path class="frame" d="M%g %gV%gH%g"/></svg>`, plotL, plotT, plotH-plotB, plotW-plotR)
	return template.HTML(d.String()) // every text above went through EscapeString
}

func (p plot) axisName() string {
	if p.unit == "" {
		return p.quantity
	}
	return p.quantity + ", " + unitText(p.unit)
}

// legend names the lines, right-aligned above the plot.
func (p plot) legend(d *drawing) {
	x := plotW - plotR
	for i := len(p.lines) - 1; i >= 0; i-- {
		l := p.lines[i]
		if l.name == "" || l.quiet {
			continue
		}
		x -= 8.1*float64(len([]rune(l.name))) + 4
		d.f(`<text class="tick" x="%.1f" y="17">%s</text>`, x, html.EscapeString(l.name))
		x -= 26
		if l.hi != nil {
			d.f(`<rect class="%s" x="%.1f" y="7" width="22" height="11"/>`, l.class(), x)
		} else {
			d.f(`<path class="%s" d="M%.1f 13h22"/>`, l.class(), x)
		}
		x -= 8
	}
}

func (l plotLine) class() string {
	switch {
	case l.hi != nil:
		return fmt.Sprintf("band h%d", l.hue)
	case l.before:
		return fmt.Sprintf("line before h%d", l.hue)
	}
	return fmt.Sprintf("line h%d", l.hue)
}

// reduced drops points to what can be told apart, extremes kept.
func (p plot) reduced() []plotLine {
	out := make([]plotLine, len(p.lines))
	for i, l := range p.lines {
		if n := min(len(l.xs), len(l.ys)); l.hi != nil {
			n = min(n, len(l.hi))
			l.xs, l.ys, l.hi = Reduce(l.xs[:n], plotColumns, KeepFirst), Reduce(l.ys[:n], plotColumns, KeepMin), Reduce(l.hi[:n], plotColumns, KeepMax)
		} else {
			l.xs, l.ys = thin(l.xs, l.ys, plotColumns)
		}
		for k, x := range l.xs {
			if p.hasFloor {
				l.ys[k] = math.Max(l.ys[k], p.floor) // NaN stays NaN
			}
			if p.hasCeil {
				l.ys[k] = math.Min(l.ys[k], p.ceil)
			}
			if !drawable(l.ys[k]) || !drawable(x) || p.logHz && x < 1e-3 || l.hi != nil && !drawable(l.hi[k]) {
				l.ys[k] = math.NaN() // a gap
			}
		}
		out[i] = l
	}
	return out
}

// drawable tells values that fit a drawing from damage: nothing about a disc
// comes near the bound, whatever its unit.
func drawable(v float64) bool { return math.Abs(v) < 1e9 }

func (p plot) xRange(lines []plotLine) (float64, float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, l := range lines {
		for i, x := range l.xs {
			if !math.IsNaN(l.ys[i]) {
				lo, hi = math.Min(lo, x), math.Max(hi, x)
			}
		}
	}
	if n := len(p.tracks); n > 0 && !p.logHz && lo <= hi && drawable(p.tracks[n-1].EndS) {
		hi = math.Max(hi, p.tracks[n-1].EndS)
	}
	switch {
	case lo > hi:
		return 1, 2
	case p.logHz:
		return lo * 0.94, hi * 1.06
	case lo == hi:
		return lo, lo + 1
	}
	return math.Min(0, lo), hi
}

func (p plot) yRange(lines []plotLine) (float64, float64, []float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	grow := func(y float64) {
		if !math.IsNaN(y) {
			lo, hi = math.Min(lo, y), math.Max(hi, y)
		}
	}
	for _, l := range lines {
		for i := range l.ys {
			grow(l.ys[i])
			if l.hi != nil && !math.IsNaN(l.ys[i]) {
				grow(l.hi[i])
			}
		}
	}
	for _, lim := range p.limits {
		// A limit far off would flatten the curve; its figure stands in the table.
		if span := hi - lo; drawable(lim.at) && lim.at <= hi+2*span && lim.at >= lo-2*span {
			grow(lim.at)
		}
	}
	if p.zero {
		grow(0)
	}
	if lo > hi {
		lo, hi = 0, 1
	}
	return niceRange(lo, hi, 5)
}

// niceRange widens lo..hi to round ticks, about want of them.
func niceRange(lo, hi float64, want int) (float64, float64, []float64) {
	if !(hi > lo) || hi-lo < 1e-6*math.Max(1, math.Max(math.Abs(lo), math.Abs(hi))) {
		pad := math.Max(1, math.Abs(lo)*0.1)
		lo, hi = lo-pad, hi+pad
	}
	raw := (hi - lo) / float64(want)
	mag := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * mag
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*mag*1.0001 {
			step = m * mag
			break
		}
	}
	first, last := math.Floor(lo/step+1e-9), math.Ceil(hi/step-1e-9)
	var ticks []float64
	for k := first; k <= last && len(ticks) < 20; k++ {
		ticks = append(ticks, k*step)
	}
	return first * step, last * step, ticks
}

// tickDecimals is how many decimals the step between ticks needs: steps are 1,
// 2 or 5 times a power of ten, so one digit says it exactly.
func tickDecimals(ticks []float64) int {
	if len(ticks) < 2 {
		return 0
	}
	return min(9, max(0, int(-math.Floor(math.Log10(ticks[1]-ticks[0])+1e-9))))
}

func (d *drawing) line(l plotLine) {
	d.f(`<path class="%s" d="`, l.class())
	pen := "M"
	for i, y := range l.ys {
		if math.IsNaN(y) {
			pen = "M"
			continue
		}
		d.f("%s%.1f %.1f", pen, d.px(l.xs[i]), d.py(y))
		pen = "L"
	}
	d.f(`"/>`)
}

// band fills from ys to hi, one polygon per run without gaps.
func (d *drawing) band(l plotLine) {
	d.f(`<path class="%s" d="`, l.class())
	for i := 0; i < len(l.ys); {
		if math.IsNaN(l.ys[i]) {
			i++
			continue
		}
		j := i
		for j < len(l.ys) && !math.IsNaN(l.ys[j]) {
			j++
		}
		pen := "M"
		for k := i; k < j; k++ {
			d.f("%s%.1f %.1f", pen, d.px(l.xs[k]), d.py(l.hi[k]))
			pen = "L"
		}
		for k := j - 1; k >= i; k-- {
			d.f("L%.1f %.1f", d.px(l.xs[k]), d.py(l.ys[k]))
		}
		d.f("Z")
		i = j
	}
	d.f(`"/>`)
}
