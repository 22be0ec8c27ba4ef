package web

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/v1"
)

// What of the groove's movement is drawn.
const (
	showAll      = "all"
	showLateral  = "lateral"
	showVertical = "vertical"
)

// GrooveScale maps places in um to a picture of the groove from above: along the
// groove to the right, the rim upwards, the moment in the middle. groove.js has
// the same arithmetic.
type GrooveScale struct {
	WidthPX, HeightPX float64
	AlongPX, AcrossPX float64 // px for one um
}

// NewGrooveScale makes a picture show so much along and across.
func NewGrooveScale(widthPX, heightPX, alongUM, acrossUM float64) GrooveScale {
	return GrooveScale{widthPX, heightPX, widthPX / alongUM, heightPX / acrossUM}
}

// X is where a place lies that is so far behind the moment, along the groove.
func (s GrooveScale) X(alongUM float64) float64 { return s.WidthPX/2 + alongUM*s.AlongPX }

// Y is where a place lies that is so far outside the planned centre.
func (s GrooveScale) Y(outwardUM float64) float64 { return s.HeightPX/2 - outwardUM*s.AcrossPX }

// GrooveLines are the lines of one turn in um: outer edge, bottom, inner edge.
type GrooveLines struct{ Outer, Bottom, Inner []float64 }

// LinesOf takes one kind of movement out of a turn, or all of it: sideways alone
// the groove keeps its width, up and down alone its bottom runs straight.
func LinesOf(t *v1.GrooveTurn, show string) GrooveLines {
	if show != showLateral && show != showVertical {
		return GrooveLines{t.OuterUM, t.BottomUM, t.InnerUM}
	}
	n := len(t.BottomUM)
	l := GrooveLines{make([]float64, n), make([]float64, n), make([]float64, n)}
	for i, bottom := range t.BottomUM {
		half := t.DepthUM[i] + t.VerticalUM[i] // the V of 90 degrees is half as wide as it is deep
		if show == showVertical {
			bottom -= t.LateralUM[i]
			half = t.DepthUM[i]
		}
		l.Outer[i], l.Bottom[i], l.Inner[i] = bottom+half, bottom, bottom-half
	}
	return l
}

// alongFrom is how far the first point lies behind the moment, in um.
func alongFrom(g *v1.Groove) float64 { return g.FromDeg / 360 * 2 * math.Pi * g.RadiusMM * 1000 }

// alongUM is the length of the span.
func alongUM(g *v1.Groove, spanDeg float64) float64 {
	return spanDeg / 360 * 2 * math.Pi * g.RadiusMM * 1000
}

func (s GrooveScale) points(g *v1.Groove, um []float64) string {
	var b strings.Builder
	b.Grow(12 * len(um))
	from := alongFrom(g)
	var num [24]byte
	for i, v := range um {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.Write(strconv.AppendFloat(num[:0], s.X(from+float64(i)*g.StepUM), 'f', 1, 64))
		b.WriteByte(',')
		b.Write(strconv.AppendFloat(num[:0], s.Y(v), 'f', 1, 64))
	}
	return b.String()
}

// drawnTurn is one turn as points of SVG.
type drawnTurn struct {
	Turn                       int
	Word                       string
	Outer, Bottom, Inner, Fill string
	LabelY                     string
}

var turnWords = map[int]string{-1: "turn before", 0: "this turn", 1: "turn after"}

func (s GrooveScale) turns(g *v1.Groove, show string) []drawnTurn {
	var out []drawnTurn
	for i := range g.Turns {
		t := &g.Turns[i]
		l := LinesOf(t, show)
		fill := strings.Fields(s.points(g, inside(l.Inner, l.Outer, -1)))
		slices.Reverse(fill)
		label := 0.0
		if len(l.Bottom) > 0 {
			label = s.Y(centreOf(t)) + 5
		}
		out = append(out, drawnTurn{Turn: t.Turn, Word: turnWords[t.Turn], Outer: s.points(g, l.Outer), Bottom: s.points(g, l.Bottom), Inner: s.points(g, l.Inner),
			Fill: s.points(g, inside(l.Outer, l.Inner, 1)) + " " + strings.Join(fill, " "), LabelY: px(max(14, min(s.HeightPX-6, label)))})
	}
	return out
}

// centreOf is the planned centre of a turn where the picture begins.
func centreOf(t *v1.GrooveTurn) float64 { return t.BottomUM[0] - t.LateralUM[0] }

// inside is an edge as far as there is a groove: where the edges have crossed,
// the cutter is out of the lacquer, and both stand in the middle. sign is 1 for
// the outer edge, -1 for the inner.
func inside(edge, other []float64, sign float64) []float64 {
	out := make([]float64, len(edge))
	for i, v := range edge {
		out[i] = v
		if sign*(v-other[i]) < 0 {
			out[i] = (v + other[i]) / 2
		}
	}
	return out
}

func px(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// bar is a scale bar.
type bar struct {
	PX   string // length
	Text string
}

// NiceUM is the greatest of 1, 2 and 5 times a power of ten that is not above um.
func NiceUM(um float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(um)))
	for _, k := range []float64{5, 2, 1} {
		if k*p <= um {
			return k * p
		}
	}
	return p
}

func barOf(mostPX, pxPerUM float64) bar {
	um := NiceUM(mostPX / pxPerUM)
	return bar{px(um * pxPerUM), strconv.FormatFloat(um, 'f', -1, 64) + "\u00a0\u00b5m (" + figure(um/25.4) + "\u00a0mil)"}
}

// umWords is a length in micrometres and in mils, thousandths of an inch: 1 mil
// is 25.4 um exactly.
func umWords(um float64) string {
	return figure(um) + "\u00a0\u00b5m (" + figure(um/25.4) + "\u00a0mil)"
}

// figure keeps three digits or so.
func figure(v float64) string {
	a := math.Abs(v)
	digits := 2
	switch {
	case a >= 100:
		digits = 0
	case a >= 10:
		digits = 1
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// Size of the cross-section's picture.
const (
	crossWidthPX, crossHeightPX = 480.0, 330.0
	crossTopPX                  = 70.0 // where the surface lies
)

// crossView is the groove cut across, at one scale both ways.
type crossView struct {
	V, Rest                string // polygons
	Left, Right            string // x of the edges
	Bottom, Top            string // y
	DepthLimitY            string // "" if the room states none
	LimitLeft, LimitRight  string
	Width, Depth           string
	DepthLimit, WidthLimit string
	Bar                    bar
	Narrow, Deep, None     bool // narrower, deeper than allowed; no groove at all
}

// crossScale fits the deepest groove that the room allows, or what is there.
func crossScale(g *v1.Groove) float64 {
	deep := max(g.Limits.MaxDepthUM, g.MostDepth, 2*g.DepthUM, 10)
	return min((crossHeightPX-crossTopPX-45)/deep, (crossWidthPX-40)/(2.4*deep))
}

func crossOf(g *v1.Groove) crossView {
	k := crossScale(g)
	x := func(um float64) float64 { return crossWidthPX/2 + um*k }
	y := func(um float64) float64 { return crossTopPX + um*k }
	n := g.Now
	if n.WidthUM <= 0 { // out of the lacquer
		n.InnerUM, n.OuterUM, n.DepthUM = n.LateralUM, n.LateralUM, 0
	}
	c := crossView{None: g.Now.WidthUM <= 0,
		V:    fmt.Sprintf("%.1f,%.1f %.1f,%.1f %.1f,%.1f", x(n.InnerUM), y(0), x(n.LateralUM), y(n.DepthUM), x(n.OuterUM), y(0)),
		Rest: fmt.Sprintf("%.1f,%.1f %.1f,%.1f %.1f,%.1f", x(-g.DepthUM), y(0), x(0), y(g.DepthUM), x(g.DepthUM), y(0)),
		Left: px(x(n.InnerUM)), Right: px(x(n.OuterUM)), Bottom: px(y(n.DepthUM)), Top: px(y(0)),
		Width: umWords(g.Now.WidthUM), Depth: umWords(g.Now.DepthUM), Bar: barOf(crossWidthPX/4, k),
		Narrow: g.Limits.MinWidthUM > 0 && n.WidthUM < g.Limits.MinWidthUM, Deep: g.Limits.MaxDepthUM > 0 && n.DepthUM > g.Limits.MaxDepthUM,
	}
	if m := g.Limits.MaxDepthUM; m > 0 {
		c.DepthLimitY, c.DepthLimit = px(y(m)), figure(m)
	}
	if m := g.Limits.MinWidthUM; m > 0 {
		c.LimitLeft, c.LimitRight, c.WidthLimit = px(x(n.LateralUM-m/2)), px(x(n.LateralUM+m/2)), figure(m)
	}
	return c
}
