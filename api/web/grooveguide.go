package web

import (
	"math"
	"strconv"

	"discsafe/api/v1"
)

// grooveGuide fills the guide with the figures of the moment.
type grooveGuide struct {
	LengthMM, LengthMS    string
	Lateral, Vertical     string // rms, um
	LateralPC, VerticalPC string // shares of the movement's energy
	Silent                bool   // next to no movement
	Mostly                string // which way it moves
	Depth, Width          string // at rest
	Rise, Fall            string // room up and down, from rest
	MinWidth, MaxDepth    string
	UsedUp, UsedDown      string // of that room in the picture, percent
	Tight                 bool
	Land                  string // least land beside the moment
	Mixes                 bool   // it is the groove of the mixes
}

// quietUM is less than a wall moves in the noise of a good lacquer: nothing to
// show anybody. Common practice, no source.
const quietUM = 0.05

func guideOf(g *v1.Groove, spanDeg float64) grooveGuide {
	d := grooveGuide{
		LengthMM: figure(alongUM(g, spanDeg) / 1000), LengthMS: figure(spanDeg / 360 * g.TurnS * 1000),
		Lateral: figure(g.LateralUM), Vertical: figure(g.VerticalUM), Depth: figure(g.DepthUM), Width: figure(2 * g.DepthUM), Mixes: g.Of == "before",
	}
	l, v := g.LateralUM*g.LateralUM, g.VerticalUM*g.VerticalUM
	d.Silent = l+v < quietUM*quietUM
	if !d.Silent {
		share := 100 * l / (l + v)
		d.LateralPC, d.VerticalPC = percentWords(share), percentWords(100-share)
		switch {
		case share >= 99.5:
			d.Mostly = "sideways alone: left and right carry the same"
		case share >= 75:
			d.Mostly = "mostly sideways: left and right carry much the same"
		case share > 25:
			d.Mostly = "both ways: left and right share a part and differ in a part"
		case share > 0.5:
			d.Mostly = "mostly up and down: left and right are opposed"
		default:
			d.Mostly = "up and down alone: left and right are exactly opposed"
		}
	}
	if m := g.Limits.MinWidthUM; m > 0 {
		room := g.DepthUM - m/2
		d.MinWidth, d.Rise = figure(m), figure(max(0, room))
		if room > 0 {
			used := 100 * (g.DepthUM - g.LeastWidth/2) / room
			d.UsedUp = percentWords(max(0, used))
			d.Tight = d.Tight || used > 100
		}
	}
	if m := g.Limits.MaxDepthUM; m > 0 {
		room := m - g.DepthUM
		d.MaxDepth, d.Fall = figure(m), figure(max(0, room))
		if room > 0 {
			used := 100 * (g.MostDepth - g.DepthUM) / room
			d.UsedDown = percentWords(max(0, used))
			d.Tight = d.Tight || used > 100
		}
	}
	least := math.Inf(1)
	for _, um := range []*float64{g.Now.LandOutUM, g.Now.LandInUM} {
		if um != nil {
			least = min(least, *um)
		}
	}
	if !math.IsInf(least, 0) {
		d.Land = figure(least)
	}
	return d
}

func percentWords(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }
