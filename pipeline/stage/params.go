package stage

// The stage ids, in the default order of the chain.
const (
	BlockInfrasonic = "block-infrasonic"
	BandLimit       = "band-limit"
	SumLows         = "sum-lows"
	DeEss           = "de-ess"
	LimitSides      = "limit-sides"
	FitLevel        = "fit-level"
)

// When says whether a linear stage acts always or only where the groove needs
// it.
type When string

// Values of When.
const (
	WhenNeeded When = "needed" // act only if the measured groove asks for it
	WhenAlways When = "always" // act whatever was measured
)

// BlockInfrasonicParams sets the high-pass that keeps DC and rumble, which
// cost land and are not heard, out of the groove. It treats mid and side
// alike, so the image is untouched.
type BlockInfrasonicParams struct {
	CutoffHz    float64 `json:"cutoff_hz" doc:"corner of the high-pass: 3 dB down there at slope 12, 6 dB at slope 24" unit:"Hz" min:"5" max:"40" default:"16" source:"16 to 20 Hz: common practice, no source"`
	SlopeDB     int     `json:"slope" doc:"slope below the cutoff" unit:"dB/oct" enum:"12,24" default:"12" source:"common practice, no source"`
	When        When    `json:"when" doc:"act always, or only where infrasonic motion is above the threshold" enum:"needed,always" default:"needed"`
	ThresholdUM float64 `json:"threshold_um" doc:"groove motion below 10 Hz, at the level cut, from which the stage acts when needed" unit:"um" min:"0" max:"50" default:"2" source:"common practice, no source"`
}

// BandLimitParams sets the low-pass that keeps ultrasonic energy, which the
// recording characteristic raises 6 dB per octave, away from the cutter. It
// treats mid and side alike.
type BandLimitParams struct {
	CutoffHz    float64 `json:"cutoff_hz" doc:"highest frequency passed unchanged (within 0.1 dB); linear phase" unit:"Hz" min:"12000" max:"24000" default:"20000" source:"the recording characteristic (IEC 60098) rises without end, so a limit must be stated; 20 kHz: common practice, no source"`
	When        When    `json:"when" doc:"act always, or only where ultrasonic level is above the threshold" enum:"needed,always" default:"needed"`
	ThresholdDB float64 `json:"threshold_dbfs" doc:"highest short-term RMS level above the cutoff from which the stage acts when needed" unit:"dBFS" min:"-120" max:"0" default:"-60" source:"common practice, no source"`
}

// SumLowsParams sets the high-pass on the side signal below the crossover:
// lows become equal in both channels, so they move the groove sideways, where
// there is room. Mid is untouched (in phase mode matched it gets the matching
// all-pass, so that the image near the crossover does not tilt).
type SumLowsParams struct {
	CrossoverHz float64 `json:"crossover_hz" doc:"crossover below which the side signal is removed" unit:"Hz" min:"30" max:"500" default:"150" source:"40 to 300 Hz, most often 80 to 150: common practice, no source"`
	SlopeDB     int     `json:"slope" doc:"slope below the crossover" unit:"dB/oct" enum:"6,12,24" default:"12" source:"6 to 12, up to 24 in difficult cases: common practice, no source"`
	Phase       string  `json:"phase" doc:"minimum: side only; matched: mid gets the matching all-pass; linear: no phase shift" enum:"minimum,matched,linear" default:"minimum"`
	When        When    `json:"when" doc:"act always, or only where vertical motion would break width or depth at the level cut" enum:"needed,always" default:"needed"`
}

// DeEssParams sets the dynamic reduction of the high band where a wall would
// accelerate more than a playback tip can follow at the radius where the
// moment lands. Both channels get the same gain, so the image is kept.
type DeEssParams struct {
	CrossoverHz float64 `json:"crossover_hz" doc:"lower edge of the band that is reduced; linear phase" unit:"Hz" min:"2000" max:"10000" default:"4000" source:"band of concern 5 to 10 kHz, at most 4 to 12: common practice, no source"`
	LookAheadMS float64 `json:"look_ahead_ms" doc:"time over which the gain falls before, and rises after, a passage" unit:"ms" min:"5" max:"100" default:"20" source:"common practice, no source"`
	Mode        string  `json:"mode" doc:"apply: treat; estimate: report what would be treated and change nothing" enum:"apply,estimate" default:"apply"`
	TipUM       float64 `json:"tip_um" doc:"radius of the playback tip to protect; 0 takes the room's design tip" unit:"um" min:"0" max:"30" default:"0"`
}

// LimitSidesParams sets the limiter on vertical displacement: where the groove
// would become shallower than the least width or deeper than the room's
// maximum, the side signal is reduced, mid is untouched, so the image narrows
// for that moment and nothing else changes.
type LimitSidesParams struct {
	LookAheadMS float64 `json:"look_ahead_ms" doc:"time over which the gain falls before, and rises after, a passage" unit:"ms" min:"10" max:"150" default:"60" source:"common practice, no source: two periods of the lowest side signal left"`
	Mode        string  `json:"mode" doc:"apply: treat; estimate: report what would be treated and change nothing" enum:"apply,estimate" default:"apply"`
}

// FitLevelParams sets the gain of the file. It treats mid and side alike.
type FitLevelParams struct {
	CeilingDBTP float64 `json:"ceiling_dbtp" doc:"true-peak ceiling for gain above 0 dB; what does not fit is reported as gain to set at the lathe" unit:"dBTP" min:"-12" max:"0" default:"-0.3" source:"plants and rooms ask for at most 0.0 or -1.0 dBTP: common practice, no source"`
	Dither      string  `json:"dither" doc:"dither when samples are requantised; only used when samples change" enum:"tpdf,none" default:"tpdf" source:"common practice, no source"`
}
