package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Plots are drawn in a box of this size, in units that are pixels on a phone of
// 390, so that their text can be read there; wider screens put three beside each
// other.
const (
	plotW, plotH  = 340, 170
	plotLeft      = 44 // room for the numbers
	plotRight     = 332
	plotTop       = 12
	plotFoot      = 142
	mostPlotLines = 4 // as many as can be told apart
)

// unit is how the values of a plot are written.
type unit string

const (
	unitCount   unit = "count"
	unitSeconds unit = "seconds"
	unitBytes   unit = "bytes"
	unitCores   unit = "cores"
)

// scale is a unit that fits the values: they are divided by By.
type scale struct {
	By   float64
	Word string
}

func (u unit) scale(most float64) scale {
	switch u {
	case unitSeconds:
		switch {
		case most > 3*3600:
			return scale{3600, "h"}
		case most > 300:
			return scale{60, "min"}
		case most > 0 && most < 0.1:
			return scale{1e-3, "ms"}
		}
		return scale{1, "s"}
	case unitBytes:
		s := scale{1e6, "MB"}
		for _, next := range []scale{{1e9, "GB"}, {1e12, "TB"}} {
			if most >= next.By {
				s = next
			}
		}
		return s
	case unitCores:
		return scale{1, "cores"}
	}
	return scale{1, ""}
}

// plotSpec is what is to be drawn.
type plotSpec struct {
	ID, Title, What string // What: what is drawn, with its unit where that is no plain one
	Unit            unit
	Lines           []plotSeries
	Limit           float64 // of the quantity; 0: none
	Least           bool    // the limit is the least allowed
	LimitWord       string
	State           badge
	Runbook         []string // headings of its paragraphs
}

type plotSeries struct {
	Name   string
	Points []float64 // NaN: not known
	Now    float64   // NaN: the last known point
	Note   string    // beside its name
	Sum    bool      // what happened in the window is told, not the last point
}

// plot is a drawing, ready for the template.
type plot struct {
	plotSpec                // its Lines are hidden by those drawn
	W, H, Left, Right, Foot int
	UnitWord                string
	Lines                   []plotLine
	Marks                   []plotMark // of the upright axis
	Times                   []plotMark
	LimitY                  string // "": out of the picture, or none
	LimitText               string
	LimitAbove              bool // there is one, and it lies above the picture
	Empty                   bool
	Summary                 string // for those who do not see it
	Links                   []plotLink
}

type plotLine struct {
	Class, Name string
	Path        string
	Dots        []plotDot
	Now, Most   string
}

type plotDot struct{ X, Y string }

type plotMark struct{ At, Text string }

type plotLink struct{ Href, Word string }

// PlotSeries is what the lines were drawn from.
func (p plot) PlotSeries() []plotSeries { return p.plotSpec.Lines }

// draw makes a drawing of the points of the last span.
func draw(s plotSpec, span time.Duration) plot {
	p := plot{plotSpec: s, W: plotW, H: plotH, Left: plotLeft, Right: plotRight, Foot: plotFoot, Empty: true}
	most := 0.0
	for i := range s.Lines {
		for _, v := range s.Lines[i].Points {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				most, p.Empty = max(most, v), false
			}
		}
	}
	top := most
	// A limit that lies far above would flatten what there is to see.
	if s.Limit > 0 && s.Limit <= 4*most {
		top = max(top, 1.1*s.Limit)
	}
	sc := s.Unit.scale(top)
	if top <= 0 {
		top = sc.By
	}
	p.UnitWord = sc.Word
	step := niceStep(top / sc.By)
	if s.Unit == unitCount {
		step = max(1, step)
	}
	full := math.Ceil(top/sc.By/step-1e-9) * step
	y := func(v float64) float64 {
		return plotFoot - (plotFoot-plotTop)*min(1, max(0, v/sc.By/full))
	}
	for n := 0; float64(n)*step <= full*(1+1e-9); n++ {
		v := float64(n) * step
		p.Marks = append(p.Marks, plotMark{spot(y(v * sc.By)), digits(v)})
	}
	p.Times = timeMarks(span)
	p.limit(s, sc, full, y)
	for i, l := range s.Lines[:min(len(s.Lines), mostPlotLines)] {
		p.Lines = append(p.Lines, line(l, i, sc, y))
	}
	p.What = strings.TrimSuffix(p.What, ".")
	p.Summary = p.summary()
	for _, name := range s.Runbook {
		p.Links = append(p.Links, plotLink{"/operations/runbook#" + name, name})
	}
	return p
}

func (p *plot) limit(s plotSpec, sc scale, full float64, y func(float64) float64) {
	if s.Limit <= 0 {
		return
	}
	p.LimitText = strings.TrimSpace(s.LimitWord + ": " + withUnit(s.Limit, s.Unit.scale(s.Limit)))
	if s.Limit/sc.By <= full {
		p.LimitY = spot(y(s.Limit))
	} else {
		p.LimitAbove = true
	}
}

// line draws what is known; a point between two gaps is a dot.
func line(s plotSeries, i int, sc scale, y func(float64) float64) plotLine {
	out := plotLine{Class: "line-" + strconv.Itoa(i), Name: s.Name, Now: "not known", Most: "not known"}
	n := len(s.Points)
	known := func(i int) bool {
		return i >= 0 && i < n && !math.IsNaN(s.Points[i]) && !math.IsInf(s.Points[i], 0)
	}
	// A bin is drawn at its end.
	x := func(i int) string { return spot(plotLeft + (plotRight-plotLeft)*float64(i+1)/float64(n)) }
	var path strings.Builder
	last, most, sum, any := math.NaN(), math.Inf(-1), 0.0, false
	for i, v := range s.Points {
		if !known(i) {
			continue
		}
		any, last, most, sum = true, v, max(most, v), sum+v
		switch {
		case known(i - 1):
			path.WriteString("L" + x(i) + " " + spot(y(v)))
		case known(i + 1):
			path.WriteString("M" + x(i) + " " + spot(y(v)))
		default:
			out.Dots = append(out.Dots, plotDot{x(i), spot(y(v))})
		}
	}
	out.Path = path.String()
	if !math.IsNaN(s.Now) && s.Now != 0 {
		last = s.Now
	}
	if s.Sum {
		last = sum
	}
	if any {
		out.Now, out.Most = withUnit(last, sc), withUnit(most, sc)
	}
	return out
}

func (p *plot) summary() string {
	if p.Empty {
		return p.Title + ": nothing is known yet."
	}
	var parts []string
	for i, l := range p.Lines {
		word := "now"
		if p.plotSpec.Lines[i].Sum {
			word = "in all"
		}
		parts = append(parts, fmt.Sprintf("%s %s %s, at most %s", l.Name, word, l.Now, l.Most))
	}
	return p.Title + ": " + strings.Join(parts, "; ") + "."
}

// timeMarks are four or five moments from the beginning of the span to now.
func timeMarks(span time.Duration) []plotMark {
	parts := 4
	if span <= time.Hour {
		parts = 3
	}
	var out []plotMark
	for i := range parts + 1 {
		left := span * time.Duration(parts-i) / time.Duration(parts)
		text := "now"
		switch {
		case left >= 2*time.Hour || left == time.Hour && parts == 4:
			text = "−" + digits(left.Hours()) + " h"
		case left > 0:
			text = "−" + digits(left.Minutes()) + " min"
		}
		out = append(out, plotMark{spot(plotLeft + (plotRight-plotLeft)*float64(i)/float64(parts)), text})
	}
	return out
}

// niceStep cuts an axis into two to five parts of 1, 2 or 5 times a power of ten.
func niceStep(most float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(most)))
	for _, m := range []float64{0.2, 0.5, 1, 2, 5} {
		if most/(m*power) <= 5 {
			return m * power
		}
	}
	return 10 * power
}

// spot is a place in the drawing, to a tenth.
func spot(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

// digits has three digits that count.
func digits(v float64) string {
	if math.Abs(v) >= 100 {
		return strconv.FormatFloat(math.Round(v), 'f', -1, 64)
	}
	s := strconv.FormatFloat(v, 'g', 3, 64)
	if strings.Contains(s, "e") {
		return strconv.FormatFloat(v, 'f', 3, 64)
	}
	return s
}

func withUnit(v float64, sc scale) string {
	if sc.Word == "cores" {
		v = math.Round(100*v) / 100
	}
	return strings.TrimSpace(digits(v/sc.By) + " " + sc.Word)
}
