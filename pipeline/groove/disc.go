package groove

import (
	"fmt"
	"math"
)

// Speed is the nominal speed of a disc in revolutions per minute: 33 stands
// for 33 1/3. Its turn is an exact rational number of seconds.
//
// Source: rated speeds of the disc types 3033, 3045, 2533, 1733 and 1745 in
// IEC 60098, via a published comparison (secondary).
type Speed int

// The speeds discsafe knows.
const (
	Speed33 Speed = 33 // 33 1/3 rpm, one turn in 9/5 s
	Speed45 Speed = 45 // 45 rpm, one turn in 4/3 s
)

// TurnRatio returns the time of one turn in seconds as an exact fraction; 0/1
// for a speed that is not known.
func (s Speed) TurnRatio() (num, den int64) {
	switch s {
	case Speed33:
		return 9, 5
	case Speed45:
		return 4, 3
	}
	return 0, 1
}

// RPM is the exact speed in revolutions per minute, NaN if it is not known.
func (s Speed) RPM() float64 {
	num, den := s.TurnRatio()
	if num == 0 {
		return math.NaN()
	}
	return 60 * float64(den) / float64(num)
}

// FramesPerTurn is the number of sample frames in one turn. It is exact
// (whole) at 44.1, 48, 88.2, 96, 176.4 and 192 kHz for both speeds; whole
// tells whether it is, otherwise frames is rounded down.
func (s Speed) FramesPerTurn(sampleRateHz int) (frames int64, whole bool) {
	num, den := s.TurnRatio()
	n := int64(sampleRateHz) * num
	return n / den, n%den == 0 && num != 0
}

// SideMinutes are playing times proposed for one side, in minutes.
//
// Source: figures between those of several plants' public delivery notes
// (secondary); a proposal, not a limit of any standard.
type SideMinutes struct {
	Full    float64 `json:"full" doc:"longest side that usually fits at full level" unit:"min" min:"0.5" max:"60" default:"18" source:"between several plants' public delivery notes (secondary)"`
	Reduced float64 `json:"reduced" doc:"longest side that usually fits at reduced level" unit:"min" min:"0.5" max:"60" default:"22" source:"between several plants' public delivery notes (secondary)"`
	Stop    float64 `json:"stop" doc:"side length beyond which nobody should expect a good cut" unit:"min" min:"0.5" max:"60" default:"28" source:"between several plants' public delivery notes (secondary)"`
}

// Disc is a disc format: everything about the blank and the spiral that does
// not depend on the machine. The defaults in the tags are those of 12in-33;
// LookupDisc gives the others. The conflicts between editions are fields, not
// constants, so that a side plan can decide otherwise with an inline disc.
type Disc struct {
	ID                string      `json:"id" doc:"name of the format" default:"12in-33"`
	Speed             Speed       `json:"speed" doc:"nominal speed; 33 stands for 33 1/3" unit:"rpm" enum:"33,45" default:"33" source:"IEC 60098 type code, via a published comparison (secondary)"`
	DiameterMM        float64     `json:"diameter_mm" doc:"outer diameter of the finished disc" unit:"mm" min:"120" max:"310" default:"301" source:"JIS S8502, 301 +-2, via a published comparison (secondary)"`
	HoleMM            float64     `json:"hole_mm" doc:"diameter of the centre hole" unit:"mm" min:"5" max:"40" default:"7.24" source:"IEC 98, 7.24 -0/+0.09, via a published comparison (secondary)"`
	OuterMM           float64     `json:"outer_mm" doc:"greatest radius of modulated groove" unit:"mm" min:"60" max:"150" default:"146.3" source:"IEC 98:1964/1987 cl. 8.5, diameter 292.6; 146.05 in IEC 98:1958 and RIAA 1963; via a published comparison (secondary)"`
	InnerQualityMM    float64     `json:"inner_quality_mm" doc:"radius inside which treble suffers; sides should end outside it" unit:"mm" min:"45" max:"140" default:"60.3" source:"RIAA 1963, diameter 120.65, via a published comparison (secondary)"`
	InnerHardMM       float64     `json:"inner_hard_mm" doc:"radius inside which nothing modulated may be cut" unit:"mm" min:"45" max:"140" default:"57.5" source:"DIN 45547:1981, diameter 115, via a published comparison (secondary)"`
	LockedDiameterMM  float64     `json:"locked_diameter_mm" doc:"diameter of the locked (finishing) groove" unit:"mm" min:"60" max:"140" default:"106.4" source:"IEC 98:1987 cl. 8.9, via a published comparison (secondary)"`
	LockedToleranceMM float64     `json:"locked_tolerance_mm" doc:"tolerance of the locked groove's diameter, either way" unit:"mm" min:"0" max:"5" default:"0.8" source:"IEC 98:1987 cl. 8.9, via a published comparison (secondary)"`
	LeadInMinMM       float64     `json:"lead_in_min_mm" doc:"finest pitch of the lead-in" unit:"mm" min:"0.2" max:"5" default:"0.8" source:"IEC 98:1987 cl. 8.4, 1.2 +-0.4, via a published comparison (secondary)"`
	LeadInMaxMM       float64     `json:"lead_in_max_mm" doc:"coarsest pitch of the lead-in" unit:"mm" min:"0.2" max:"5" default:"1.6" source:"IEC 98:1987 cl. 8.4, 1.2 +-0.4, via a published comparison (secondary)"`
	LeadOutMinMM      float64     `json:"lead_out_min_mm" doc:"finest pitch of the lead-out" unit:"mm" min:"1" max:"15" default:"3.2" source:"IEC 98:1987 cl. 8.8, 6.4 +-3.2, via a published comparison (secondary)"`
	LeadOutMaxMM      float64     `json:"lead_out_max_mm" doc:"coarsest pitch of the lead-out" unit:"mm" min:"1" max:"15" default:"9.6" source:"IEC 98:1987 cl. 8.8, 6.4 +-3.2, via a published comparison (secondary)"`
	LeadOutTurns      float64     `json:"lead_out_turns" doc:"least number of lead-out turns" unit:"turns" min:"1" max:"10" default:"1" source:"IEC 98:1987 cl. 8.8, at least one turn, via a published comparison (secondary)"`
	JoinPitchMaxMM    float64     `json:"join_pitch_max_mm" doc:"coarsest pitch of the spiral that joins two tracks" unit:"mm" min:"0.2" max:"5" default:"1.5875" source:"RIAA text, not fewer than 16 grooves per inch, quoted by a secondary page (weak)"`
	SideMin           SideMinutes `json:"side_min" doc:"playing times proposed for one side"`
}

// SecondsPerTurn is the time of one turn: 1.8 s or 4/3 s, 0 for an unknown
// speed.
func (d Disc) SecondsPerTurn() float64 {
	num, den := d.Speed.TurnRatio()
	return float64(num) / float64(den)
}

// GrooveSpeed is the speed in m/s at which the groove passes the stylus at a
// radius in mm: V = 2 pi r / T. Arithmetic.
func (d Disc) GrooveSpeed(radiusMM float64) float64 {
	return 2 * math.Pi * radiusMM * 1e-3 / d.SecondsPerTurn()
}

// BandMM is the width in mm of the modulated band, from OuterMM to
// InnerQualityMM.
func (d Disc) BandMM() float64 { return d.OuterMM - d.InnerQualityMM }

// MinutesAt is the playing time in minutes of the modulated band at a constant
// pitch in um.
func (d Disc) MinutesAt(pitchUM float64) float64 {
	return Turns(d.OuterMM, d.InnerQualityMM, pitchUM) * d.SecondsPerTurn() / 60
}

// LinesPerInchFor is the average density in lines per inch that fits a time in
// minutes into a band of the given width in mm.
func (d Disc) LinesPerInchFor(minutes, bandMM float64) float64 {
	turns := minutes * 60 / d.SecondsPerTurn()
	return turns * 25.4 / bandMM
}

// WithRadii returns the disc with a room's radii in place of its own. A nil
// override keeps the disc's. An inner override moves the hard limit, and the
// quality limit with it when that would lie inside. Call Validate afterwards:
// the result may be impossible.
func (d Disc) WithRadii(o RadiusOverrides) Disc {
	if o.OuterMM != nil {
		d.OuterMM = *o.OuterMM
	}
	if o.InnerMM != nil {
		d.InnerHardMM = *o.InnerMM
		d.InnerQualityMM = math.Max(d.InnerQualityMM, d.InnerHardMM)
	}
	return d
}

// Turns is the number of turns between two radii in mm at a constant pitch in
// um: N = (outer - inner) / P. Arithmetic.
func Turns(outerMM, innerMM, pitchUM float64) float64 {
	return (outerMM - innerMM) * 1000 / pitchUM
}

// GrooveLengthM is the length in m of a spiral of constant pitch (um) between
// two radii (mm): pi (ro^2 - ri^2) / P. It neglects the radial part of the
// path, less than one part in a million at any pitch of a programme. Derived.
func GrooveLengthM(outerMM, innerMM, pitchUM float64) float64 {
	return math.Pi * (outerMM*outerMM - innerMM*innerMM) / pitchUM
}

// PitchUM converts lines per inch to pitch in um: 25400 / lpi. The same
// formula converts back; see LinesPerInch.
func PitchUM(linesPerInch float64) float64 { return 25400 / linesPerInch }

// LinesPerInch converts a pitch in um to lines per inch: 25400 / P.
func LinesPerInch(pitchUM float64) float64 { return 25400 / pitchUM }

// Validate returns a *DiscError that lists every fault, or nil. It holds the
// rules between fields; ranges of single fields are in the tags.
func (d Disc) Validate() error {
	var f faults
	if num, _ := d.Speed.TurnRatio(); num == 0 {
		f.add("speed", fmt.Sprintf("%d rpm is not known", int(d.Speed)), "use 33 or 45")
	}
	for _, v := range d.figures() {
		f.positive(v.field, v.value)
	}
	f.ordered("outer_mm", "", d.OuterMM, "half of diameter_mm", d.DiameterMM/2, "the groove must lie on the disc")
	f.ordered("inner_quality_mm", "", d.InnerQualityMM, "outer_mm", d.OuterMM, "the modulated band runs inwards")
	f.ordered("locked_diameter_mm", "half of it, ", d.LockedDiameterMM/2, "inner_hard_mm", d.InnerHardMM, "leave room for the lead-out")
	f.ordered("hole_mm", "", d.HoleMM, "locked_diameter_mm", d.LockedDiameterMM, "the locked groove lies outside the hole")
	f.notAbove("inner_hard_mm", "", d.InnerHardMM, "inner_quality_mm", d.InnerQualityMM, "the hard limit is the inner one of the two")
	f.notAbove("lead_in_min_mm", "", d.LeadInMinMM, "lead_in_max_mm", d.LeadInMaxMM, "exchange the two")
	f.notAbove("lead_out_min_mm", "", d.LeadOutMinMM, "lead_out_max_mm", d.LeadOutMaxMM, "exchange the two")
	f.notAbove("side_min.full", "", d.SideMin.Full, "side_min.reduced", d.SideMin.Reduced, "full level needs more room")
	f.notAbove("side_min.reduced", "", d.SideMin.Reduced, "side_min.stop", d.SideMin.Stop, "the last figure is the longest")
	if len(f) == 0 {
		return nil
	}
	return &DiscError{ID: d.ID, Faults: f}
}

type figure struct {
	field string
	value float64
}

// figures lists the numeric fields that must be finite and above zero.
func (d Disc) figures() []figure {
	return []figure{
		{"diameter_mm", d.DiameterMM}, {"hole_mm", d.HoleMM}, {"outer_mm", d.OuterMM},
		{"inner_quality_mm", d.InnerQualityMM}, {"inner_hard_mm", d.InnerHardMM},
		{"locked_diameter_mm", d.LockedDiameterMM}, {"lead_in_min_mm", d.LeadInMinMM},
		{"lead_in_max_mm", d.LeadInMaxMM}, {"lead_out_min_mm", d.LeadOutMinMM},
		{"lead_out_max_mm", d.LeadOutMaxMM}, {"lead_out_turns", d.LeadOutTurns},
		{"join_pitch_max_mm", d.JoinPitchMaxMM}, {"side_min.full", d.SideMin.Full},
		{"side_min.reduced", d.SideMin.Reduced}, {"side_min.stop", d.SideMin.Stop},
	}
}
