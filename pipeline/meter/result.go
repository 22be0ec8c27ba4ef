package meter

import (
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

const (
	leastRangeS      = 60   // EBU Tech 3342: shorter programmes give no stable range
	seriesMostPoints = 1000 // of the plot
	seriesFloorLUFS  = -120

	// mostMeasurable is 1,000 dBFS. A float file can hold samples whose squares
	// overflow; beyond this nothing but clipping is measured.
	mostMeasurable = 1e50
)

// Reasons for a value that does not exist.
const (
	whyEmpty      = "programme is empty"
	whySilence    = "silence"
	whyUnder60s   = "programme under 60 s"
	whyUnder400ms = "programme under 400 ms"
	whyUnder3s    = "programme under 3 s"
	whyNotClipped = "no clipped run"
	whyNoMid      = "no mid signal"
	whyNoSide     = "no side signal"
	whyOneChannel = "a channel is silent"
	whyQuiet      = "no window in which both channels are above -70 dBFS"
	whyTooLarge   = "samples above 1,000 dBFS"
)

// measured are the fields that samples beyond mostMeasurable leave without a
// value.
var measured = [...]string{
	"integrated_lufs", "max_momentary_lufs", "max_short_term_lufs",
	"loudness_range_lu", "loudness_range_low_lufs", "loudness_range_high_lufs",
	"max_true_peak_dbtp", "true_peak_at", "sample_peak_dbfs", "rms_dbfs", "crest_db", "peak_to_loudness_lu",
	"dc_offset", "dc_offset_left", "dc_offset_right",
	"correlation", "lowest_correlation_400ms", "lowest_correlation_3s",
	"side_to_mid_db", "side_to_mid_below_crossover_db", "ultrasonic_rms_dbfs", "loudness_over_time",
}

// gaps collects reasons by JSON name.
type gaps map[string]string

// value passes v on, or notes why there is none.
func (g gaps) value(name string, v *float64, why string) *float64 {
	if v == nil {
		g[name] = why
	}
	return v
}

// db is 10 lg of a power ratio, or nil with the reason when the ratio is zero or
// has no denominator.
func (g gaps) db(name string, power float64, why string) *float64 {
	if !(power > 0) || math.IsInf(power, 0) {
		g[name] = why
		return nil
	}
	return ptr(audio.PowerDB(power))
}

func ptr[T any](v T) *T { return &v }

// Result is the reading of everything added so far. It changes nothing, so
// more may be added afterwards.
func (m *Meter) Result() Reading {
	none := gaps{}
	rd := Reading{
		SampleRateHz: m.rateHz, Frames: m.frames, DurationS: float64(m.frames) / float64(m.rateHz),
		CrossoverHz: m.crossoverHz, BandLimitHz: m.bandLimitHz,
		TruePeakUnderReadDB: m.peak.WorstUnderReadDB(),
		ClippedRuns:         m.clips.runs, LongestClippedRunFrames: m.clips.longest,
	}
	if m.clips.runs > 0 {
		rd.FirstClippedAtS = ptr(float64(m.clips.first) / float64(m.rateHz))
	} else {
		none["first_clipped_at_s"] = whyNotClipped
	}
	truePeak, sample := m.peak.Result()
	if sample > mostMeasurable {
		for _, name := range measured {
			none[name] = whyTooLarge
		}
		rd.Unavailable = none
		return rd
	}
	m.readLoudness(&rd, none)
	m.readPeaks(&rd, none, truePeak, sample)
	m.readImage(&rd, none)
	m.readSpectrum(&rd, none)
	if len(none) > 0 {
		rd.Unavailable = none
	}
	return rd
}

func (m *Meter) readLoudness(rd *Reading, none gaps) {
	v, why := m.loudness.Integrated()
	rd.IntegratedLUFS = none.value("integrated_lufs", v, why)
	v, why = m.loudness.MaxMomentary()
	rd.MaxMomentaryLUFS = none.value("max_momentary_lufs", v, why)
	v, why = m.loudness.MaxShortTerm()
	rd.MaxShortTermLUFS = none.value("max_short_term_lufs", v, why)

	span, why := m.loudness.Range()
	if m.frames < leastRangeS*int64(m.rateHz) {
		span, why = nil, whyUnder60s
	}
	if span == nil {
		for _, name := range []string{"loudness_range_lu", "loudness_range_low_lufs", "loudness_range_high_lufs"} {
			none[name] = why
		}
	} else {
		rd.LoudnessRangeLU, rd.LoudnessRangeLowLUFS, rd.LoudnessRangeHighLUFS = &span.RangeLU, &span.LowLUFS, &span.HighLUFS
	}
	if rd.Loudness = series(m.loudness.Hops()); rd.Loudness == nil {
		none["loudness_over_time"] = whyUnder400ms
	}
}

func (m *Meter) readPeaks(rd *Reading, none gaps, truePeak dsp.Peak, sample float64) {
	rd.MaxTruePeakDBTP = none.db("max_true_peak_dbtp", truePeak.Value*truePeak.Value, whySilence)
	if rd.MaxTruePeakDBTP == nil {
		none["true_peak_at"] = whySilence
	} else {
		// A peak just before the first or after the last sample is given there.
		at := min(max(truePeak.AtFrame, 0), float64(m.frames-1)) / float64(m.rateHz)
		rd.TruePeakAt = &Place{AtS: at, Channel: [...]string{"left", "right"}[truePeak.Channel]}
	}
	rd.SamplePeakDBFS = none.db("sample_peak_dbfs", sample*sample, whySilence)
	all := m.image.all()
	power := 0.0
	if m.frames > 0 {
		power = (all.ll + all.rr) / 2 / float64(m.frames)
	}
	rd.RMSDBFS = none.db("rms_dbfs", 2*power, whySilence)
	rd.CrestDB = none.db("crest_db", sample*sample/power, whySilence)
	if rd.MaxTruePeakDBTP != nil && rd.IntegratedLUFS != nil {
		rd.PeakToLoudnessLU = ptr(*rd.MaxTruePeakDBTP - *rd.IntegratedLUFS)
	} else {
		none["peak_to_loudness_lu"] = none["integrated_lufs"]
	}
}

func (m *Meter) readImage(rd *Reading, none gaps) {
	all := m.image.all()
	if m.frames == 0 {
		for _, name := range []string{"dc_offset", "dc_offset_left", "dc_offset_right"} {
			none[name] = whyEmpty
		}
	} else {
		l, r := all.l/float64(m.frames), all.r/float64(m.frames)
		rd.DCOffsetLeft, rd.DCOffsetRight, rd.DCOffset = &l, &r, ptr(l)
		if math.Abs(r) > math.Abs(l) || (math.Abs(r) == math.Abs(l) && r > l) {
			rd.DCOffset = ptr(r)
		}
	}
	switch {
	case all.ll > 0 && all.rr > 0:
		rd.Correlation = ptr(all.correlation())
	case all.ll > 0 || all.rr > 0:
		none["correlation"] = whyOneChannel
	default:
		none["correlation"] = whySilence
	}
	rd.LowestCorrelation400MS = m.lowest(0, shortHops, "lowest_correlation_400ms", whyUnder400ms, none)
	rd.LowestCorrelation3S = m.lowest(1, longHops, "lowest_correlation_3s", whyUnder3s, none)

	why := whySilence
	if all.mid() > 0 {
		why = whyNoSide
	} else if all.side() > 0 {
		why = whyNoMid
	}
	rd.SideToMidDB = none.db("side_to_mid_db", all.side()/all.mid(), why)
}

func (m *Meter) lowest(i int, hops int64, name, whyShort string, none gaps) *Moment {
	switch low := m.image.lowest[i]; {
	case low.found:
		return &Moment{Value: low.value, AtS: float64(m.image.boundary(low.endHop-hops)) / float64(m.rateHz)}
	case m.image.hops < hops:
		none[name] = whyShort
	default:
		none[name] = whyQuiet
	}
	return nil
}

func (m *Meter) readSpectrum(rd *Reading, none gaps) {
	mid, side, why := m.spectrum.BelowCrossover()
	rd.SideToMidBelowCrossoverDB = none.value("side_to_mid_below_crossover_db", difference(side, mid), why)
	v, why := m.spectrum.MaxAboveLimit()
	rd.UltrasonicRMSDBFS = none.value("ultrasonic_rms_dbfs", v, why)

	bands, whyShort := m.spectrum.Bands()
	for _, b := range bands {
		t := ThirdOctave{Hz: b.NominalHz, MidDBFS: b.MidDBFS, SideDBFS: b.SideDBFS, SideToMidDB: difference(b.SideDBFS, b.MidDBFS)}
		switch {
		case t.SideToMidDB != nil:
		case whyShort != "":
			t.Why = whyShort
		case b.MidDBFS != nil:
			t.Why = whyNoSide
		case b.SideDBFS != nil:
			t.Why = whyNoMid
		default:
			t.Why = whySilence
		}
		rd.ThirdOctaves = append(rd.ThirdOctaves, t)
	}
}

func difference(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	return ptr(*a - *b)
}

// series decimates loudness over time, keeping extremes. It is nil when no
// window is full.
func series(hops []float64) *LoudnessSeries {
	if len(hops) < shortHops {
		return nil
	}
	stride := (len(hops) + seriesMostPoints - 1) / seriesMostPoints
	s := &LoudnessSeries{StepS: float64(stride) / hopsPerSecond}
	for from := 0; from < len(hops); from += stride {
		to := min(from+stride, len(hops))
		lo, hi := extremes(hops, from, to, shortHops)
		s.MomentaryMinLUFS, s.MomentaryMaxLUFS = append(s.MomentaryMinLUFS, lo), append(s.MomentaryMaxLUFS, hi)
		lo, hi = extremes(hops, from, to, longHops)
		s.ShortTermMinLUFS, s.ShortTermMaxLUFS = append(s.ShortTermMinLUFS, lo), append(s.ShortTermMaxLUFS, hi)
	}
	return s
}

// extremes is the lowest and highest loudness of the windows of n hops whose
// last hop lies in [from, to).
func extremes(hops []float64, from, to, n int) (lo, hi *float64) {
	least, most, any := 0.0, 0.0, false
	for end := max(from, n-1); end < to; end++ {
		mean := 0.0
		for _, v := range hops[end-n+1 : end+1] {
			mean += v
		}
		mean /= float64(n)
		if !any {
			least, most, any = mean, mean, true
		}
		least, most = min(least, mean), max(most, mean)
	}
	return plotted(least), plotted(most)
}

func plotted(meanSquare float64) *float64 {
	v := math.Round(dsp.LUFS(meanSquare)*100) / 100
	if !(v >= seriesFloorLUFS) {
		return nil
	}
	return &v
}
