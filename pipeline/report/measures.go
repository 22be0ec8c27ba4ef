package report

// Measures is what the meters say of one programme. Before and after hold the
// same keys and come from the same code path. A nil value does not exist; why
// stands in Unavailable under the field's JSON name.
type Measures struct {
	LengthS              float64      `json:"length_s" doc:"length of the programme" unit:"s"`
	IntegratedLUFS       *float64     `json:"integrated_lufs" doc:"integrated loudness, ITU-R BS.1770-5, gated" unit:"LUFS"`
	LoudnessRangeLU      *float64     `json:"loudness_range_lu" doc:"loudness range, EBU Tech 3342" unit:"LU"`
	LoudnessRangeLowLUFS *float64     `json:"loudness_range_low_lufs" doc:"low point of the loudness range" unit:"LUFS"`
	LoudnessRangeHiLUFS  *float64     `json:"loudness_range_high_lufs" doc:"high point of the loudness range" unit:"LUFS"`
	MaxMomentaryLUFS     *float64     `json:"max_momentary_lufs" doc:"highest momentary loudness, 400 ms window" unit:"LUFS"`
	MaxShortTermLUFS     *float64     `json:"max_short_term_lufs" doc:"highest short-term loudness, 3 s window" unit:"LUFS"`
	MaxTruePeakDBTP      *float64     `json:"max_true_peak_dbtp" doc:"highest true peak, ITU-R BS.1770-5 annex 2" unit:"dBTP"`
	SamplePeakDBFS       *float64     `json:"sample_peak_dbfs" doc:"highest sample" unit:"dBFS"`
	CrestDB              *float64     `json:"crest_db" doc:"sample peak over rms" unit:"dB"`
	DCOffset             *float64     `json:"dc_offset" doc:"larger DC of the two channels, linear re full scale, with sign"`
	Correlation          *float64     `json:"correlation" doc:"correlation of left and right over the programme, -1 to 1"`
	CorrelationLowest    *float64     `json:"correlation_lowest" doc:"lowest correlation over a window"`
	SideToMidDB          *float64     `json:"side_to_mid_db" doc:"power of the side signal over that of mid" unit:"dB"`
	SideToMidBelowDB     *float64     `json:"side_to_mid_below_crossover_db" doc:"the same below the crossover" unit:"dB"`
	CrossoverHz          *float64     `json:"crossover_hz" doc:"crossover used for the value above" unit:"Hz"`
	ClippedRuns          *float64     `json:"clipped_runs" doc:"runs of samples that stand at full scale; a whole number"`
	Groove               Groove       `json:"groove" doc:"the groove this programme cuts, at the cut level and the radius of the land plan"`
	Bands                []Band       `json:"bands" doc:"average spectrum of mid and side in third octaves"`
	Loudness             LoudnessPlot `json:"loudness" doc:"loudness over time"`
	// Where says when each peak value was met, by the JSON name of the field
	// here, or of Groove with "groove." before it.
	Where       map[string]Place  `json:"where" doc:"where a value was met, by name; names of the groove begin with groove."`
	Unavailable map[string]string `json:"unavailable" doc:"why a value is null, by name; names of the groove begin with groove."`
}

// Groove is the groove a programme cuts. "Ratio" is over the limit at the
// radius where the moment lands: 1 is the limit.
type Groove struct {
	Basis                string     `json:"basis" doc:"level and land plan the figures hold for, in words"`
	LateralPeakUM        *float64   `json:"lateral_peak_um" doc:"largest excursion along the radius" unit:"um"`
	VerticalPeakUM       *float64   `json:"vertical_peak_um" doc:"largest excursion in depth" unit:"um"`
	MinWidthUM           *float64   `json:"min_width_um" doc:"least instantaneous top width" unit:"um"`
	MaxDepthUM           *float64   `json:"max_depth_um" doc:"greatest instantaneous depth" unit:"um"`
	MinLandUM            *float64   `json:"min_land_um" doc:"least land; negative: the grooves cut into each other" unit:"um"`
	LateralVelocityCMS   *float64   `json:"lateral_velocity_peak_cm_s" doc:"highest velocity along the radius" unit:"cm/s"`
	VerticalVelocityCMS  *float64   `json:"vertical_velocity_peak_cm_s" doc:"highest velocity in depth" unit:"cm/s"`
	AccelerationPeakMS2  *float64   `json:"acceleration_peak_m_s2" doc:"highest acceleration of a wall" unit:"m/s2"`
	RMSAcceleration0s1   *float64   `json:"rms_acceleration_0s1_m_s2" doc:"highest rms acceleration of a wall over 0.1 s" unit:"m/s2"`
	RMSAcceleration1s    *float64   `json:"rms_acceleration_1s_m_s2" doc:"highest rms acceleration of a wall over 1 s" unit:"m/s2"`
	RMSAcceleration10s   *float64   `json:"rms_acceleration_10s_m_s2" doc:"highest rms acceleration of a wall over 10 s" unit:"m/s2"`
	SlopeRatioMax        *float64   `json:"slope_ratio_max" doc:"highest wall speed over what the cutter's back facets clear"`
	DeepeningRatioMax    *float64   `json:"deepening_ratio_max" doc:"highest downward speed over what the cutter's heel clears"`
	CurvatureRatioMax    *float64   `json:"curvature_ratio_max" doc:"highest wall curvature over what the design tip can follow"`
	CurvatureTips        []TipRatio `json:"curvature_tips" doc:"the same for further tips, reported and not held"`
	EndRadiusMM          *float64   `json:"end_radius_mm" doc:"radius where the programme ends" unit:"mm"`
	LandUsedMM           *float64   `json:"land_used_mm" doc:"radius the programme takes" unit:"mm"`
	TimeOverSlopeS       *float64   `json:"time_over_slope_s" doc:"time during which the slope ratio is above 1" unit:"s"`
	TimeOverCurvatureS   *float64   `json:"time_over_curvature_s" doc:"time during which the curvature ratio is above 1" unit:"s"`
	TimeUnderMinWidthS   *float64   `json:"time_under_min_width_s" doc:"time during which the groove is narrower than the limit" unit:"s"`
	LateralPeakInfraUM   *float64   `json:"infrasonic_peak_um" doc:"largest excursion below the infrasonic cutoff" unit:"um"`
	AccelerationP999MS2  *float64   `json:"acceleration_p999_m_s2" doc:"acceleration of a wall not passed in 99.9 % of the time" unit:"m/s2"`
	TracingSecondPercent *float64   `json:"tracing_second_harmonic_percent" doc:"second harmonic in one channel that a steady tone as fast and as sharply bent as the tightest wall would show with the design tip; exact, also where the tip leaves the wall; it tends to 50 %" unit:"%"`
}

// TipRatio is the curvature ratio for one playback tip.
type TipRatio struct {
	TipUM    float64  `json:"tip_um" doc:"radius of the tip" unit:"um"`
	RatioMax *float64 `json:"curvature_ratio_max" doc:"highest wall curvature over what this tip can follow"`
	Where    *Place   `json:"where,omitempty" doc:"where it was met"`
}

// Band is one third-octave band. Levels are dBFS rms; nil is silence.
type Band struct {
	CentreHz float64  `json:"centre_hz" doc:"nominal centre of the band, IEC 61260-1" unit:"Hz"`
	MidDB    *float64 `json:"mid_dbfs" doc:"rms level of mid, (L+R)/2; null: silence" unit:"dBFS"`
	SideDB   *float64 `json:"side_dbfs" doc:"rms level of the side signal, (L-R)/2; null: silence" unit:"dBFS"`
}

// LoudnessPlot is loudness over time; the three curves have equal length.
type LoudnessPlot struct {
	TS        Curve `json:"t_s" doc:"end of the window" unit:"s"`
	Momentary Curve `json:"momentary_lufs" doc:"400 ms window; null: silence or too early" unit:"LUFS"`
	ShortTerm Curve `json:"short_term_lufs" doc:"3 s window; null: silence or too early" unit:"LUFS"`
}

// MarkUnavailable records why the field with that JSON name is nil.
func (m *Measures) MarkUnavailable(name, why string) {
	if m.Unavailable == nil {
		m.Unavailable = map[string]string{}
	}
	m.Unavailable[name] = why
}

// MarkWhere records where the value of the field with that JSON name was met.
func (m *Measures) MarkWhere(name string, p Place) {
	if m.Where == nil {
		m.Where = map[string]Place{}
	}
	m.Where[name] = p
}
