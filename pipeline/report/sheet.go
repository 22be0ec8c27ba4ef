package report

import "strings"

// maxSheetPassages is how many treated passages the cutting sheet names: what
// an engineer can listen to before cutting.
const maxSheetPassages = 6

// maxSheetReasons keeps the sheet on its pages; the rest stands in the report.
const maxSheetReasons = 4

// sheet is the view behind cutting-sheet.html.
type sheet struct {
	*view
	Premaster   fileView
	Lathe       string
	InFile      string
	Level       string
	Geometry    []pair
	Mono        string
	Inscription string
	Passages    []changeView
	Treatment   []pair // what stages did to the mixes
	Groove      []pair // the groove this file cuts
	AsCut       []pair // what is written down at the lathe: name and planned value
	MoreReasons int
	Standing    []string
	Signed      *signView // nil: to be signed by hand
}

// standingCautions are always on the sheet. They are advice; local codes,
// safety data sheets and trained practice come first.
var standingCautions = []string{
	"Swarf of nitrocellulose lacquer is highly flammable and feeds its own fire: no flame, spark or smoking; earthed suction; keep it wet in a closed metal can, in small amounts; dispose of it as hazardous waste.",
	"Cutter heads burn out from sustained treble. discsafe only estimates the load; the room’s protection and judgement decide.",
	"The cutting stylus is heated: burns. The blank turns and has a hard edge: cuts and pinches.",
	"Test tones: marked, short, started low. Monitor low first: sudden full-scale tones hurt hearing.",
}

func newSheet(r *Report) *sheet {
	v := newView(r)
	s := &sheet{view: v, Standing: standingCautions, Inscription: orBlank(r.Side.Inscription),
		Lathe: with(signed(r.Cut.LatheGainDB, 2), "dB"), InFile: with(signed(r.Cut.FileGainDB, 2), "dB"), Level: with(signed(r.Cut.LevelDB, 2), "dB")}
	for i, f := range r.Outputs {
		if f.Role == "premaster" {
			s.Premaster = v.Outputs[i]
			break
		}
	}
	s.Geometry = geometry(r)
	s.Mono = monoText(r)
	s.Treatment, s.Groove, s.AsCut = treatmentPairs(r), groovePairs(r), asCutPairs(r)
	s.Passages = v.Changes[:min(len(v.Changes), maxSheetPassages)]
	if n := len(v.Reasons); n > maxSheetReasons {
		s.MoreReasons, s.Reasons = n-maxSheetReasons, v.Reasons[:maxSheetReasons]
	}
	return s
}

func monoText(r *Report) string {
	switch {
	case !r.Side.Mono:
		return "Stereo cut."
	case r.Proof.MonoExact != nil && *r.Proof.MonoExact:
		return "Mono cut: both channels of the premaster are equal in every sample, so the groove moves sideways only."
	case r.Proof.MonoExact != nil:
		return "Mono cut asked for, but the channels of the premaster differ: do not cut before this is cleared."
	}
	return "Mono cut asked for; equality of the channels was not checked."
}

func geometry(r *Report) []pair {
	d := r.Side.Disc
	ask := func(v *float64, decimals int, unit string) string {
		if v == nil {
			return "ask the room"
		}
		return quantity(v, decimals, unit)
	}
	locked := ask(d.LockedGrooveDiameterMM, 1, "mm")
	if d.LockedGrooveTolMM != nil && d.LockedGrooveDiameterMM != nil {
		locked += " ± " + quantity(d.LockedGrooveTolMM, 1, "mm")
	}
	width := ""
	for _, s := range settings(r.Room, "room", r.Notes) {
		if strings.HasSuffix(s.Field, "groove.width_um") {
			width = s.Value
		}
	}
	out := []pair{
		{"Lead-in", "pitch " + ask(d.LeadInPitchMM, 1, "mm"), ""},
		{"Start radius", quantity(r.Land.StartRadius, 2, "mm"), "outermost allowed " + with(number(d.OuterMM, 2), "mm")},
		{"End radius", quantity(r.Land.EndRadiusMM, 2, "mm"), "innermost allowed " + with(number(d.InnerMM, 2), "mm")},
		{"Average pitch", quantity(r.Land.AverageLPI, 1, "1/in"), ""},
		{"Lead-out", "pitch " + ask(d.LeadOutPitchMM, 1, "mm"), "at least one turn"},
		{"Locked groove diameter", locked, ""},
	}
	if r.Land.MinPitchUM != nil && r.Land.MaxPitchUM != nil {
		out = append(out, pair{"Pitch", rangeOf(*r.Land.MinPitchUM, *r.Land.MaxPitchUM, 0, "um"), "finest to coarsest"})
	}
	if lo, hi, ok := depths(r.Land.Points); ok {
		out = append(out, pair{"Mean depth", rangeOf(lo, hi, 0, "um"), ""})
	}
	if width != "" {
		out = append(out, pair{"Unmodulated groove width", width, "ask the room"})
	}
	apply := "apply it at the lathe, IEC 60098"
	if r.HalfSpeed != nil {
		apply += ", an octave lower"
	}
	return append(out, pair{"Recording characteristic", "not in the file", apply})
}

// rangeOf prints two values with one unit, or one if they print alike.
func rangeOf(from, to float64, decimals int, unit string) string {
	a, b := number(from, decimals), number(to, decimals)
	if a == b {
		return with(a, unit)
	}
	return a + " to " + with(b, unit)
}

// depths are the least and the greatest mean depth of the land plan.
func depths(points []LandPoint) (lo, hi float64, ok bool) {
	for i, p := range points {
		if i == 0 {
			lo, hi = p.DepthUM, p.DepthUM
		}
		lo, hi = min(lo, p.DepthUM), max(hi, p.DepthUM)
	}
	return lo, hi, len(points) > 0
}

// treatmentPairs says what the stages did, one line each.
func treatmentPairs(r *Report) []pair {
	var out []pair
	for _, s := range r.Stages {
		if !s.Active {
			continue
		}
		whole := s.Passages <= 1 && s.TreatedS >= r.Side.LengthS-1
		value := duration(s.TreatedS) + " in " + plural(s.Passages, "passage", "passages")
		switch {
		case whole && s.MaxChangeDB != nil:
			value = "over the whole side"
		case whole:
			out = append(out, pair{s.ID, prose(s.Decided), ""})
			continue
		}
		if s.MaxChangeDB != nil {
			value = with(signed(*s.MaxChangeDB, 1), "dB") + ", " + value
		}
		out = append(out, pair{s.ID, value, ""})
	}
	return out
}

// groovePairs is the groove of the written file at this cut level, at the
// worst.
func groovePairs(r *Report) []pair {
	g, l := r.After.Groove, r.Limits
	held := func(v, limit *float64, word string, decimals int, unit string) string {
		if v == nil || limit == nil {
			return ""
		}
		return word + " " + quantity(limit, decimals, unit)
	}
	return []pair{
		{"Least groove width", quantity(g.MinWidthUM, 1, "um"), held(g.MinWidthUM, l.MinWidthUM, "at least", 0, "um")},
		{"Greatest groove depth", quantity(g.MaxDepthUM, 1, "um"), held(g.MaxDepthUM, l.MaxDepthUM, "at most", 0, "um")},
		{"Least land", quantity(g.MinLandUM, 1, "um"), held(g.MinLandUM, l.MinLandUM, "at least", 0, "um")},
		{"Lateral velocity, peak", quantity(g.LateralVelocityCMS, 1, "cm/s"), held(g.LateralVelocityCMS, l.LateralVelocityPeakCMS, "at most", 1, "cm/s")},
		{"Wall acceleration, rms over 1 s", quantity(g.RMSAcceleration1s, 0, "m/s2"), held(g.RMSAcceleration1s, l.RMSAccelerationMS2, "at most", 0, "m/s2")},
		{"Wall acceleration, rms over 10 s", quantity(g.RMSAcceleration10s, 0, "m/s2"), ""},
		{"Slope ratio", quantity(g.SlopeRatioMax, 2, "ratio"), held(g.SlopeRatioMax, l.SlopeRatio, "at most", 2, "ratio")},
		{"Curvature ratio, design tip", quantity(g.CurvatureRatioMax, 2, "ratio"), held(g.CurvatureRatioMax, l.CurvatureRatio, "at most", 2, "ratio")},
	}
}

// asCutPairs are the readings to write down, with what was planned.
func asCutPairs(r *Report) []pair {
	d := r.Side.Disc
	locked := ""
	if d.LockedGrooveDiameterMM != nil {
		locked = quantity(d.LockedGrooveDiameterMM, 1, "mm")
	}
	tone := r.Cut.Reference.VelocityCMS
	if r.HalfSpeed != nil {
		tone = r.HalfSpeed.ReferenceCMS
	}
	return []pair{
		{"Reference tone read", with(number(tone, 2), "cm/s") + " " + r.Cut.Reference.Axis + " " + r.Cut.Reference.Kind, ""},
		{"Gain set", with(signed(r.Cut.LatheGainDB, 2), "dB"), ""},
		{"Start radius", quantity(r.Land.StartRadius, 1, "mm"), ""},
		{"End radius", quantity(r.Land.EndRadiusMM, 1, "mm"), ""},
		{"Groove width, unmodulated", "", ""},
		{"Locked groove diameter", locked, ""},
		{"Blank and stylus", "", ""},
		{"Remarks", "", ""},
	}
}
