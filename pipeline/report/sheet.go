package report

import "strings"

// maxSheetPassages is how many treated passages the cutting sheet names: what
// an engineer can listen to before cutting.
const maxSheetPassages = 6

// maxSheetReasons keeps the sheet on its pages; the rest stands in the report.
const maxSheetReasons = 6

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
	MoreReasons int
	Standing    []string
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
		{"Programme starts at radius", quantity(r.Land.StartRadius, 2, "mm"), "outermost allowed " + with(number(d.OuterMM, 2), "mm")},
		{"Programme ends at radius", quantity(r.Land.EndRadiusMM, 2, "mm"), "innermost allowed " + with(number(d.InnerMM, 2), "mm")},
		{"Average", quantity(r.Land.AverageLPI, 1, "1/in"), ""},
		{"Lead-out", "pitch " + ask(d.LeadOutPitchMM, 1, "mm"), "at least one turn"},
		{"Locked groove diameter", locked, ""},
	}
	if width != "" {
		out = append(out, pair{"Unmodulated groove width", width, "ask the room"})
	}
	return out
}
