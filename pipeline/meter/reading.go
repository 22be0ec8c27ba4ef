package meter

// Reading is what a Meter found. Field names carry their unit; dBFS of a sample
// is re full scale, dBFS of a power is re a full-scale sine (whose RMS reads
// 0), dBTP is re full scale, LUFS and LU as in EBU R 128. Every nil field has
// its reason in Unavailable under its JSON name.
type Reading struct {
	SampleRateHz int     `json:"sample_rate_hz"`
	Frames       int64   `json:"frames"`
	DurationS    float64 `json:"duration_s"`

	// Loudness, ITU-R BS.1770-5 and EBU Tech 3341. A mono mix counts as it is
	// cut, as the same signal in both channels.
	IntegratedLUFS   *float64 `json:"integrated_lufs"`
	MaxMomentaryLUFS *float64 `json:"max_momentary_lufs"`  // 400 ms
	MaxShortTermLUFS *float64 `json:"max_short_term_lufs"` // 3 s

	// Loudness range, EBU Tech 3342: 95th less 10th percentile of short-term
	// loudness. Not given under 60 s of programme, where that document calls
	// it unstable.
	LoudnessRangeLU       *float64 `json:"loudness_range_lu"`
	LoudnessRangeLowLUFS  *float64 `json:"loudness_range_low_lufs"`
	LoudnessRangeHighLUFS *float64 `json:"loudness_range_high_lufs"`

	// Peaks. The true peak is that of the continuous signal; a steady tone can
	// read too low by up to TruePeakUnderReadDB. Crest is sample peak over
	// RMS, both channels together: 3.01 dB for a sine. Peak to loudness is
	// true peak less integrated loudness.
	MaxTruePeakDBTP     *float64 `json:"max_true_peak_dbtp"`
	TruePeakAt          *Place   `json:"true_peak_at"`
	TruePeakUnderReadDB float64  `json:"true_peak_under_read_db"`
	SamplePeakDBFS      *float64 `json:"sample_peak_dbfs"`
	RMSDBFS             *float64 `json:"rms_dbfs"` // mean power of both channels
	CrestDB             *float64 `json:"crest_db"`
	PeakToLoudnessLU    *float64 `json:"peak_to_loudness_lu"`

	// DCOffset is the mean of the channel whose mean is larger, 1.0 being full
	// scale.
	DCOffset      *float64 `json:"dc_offset"`
	DCOffsetLeft  *float64 `json:"dc_offset_left"`
	DCOffsetRight *float64 `json:"dc_offset_right"`

	// Clipping: a run is three or more consecutive samples of a channel at or
	// above full scale of the file's format (common practice, no source).
	ClippedRuns             int      `json:"clipped_runs"`
	LongestClippedRunFrames int64    `json:"longest_clipped_run_frames"`
	FirstClippedAtS         *float64 `json:"first_clipped_at_s"`

	// Correlation is sum LR / sqrt(sum LL * sum RR): 1 for equal channels, -1
	// for opposite ones. The lowest are those of any 400 ms and any 3 s, on a
	// grid of 100 ms, in which both channels lie above -70 dBFS; AtS is where
	// the window begins.
	Correlation            *float64 `json:"correlation"`
	LowestCorrelation400MS *Moment  `json:"lowest_correlation_400ms"`
	LowestCorrelation3S    *Moment  `json:"lowest_correlation_3s"`

	// SideToMidDB is the power of (L-R)/2 over that of (L+R)/2. Below the
	// crossover both pass a fourth-order Butterworth low-pass first.
	SideToMidDB               *float64 `json:"side_to_mid_db"`
	CrossoverHz               float64  `json:"crossover_hz"`
	SideToMidBelowCrossoverDB *float64 `json:"side_to_mid_below_crossover_db"`

	// UltrasonicRMSDBFS is the highest RMS level, in about 43 ms, of either
	// channel above BandLimitHz.
	BandLimitHz       float64  `json:"band_limit_hz"`
	UltrasonicRMSDBFS *float64 `json:"ultrasonic_rms_dbfs"`

	ThirdOctaves []ThirdOctave   `json:"third_octaves"`
	Loudness     *LoudnessSeries `json:"loudness_over_time"`

	// Unavailable gives, by JSON name, why a field is null.
	Unavailable map[string]string `json:"unavailable,omitempty"`
}

// Place is a point in the programme.
type Place struct {
	AtS     float64 `json:"at_s"`    // seconds from the start
	Channel string  `json:"channel"` // "left" or "right"
}

// Moment is a value and where its window begins.
type Moment struct {
	Value float64 `json:"value"`
	AtS   float64 `json:"at_s"` // seconds from the start
}

// ThirdOctave is one band of IEC 61260-1 by its nominal centre, 20 Hz to
// 40 kHz as far as half the sampling rate allows. A level is null when there
// is nothing above -200 dBFS; Why says so.
type ThirdOctave struct {
	Hz          float64  `json:"hz"`
	MidDBFS     *float64 `json:"mid_dbfs"`
	SideDBFS    *float64 `json:"side_dbfs"`
	SideToMidDB *float64 `json:"side_to_mid_db"`
	Why         string   `json:"why,omitempty"`
}

// LoudnessSeries is loudness over time for a plot. Entry i of each list is the
// lowest or highest loudness of the windows that end after i*StepS and not
// after (i+1)*StepS, rounded to 0.01 LU; null where no full window ends yet
// and below -120 LUFS.
type LoudnessSeries struct {
	StepS            float64    `json:"step_s"`
	MomentaryMinLUFS []*float64 `json:"momentary_min_lufs"`
	MomentaryMaxLUFS []*float64 `json:"momentary_max_lufs"`
	ShortTermMinLUFS []*float64 `json:"short_term_min_lufs"`
	ShortTermMaxLUFS []*float64 `json:"short_term_max_lufs"`
}
