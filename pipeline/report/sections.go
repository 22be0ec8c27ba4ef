package report

import "encoding/json"

// Stage is what one stage of the chain decided.
type Stage struct {
	ID     string `json:"id" doc:"stage id"`
	Active bool   `json:"active" doc:"the stage changed at least one sample"`
	// Predicted is blank unless nothing was written.
	Predicted string          `json:"predicted,omitempty" doc:"analyse only, a prediction: the stage acts, or stays idle; change, time and words are predictions too" enum:"acts,idle"`
	Mode      string          `json:"mode" doc:"apply: treats; estimate: reports and changes nothing; blank: the stage has no modes"`
	Params    json.RawMessage `json:"params" doc:"parameters as used, defaults filled in"`
	// Decided is one sentence: what the stage chose and from which figures.
	Decided     string   `json:"decided" doc:"what it decided, in words"`
	Treats      string   `json:"treats" doc:"how it treats mid and side, in words"`
	MaxChangeDB *float64 `json:"max_change_db" doc:"largest change of gain, negative: reduction; null: not a gain" unit:"dB"`
	TreatedS    float64  `json:"treated_s" doc:"time treated" unit:"s"`
	SumDBS      *float64 `json:"sum_db_s" doc:"change of gain summed over time: how much was done in all" unit:"dB s"`
	Passages    int      `json:"passages" doc:"passages treated"`
	Why         string   `json:"why" doc:"the rule and its source"`
	SwitchOff   string   `json:"switch_off" doc:"how to switch the stage off"`
	// DifferencePeakDBFS and DifferenceRMSDBFS size the stage's own part of
	// the difference; nil if it changed nothing.
	DifferencePeakDBFS *float64 `json:"difference_peak_dbfs" doc:"peak of the stage's part of the difference; null: none" unit:"dBFS"`
	DifferenceRMSDBFS  *float64 `json:"difference_rms_dbfs" doc:"rms of the stage's part of the difference; null: none" unit:"dBFS"`
}

// What an analysis predicts of a stage.
const (
	PredictedActs = "acts"
	PredictedIdle = "idle"
)

// Change is one treated passage.
type Change struct {
	Stage    string   `json:"stage" doc:"stage id"`
	StartS   float64  `json:"start_s" doc:"start on the side" unit:"s"`
	EndS     float64  `json:"end_s" doc:"end on the side" unit:"s"`
	RadiusMM float64  `json:"radius_mm" doc:"radius where the worst moment lands" unit:"mm"`
	Track    int      `json:"track" doc:"number of the track, from 1; 0: between tracks"`
	MaxDB    float64  `json:"max_db" doc:"largest change of gain, negative: reduction" unit:"dB"`
	Measure  string   `json:"measure" doc:"what was held against the limit, for instance curvature ratio"`
	Limit    *float64 `json:"limit" doc:"limit, in unit" `
	Before   *float64 `json:"before" doc:"worst value before, in unit"`
	After    *float64 `json:"after" doc:"worst value after, in unit"`
	Unit     string   `json:"unit" doc:"unit of limit, before and after; blank for a plain ratio"`
	Why      string   `json:"why" doc:"why the passage was treated"`
	Estimate bool     `json:"estimate,omitempty" doc:"reported only, the samples were not changed"`
}

// Land is the land plan.
type Land struct {
	BoundMM      *float64    `json:"bound_mm" doc:"least radius any plan could take, without slew limits" unit:"mm"`
	PlannedMM    *float64    `json:"planned_mm" doc:"radius the plan takes" unit:"mm"`
	AvailableMM  *float64    `json:"available_mm" doc:"radius the disc gives" unit:"mm"`
	Ratio        *float64    `json:"ratio" doc:"planned over bound"`
	AverageLPI   *float64    `json:"average_lpi" doc:"average lines per inch" unit:"1/in"`
	FixedPitchMM *float64    `json:"fixed_pitch_mm" doc:"radius one fixed pitch would take" unit:"mm"`
	MinLandUM    *float64    `json:"min_land_um" doc:"least land of the plan" unit:"um"`
	StartRadius  *float64    `json:"start_radius_mm" doc:"radius where the programme starts" unit:"mm"`
	EndRadiusMM  *float64    `json:"end_radius_mm" doc:"radius where the programme ends" unit:"mm"`
	MinPitchUM   *float64    `json:"min_pitch_um" doc:"finest pitch of the plan" unit:"um"`
	MaxPitchUM   *float64    `json:"max_pitch_um" doc:"coarsest pitch of the plan" unit:"um"`
	Turns        *float64    `json:"turns" doc:"revolutions under the programme"`
	Points       []LandPoint `json:"points" doc:"the plan over time; straight lines between points"`
	// Unavailable says why a value above is nil, by JSON name.
	Unavailable map[string]string `json:"unavailable" doc:"why a value is null, by name"`
}

// LandPoint is the land plan at one moment.
type LandPoint struct {
	TS       float64 `json:"t_s" doc:"time on the side" unit:"s"`
	RadiusMM float64 `json:"radius_mm" doc:"radius of the groove" unit:"mm"`
	PitchUM  float64 `json:"pitch_um" doc:"pitch" unit:"um"`
	DepthUM  float64 `json:"depth_um" doc:"mean depth" unit:"um"`
}

// Rung is one row of the level ladder.
type Rung struct {
	LevelDB        float64     `json:"level_db" doc:"cut level re the room's reference" unit:"dB"`
	LandMM         *float64    `json:"land_mm" doc:"radius the side would take" unit:"mm"`
	EndRadiusMM    *float64    `json:"end_radius_mm" doc:"radius where it would end" unit:"mm"`
	Treatment      []Treatment `json:"treatment" doc:"treatment it would need, in chain order"`
	CurvatureRatio *float64    `json:"curvature_ratio_max" doc:"highest curvature ratio after treatment"`
	SlopeRatio     *float64    `json:"slope_ratio_max" doc:"highest slope ratio after treatment"`
	State          State       `json:"state" doc:"verdict at this level" enum:"ready,attention,blocked"`
	Why            string      `json:"why" doc:"what holds at this level"`
	Filters        []string    `json:"filters" doc:"filters over the whole side that would act at this level, as far as their groove was measured"`
	Chosen         bool        `json:"chosen" doc:"this is the level cut"`
}

// Treatment is what one stage would have to do.
type Treatment struct {
	Stage    string  `json:"stage" doc:"stage id"`
	MaxDB    float64 `json:"max_db" doc:"largest change of gain, negative: reduction" unit:"dB"`
	TreatedS float64 `json:"treated_s" doc:"time treated" unit:"s"`
}

// Track is one track as placed on the side.
type Track struct {
	Number         int      `json:"number" doc:"number on the side, from 1"`
	Title          string   `json:"title" doc:"title"`
	ISRC           string   `json:"isrc" doc:"international standard recording code, ISO 3901; blank: none"`
	File           string   `json:"file" doc:"name of the mix"`
	StartS         float64  `json:"start_s" doc:"start on the side" unit:"s"`
	EndS           float64  `json:"end_s" doc:"end on the side" unit:"s"`
	LengthS        float64  `json:"length_s" doc:"length" unit:"s"`
	GapS           float64  `json:"gap_s" doc:"silence before the track" unit:"s"`
	GainDB         float64  `json:"gain_db" doc:"gain the plan asks for on this track" unit:"dB"`
	StartRadiusMM  *float64 `json:"start_radius_mm" doc:"radius where it starts" unit:"mm"`
	EndRadiusMM    *float64 `json:"end_radius_mm" doc:"radius where it ends" unit:"mm"`
	AverageLPI     *float64 `json:"average_lpi" doc:"average lines per inch" unit:"1/in"`
	LandBeforeUM   *float64 `json:"land_before_um" doc:"land shown before the track" unit:"um"`
	IntegratedLUFS *float64 `json:"integrated_lufs" doc:"integrated loudness in the premaster" unit:"LUFS"`
	MaxTruePeak    *float64 `json:"max_true_peak_dbtp" doc:"highest true peak in the premaster" unit:"dBTP"`
	// Unavailable says why a value above is nil, by JSON name.
	Unavailable map[string]string `json:"unavailable,omitempty" doc:"why a value is null, by name"`
}

// TimelineRole is the role of the file with curves over the whole side.
const TimelineRole = "timeline"

// File is one file read or written.
type File struct {
	Role       string  `json:"role" doc:"mix, premaster, difference, as-traced, timeline, page"`
	Name       string  `json:"name" doc:"name of the file"`
	Bytes      int64   `json:"bytes" doc:"size" unit:"byte"`
	SHA256     string  `json:"sha256" doc:"SHA-256 of the file, lower-case hex"`
	PCMSHA256  string  `json:"pcm_sha256,omitempty" doc:"SHA-256 of the PCM data alone"`
	Container  string  `json:"container,omitempty" doc:"wav, flac, aiff"`
	SampleRate int     `json:"sample_rate_hz,omitempty" doc:"sample rate" unit:"Hz"`
	BitDepth   int     `json:"bit_depth,omitempty" doc:"bit depth" unit:"bit"`
	Float      bool    `json:"float,omitempty" doc:"samples are floating point"`
	Channels   int     `json:"channels,omitempty" doc:"channels"`
	Frames     int64   `json:"frames,omitempty" doc:"frames"`
	LengthS    float64 `json:"length_s,omitempty" doc:"length" unit:"s"`
	Converted  string  `json:"converted,omitempty" doc:"how the sample rate was converted; blank: it was not"`
}

// Series are curves over time for the plots. All curves have the length of
// TS, at most [MaxPoints], or are empty. A curve whose name says min holds the
// least value of each interval, max the greatest, so that no extreme is lost;
// interval i begins at TS[i].
type Series struct {
	TS           Curve         `json:"t_s" doc:"start of the interval" unit:"s"`
	RadiusMM     Curve         `json:"radius_mm" doc:"radius of the groove" unit:"mm"`
	PitchUM      Curve         `json:"pitch_um" doc:"pitch" unit:"um"`
	MeanDepthUM  Curve         `json:"mean_depth_um" doc:"mean depth of the land plan" unit:"um"`
	BeforeGroove GrooveSeries  `json:"before" doc:"the mixes"`
	AfterGroove  GrooveSeries  `json:"after" doc:"the premaster"`
	Stages       []StageSeries `json:"stages" doc:"gain of each stage that has one"`
}

// GrooveSeries are curves of the groove.
type GrooveSeries struct {
	MinWidthUM     Curve `json:"min_width_um" doc:"least width" unit:"um"`
	MaxWidthUM     Curve `json:"max_width_um" doc:"greatest width" unit:"um"`
	MinDepthUM     Curve `json:"min_depth_um" doc:"least depth" unit:"um"`
	MaxDepthUM     Curve `json:"max_depth_um" doc:"greatest depth" unit:"um"`
	MinLandUM      Curve `json:"min_land_um" doc:"least land" unit:"um"`
	SlopeRatio     Curve `json:"slope_ratio_max" doc:"highest slope ratio"`
	CurvatureRatio Curve `json:"curvature_ratio_max" doc:"highest curvature ratio"`
	MaxAccelMS2    Curve `json:"max_acceleration_m_s2" doc:"highest wall acceleration" unit:"m/s2"`
}

// StageSeries is the gain of one stage over time.
type StageSeries struct {
	ID        string `json:"id" doc:"stage id"`
	MinGainDB Curve  `json:"min_gain_db" doc:"least gain in the interval" unit:"dB"`
}
