package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strings"
)

// Places of the ladder's picture in user units: land above, treatment below
// it, then a row of verdicts, all over one axis of cut levels.
const (
	ladderW, ladderH           = 480.0, 392.0
	ladderL, ladderR           = 56.0, 424.0
	landTop, landFoot          = 30.0, 158.0
	treatTop, treatFoot        = 196.0, 292.0
	verdictY, ladderFoot       = 318.0, 346.0
	shapeHalf                  = 4.0
	ladderTickDB, ladderPadDB  = 2.0, 0.35
	ladderCharW, ladderLabelIn = 7.4, 6.0
	landBeyond                 = 1.2 // how far past the limit land is drawn, over the limit
)

// rungDrawing carries the scales of the ladder's picture.
type rungDrawing struct {
	strings.Builder
	lo, hi float64 // cut levels at the edges
}

func (d *rungDrawing) f(format string, a ...any) { fmt.Fprintf(d, format, a...) }

func (d *rungDrawing) px(db float64) float64 {
	return ladderL + (ladderR-ladderL)*(db-d.lo)/(d.hi-d.lo)
}

// panel is one of the two diagrams.
type panel struct {
	top, foot, lo, hi float64
	ticks             []float64
}

func (p panel) py(y float64) float64 {
	return p.foot - (p.foot-p.top)*math.Min(1, math.Max(0, (y-p.lo)/(p.hi-p.lo)))
}

func panelOf(top, foot, lo, hi float64) panel {
	p := panel{top: top, foot: foot}
	p.lo, p.hi, p.ticks = niceRange(lo, hi, 4)
	return p
}

// ladderPlot draws land used and end radius against the disc's limit, the
// greatest treatment of each stage and the verdict, level by level. Rungs
// ascend. Nothing is drawn of fewer than two levels.
func ladderPlot(r *Report, rungs []Rung, stages []string) template.HTML {
	if len(rungs) < 2 {
		return ""
	}
	d := &rungDrawing{lo: rungs[0].LevelDB - ladderPadDB, hi: rungs[len(rungs)-1].LevelDB + ladderPadDB}
	if !drawable(d.lo) || !drawable(d.hi) {
		return ""
	}
	e := html.EscapeString
	d.f(`<svg class="plot ladder" viewBox="0 0 %g %g" role="img" aria-labelledby="ladder-t ladder-d"><title id="ladder-t">Level ladder: what each cut level takes</title><desc id="ladder-d">%s</desc>`, ladderW, ladderH, e(ladderText(rungs)))
	for _, g := range rungs {
		if g.Chosen {
			d.f(`<path class="mark" d="M%.1f %gV%gM%.1f %gV%g"/>`, d.px(g.LevelDB), landTop-6, landFoot, d.px(g.LevelDB), treatTop, verdictY+9)
		}
	}
	d.land(r, rungs)
	d.treatment(rungs, stages, reductionCap(r.Plan))
	d.verdicts(rungs)
	d.levels()
	for _, g := range rungs {
		if g.Chosen {
			d.chosen(g)
		}
	}
	d.f(`</svg>`)
	return template.HTML(d.String()) // every text above went through EscapeString
}

// land draws the upper panel; its right axis gives the same line as the radius
// where the side would end.
func (d *rungDrawing) land(r *Report, rungs []Rung) {
	lo, hi := math.Inf(1), math.Inf(-1)
	grow := func(v *float64) {
		if v != nil && drawable(*v) {
			lo, hi = math.Min(lo, *v), math.Max(hi, *v)
		}
	}
	for _, g := range rungs {
		grow(g.LandMM)
	}
	grow(r.Limits.LandAvailableMM)
	if lo > hi {
		return
	}
	if v := r.Limits.LandAvailableMM; v != nil && *v > 0 {
		hi = math.Max(lo, math.Min(hi, landBeyond**v)) // what goes far past the limit leaves the picture
	}
	p := panelOf(landTop, landFoot, lo, hi)
	outer := r.Side.Disc.OuterMM
	d.f(`<text class="axis-name" x="4" y="17">land used, mm</text><text class="axis-name" x="%g" y="17" text-anchor="end">end radius, mm</text>`, ladderW-4)
	d.axis(p, func(y float64) string { return number(outer-y, 1) })
	d.curve("line h1", rungs, p, func(g Rung) *float64 { return g.LandMM })
	if v := r.Limits.LandAvailableMM; v != nil && drawable(*v) {
		d.limit(p, *v, "limit of the disc, "+with(number(outer-*v, 1), "mm")+" radius")
	}
}

// treatment draws the lower panel, reductions downwards.
func (d *rungDrawing) treatment(rungs []Rung, stages []string, most *float64) {
	stages = stages[:min(len(stages), 4)] // more lines than hues would need guessing
	lo := 0.0
	for _, g := range rungs {
		for _, t := range g.Treatment {
			if drawable(t.MaxDB) {
				lo = math.Min(lo, t.MaxDB)
			}
		}
	}
	p := panelOf(treatTop, treatFoot, math.Min(lo, -1), 0)
	d.f(`<text class="axis-name" x="4" y="%g">greatest treatment, dB</text>`, treatTop-13)
	x := ladderW - 4
	for i := len(stages) - 1; i >= 0; i-- {
		x -= 8.1*float64(len([]rune(stages[i]))) + 4
		d.f(`<text class="tick" x="%.1f" y="%g">%s</text><path class="line h%d%s" d="M%.1f %gh22"/>`, x, treatTop-13, html.EscapeString(stages[i]), i+1, beforeIf(i%2 == 1), x-26, treatTop-17)
		x -= 34
	}
	d.axis(p, nil)
	for i, id := range stages {
		d.curve(fmt.Sprintf("line h%d%s", i+1, beforeIf(i%2 == 1)), rungs, p, func(g Rung) *float64 {
			for _, t := range g.Treatment {
				if t.Stage == id {
					return &t.MaxDB
				}
			}
			return nil
		})
	}
	if most != nil && -*most >= p.lo && *most > 0 {
		d.limit(p, -*most, "the plan allows "+quantity(most, 1, "dB"))
	}
}

// beforeIf dashes every second line, so that two stages differ in grey too.
func beforeIf(on bool) string {
	if on {
		return " dashed"
	}
	return ""
}

// axis draws grid, ticks and frame; right labels the ticks at the right edge.
func (d *rungDrawing) axis(p panel, right func(y float64) string) {
	for _, y := range p.ticks {
		d.f(`<path class="grid" d="M%g %.1fH%g"/><text class="tick" x="%g" y="%.1f" text-anchor="end">%s</text>`, ladderL, p.py(y), ladderR, ladderL-6, p.py(y)+4, number(y, tickDecimals(p.ticks)))
		if right != nil {
			d.f(`<text class="tick" x="%g" y="%.1f">%s</text>`, ladderR+6, p.py(y)+4, html.EscapeString(right(y)))
		}
	}
	d.f(`<path class="frame" d="M%g %gV%gH%g"/>`, ladderL, p.top, p.foot, ladderR)
}

func (d *rungDrawing) curve(class string, rungs []Rung, p panel, get func(Rung) *float64) {
	d.f(`<path class="%s" d="`, class)
	pen := "M"
	for _, g := range rungs {
		v := get(g)
		if v == nil || !drawable(*v) {
			pen = "M"
			continue
		}
		if *v > p.hi {
			pen = "M"
			continue
		}
		d.f("%s%.1f %.1f", pen, d.px(g.LevelDB), p.py(*v))
		pen = "L"
	}
	d.f(`"/>`)
}

func (d *rungDrawing) limit(p panel, at float64, text string) {
	y := p.py(at)
	ty := y - 5
	if ty < p.top+10 {
		ty = y + 15
	}
	d.f(`<path class="limit" d="M%g %.1fH%g"/><text class="limit-text" x="%g" y="%.1f">%s</text>`, ladderL, y, ladderR, ladderL+ladderLabelIn, ty, html.EscapeString(text))
}

// verdicts draws one shape a level, and the word under each run that has room.
func (d *rungDrawing) verdicts(rungs []Rung) {
	d.f(`<text class="axis-name" x="4" y="%g">verdict</text>`, verdictY+4)
	for _, g := range rungs {
		m, x := markOf(g.State), d.px(g.LevelDB)
		d.f(`<g class="rung %s"><title>%s: %s</title>`, m.Class, with(signed(g.LevelDB, 1), "dB"), m.Word)
		switch g.State {
		case Ready:
			d.f(`<circle cx="%.1f" cy="%g" r="%g"/>`, x, verdictY, shapeHalf)
		case Attention:
			d.f(`<path d="M%.1f %gl%g %gh%gz"/>`, x, verdictY-shapeHalf-0.5, shapeHalf+0.6, 2*shapeHalf+0.5, -2*shapeHalf-1.2)
		default:
			d.f(`<rect x="%.1f" y="%g" width="%g" height="%g"/>`, x-shapeHalf+0.4, verdictY-shapeHalf+0.4, 2*shapeHalf-0.8, 2*shapeHalf-0.8)
		}
		d.f(`</g>`)
	}
	taken := ladderL - 40 // right end of the last word
	for _, run := range runsOf(rungs) {
		word := markOf(rungs[run[0]].State).Word
		mid, half := (d.px(rungs[run[0]].LevelDB)+d.px(rungs[run[1]].LevelDB))/2, ladderCharW*float64(len(word))/2
		mid = math.Max(math.Min(math.Max(mid, ladderL+half), ladderR+40-half), taken+6+half)
		if mid+half > ladderW { // the shape and the table say it
			continue
		}
		taken = mid + half
		d.f(`<text class="tick" x="%.1f" y="%g" text-anchor="middle">%s</text>`, mid, verdictY+20, word)
	}
}

// levels draws the axis of cut levels.
func (d *rungDrawing) levels() {
	step := ladderTickDB
	for (d.hi-d.lo)/step > 12 {
		step *= 2
	}
	d.f(`<path class="frame" d="M%g %gH%g"/>`, ladderL, ladderFoot, ladderR)
	for db := math.Ceil(d.lo/step) * step; db <= d.hi; db += step {
		x := d.px(db)
		d.f(`<path class="frame" d="M%.1f %gv5"/><text class="tick" x="%.1f" y="%g" text-anchor="middle">%s</text>`, x, ladderFoot, x, ladderFoot+19, signed(db, 0))
	}
	d.f(`<text class="axis-name" x="%g" y="%g" text-anchor="end">cut level re the room’s reference, dB</text>`, ladderR, ladderFoot+38)
}

// chosen names the level of this cut beside its mark.
func (d *rungDrawing) chosen(g Rung) {
	x := d.px(g.LevelDB)
	text := "this cut, " + with(signed(g.LevelDB, 1), "dB")
	anchor, tx := "start", x+6
	if x+6+ladderCharW*float64(len([]rune(text))) > ladderR {
		anchor, tx = "end", x-6
	}
	d.f(`<text class="limit-text" x="%.1f" y="%g" text-anchor="%s">%s</text>`, tx, landFoot-6, anchor, html.EscapeString(text))
}
