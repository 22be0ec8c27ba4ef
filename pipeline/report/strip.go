package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
)

// strip draws the side as seen along one radius, rim at the left, label at
// the right: where each track lies, what is left, and where the limits are.
func strip(disc Disc, land Land, tracks []Track) template.HTML {
	// Each label has a line of its own above or below, so none can touch another.
	const w, h, left, right, top, bottom = 480.0, 152.0, 10.0, 10.0, 48.0, 96.0
	lockedMM := disc.InnerMM - 6
	if disc.LockedGrooveDiameterMM != nil {
		lockedMM = math.Min(lockedMM, *disc.LockedGrooveDiameterMM/2)
	}
	outer, inner := disc.OuterMM+2, lockedMM-2
	if !(outer > inner) || math.IsInf(outer-inner, 0) || land.StartRadius == nil || land.EndRadiusMM == nil {
		return ""
	}
	x := func(mm float64) float64 {
		return left + (w-left-right)*math.Min(1, math.Max(0, (outer-mm)/(outer-inner)))
	}
	d := &drawing{}
	words := fmt.Sprintf("Programme from radius %s to %s; nothing may be cut inside %s.", with(number(*land.StartRadius, 1), "mm"), with(number(*land.EndRadiusMM, 1), "mm"), with(number(disc.InnerMM, 1), "mm"))
	d.f(`<svg class="plot strip" viewBox="0 0 %g %g" role="img" aria-labelledby="strip-t strip-d"><title id="strip-t">The side along one radius</title><desc id="strip-d">%s</desc>`, w, h, html.EscapeString(words))
	d.f(`<rect class="blank" x="%g" y="%g" width="%g" height="%g"/>`, left, top, w-left-right, bottom-top)
	drawn := false
	for i, t := range tracks {
		if t.StartRadiusMM == nil || t.EndRadiusMM == nil {
			continue
		}
		drawn = true
		a, b := x(*t.StartRadiusMM), x(*t.EndRadiusMM)
		d.f(`<rect class="cut%d" x="%.1f" y="%g" width="%.1f" height="%g"/>`, i%2, a, top, math.Max(0.5, b-a), bottom-top)
		if b-a > 14 {
			d.f(`<text class="on-cut" x="%.1f" y="%g" text-anchor="middle">%d</text>`, (a+b)/2, (top+bottom)/2+5, t.Number)
		}
	}
	if !drawn {
		a, b := x(*land.StartRadius), x(*land.EndRadiusMM)
		d.f(`<rect class="cut0" x="%.1f" y="%g" width="%.1f" height="%g"/>`, a, top, math.Max(0.5, b-a), bottom-top)
	}
	end, lim := x(*land.EndRadiusMM), x(disc.InnerMM)
	d.f(`<path class="limit" d="M%.1f %gV%g"/>`, lim, top-8, bottom+8)
	d.f(`<path class="mark" d="M%.1f %gV%g"/>`, end, top-8, bottom+8)
	d.f(`<text class="tick" x="%g" y="14">rim</text><text class="tick" x="%g" y="14" text-anchor="end">label</text>`, left, w-right)
	put := func(at, y float64, text string) {
		anchor := "end"
		if at < w/2 {
			anchor = "start"
		}
		d.f(`<text class="tick" x="%.1f" y="%g" text-anchor="%s">%s</text>`, at, y, anchor, html.EscapeString(text))
	}
	put(end, top-14, "ends at "+with(number(*land.EndRadiusMM, 1), "mm"))
	put(x(*land.StartRadius), bottom+24, "from "+with(number(*land.StartRadius, 1), "mm"))
	put(lim, bottom+44, "nothing inside "+with(number(disc.InnerMM, 1), "mm"))
	d.f(`</svg>`)
	return template.HTML(d.String())
}
