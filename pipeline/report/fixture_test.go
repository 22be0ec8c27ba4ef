package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
)

const sideS = 1252.4 // length of the invented side

func hash(seed string) string { return strings.Repeat(fmt.Sprintf("%02x", len(seed)*7%256), 32) }

func raw(s string) json.RawMessage { return json.RawMessage(s) }

// fixture is an invented side of five tracks that needs a little treatment.
func fixture() *Report {
	r := &Report{
		Schema: Schema,
		Tool:   Tool{Name: "discsafe", Version: "0.0.0-test"},
		Side: Side{Side: "A", Title: "Harbour Lights at Low Tide", Artist: "The Paper Barometers", Catalogue: "PLB 0017", Inscription: "PLB 0017 A  keep the lamp lit",
			LengthS: sideS, SampleRate: 96000, BitDepth: 24, RoomName: "generic room",
			Disc: Disc{ID: "12in-33", Name: "12 inch, 33 1/3", RPM: 100.0 / 3, RevolutionS: 1.8, OuterMM: 146.3, InnerMM: 57.5, QualityInnerMM: Num(60.3),
				LeadInPitchMM: Num(1.2), LeadOutPitchMM: Num(6.4), LockedGrooveDiameterMM: Num(106.4), LockedGrooveTolMM: Num(0.8), Source: "IEC 98:1987, secondary"}},
		Plan: raw(`{"side":"A","title":"Harbour Lights at Low Tide","catalogue":"PLB 0017","disc":"12in-33","mono":false,"level":"fit","caps":{"max_reduction_db":6,"max_treated_share":0.05}}`),
		Room: raw(`{"name":"generic room","reference":{"velocity_cm_s":5,"axis":"lateral","kind":"peak","hz":1000,"dbfs":-14},"groove":{"width_um":60,"min_width_um":25,"max_depth_um":80,"min_land_um":10},"pitch":{"min_um":65,"max_um":500,"slew":300},"cutter":{"back_facet_deg":45,"rms_acceleration_ceiling":null},"playback":{"tip_um":12.7,"report_tips_um":[18,7]},"band_hz":[20,20000]}`),
		Notes: []Note{
			{In: "room", Field: "groove.width_um", Unit: "um", Meaning: "top width of the unmodulated groove", Source: "50-75 um today, common practice, no source; ask the room", AskRoom: true, Defaults: true},
			{In: "room", Field: "groove.max_depth_um", Unit: "um", Meaning: "greatest instantaneous depth", Source: "ask the room", AskRoom: true, Defaults: true},
			{In: "room", Field: "reference.velocity_cm_s", Unit: "cm/s", Meaning: "groove velocity of the reference tone", AskRoom: true, Defaults: true},
			{In: "room", Field: "reference.dbfs", Unit: "dBFS", Meaning: "peak level of the reference tone in the file", AskRoom: true},
			{In: "room", Field: "pitch.slew", Unit: "um/s", Meaning: "fastest change of pitch", AskRoom: true, Defaults: true},
			{In: "room", Field: "cutter.rms_acceleration_ceiling", Unit: "m/s2", Meaning: "greatest 1 s rms wall acceleration the head may be given; blank means not checked", AskRoom: true, Defaults: true},
			{In: "plan", Field: "caps.max_reduction_db", Unit: "dB", Meaning: "greatest momentary reduction by de-ess or limit-sides"},
			{In: "plan", Field: "caps.max_treated_share"},
		},
		Limits: Limits{MinWidthUM: Num(25), MaxDepthUM: Num(80), MinLandUM: Num(10), SlopeRatio: Num(1), CurvatureRatio: Num(1), TruePeakDBTP: Num(-0.3),
			EndRadiusMM: Num(57.5), LandAvailableMM: Num(88.8), MinPitchUM: Num(65), MaxPitchUM: Num(500), DesignTipUM: Num(12.7), CutterBackFacetDeg: Num(45)},
		Verdict: VerdictOf([]Reason{
			{Code: "lows-in-opposition", Severity: Attention, Text: "The side signal is louder than mid below 150 Hz in “Slack Water”.", Where: &Place{TS: 611.25, RadiusMM: Num(112.4), Track: 3},
				Value: Num(1.8), Limit: Num(0), Unit: "dB", Hint: "Ask the mix engineer whether the bass is meant to be out of phase; sum-lows removed it below the crossover."},
			{Code: "end-radius-quality", Severity: Attention, Text: "Track 5 ends inside the radius where treble falls off.", Where: &Place{TS: 1248, RadiusMM: Num(59.9), Track: 5},
				Value: Num(59.9), Limit: Num(60.3), Unit: "mm", Hint: "A cut level of 0.0 dB ends at 63.1 mm; or move a quieter track to the end."},
		}),
		Cut: Cut{LevelDB: 1.5, FileGainDB: 0.7, LatheGainDB: 0.8, Asked: "fit", Why: "Land: the next step, +2.0 dB, would end at 56.8 mm, inside 57.5 mm. The true-peak ceiling of -0.3 dBTP leaves 0.7 dB for the file.",
			Reference: Reference{VelocityCMS: 5, Axis: "lateral", Kind: "peak", HZ: 1000, DBFS: -14}},
		Before: measures(0), After: measures(1),
		Stages: []Stage{
			{ID: "block-infrasonic", Active: false, Params: raw(`{"cutoff_hz":16,"slope":12,"when":"needed","threshold_um":1}`), Decided: "Motion below 16 Hz peaks at 0.3 um, under the threshold of 1 um.",
				Treats: "Mid and side alike.", MaxChangeDB: Num(0), Why: "Rumble costs land and is not heard (common practice, no source).", SwitchOff: "Take block-infrasonic out of the chain."},
			{ID: "sum-lows", Active: true, Params: raw(`{"crossover_hz":150,"slope":12,"phase":"minimum","when":"needed"}`), Decided: "Vertical motion of 71 um below 150 Hz would take the groove to 4 um width.",
				Treats: "Side signal high-passed at 150 Hz, 12 dB/oct; mid untouched.", TreatedS: 1240.6, Passages: 1, Why: "Width at least 25 um, depth at most 80 um.", SwitchOff: "Take sum-lows out of the chain, or set when: never needed.",
				DifferencePeakDBFS: Num(-19.2), DifferenceRMSDBFS: Num(-41.7)},
			{ID: "de-ess", Active: true, Mode: "apply", Params: raw(`{"crossover_hz":4000,"look_ahead_ms":20,"mode":"apply","tip_um":0}`), Decided: "38 passages would bend the wall tighter than a 12.7 um tip at their radius.",
				Treats: "Left and right alike above 4 kHz, so the image is kept.", MaxChangeDB: Num(-4.6), TreatedS: 6.3, SumDBS: Num(-11.9), Passages: 38, Why: "Wall acceleration at most V2/R (geometry of a sphere in the groove).", SwitchOff: "Set mode: estimate, or take de-ess out of the chain.",
				DifferencePeakDBFS: Num(-24.8), DifferenceRMSDBFS: Num(-63.1)},
			{ID: "limit-sides", Active: true, Mode: "apply", Params: raw(`{"look_ahead_ms":60,"mode":"apply"}`), Decided: "9 passages would still pass the width or depth limit after sum-lows.",
				Treats: "Side signal reduced, mid untouched: the image narrows for that moment.", MaxChangeDB: Num(-2.9), TreatedS: 1.4, SumDBS: Num(-1.7), Passages: 9, Why: "Width at least 25 um.", SwitchOff: "Set mode: estimate, or take limit-sides out of the chain.",
				DifferencePeakDBFS: Num(-29.5), DifferenceRMSDBFS: Num(-71.0)},
			{ID: "fit-level", Active: true, Params: raw(`{"ceiling_dbtp":-0.3,"dither":"tpdf"}`), Decided: "+0.7 dB in the file, +0.8 dB at the lathe.",
				Treats: "Mid and side alike.", MaxChangeDB: Num(0.7), TreatedS: sideS, SumDBS: Num(876.7), Passages: 1, Why: "Highest level for which land and limits hold.", SwitchOff: "Set level to a number in the plan."},
		},
		Land: Land{BoundMM: Num(84.12), PlannedMM: Num(86.4), AvailableMM: Num(88.8), Ratio: Num(1.0271), AverageLPI: Num(204.6), FixedPitchMM: Num(148.3), MinLandUM: Num(10.2), StartRadius: Num(146.3), EndRadiusMM: Num(59.9),
			MinPitchUM: Num(71), MaxPitchUM: Num(263), Turns: Num(695.8)},
		Inputs: []File{{Role: "mix", Name: "01 Lamp Room.wav", Bytes: 153446444, SHA256: hash("a"), Container: "wav", SampleRate: 96000, BitDepth: 24, Channels: 2, Frames: 25574400, LengthS: 266.4},
			{Role: "mix", Name: "02 Slack Water.flac", Bytes: 98230112, SHA256: hash("bb"), Container: "flac", SampleRate: 96000, BitDepth: 24, Channels: 2, Frames: 26400000, LengthS: 275}},
		Outputs:  []File{{Role: "premaster", Name: "premaster.wav", Bytes: 721382996, SHA256: hash("ccc"), Container: "wav", SampleRate: 96000, BitDepth: 24, Channels: 2, Frames: 120230400, LengthS: sideS}, {Role: "difference", Name: "difference.wav", Bytes: 721382996, SHA256: hash("dddd"), Container: "wav", SampleRate: 96000, BitDepth: 24, Channels: 2, Frames: 120230400, LengthS: sideS}},
		Proof:    Proof{ResidualLSB: Num(0), Passes: 5, Tightenings: 1, Remeasured: true, Dithered: true},
		Cautions: []Caution{{Code: "estimate-only", Text: "discsafe only estimates the load on the cutter head; the room's protection and judgement decide."}},
		Timing:   Timing{ProgrammeS: sideS, Passes: 5},
	}
	addTracks(r)
	addSeries(r)
	addLadder(r)
	r.AsTraced = tracedFixture()
	for i := range 47 {
		t := 31.0 + 25.3*float64(i)
		c := Change{Stage: "de-ess", StartS: t, EndS: t + 0.12 + 0.01*float64(i%9), RadiusMM: radiusAt(t), Track: 1 + int(t/sideS*5), MaxDB: -0.3 - 4.3*float64(i*i)/(46*46),
			Measure: "curvature ratio", Limit: Num(1), Before: Num(1.05 + 0.7*float64(i)/46), After: Num(0.98), Why: "sibilant, tighter than a 12.7 um tip can follow here"}
		if i%5 == 2 {
			c.Stage, c.Measure, c.Unit, c.Limit, c.Before, c.After, c.MaxDB = "limit-sides", "width", "um", Num(25), Num(25-float64(i)*0.3), Num(25.4), -0.2-0.06*float64(i)
			c.Why = "the groove would become too shallow"
		}
		r.Changes = append(r.Changes, c)
	}
	return r
}

func measures(after float64) Measures {
	m := Measures{
		LengthS: sideS, IntegratedLUFS: Num(-13.9 + 0.62*after), LoudnessRangeLU: Num(8.4 - 0.1*after), LoudnessRangeLowLUFS: Num(-20.6 + 0.7*after), LoudnessRangeHiLUFS: Num(-12.2 + 0.6*after),
		MaxMomentaryLUFS: Num(-8.2 + 0.5*after), MaxShortTermLUFS: Num(-9.6 + 0.6*after), MaxTruePeakDBTP: Num(-1.02 + 0.71*after), SamplePeakDBFS: Num(-1.31 + 0.70*after), CrestDB: Num(14.8 - 0.1*after),
		DCOffset: Num(0.00002 * (1 - after)), Correlation: Num(0.71 + 0.09*after), CorrelationLowest: Num(-0.38 + 0.5*after), SideToMidDB: Num(-8.8 - 1.3*after), SideToMidBelowDB: Num(-2.1 - 16.4*after), CrossoverHz: Num(150), ClippedRuns: Num(0),
		Groove: Groove{Basis: "at +1.5 dB cut level, at the radius of the land plan", LateralPeakUM: Num(73.1 - 0.3*after), VerticalPeakUM: Num(71.2 - 34.6*after), MinWidthUM: Num(3.8 + 21.4*after), MaxDepthUM: Num(101.2 - 28.6*after), MinLandUM: Num(-4.1 + 14.3*after),
			LateralVelocityCMS: Num(24.9 - 1.8*after), VerticalVelocityCMS: Num(15.2 - 3*after), AccelerationPeakMS2: Num(14210 - 6090*after), RMSAcceleration0s1: Num(3100 - 900*after), RMSAcceleration1s: Num(1440 - 160*after), RMSAcceleration10s: Num(690 - 20*after),
			SlopeRatioMax: Num(0.81 - 0.09*after), DeepeningRatioMax: Num(0.44 - 0.1*after), CurvatureRatioMax: Num(1.72 - 0.75*after), CurvatureTips: []TipRatio{{TipUM: 18, RatioMax: Num(2.44 - 1.05*after), Where: &Place{TS: 1190.4, RadiusMM: Num(64.2), Track: 5}}, {TipUM: 7, RatioMax: Num(0.95 - 0.41*after)}},
			EndRadiusMM: Num(55.2 + 4.7*after), LandUsedMM: Num(91.1 - 4.7*after), TimeOverCurvatureS: Num(6.3 * (1 - after)), TimeOverSlopeS: Num(0), TimeUnderMinWidthS: Num(22.1 * (1 - after))},
	}
	for i, hz := range thirdOctaves {
		x := math.Log2(hz / 1000)
		mid := -24 - 1.1*x*x - 2*math.Max(0, x-3) + 1.5*math.Sin(float64(i))
		side := mid - 9 - 2*math.Cos(float64(i)/2)
		if after > 0 {
			mid += 0.7
			side += 0.7 - 10*math.Log10(1+math.Pow(150/hz, 4))
		}
		m.Bands = append(m.Bands, Band{CentreHz: hz, MidDB: Num(mid), SideDB: Num(side)})
	}
	for i := range 1000 {
		t := float64(i) * sideS / 1000
		level := -15 + 3*math.Sin(t/47) + 1.2*math.Sin(t/7.7) + 0.62*after
		if inGap(t) {
			level = math.NaN()
		}
		m.Loudness.TS = append(m.Loudness.TS, t)
		m.Loudness.Momentary = append(m.Loudness.Momentary, level+1.5*math.Sin(t*3.1))
		m.Loudness.ShortTerm = append(m.Loudness.ShortTerm, level)
	}
	m.MarkWhere("max_true_peak_dbtp", Place{TS: 742.113, RadiusMM: Num(95.2), Track: 3, Channel: "left"})
	m.MarkWhere("groove.min_width_um", Place{TS: 611.25, RadiusMM: Num(112.4), Track: 3})
	m.MarkWhere("groove.curvature_ratio_max", Place{TS: 1190.4, RadiusMM: Num(64.2), Track: 5})
	return m
}

var thirdOctaves = []float64{20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000}

func inGap(t float64) bool { return t > 5 && math.Mod(t, sideS/5) < 3 }

func radiusAt(t float64) float64 { return 146.3 - 86.4*t/sideS - 2*math.Sin(math.Pi*t/sideS) }

func addTracks(r *Report) {
	for i, name := range []string{"Lamp Room", "Slack Water", "Ferry to Nowhere in Particular", "Gull Arithmetic", "The Last Mooring"} {
		start := sideS * float64(i) / 5
		tr := Track{Number: i + 1, Title: name, ISRC: fmt.Sprintf("XXABC250000%d", i+1), File: fmt.Sprintf("0%d %s.wav", i+1, name), StartS: start, EndS: start + sideS/5 - 2, LengthS: sideS/5 - 2,
			StartRadiusMM: Num(radiusAt(start)), EndRadiusMM: Num(radiusAt(start + sideS/5 - 2)), AverageLPI: Num(198 + 3*float64(i)), IntegratedLUFS: Num(-13.1 - 0.3*float64(i)), MaxTruePeak: Num(-0.31 - 0.4*float64(i))}
		if i > 0 {
			tr.GapS, tr.LandBeforeUM = 2, Num(250)
		}
		r.Tracks = append(r.Tracks, tr)
	}
}

func addSeries(r *Report) {
	s := &r.Series
	var dess, lim Curve
	for i := range 1100 {
		t := sideS * float64(i) / 1100
		rad := radiusAt(t)
		quiet := 1.0
		if inGap(t) {
			quiet = 0.05
		}
		a := quiet * (0.5 + 0.3*math.Sin(t/31) + 0.2*math.Sin(t*1.7))
		curv := math.Abs(a) * 1.4 * math.Pow(80/rad, 2) * (0.6 + 0.4*math.Abs(math.Sin(t*2.3)))
		s.TS, s.RadiusMM = append(s.TS, t), append(s.RadiusMM, rad)
		s.PitchUM, s.MeanDepthUM = append(s.PitchUM, 90+100*math.Abs(a)), append(s.MeanDepthUM, 30+22*math.Abs(a))
		b, c := &s.BeforeGroove, &s.AfterGroove
		b.MinWidthUM, c.MinWidthUM = append(b.MinWidthUM, 60-56*math.Abs(a)), append(c.MinWidthUM, math.Max(25.2, 60-40*math.Abs(a)))
		b.MaxDepthUM, c.MaxDepthUM = append(b.MaxDepthUM, 32+68*math.Abs(a)), append(c.MaxDepthUM, math.Min(72.6, 32+50*math.Abs(a)))
		b.MinLandUM, c.MinLandUM = append(b.MinLandUM, 40-44*math.Abs(a)), append(c.MinLandUM, 40-29*math.Abs(a))
		b.SlopeRatio, c.SlopeRatio = append(b.SlopeRatio, 0.5*curv), append(c.SlopeRatio, 0.45*curv)
		b.CurvatureRatio, c.CurvatureRatio = append(b.CurvatureRatio, curv), append(c.CurvatureRatio, math.Min(0.97, curv))
		dess = append(dess, math.Min(0, 20*math.Log10(math.Max(0.1, 1/math.Max(1, curv)))))
		lim = append(lim, -2.9*math.Max(0, math.Abs(a)-0.85)/0.15)
	}
	s.Stages = []StageSeries{{ID: "de-ess", MinGainDB: dess}, {ID: "limit-sides", MinGainDB: lim}}
	for i := range 200 {
		t := sideS * float64(i) / 200
		r.Land.Points = append(r.Land.Points, LandPoint{TS: t, RadiusMM: radiusAt(t), PitchUM: 110, DepthUM: 40})
	}
}

// addLadder gives the rungs of a whole ladder; the lowest needs no treatment.
func addLadder(r *Report) {
	for i := range 33 {
		db := -8 + 0.5*float64(i)
		land := 84.9 + 1.0*(db-0) + 0.02*(db+8)*(db+8)
		g := Rung{LevelDB: db, LandMM: Num(land), EndRadiusMM: Num(146.3 - land), CurvatureRatio: Num(math.Min(1, 0.9*math.Pow(10, (db+2)/20))), SlopeRatio: Num(0.62 * math.Pow(10, db/20)), State: Ready, Why: "within the stated room profile and caps", Chosen: db == 1.5,
			Treatment: []Treatment{{Stage: "de-ess", MaxDB: -math.Max(0, db+3.1), TreatedS: 3 * math.Max(0, db+3.1)}, {Stage: "limit-sides", MaxDB: -math.Max(0, 0.8*(db+2)), TreatedS: 0.4 * math.Max(0, db+2)}}, Filters: []string{"sum-lows"}}
		switch {
		case db > 4:
			g.State, g.Why = Blocked, "the side would not fit between the radii of the disc"
		case db > 1.5:
			g.State, g.Why = Attention, "a stage would reduce more than caps.max_reduction_db allows"
		}
		if db < -4 {
			g.Filters = nil
		}
		r.Ladder = append(r.Ladder, g)
	}
}

func scenarios() map[string]*Report {
	untouched := fixture()
	untouched.Verdict, untouched.Changes = VerdictOf(nil), nil
	for i := range untouched.Stages {
		s := &untouched.Stages[i]
		s.Active, s.TreatedS, s.Passages, s.MaxChangeDB, s.SumDBS, s.DifferencePeakDBFS, s.DifferenceRMSDBFS = false, 0, 0, Num(0), nil, nil, nil
	}
	untouched.After, untouched.Cut.LevelDB, untouched.Cut.FileGainDB, untouched.Cut.LatheGainDB = untouched.Before, 0, 0, 0
	untouched.Proof = Proof{ResidualLSB: Num(0), BitIdentical: true, Passes: 3, Remeasured: true}

	blocked := fixture()
	blocked.Verdict = VerdictOf(append(blocked.Verdict.Reasons, Reason{Code: "land", Severity: Blocked, Text: "The grooves cut into each other.", Where: &Place{TS: 903.337, RadiusMM: Num(82.25), Track: 4},
		Value: Num(-3.2), Limit: Num(10), Unit: "um", Hint: "Lower the cut level to 0.5 dB or less, or shorten the side."}))
	blocked.After.Groove.MinLandUM = Num(-3.2)

	many := fixture()
	many.Changes = nil
	for i := range 5000 {
		many.Changes = append(many.Changes, Change{Stage: "de-ess", StartS: float64(i) / 4, EndS: float64(i)/4 + 0.1, RadiusMM: 100, Track: 1, MaxDB: -float64(i) / 1000, Measure: "curvature ratio", Limit: Num(1), Before: Num(1.2), After: Num(1), Why: "sibilant"})
	}

	// A long sheet: as much as a real side is likely to put on paper.
	long := fixture()
	for i := range 7 {
		t := long.Tracks[i%5]
		t.Number, t.Title = 6+i, "Variation on a Rusted Bell, Number "+strings.Repeat("I", 1+i%3)
		long.Tracks = append(long.Tracks, t)
	}
	for i := range 9 {
		long.Verdict.Reasons = append(long.Verdict.Reasons, long.Verdict.Reasons[i%2])
	}
	long.Room = raw(`{"a":{"v1":1,"v2":2,"v3":3,"v4":4,"v5":5,"v6":6,"v7":7,"v8":8,"v9":9,"v10":10,"v11":11,"v12":12,"v13":13,"v14":14,"v15":15,"v16":16,"v17":17,"v18":18}}`)
	for i := range 18 {
		long.Notes = append(long.Notes, Note{In: "room", Field: fmt.Sprintf("a.v%d", i+1), Unit: "um", Meaning: "a figure of the machine that nobody but the room can know", AskRoom: true, Defaults: i%2 == 0})
	}

	mono := fixture()
	mono.Side.Mono, mono.Proof.MonoExact = true, new(bool)
	*mono.Proof.MonoExact = true

	hostile := fixture()
	evil := `</title><script>alert(1)</script>"><img src=x onerror=alert(2)> & 'q' {{.}}`
	hostile.Side.Title, hostile.Side.Artist, hostile.Side.Catalogue, hostile.Side.Inscription, hostile.Side.Side = evil, evil, evil, evil, evil
	hostile.Tracks[0].Title, hostile.Tracks[0].ISRC, hostile.Tracks[0].File, hostile.Stages[0].Decided = evil, evil, evil, evil
	hostile.Changes[0].Why, hostile.Verdict.Reasons[0].Text, hostile.Inputs[0].Name, hostile.Series.Stages[0].ID = evil, evil, evil, evil
	hostile.Side.RoomName, hostile.Side.Disc.Name = evil, evil
	b, _ := json.Marshal(map[string]string{"name": evil, evil: "https://example.invalid/"})
	hostile.Room = b

	return map[string]*Report{"ordinary": fixture(), "untouched": untouched, "blocked": blocked, "many changes": many, "mono": mono, "long": long, "silent": silent(), "hostile": hostile, "analysed": analysed()}
}

// analysed is the invented side before anything was written.
func analysed() *Report {
	const why = "analyse only: nothing was written"
	r := fixture()
	r.Kind, r.After = AnalyseKind, Measures{LengthS: sideS, Groove: Groove{Basis: why}}
	r.After.ExplainNulls(why)
	r.Prediction = &Prediction{Basis: "envelopes", MinWidthUM: Num(25), MaxDepthUM: Num(79), MinLandUM: Num(10.1), SlopeRatioMax: Num(0.9), CurvatureRatioMax: Num(1), EndRadiusMM: Num(59.9), LandUsedMM: Num(86.4)}
	r.Verdict = VerdictOf(append(r.Verdict.Reasons, Reason{Code: NoteCode, Severity: Ready, Text: "This verdict is a prediction.", Hint: "prepare the side"}))
	for i := range r.Stages {
		s := &r.Stages[i]
		s.Predicted = PredictedIdle
		if s.Active {
			s.Predicted = PredictedActs
		}
		s.Active, s.Passages, s.SumDBS, s.DifferencePeakDBFS, s.DifferenceRMSDBFS = false, 0, nil, nil, nil
	}
	for i := range r.Tracks {
		r.Tracks[i].IntegratedLUFS, r.Tracks[i].MaxTruePeak = nil, nil
		r.Tracks[i].ExplainNulls(why)
	}
	r.Changes, r.ChangesTotal, r.Outputs, r.Proof = nil, 0, nil, Proof{Passes: 1, Text: why}
	r.Series.AfterGroove, r.Series.Stages = GrooveSeries{}, nil
	return r
}

// silent is a side of digital silence: hardly any value exists.
func silent() *Report {
	r := &Report{Schema: Schema, Tool: Tool{Name: "discsafe", Version: "0.0.0-test"},
		Side:    Side{Side: "B", Title: "Fog, Unaccompanied", LengthS: 0, SampleRate: 48000, BitDepth: 24, RoomName: "generic room", Disc: Disc{ID: "7in-45", Name: "7 inch, 45", RPM: 45, RevolutionS: 60.0 / 45, OuterMM: 84.15, InnerMM: 53}},
		Plan:    raw(`{}`),
		Room:    raw(`{}`),
		Cut:     Cut{Reference: Reference{VelocityCMS: 5, Axis: "lateral", Kind: "peak", HZ: 1000, DBFS: -14}},
		Verdict: VerdictOf([]Reason{{Code: "silence", Severity: Attention, Text: "The side is digital silence.", Hint: "Check that the right files were handed in."}}),
	}
	for _, m := range []*Measures{&r.Before, &r.After} {
		for _, k := range strings.Fields(`integrated_lufs loudness_range_lu max_momentary_lufs max_short_term_lufs max_true_peak_dbtp sample_peak_dbfs dc_offset correlation side_to_mid_db side_to_mid_below_crossover_db clipped_runs
			groove.lateral_peak_um groove.vertical_peak_um groove.min_width_um groove.max_depth_um groove.min_land_um groove.lateral_velocity_peak_cm_s groove.acceleration_peak_m_s2 groove.slope_ratio_max groove.curvature_ratio_max groove.end_radius_mm groove.land_used_mm`) {
			m.MarkUnavailable(k, "digital silence")
		}
	}
	r.Land.Unavailable = map[string]string{}
	for _, k := range strings.Fields("bound_mm planned_mm available_mm ratio fixed_pitch_mm min_land_um average_lpi end_radius_mm") {
		r.Land.Unavailable[k] = "no programme"
	}
	return r
}

func mustWrite(t testing.TB, r *Report) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		t.Fatalf("writing the fixture: %v", err)
	}
	return b.Bytes()
}

func decode(t testing.TB, b []byte) map[string]any {
	t.Helper()
	var v map[string]any
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	return v
}
