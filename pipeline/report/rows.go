package report

import "math"

// mark is a state as the page shows it: word, shape and colour together.
type mark struct{ Word, Shape, Class string }

var (
	markWithin   = mark{"within", "●", "ok"}
	markLook     = mark{"look", "▲", "look"}
	markOver     = mark{"over limit", "■", "over"}
	markReported = mark{"reported", "○", "plain"}
	markAbsent   = mark{"not available", absent, "plain"}
)

func markOf(s State) mark {
	switch s {
	case Ready:
		return mark{"ready", "●", "ok"}
	case Attention:
		return mark{"attention", "▲", "look"}
	default:
		return mark{"blocked", "■", "over"}
	}
}

// row is one line of the before and after table.
type row struct {
	Measure                              string
	Before, After, Change, Limit, Margin string
	Note                                 string   // where met, or why there is no value
	AtS                                  *float64 // where met, in seconds; nil: nowhere in particular
	Mark                                 mark
}

// measure describes one line: where to find it and what it is held against.
type measure struct {
	name, label, unit string
	decimals          int
	get               func(Measures) *float64
	limit             func(Limits) *float64 // nil: reported only
	least             bool                  // the limit is a minimum
	soft              bool                  // passing it draws attention, no more
	scale             float64               // 0: as stored
}

// section is a group of lines.
type section struct {
	Title string
	Rows  []row
}

var programme = []measure{
	{name: "integrated_lufs", label: "Integrated loudness (±0.1 LU)", unit: "LUFS", decimals: 1, get: func(m Measures) *float64 { return m.IntegratedLUFS }},
	{name: "loudness_range_lu", label: "Loudness range (±1 LU)", unit: "LU", decimals: 1, get: func(m Measures) *float64 { return m.LoudnessRangeLU }},
	{name: "loudness_range_low_lufs", label: "Loudness range, low point", unit: "LUFS", decimals: 1, get: func(m Measures) *float64 { return m.LoudnessRangeLowLUFS }},
	{name: "loudness_range_high_lufs", label: "Loudness range, high point", unit: "LUFS", decimals: 1, get: func(m Measures) *float64 { return m.LoudnessRangeHiLUFS }},
	{name: "max_momentary_lufs", label: "Highest momentary loudness (400 ms)", unit: "LUFS", decimals: 1, get: func(m Measures) *float64 { return m.MaxMomentaryLUFS }},
	{name: "max_short_term_lufs", label: "Highest short-term loudness (3 s)", unit: "LUFS", decimals: 1, get: func(m Measures) *float64 { return m.MaxShortTermLUFS }},
	{name: "max_true_peak_dbtp", label: "True peak (+0.2/−0.4 dB)", unit: "dBTP", decimals: 2, get: func(m Measures) *float64 { return m.MaxTruePeakDBTP }, limit: func(l Limits) *float64 { return l.TruePeakDBTP }, soft: true},
	{name: "sample_peak_dbfs", label: "Sample peak", unit: "dBFS", decimals: 2, get: func(m Measures) *float64 { return m.SamplePeakDBFS }},
	{name: "crest_db", label: "Crest factor", unit: "dB", decimals: 1, get: func(m Measures) *float64 { return m.CrestDB }},
	{name: "dc_offset", label: "DC offset, of full scale", unit: "% FS", decimals: 4, scale: 100, get: func(m Measures) *float64 { return m.DCOffset }, limit: func(l Limits) *float64 { return l.DCOffset }, soft: true},
	{name: "clipped_runs", label: "Runs of samples at full scale", unit: "runs", get: func(m Measures) *float64 { return m.ClippedRuns }},
	{name: "correlation", label: "Correlation (−1 to 1)", unit: "", decimals: 2, get: func(m Measures) *float64 { return m.Correlation }, limit: func(l Limits) *float64 { return l.CorrelationLowest }, least: true, soft: true},
	{name: "correlation_lowest", label: "Lowest correlation (−1 to 1)", unit: "", decimals: 2, get: func(m Measures) *float64 { return m.CorrelationLowest }},
	{name: "side_to_mid_db", label: "Side signal over mid", unit: "dB", decimals: 1, get: func(m Measures) *float64 { return m.SideToMidDB }, limit: func(l Limits) *float64 { return l.SideToMidDB }, soft: true},
	{name: "side_to_mid_below_crossover_db", label: "Side signal over mid, below the crossover", unit: "dB", decimals: 1, get: func(m Measures) *float64 { return m.SideToMidBelowDB }},
}

var groove = []measure{
	{name: "groove.min_land_um", label: "Least land", unit: "um", decimals: 1, get: func(m Measures) *float64 { return m.Groove.MinLandUM }, limit: func(l Limits) *float64 { return l.MinLandUM }, least: true},
	{name: "groove.min_width_um", label: "Least groove width", unit: "um", decimals: 1, get: func(m Measures) *float64 { return m.Groove.MinWidthUM }, limit: func(l Limits) *float64 { return l.MinWidthUM }, least: true},
	{name: "groove.max_depth_um", label: "Greatest groove depth", unit: "um", decimals: 1, get: func(m Measures) *float64 { return m.Groove.MaxDepthUM }, limit: func(l Limits) *float64 { return l.MaxDepthUM }},
	{name: "groove.slope_ratio_max", label: "Slope ratio (1 is the limit)", unit: "ratio", decimals: 2, get: func(m Measures) *float64 { return m.Groove.SlopeRatioMax }, limit: func(l Limits) *float64 { return l.SlopeRatio }},
	{name: "groove.deepening_ratio_max", label: "Deepening ratio (1 is the limit)", unit: "ratio", decimals: 2, get: func(m Measures) *float64 { return m.Groove.DeepeningRatioMax }, limit: func(l Limits) *float64 { return l.DeepeningRatio }},
	{name: "groove.curvature_ratio_max", label: "Curvature ratio, design tip (1 is the limit)", unit: "ratio", decimals: 2, get: func(m Measures) *float64 { return m.Groove.CurvatureRatioMax }, limit: func(l Limits) *float64 { return l.CurvatureRatio }, soft: true},
	{name: "groove.end_radius_mm", label: "End radius", unit: "mm", decimals: 1, get: func(m Measures) *float64 { return m.Groove.EndRadiusMM }, limit: func(l Limits) *float64 { return l.EndRadiusMM }, least: true},
	{name: "groove.land_used_mm", label: "Land used", unit: "mm", decimals: 1, get: func(m Measures) *float64 { return m.Groove.LandUsedMM }, limit: func(l Limits) *float64 { return l.LandAvailableMM }},
	{name: "groove.lateral_peak_um", label: "Lateral excursion, peak", unit: "um", decimals: 1, get: func(m Measures) *float64 { return m.Groove.LateralPeakUM }},
	{name: "groove.vertical_peak_um", label: "Vertical excursion, peak", unit: "um", decimals: 1, get: func(m Measures) *float64 { return m.Groove.VerticalPeakUM }},
	{name: "groove.infrasonic_peak_um", label: "Infrasonic excursion, peak", unit: "um", decimals: 1, get: func(m Measures) *float64 { return m.Groove.LateralPeakInfraUM }},
	{name: "groove.lateral_velocity_peak_cm_s", label: "Lateral velocity, peak", unit: "cm/s", decimals: 1, get: func(m Measures) *float64 { return m.Groove.LateralVelocityCMS }, limit: func(l Limits) *float64 { return l.LateralVelocityPeakCMS }},
	{name: "groove.vertical_velocity_peak_cm_s", label: "Vertical velocity, peak", unit: "cm/s", decimals: 1, get: func(m Measures) *float64 { return m.Groove.VerticalVelocityCMS }},
	{name: "groove.acceleration_peak_m_s2", label: "Wall acceleration, peak", unit: "m/s2", get: func(m Measures) *float64 { return m.Groove.AccelerationPeakMS2 }},
	{name: "groove.acceleration_p999_m_s2", label: "Wall acceleration, 99.9 % of the time below", unit: "m/s2", get: func(m Measures) *float64 { return m.Groove.AccelerationP999MS2 }},
	{name: "groove.rms_acceleration_0s1_m_s2", label: "Wall acceleration, rms over 0.1 s", unit: "m/s2", get: func(m Measures) *float64 { return m.Groove.RMSAcceleration0s1 }},
	{name: "groove.rms_acceleration_1s_m_s2", label: "Wall acceleration, rms over 1 s", unit: "m/s2", get: func(m Measures) *float64 { return m.Groove.RMSAcceleration1s }, limit: func(l Limits) *float64 { return l.RMSAccelerationMS2 }},
	{name: "groove.rms_acceleration_10s_m_s2", label: "Wall acceleration, rms over 10 s", unit: "m/s2", get: func(m Measures) *float64 { return m.Groove.RMSAcceleration10s }},
	{name: "groove.time_over_curvature_s", label: "Time over the curvature limit", unit: "s", decimals: 2, get: func(m Measures) *float64 { return m.Groove.TimeOverCurvatureS }},
	{name: "groove.time_over_slope_s", label: "Time over the slope limit", unit: "s", decimals: 2, get: func(m Measures) *float64 { return m.Groove.TimeOverSlopeS }},
	{name: "groove.time_under_min_width_s", label: "Time under the least groove width", unit: "s", decimals: 2, get: func(m Measures) *float64 { return m.Groove.TimeUnderMinWidthS }},
	{name: "groove.tracing_second_harmonic_percent", label: "Second harmonic from tracing, at the tightest wall", unit: "%", decimals: 1, get: func(m Measures) *float64 { return m.Groove.TracingSecondPercent }},
}

// rowsOf fills a group. Lines that neither programme has and nobody asked for
// are left out. Of an analysis, after holds what is predicted, and cells say so.
func rowsOf(ms []measure, before, after Measures, lim Limits, analysed bool) []row {
	var out []row
	for _, m := range ms {
		b, a := m.scaled(m.get(before)), m.scaled(m.get(after))
		if b == nil && a == nil && after.Unavailable[m.name] == "" && before.Unavailable[m.name] == "" {
			continue
		}
		var l *float64
		if m.limit != nil {
			l = m.scaled(m.limit(lim))
		}
		r := row{Measure: m.label, Before: quantity(b, m.decimals, m.unit), After: quantity(a, m.decimals, m.unit), Change: absent, Limit: absent, Margin: absent, Mark: markReported}
		if b != nil && a != nil && !analysed {
			r.Change = with(signed(*a-*b, m.decimals), m.changeUnit())
		}
		r.Note, r.AtS = noteOf(m.name, after)
		if analysed {
			r.Note, r.AtS = noteOf(m.name, before)
		}
		switch {
		case analysed && b == nil && a == nil:
			r.Mark = markAbsent
			r.Note = before.Unavailable[m.name]
		case analysed && a == nil: // the mixes alone
		case a == nil:
			r.Mark = markAbsent
			r.Note = after.Unavailable[m.name]
		case l != nil:
			m.hold(&r, *a, *l)
		}
		if analysed && a != nil {
			r.After = "predicted " + r.After
			if l != nil {
				r.Mark.Word = "predicted " + r.Mark.Word
			}
		}
		out = append(out, r)
	}
	return out
}

// hold fills limit, margin and state.
func (m measure) hold(r *row, v, limit float64) {
	word := "≤ "
	margin := limit - v
	if m.least {
		word, margin = "≥ ", -margin
	}
	if m.name == "dc_offset" {
		margin = limit - math.Abs(v)
	}
	r.Limit = word + quantity(&limit, m.decimals, m.unit)
	r.Margin = with(signed(margin, m.decimals), m.changeUnit())
	r.Mark = markWithin
	if margin < 0 {
		r.Mark = markOver
		if m.soft {
			r.Mark = markLook
		}
	}
}

// predictedMeasures lays a prediction out like what is measured.
func predictedMeasures(p *Prediction) Measures {
	if p == nil {
		return Measures{}
	}
	return Measures{Groove: Groove{MinWidthUM: p.MinWidthUM, MaxDepthUM: p.MaxDepthUM, MinLandUM: p.MinLandUM, SlopeRatioMax: p.SlopeRatioMax, CurvatureRatioMax: p.CurvatureRatioMax, EndRadiusMM: p.EndRadiusMM, LandUsedMM: p.LandUsedMM}}
}

func (m measure) scaled(v *float64) *float64 {
	if v == nil || m.scale == 0 {
		return v
	}
	return Num(*v * m.scale)
}

// changeUnit is the unit of a difference: levels differ by dB, not by dBFS.
func (m measure) changeUnit() string {
	switch m.unit {
	case "LUFS":
		return "LU"
	case "dBTP", "dBFS":
		return "dB"
	case "ratio":
		return ""
	}
	return m.unit
}

func noteOf(name string, m Measures) (string, *float64) {
	p, ok := m.Where[name]
	if !ok {
		return "", nil
	}
	return p.text(), Num(p.TS)
}

// text says where a place is, in words.
func (p Place) text() string {
	s := "At " + clock(p.TS)
	if p.RadiusMM != nil {
		s += ", radius " + quantity(p.RadiusMM, 1, "mm")
	}
	if p.Track > 0 {
		s += ", track " + number(float64(p.Track), 0)
	}
	if p.Channel != "" {
		s += ", " + p.Channel
	}
	return s
}
