package report

import "encoding/json"

// Schema names the layout of report.json. A reader refuses any other name.
const Schema = "discsafe-report/1"

// AnalyseKind is the Kind of a report on a side that was measured and planned
// only.
const AnalyseKind = "analyse"

// Analysed reports whether nothing was written: what the report says beyond
// the mixes is a prediction.
func (r *Report) Analysed() bool { return r.Kind == AnalyseKind }

// Report is the whole truth about one side, prepared or only analysed. Units are in the JSON
// names. Times are seconds on the side's time line, from the first sample of
// the premaster; radii are millimetres from the centre of the disc.
type Report struct {
	Schema  string          `json:"schema" doc:"name and version of this layout"`
	Tool    Tool            `json:"tool" doc:"what wrote the report"`
	Kind    string          `json:"kind,omitempty" doc:"analyse: the side was measured and planned, nothing was written; left out: a premaster was written and measured" enum:"analyse"`
	Side    Side            `json:"side" doc:"what is cut: names, disc, mono"`
	Plan    json.RawMessage `json:"plan" doc:"the side plan as used, defaults filled in"`
	Room    json.RawMessage `json:"room" doc:"the room profile as used, defaults filled in"`
	Notes   []Note          `json:"notes" doc:"unit, meaning and standing of values in plan and room; which to ask the room about"`
	Limits  Limits          `json:"limits" doc:"the limits held, as used"`
	Verdict Verdict         `json:"verdict" doc:"what discsafe concludes, always within the stated room profile"`
	Cut     Cut             `json:"cut" doc:"level of the cut and how it is reached"`
	Before  Measures        `json:"before" doc:"the mixes as handed in, placed on the side"`
	After   Measures        `json:"after" doc:"the premaster, measured from the written file; analyse only: every value null"`
	// Prediction is there when there is no after, and only then.
	Prediction *Prediction `json:"prediction,omitempty" doc:"analyse only: what the planner expects of the groove, at the worst"`
	Stages     []Stage     `json:"stages" doc:"the chain in order, with what each stage decided"`
	Changes    []Change    `json:"changes" doc:"treated passages"`
	// ChangesTotal counts the treated passages found, also those left out of
	// Changes; 0 means len(Changes).
	ChangesTotal int         `json:"changes_total" doc:"treated passages found, also those not listed; 0: all are listed"`
	Land         Land        `json:"land" doc:"the land plan: radius over time"`
	Ladder       []Rung      `json:"ladder" doc:"for each cut level: land, end radius, treatment needed"`
	Tracks       []Track     `json:"tracks" doc:"the tracks as placed on the side"`
	Inputs       []File      `json:"inputs" doc:"files read; never altered"`
	Outputs      []File      `json:"outputs" doc:"files written before this report"`
	Series       Series      `json:"series" doc:"curves over time for the plots"`
	MonoCheck    *MonoCheck  `json:"mono_check,omitempty" doc:"what a listener in mono loses; left out by earlier programs"`
	AsTraced     *AsTraced   `json:"as_traced,omitempty" doc:"prediction: what playback tips make of the groove; left out by earlier programs"`
	HalfSpeed    *HalfSpeed  `json:"half_speed,omitempty" doc:"what a cut at half speed asks of the room; left out: the side is cut in real time"`
	OtherSpeed   *OtherSpeed `json:"other_speed,omitempty" doc:"the side at the other speed of its disc; left out: not asked for"`
	Advice       []Advice    `json:"advice" doc:"notes to the mix, where treatment goes beyond the plan's caps"`
	Proof        Proof       `json:"proof" doc:"what was checked on the written file"`
	Cautions     []Caution   `json:"cautions" doc:"cautions for the reader"`
	Timing       Timing      `json:"timing" doc:"passes made, and times if they were asked for"`
}

// Tool says what wrote the report. Nothing here may depend on the machine or
// the hour, or the same inputs would not give the same bytes.
type Tool struct {
	Name    string `json:"name" doc:"discsafe"`
	Version string `json:"version" doc:"version of the program"`
}

// Side says what is cut.
type Side struct {
	Side      string `json:"side" doc:"side of the disc, as in the plan"`
	Title     string `json:"title" doc:"title of the record"`
	Artist    string `json:"artist,omitempty" doc:"artist, if the plan names one"`
	Catalogue string `json:"catalogue" doc:"catalogue number"`
	// Inscription is the text for the run-out, scribed by hand or machine.
	Inscription string  `json:"inscription" doc:"text for the run-out; blank: none asked for"`
	Mono        bool    `json:"mono" doc:"the plan asks for a mono cut: both channels equal, side signal exactly zero"`
	LengthS     float64 `json:"length_s" doc:"length of the programme on the side" unit:"s"`
	SampleRate  int     `json:"sample_rate_hz" doc:"sample rate of the premaster" unit:"Hz"`
	BitDepth    int     `json:"bit_depth" doc:"bit depth of the premaster" unit:"bit"`
	Disc        Disc    `json:"disc" doc:"format of the disc"`
	RoomName    string  `json:"room_name" doc:"name of the room profile"`
}

// Disc is the disc format as used, with the room's radius overrides applied.
type Disc struct {
	ID                     string   `json:"id" doc:"format id, for instance 12in-33"`
	Name                   string   `json:"name" doc:"format in words"`
	RPM                    float64  `json:"rpm" doc:"rated speed" unit:"1/min"`
	RevolutionS            float64  `json:"revolution_s" doc:"time of one revolution" unit:"s"`
	OuterMM                float64  `json:"outer_mm" doc:"radius of the first modulated groove" unit:"mm"`
	InnerMM                float64  `json:"inner_mm" doc:"radius inside which nothing is cut" unit:"mm"`
	QualityInnerMM         *float64 `json:"quality_inner_mm" doc:"radius inside which quality falls off; null: not stated" unit:"mm"`
	LeadInPitchMM          *float64 `json:"lead_in_pitch_mm" doc:"pitch of the lead-in; null: left to the room" unit:"mm"`
	LeadOutPitchMM         *float64 `json:"lead_out_pitch_mm" doc:"pitch of the lead-out; null: left to the room" unit:"mm"`
	LockedGrooveDiameterMM *float64 `json:"locked_groove_diameter_mm" doc:"diameter of the locked groove; null: left to the room" unit:"mm"`
	LockedGrooveTolMM      *float64 `json:"locked_groove_tolerance_mm" doc:"tolerance of that diameter, plus and minus" unit:"mm"`
	Source                 string   `json:"source,omitempty" doc:"where the format's figures come from"`
}

// Note explains one value of the plan or the room.
type Note struct {
	In       string `json:"in" doc:"document the field is in" enum:"plan,room"`
	Field    string `json:"field" doc:"path of the field, for instance groove.width_um"`
	Unit     string `json:"unit,omitempty" doc:"unit of the value"`
	Meaning  string `json:"meaning,omitempty" doc:"what the value means"`
	Source   string `json:"source,omitempty" doc:"where the default comes from"`
	AskRoom  bool   `json:"ask_room" doc:"the value depends on the machine: confirm it with the room"`
	Defaults bool   `json:"is_default" doc:"the value is the default, nobody set it"`
}

// Limits are the figures held by this run. A nil limit was not checked.
type Limits struct {
	MinWidthUM             *float64 `json:"min_width_um" doc:"least instantaneous groove width" unit:"um"`
	MaxDepthUM             *float64 `json:"max_depth_um" doc:"greatest instantaneous depth" unit:"um"`
	MinLandUM              *float64 `json:"min_land_um" doc:"least land" unit:"um"`
	SlopeRatio             *float64 `json:"slope_ratio_max" doc:"wall speed over what the cutter's back facets clear"`
	CurvatureRatio         *float64 `json:"curvature_ratio_max" doc:"wall curvature over what the design tip can follow"`
	RMSAccelerationMS2     *float64 `json:"rms_acceleration_1s_m_s2" doc:"room's ceiling for 1 s rms wall acceleration" unit:"m/s2"`
	TruePeakDBTP           *float64 `json:"max_true_peak_dbtp" doc:"true-peak ceiling of the premaster" unit:"dBTP"`
	EndRadiusMM            *float64 `json:"end_radius_mm" doc:"least radius the programme may reach" unit:"mm"`
	LandAvailableMM        *float64 `json:"land_used_mm" doc:"radius the programme may take" unit:"mm"`
	MinPitchUM             *float64 `json:"min_pitch_um" doc:"finest pitch of the room" unit:"um"`
	MaxPitchUM             *float64 `json:"max_pitch_um" doc:"coarsest pitch of the room" unit:"um"`
	DesignTipUM            *float64 `json:"design_tip_um" doc:"radius of the tip for which curvature is held" unit:"um"`
	CutterBackFacetDeg     *float64 `json:"back_facet_deg" doc:"angle of the cutter's back facets" unit:"deg"`
	DeepeningRatio         *float64 `json:"deepening_ratio_max" doc:"downward speed over what the cutter's heel clears"`
	CorrelationLowest      *float64 `json:"correlation" doc:"correlation below which attention is drawn"`
	SideToMidDB            *float64 `json:"side_to_mid_db" doc:"side-to-mid ratio above which attention is drawn" unit:"dB"`
	DCOffset               *float64 `json:"dc_offset" doc:"DC, linear re full scale, above which attention is drawn"`
	LateralVelocityPeakCMS *float64 `json:"lateral_velocity_peak_cm_s" doc:"lateral velocity, if the room states one" unit:"cm/s"`
}

// Prediction is what the planner expects of the groove after treatment, at the
// worst: a stage that holds one limit lowers more than that one. It was computed
// from envelopes of the mixes; no file was written or measured.
type Prediction struct {
	Basis             string   `json:"basis" doc:"what the figures rest on, in words"`
	MinWidthUM        *float64 `json:"min_width_um" doc:"least instantaneous top width" unit:"um"`
	MaxDepthUM        *float64 `json:"max_depth_um" doc:"greatest instantaneous depth" unit:"um"`
	MinLandUM         *float64 `json:"min_land_um" doc:"least land; null: the side is shorter than one turn" unit:"um"`
	SlopeRatioMax     *float64 `json:"slope_ratio_max" doc:"highest wall speed over what the cutter's back facets clear"`
	CurvatureRatioMax *float64 `json:"curvature_ratio_max" doc:"highest wall curvature over what the design tip can follow"`
	EndRadiusMM       *float64 `json:"end_radius_mm" doc:"radius where the programme would end" unit:"mm"`
	LandUsedMM        *float64 `json:"land_used_mm" doc:"radius the programme would take" unit:"mm"`
}

// State is a verdict.
type State string

// The verdicts, from best to worst. None of them promises more than the
// stated room profile.
const (
	Ready     State = "ready"
	Attention State = "attention"
	Blocked   State = "blocked"
)

// Verdict is the conclusion. State is the worst severity among Reasons, and
// Ready when there is none.
type Verdict struct {
	State   State    `json:"state" doc:"worst of the reasons, ready when there is none" enum:"ready,attention,blocked"`
	Reasons []Reason `json:"reasons" doc:"why, worst first"`
}

// Reason is one cause of a verdict.
type Reason struct {
	Code     string   `json:"code" doc:"stable code, lower case with hyphens"`
	Severity State    `json:"severity" doc:"attention or blocked; ready: a note that changes nothing, in a prediction only" enum:"ready,attention,blocked"`
	Text     string   `json:"text" doc:"what was found, for a person"`
	Where    *Place   `json:"where,omitempty" doc:"where on the side"`
	Value    *float64 `json:"value,omitempty" doc:"value found, in unit"`
	Limit    *float64 `json:"limit,omitempty" doc:"limit it is held against, in unit"`
	Unit     string   `json:"unit,omitempty" doc:"unit of value and limit; blank for a plain ratio"`
	Hint     string   `json:"hint" doc:"what to do about it"`
}

// Place is a moment on the side.
type Place struct {
	TS       float64  `json:"t_s" doc:"time on the side" unit:"s"`
	RadiusMM *float64 `json:"radius_mm,omitempty" doc:"radius where that moment lands" unit:"mm"`
	Track    int      `json:"track,omitempty" doc:"number of the track, from 1; 0 or left out: between tracks or unknown"`
	Channel  string   `json:"channel,omitempty" doc:"channel, if one is meant" enum:"left,right"`
}

// Cut is the level of the cut and how it is reached.
type Cut struct {
	LevelDB     float64   `json:"level_db" doc:"cut level re the room's reference" unit:"dB"`
	FileGainDB  float64   `json:"file_gain_db" doc:"gain applied in the file" unit:"dB"`
	LatheGainDB float64   `json:"lathe_gain_db" doc:"gain to set at the lathe" unit:"dB"`
	Reference   Reference `json:"reference" doc:"the room's reference level"`
	Asked       string    `json:"asked" doc:"what the plan asked for: fit, or a level with its unit"`
	Why         string    `json:"why" doc:"what held the level where it is"`
}

// Reference ties level in the file to motion of the groove.
type Reference struct {
	VelocityCMS float64 `json:"velocity_cm_s" doc:"groove velocity of the reference tone" unit:"cm/s"`
	Axis        string  `json:"axis" doc:"lateral: along the radius; channel: along one 45 degree axis" enum:"lateral,channel"`
	Kind        string  `json:"kind" doc:"how the velocity is counted" enum:"peak,rms"`
	HZ          float64 `json:"hz" doc:"frequency of the reference tone" unit:"Hz"`
	DBFS        float64 `json:"dbfs" doc:"peak level of the reference tone in the file" unit:"dBFS"`
}

// Proof is what was checked on the written file.
type Proof struct {
	ResidualLSB  *float64 `json:"sum_of_changes_residual_lsb" doc:"largest gap between mix plus all changes and the premaster read back, in least significant bits of the premaster; null: not checked" unit:"LSB"`
	BitIdentical bool     `json:"bit_identical" doc:"every sample of the premaster equals the mix"`
	Passes       int      `json:"passes" doc:"passes over the audio"`
	Tightenings  int      `json:"tightenings" doc:"times the treatment was tightened after measuring the written file"`
	Remeasured   bool     `json:"remeasured" doc:"the after figures come from the written file"`
	Dithered     bool     `json:"dithered" doc:"samples changed and were dithered"`
	MonoExact    *bool    `json:"mono_exact,omitempty" doc:"mono cut: both channels of the written file are equal in every sample"`
	Text         string   `json:"text,omitempty" doc:"more, in words"`
}

// Caution is a text that must stand where the reader acts.
type Caution struct {
	Code string `json:"code" doc:"stable code, lower case with hyphens"`
	Text string `json:"text" doc:"the caution"`
}

// Timing says how much work was done. Wall-clock figures are left out unless
// asked for, so that a report stays the same on every machine.
type Timing struct {
	ProgrammeS float64  `json:"programme_s" doc:"length of the programme" unit:"s"`
	Passes     int      `json:"passes" doc:"passes over the audio"`
	WallS      *float64 `json:"wall_s,omitempty" doc:"time taken" unit:"s"`
	RealTime   *float64 `json:"real_time_ratio,omitempty" doc:"programme length over time taken"`
	Steps      []Step   `json:"steps,omitempty" doc:"time taken by each step"`
}

// Step is the time one step took.
type Step struct {
	Name  string  `json:"name" doc:"the step"`
	WallS float64 `json:"wall_s" doc:"time taken" unit:"s"`
}
