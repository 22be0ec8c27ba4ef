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
	const w, h, left, right, top, bottom = 480.0, 118.0, 10.0, 10.0, 30.0, 78.0
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
	d.f(`<text class="tick" x="%g" y="%g">rim</text><text class="tick" x="%g" y="%g" text-anchor="end">label</text>`, left, top-10, w-right, top-10)
	d.f(`<text class="tick" x="%.1f" y="%g" text-anchor="end">ends at %s</text>`, end, top-12, with(number(*land.EndRadiusMM, 1), "mm"))
	d.f(`<text class="tick" x="%.1f" y="%g" text-anchor="end">nothing inside %s</text>`, lim, bottom+24, with(number(disc.InnerMM, 1), "mm"))
	d.f(`<text class="tick" x="%.1f" y="%g">from %s</text></svg>`, x(*land.StartRadius), bottom+24, with(number(*land.StartRadius, 1), "mm"))
	return template.HTML(d.String())
}
