package groove

import (
	"fmt"
	"math"
)

// DefaultRoom is the room of a side plan that names none. It equals the
// default tags of the structs, which also say where each value comes from.
// Every machine-dependent value is to be confirmed with the room.
func DefaultRoom() Room {
	return Room{
		Name:      "generic room",
		Reference: Reference{VelocityCMS: 5, Axis: AxisLateral, Kind: KindPeak, HZ: 1000, DBFS: -14},
		Groove:    GrooveLimits{WidthUM: 60, MinWidthUM: 25, MaxDepthUM: 80, MinLandUM: 10},
		Pitch:     Pitch{MinUM: 50, MaxUM: 500, Slew: 500, TrackLandUM: 250},
		Depth:     Depth{Variable: true, Slew: 60},
		Cutter:    Cutter{BackFacetDeg: 45, ClearanceDeg: 35},
		Playback:  Playback{TipUM: 12.7, ReportTipsUM: []float64{18, 7}},
		BandHz:    []float64{20, 20000},
	}
}

// DesignDepthUM is the depth of the unmodulated groove: half its top width,
// since the groove is a 90 degree V (IEC 60098:2020 6.1).
func (r Room) DesignDepthUM() float64 { return r.Groove.WidthUM / 2 }

// Validate returns a *RoomError that lists every fault, or nil. It holds the
// rules between fields and refuses values with which nothing could be computed
// (not finite, zero where a size is meant); ranges of single fields are in the
// tags.
func (r Room) Validate() error {
	var f faults
	r.Reference.validate(&f)
	r.validateGroove(&f)
	r.validatePitch(&f)
	r.validateMachine(&f)
	r.validateBand(&f)
	r.validateRadius(&f)
	if len(f) == 0 {
		return nil
	}
	return &RoomError{Room: r.Name, Faults: f}
}

func (r Reference) validate(f *faults) {
	f.positive("reference.velocity_cm_s", r.VelocityCMS)
	f.positive("reference.hz", r.HZ)
	if r.Axis != AxisLateral && r.Axis != AxisChannel {
		f.add("reference.axis", fmt.Sprintf("%q is not known", r.Axis), "use lateral or channel")
	}
	if r.Kind != KindPeak && r.Kind != KindRMS {
		f.add("reference.kind", fmt.Sprintf("%q is not known", r.Kind), "use peak or rms")
	}
	if !finite(r.DBFS) || r.DBFS > 0 {
		f.add("reference.dbfs", fmt.Sprintf("%v is not a level a file can hold", r.DBFS), "give 0 or a negative number")
	}
}

func (r Room) validateGroove(f *faults) {
	g := r.Groove
	f.positive("groove.width_um", g.WidthUM)
	f.positive("groove.min_width_um", g.MinWidthUM)
	f.positive("groove.max_depth_um", g.MaxDepthUM)
	f.notNegative("groove.min_land_um", g.MinLandUM)
	f.ordered("groove.min_width_um", "", g.MinWidthUM, "groove.width_um", g.WidthUM,
		"an unmodulated groove must be wider than the least width, or no vertical motion is possible")
	f.notAbove("groove.width_um", "the unmodulated depth, half of it, ", g.WidthUM/2, "groove.max_depth_um", g.MaxDepthUM,
		"the unmodulated groove is already too deep")
}

// longestTrackLandPitchUM: RIAA text, not fewer than 16 grooves per inch in the
// joining spiral, quoted by a secondary page (weak).
const longestTrackLandPitchUM = 1587.5

func (r Room) validatePitch(f *faults) {
	p, g := r.Pitch, r.Groove
	f.positive("pitch.min_um", p.MinUM)
	f.positive("pitch.max_um", p.MaxUM)
	f.positive("pitch.slew", p.Slew)
	f.notNegative("pitch.track_land_um", p.TrackLandUM)
	f.ordered("pitch.min_um", "", p.MinUM, "pitch.max_um", p.MaxUM, "the feed needs a range")
	f.notAbove("pitch.max_um", "groove.width_um + groove.min_land_um ", g.WidthUM+g.MinLandUM, "pitch.max_um", p.MaxUM,
		"even silence would not fit; check units")
	f.notAbove("groove.min_width_um", "", g.MinWidthUM, "pitch.min_um", p.MinUM,
		"a pitch finer than the narrowest groove is an overcut; raise pitch.min_um")
	if p.TrackLandUM > 0 {
		f.notAbove("groove.min_land_um", "", g.MinLandUM, "pitch.track_land_um", p.TrackLandUM,
			"the mark between tracks is land too; give 0 for no mark")
		f.notAbove("pitch.track_land_um", "with groove.width_um it makes a pitch of ", p.TrackLandUM+g.WidthUM, "the joining spiral's limit", longestTrackLandPitchUM,
			"a pickup may lose the groove; shorten the mark")
	}
}

func (r Room) validateMachine(f *faults) {
	if r.Depth.Variable {
		f.positive("depth.slew", r.Depth.Slew)
	}
	for _, a := range []figure{{"cutter.back_facet_deg", r.Cutter.BackFacetDeg}, {"cutter.clearance_deg", r.Cutter.ClearanceDeg}} {
		f.positive(a.field, a.value)
		f.ordered(a.field, "", a.value, "a right angle", 90, "give the angle in degrees")
	}
	if c := r.Cutter.RMSAccelerationCeiling; c != nil {
		f.positive("cutter.rms_acceleration_ceiling", *c)
	}
	f.positive("playback.tip_um", r.Playback.TipUM)
	f.notAbove("playback.tip_um", "its contact width ", ContactWidthUM(r.Playback.TipUM), "groove.width_um", r.Groove.WidthUM,
		"the tip would ride on the edges of an unmodulated groove")
	for i, tip := range r.Playback.ReportTipsUM {
		f.positive(fmt.Sprintf("playback.report_tips_um[%d]", i), tip)
	}
}

func (r Room) validateBand(f *faults) {
	if len(r.BandHz) != 2 {
		f.add("band_hz", fmt.Sprintf("%d numbers given, want 2", len(r.BandHz)), "give the lowest and the highest frequency")
		return
	}
	low, high := r.BandHz[0], r.BandHz[1]
	f.positive("band_hz[0]", low)
	f.positive("band_hz[1]", high)
	f.ordered("band_hz[0]", "", low, "band_hz[1]", high, "give the lowest frequency first")
	if finite(low) && finite(high) && finite(r.Reference.HZ) && low < high && (r.Reference.HZ < low || r.Reference.HZ > high) {
		f.add("reference.hz", fmt.Sprintf("%g lies outside band_hz %g to %g", r.Reference.HZ, low, high),
			"the reference tone must be one whose motion is predicted")
	}
}

func (r Room) validateRadius(f *faults) {
	outer, inner := math.Inf(1), 0.0
	if p := r.Radius.OuterMM; p != nil {
		f.positive("radius.outer_mm", *p)
		outer = *p
	}
	if p := r.Radius.InnerMM; p != nil {
		f.positive("radius.inner_mm", *p)
		inner = *p
	}
	f.ordered("radius.inner_mm", "", inner, "radius.outer_mm", outer, "the spiral runs inwards")
}
