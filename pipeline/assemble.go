package pipeline

import (
	"fmt"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/meter"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
)

// seriesPoints is how many intervals the curves of a report have.
const seriesPoints = report.MaxPoints

const toolName = "discsafe"

// place is a moment on the side given by its sector.
func (j *job) place(sector int) report.Place {
	t := j.sectors.Seconds(sector)
	return report.Place{TS: round3(t), RadiusMM: report.Num(round3(j.cut.RadiusMM(sector))), Track: j.trackAt(t)}
}

// trackAt is the number of the track that sounds at a time, 0 in a gap.
func (j *job) trackAt(seconds float64) int {
	frame := int64(seconds * float64(j.side.rateHz))
	for i, p := range j.side.tracks {
		if frame >= p.start && frame < p.end() {
			return i + 1
		}
	}
	return 0
}

func (j *job) placeS(seconds float64) report.Place {
	p := j.place(min(j.sectors.At(int64(seconds*float64(j.side.rateHz))), j.before.log.Len()-1))
	p.TS = round3(seconds)
	return p
}

func round3(x float64) float64 { return math.Round(x*1000) / 1000 }

// measures turns a meter's reading and a groove reading into report form.
func (j *job) measures(m *meter.Reading, g *planner.Reading, basis string, landUM float64) report.Measures {
	out := report.Measures{
		LengthS: m.DurationS, IntegratedLUFS: m.IntegratedLUFS, LoudnessRangeLU: m.LoudnessRangeLU,
		LoudnessRangeLowLUFS: m.LoudnessRangeLowLUFS, LoudnessRangeHiLUFS: m.LoudnessRangeHighLUFS,
		MaxMomentaryLUFS: m.MaxMomentaryLUFS, MaxShortTermLUFS: m.MaxShortTermLUFS,
		MaxTruePeakDBTP: m.MaxTruePeakDBTP, SamplePeakDBFS: m.SamplePeakDBFS, CrestDB: m.CrestDB,
		DCOffset: m.DCOffset, Correlation: m.Correlation, SideToMidDB: m.SideToMidDB,
		SideToMidBelowDB: m.SideToMidBelowCrossoverDB, CrossoverHz: report.Num(m.CrossoverHz),
		ClippedRuns: report.Num(float64(m.ClippedRuns)),
	}
	for name, why := range m.Unavailable {
		out.MarkUnavailable(name, why)
	}
	if p := m.TruePeakAt; p != nil {
		where := j.placeS(p.AtS)
		where.Channel = p.Channel
		out.MarkWhere("max_true_peak_dbtp", where)
	}
	if c := m.LowestCorrelation3S; c != nil {
		out.CorrelationLowest = report.Num(c.Value)
		out.MarkWhere("correlation_lowest", j.placeS(c.AtS))
	}
	for _, b := range m.ThirdOctaves {
		out.Bands = append(out.Bands, report.Band{CentreHz: b.Hz, MidDB: b.MidDBFS, SideDB: b.SideDBFS})
	}
	if s := m.Loudness; s != nil {
		for i := range s.MomentaryMaxLUFS {
			out.Loudness.TS = append(out.Loudness.TS, float64(i+1)*s.StepS)
			out.Loudness.Momentary = append(out.Loudness.Momentary, orNaN(s.MomentaryMaxLUFS[i]))
			out.Loudness.ShortTerm = append(out.Loudness.ShortTerm, orNaN(s.ShortTermMaxLUFS[i]))
		}
	}
	j.grooveMeasures(&out, g, basis, landUM)
	out.ExplainNulls("not available for this programme")
	return out
}

func orNaN(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

func (j *job) grooveMeasures(out *report.Measures, g *planner.Reading, basis string, landUM float64) {
	num := func(name string, p planner.Peak) *float64 {
		out.MarkWhere("groove."+name, j.place(p.Sector))
		return report.Num(p.Value)
	}
	r := &out.Groove
	r.Basis = basis
	r.LateralPeakUM = num("lateral_peak_um", g.LateralUM)
	r.VerticalPeakUM = num("vertical_peak_um", g.VerticalUM)
	r.MinWidthUM = num("min_width_um", g.MinWidthUM)
	r.MaxDepthUM = num("max_depth_um", g.MaxDepthUM)
	r.LateralVelocityCMS = num("lateral_velocity_peak_cm_s", g.LateralCMS)
	r.VerticalVelocityCMS = num("vertical_velocity_peak_cm_s", g.VerticalCMS)
	r.AccelerationPeakMS2 = num("acceleration_peak_m_s2", g.AccelMS2)
	r.SlopeRatioMax = num("slope_ratio_max", g.Slope)
	r.CurvatureRatioMax = num("curvature_ratio_max", g.Curvature)
	r.DeepeningRatioMax = num("deepening_ratio_max", g.Deepening)
	r.LateralPeakInfraUM = num("infrasonic_peak_um", g.InfrasonicUM)
	if math.IsInf(g.MinLandUM.Value, 0) {
		out.MarkUnavailable("groove.min_land_um", "the side is shorter than one turn: no two grooves lie side by side")
	} else {
		r.MinLandUM = num("min_land_um", g.MinLandUM)
	}
	for i, tip := range j.ps.Room.Playback.ReportTipsUM {
		where := j.place(g.Tips[i].Sector)
		r.CurvatureTips = append(r.CurvatureTips, report.TipRatio{TipUM: tip, RatioMax: report.Num(g.Tips[i].Value), Where: &where})
	}
	r.RMSAcceleration0s1, r.RMSAcceleration1s, r.RMSAcceleration10s = report.Num(g.RMS[0]), report.Num(g.RMS[1]), report.Num(g.RMS[2])
	r.EndRadiusMM = report.Num(j.ps.Limits.Disc.OuterMM - landUM/1000)
	r.LandUsedMM = report.Num(landUM / 1000)
	r.TimeOverSlopeS, r.TimeOverCurvatureS, r.TimeUnderMinWidthS = report.Num(g.OverSlopeS), report.Num(g.OverCurveS), report.Num(g.UnderWidthS)
	r.AccelerationP999MS2 = report.Num(g.AccelP999MS2)
	r.TracingSecondPercent = report.Num(100 * traceWall(g.Tightest, j.ps.TipUM()).D2)
}

// disc describes the format as used.
func (j *job) disc() report.Disc {
	d := j.ps.Limits.Disc
	return report.Disc{
		ID: d.ID, Name: d.ID, RPM: d.Speed.RPM(), RevolutionS: d.SecondsPerTurn(), OuterMM: d.OuterMM, InnerMM: d.InnerHardMM,
		QualityInnerMM: report.Num(d.InnerQualityMM), LeadInPitchMM: report.Num((d.LeadInMinMM + d.LeadInMaxMM) / 2),
		LeadOutPitchMM: report.Num((d.LeadOutMinMM + d.LeadOutMaxMM) / 2), LockedGrooveDiameterMM: report.Num(d.LockedDiameterMM),
		LockedGrooveTolMM: report.Num(d.LockedToleranceMM),
	}
}

func (j *job) limits() report.Limits {
	l := j.ps.Limits
	p := j.ps.Room.Pitch
	out := report.Limits{
		MinWidthUM: report.Num(l.MinWidthUM), MaxDepthUM: report.Num(l.MaxDepthUM), MinLandUM: report.Num(l.MinLandUM),
		SlopeRatio: report.Num(1), CurvatureRatio: report.Num(1), RMSAccelerationMS2: l.RMSAcceleration,
		EndRadiusMM: report.Num(l.Disc.InnerQualityMM), LandAvailableMM: report.Num(j.ps.AvailableUM() / 1000),
		MinPitchUM: report.Num(p.MinUM), MaxPitchUM: report.Num(p.MaxUM), DesignTipUM: report.Num(j.ps.TipUM()),
		CutterBackFacetDeg: report.Num(l.BackFacetDeg), DeepeningRatio: report.Num(1),
		CorrelationLowest: report.Num(lowCorrelation), SideToMidDB: report.Num(0), DCOffset: report.Num(dcLimit),
	}
	if j.chain.fit != nil {
		out.TruePeakDBTP = report.Num(j.chain.ceilingDB())
	}
	return out
}

// curves collects one programme's groove against time.
type curves struct {
	width, depth, slope, curve, land []float64
	radius, pitch, mean, at          []float64
}

// gather bins sectors into the intervals of the series.
func (j *job) gather(log *groove.MotionLog, also func(*planner.Point)) (*curves, *planner.Reading, error) {
	n := log.Len()
	points := min(n, seriesPoints)
	mk := func(v float64) []float64 {
		x := make([]float64, points)
		for i := range x {
			x[i] = v
		}
		return x
	}
	inf := math.Inf(1)
	c := &curves{width: mk(inf), depth: mk(0), slope: mk(0), curve: mk(0), land: mk(inf), radius: mk(math.NaN()), pitch: mk(0), mean: mk(0), at: mk(math.NaN())}
	r, err := planner.Read(j.ctx, j.cut, log, func(p *planner.Point) {
		k := min(p.Sector*points/n, points-1)
		if math.IsNaN(c.at[k]) {
			c.at[k], c.radius[k] = round3(j.sectors.Seconds(p.Sector)), p.RadiusMM
			c.pitch[k], c.mean[k] = p.PitchUM, p.DepthUM
		}
		c.width[k] = math.Min(c.width[k], p.MinWidthUM)
		c.depth[k] = math.Max(c.depth[k], p.MaxDepthUM)
		c.slope[k] = math.Max(c.slope[k], p.SlopeRatio)
		c.curve[k] = math.Max(c.curve[k], p.CurvatureRat)
		if p.LandUM < c.land[k] {
			c.land[k] = p.LandUM
		}
		if also != nil {
			also(p)
		}
	})
	return c, r, err
}

func (c *curves) groove() report.GrooveSeries {
	return report.GrooveSeries{
		MinWidthUM: report.CurveOf(c.width), MaxDepthUM: report.CurveOf(c.depth), MinLandUM: report.CurveOf(c.land),
		SlopeRatio: report.CurveOf(c.slope), CurvatureRatio: report.CurveOf(c.curve),
	}
}

func (j *job) series(before, after *curves) report.Series {
	s := report.Series{
		TS: report.CurveOf(after.at), RadiusMM: report.CurveOf(after.radius), PitchUM: report.CurveOf(after.pitch), MeanDepthUM: report.CurveOf(after.mean),
		BeforeGroove: before.groove(), AfterGroove: after.groove(),
	}
	for _, l := range j.res.links {
		g, ok := j.res.gains[l.id]
		if !ok {
			continue
		}
		db := make([]float64, len(after.at))
		for i := range db {
			db[i] = 20 * math.Log10(g[i*len(g)/len(db)])
		}
		s.Stages = append(s.Stages, report.StageSeries{ID: l.id, MinGainDB: report.CurveOf(db)})
	}
	return s
}

func (j *job) landSection(log *groove.MotionLog) (report.Land, error) {
	p := j.cut.Land
	_, fixedUM, err := j.cut.FixedPitchUM(log)
	if err != nil {
		return report.Land{}, err
	}
	turns := j.sectors.Seconds(j.before.log.Len()) / j.sectors.SecondsPerTurn
	lo, hi := p.PitchRangeUM()
	l := report.Land{
		BoundMM: report.Num(p.BoundUM / 1000), PlannedMM: report.Num(p.PlannedUM / 1000), AvailableMM: report.Num(j.ps.AvailableUM() / 1000),
		Ratio: report.Num(p.RatioToBound), AverageLPI: report.Num(25400 * turns / p.PlannedUM), FixedPitchMM: report.Num(fixedUM / 1000),
		StartRadius: report.Num(j.ps.Limits.Disc.OuterMM), EndRadiusMM: report.Num(j.ps.Limits.Disc.OuterMM - p.PlannedUM/1000),
		MinPitchUM: report.Num(lo), MaxPitchUM: report.Num(hi), Turns: report.Num(turns),
	}
	if v := j.res.reading.MinLandUM.Value; !math.IsInf(v, 0) {
		l.MinLandUM = report.Num(v)
	}
	l.Points = j.landPoints()
	if p.BoundUM == 0 {
		l.Ratio = nil
	}
	l.ExplainNulls("the side is shorter than two turns")
	return l, nil
}

// landToleranceUM is how far straight lines between the land points of a
// report may lie from the plan, in radius and in depth.
const landToleranceUM = 0.02

// landPoints are the land plan, thinned as far as straight lines allow.
func (j *job) landPoints() []report.LandPoint {
	n := j.before.log.Len()
	// A step that meets every node of depth and pitch, 24 to the turn: between
	// them both run straight, and a kink must not fall between two points.
	const step = groove.SectorsPerTurn / 72
	at := func(sector int) report.LandPoint {
		t := j.sectors.Seconds(sector)
		return report.LandPoint{TS: t, RadiusMM: j.ps.Limits.Disc.OuterMM - j.cut.Land.AdvanceUM(t)/1000, PitchUM: j.cut.PitchUM(sector), DepthUM: j.cut.DepthUM(sector)}
	}
	out := []report.LandPoint{at(0)}
	var since []report.LandPoint // left out since the last point
	for s := step; ; s += step {
		p := at(min(s, n))
		if len(since) > 0 && !straight(out[len(out)-1], p, since) {
			out = append(out, since[len(since)-1])
			since = since[:0]
		}
		if s >= n {
			return append(out, p)
		}
		since = append(since, p)
	}
}

// straight tells whether every point left out lies on the line from a to b.
func straight(a, b report.LandPoint, between []report.LandPoint) bool {
	for _, p := range between {
		f := (p.TS - a.TS) / (b.TS - a.TS)
		if math.Abs(a.RadiusMM+f*(b.RadiusMM-a.RadiusMM)-p.RadiusMM)*1000 > landToleranceUM ||
			math.Abs(a.DepthUM+f*(b.DepthUM-a.DepthUM)-p.DepthUM) > landToleranceUM {
			return false
		}
	}
	return true
}

// heldWords says in words what holds a level down.
func heldWords(code string) string {
	switch code {
	case planner.HeldLand:
		return "the side would not fit between the radii of the disc"
	case planner.HeldPitch:
		return "a turn would need a coarser pitch than the room has"
	case planner.HeldSlope:
		return "a wall would move faster than the cutter's back facets clear"
	case planner.HeldCurvature:
		return "a wall would bend tighter than the design tip can follow, and treatment could not cure it"
	case planner.HeldVertical:
		return "the groove would become too shallow or too deep, and the chain has no limit-sides"
	case planner.HeldRMS:
		return "the 1 s rms acceleration would pass the room's ceiling"
	case planner.HeldReduction:
		return "a stage would reduce more than caps.max_reduction_db allows"
	case planner.HeldTreated:
		return "more of the side would be treated than caps.max_treated_share allows"
	}
	return fmt.Sprintf("held by %s", code)
}
