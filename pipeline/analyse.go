package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"

	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/stage"
)

// nothingWritten is why an analysis has no figures of a premaster.
const nothingWritten = "analyse only: nothing was written"

// Analyse measures the mixes of a side and plans its cut as Prepare does, and
// stops before anything is treated: the folder gets the report, its page and
// the manifest, no sound. Figures of the mixes and the land plan are those that
// Prepare finds before it looks at what it wrote; what the report says of
// stages, groove and verdict beyond that is the planner's expectation and
// marked as such (report.Report.Kind, Prediction, Stage.Predicted). A folder
// that holds a prepared side is refused. Errors as of Prepare.
func Analyse(ctx context.Context, plan *sideplan.Plan, opt Options) (_ *report.Report, err error) {
	j, err := newJob(ctx, plan, opt)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, j.close()) }()
	j.predicted, j.t.passes = true, 1
	if j.out, err = newFolder(opt.OutDir, true); err != nil {
		return nil, err
	}
	if err := j.measureBefore(); err != nil {
		return nil, err
	}
	if err := j.decide(); err != nil {
		return nil, err
	}
	if p := j.before.reading.SamplePeakDBFS; p != nil && *p > 0 {
		j.most = -*p
	}
	j.splitGain()
	r, err := j.analysis()
	if err != nil {
		return nil, err
	}
	m, err := j.manifest(r)
	if err != nil {
		return nil, err
	}
	if err := j.addTimeline(r, m); err != nil {
		return nil, err
	}
	if err := j.writePages(r, m, page{ReportPageName, report.WriteHTML}); err != nil {
		return nil, err
	}
	return r, j.out.commit()
}

// analysis builds the report of a side that was planned and not treated.
func (j *job) analysis() (_ *report.Report, err error) {
	was, err := newGrooveStrips(j.opt.TempDir)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, was.close()) }()
	before, rb, err := j.gather(j.before.log, was.see)
	if err != nil {
		return nil, err
	}
	own, err := planner.OwnLand(j.ctx, j.cut, j.before.log)
	if err != nil {
		return nil, err
	}
	if j.res.reading, err = planner.Read(j.ctx, j.cut, j.ps.Log, nil); err != nil {
		return nil, err
	}
	j.expect(j.res.reading)
	r := &report.Report{Schema: report.Schema, Kind: report.AnalyseKind, Tool: report.Tool{Name: toolName, Version: j.opt.Version}}
	r.Before = j.measures(&j.before.reading, rb, "the mixes untreated, "+j.basis()+"; land as they alone would take", own)
	r.After.LengthS = r.Before.LengthS
	r.After.Groove.Basis = nothingWritten
	r.After.ExplainNulls(nothingWritten)
	r.Prediction = j.prediction()
	if err := j.describeSide(r); err != nil {
		return nil, err
	}
	r.Limits = j.limits()
	r.Verdict = j.verdict(&r.Before, &r.After)
	r.Verdict = report.VerdictOf(append(r.Verdict.Reasons, report.Reason{Code: report.NoteCode, Severity: report.Ready,
		Text: "This verdict is a prediction: the side was measured and planned, nothing was written, so nothing is proven.",
		Hint: "prepare the side; the verdict on the written file counts"}))
	if r.Stages, err = j.predictedStages(); err != nil {
		return nil, err
	}
	if r.Land, err = j.landSection(j.ps.Log); err != nil {
		return nil, err
	}
	if r.Ladder, err = j.ladder(rb); err != nil {
		return nil, err
	}
	r.Tracks = j.tracks()
	r.MonoCheck, r.Advice = j.monoCheck(), []report.Advice{}
	if r.AsTraced, err = j.asTraced(); err != nil {
		return nil, err
	}
	r.HalfSpeed = j.halfSpeed()
	if r.OtherSpeed, err = j.otherSpeed(); err != nil {
		return nil, err
	}
	r.Series = report.Series{TS: report.CurveOf(before.at), RadiusMM: report.CurveOf(before.radius), PitchUM: report.CurveOf(before.pitch),
		MeanDepthUM: report.CurveOf(before.mean), BeforeGroove: before.groove()}
	r.Proof = report.Proof{Passes: j.t.number, Text: "Analyse only: nothing was written, so nothing was proven."}
	r.Cautions = append(cautions(), report.Caution{Code: report.NoteCode,
		Text: "This side was only analysed. Gains in file and at the lathe, treatment and verdict are what the planner expects; a written premaster may need a lower level or more treatment. There is nothing here to cut from."})
	r.Timing = j.timing()
	return r, j.writeTimeline(r, was, nil)
}

// expect turns what the groove would be without limiting stages into what the
// planner expects behind them: they hold what they can reach.
func (j *job) expect(r *planner.Reading) {
	o := &j.cut.Outcome
	r.Curvature = planner.Peak{Value: o.CurvatureRatio, Sector: o.CurvatureAt}
	r.Slope = planner.Peak{Value: o.SlopeRatio, Sector: o.SlopeAt}
	if j.chain.applies(stage.LimitSides) {
		l := j.ps.Limits
		r.MinWidthUM.Value = math.Max(r.MinWidthUM.Value, l.MinWidthUM)
		r.MaxDepthUM.Value = math.Min(r.MaxDepthUM.Value, l.MaxDepthUM)
		r.Vertical.Value = math.Min(r.Vertical.Value, 1)
	}
}

func (j *job) prediction() *report.Prediction {
	r := j.res.reading
	return &report.Prediction{
		Basis: "the mixes behind the filters expected to act, " + j.basis() +
			", with limiting stages taken to hold what they can reach; computed from envelopes, not from a file",
		MinWidthUM: report.Num(r.MinWidthUM.Value), MaxDepthUM: report.Num(r.MaxDepthUM.Value), MinLandUM: report.Num(r.MinLandUM.Value),
		SlopeRatioMax: report.Num(r.Slope.Value), CurvatureRatioMax: report.Num(r.Curvature.Value),
		EndRadiusMM: report.Num(r.EndRadiusMM), LandUsedMM: report.Num(r.LandUM / 1000),
	}
}

// basis says for which cut the figures of a groove hold.
func (j *job) basis() string {
	basis := fmt.Sprintf("at %+.1f dB cut level, depth and radius of the land plan", j.cut.LevelDB)
	if sideplan.Slowdown(j.plan.CuttingSpeed) != 1 {
		basis += ", as the disc is played; rms accelerations as the cutter sees them at half speed"
	}
	return basis
}

// predictedStages reports every stage of the chain as the planner expects it.
func (j *job) predictedStages() ([]report.Stage, error) {
	var out []report.Stage
	for _, id := range j.stageIDs() {
		s, err := j.stage(id)
		if err != nil {
			return nil, err
		}
		acts := s.TreatedS > 0 && s.Mode != stage.ModeEstimate
		s.Predicted, s.Passages = report.PredictedIdle, 0
		if acts {
			s.Predicted = report.PredictedActs
		}
		s.Decided = "Predicted. " + s.Decided
		out = append(out, s)
	}
	return out, nil
}

// loadOf is what the planner expects a limiting stage to do.
func (j *job) loadOf(id string) planner.Load {
	if id == stage.DeEss {
		return j.cut.DeEss
	}
	return j.cut.Sides
}

// predictLimiter says what the planner expects of a limiting stage.
func (j *job) predictLimiter(s *report.Stage) {
	s.Mode = stage.ModeApply
	verb := "It would reduce"
	if j.chain.estimates(s.ID) {
		s.Mode, verb = stage.ModeEstimate, "It would only report, and reckon with reducing"
	}
	s.SwitchOff += " Mode estimate reports and changes nothing."
	l := j.loadOf(s.ID)
	s.MaxChangeDB = report.Num(0)
	if l.TreatedS == 0 {
		s.Decided = "Not needed: no passage is expected to exceed a limit at its radius."
		if l.Worst > holds {
			s.Decided = fmt.Sprintf("A passage exceeds a limit at its radius by a factor of %.2f, which this stage is not expected to cure.", l.Worst)
		}
		return
	}
	s.TreatedS, s.MaxChangeDB = l.TreatedS, report.Num(-l.ReductionDB)
	what := "the band above its crossover"
	if s.ID == stage.LimitSides {
		what = "the side signal"
	}
	s.Decided = fmt.Sprintf("%s %s for about %.2f s in all, by about %.1f dB at most; untreated, the worst moment stands at %.2f of its limit.", verb, what, l.TreatedS, l.ReductionDB, l.Worst)
}

// predictedCaps are capReasons before anything was treated.
func (j *job) predictedCaps(add addReason) {
	caps := j.plan.Caps
	whole := j.sectors.Seconds(j.before.log.Len())
	for _, id := range []string{stage.DeEss, stage.LimitSides} {
		if !j.chain.applies(id) {
			continue
		}
		l := j.loadOf(id)
		where := j.place(l.AtSector)
		if l.ReductionDB > caps.MaxReductionDB+0.05 {
			add(report.Attention, "max-reduction", fmt.Sprintf("%s is expected to reduce more than the plan's cap.", id), &where, l.ReductionDB, caps.MaxReductionDB, "dB", "ask for a lower cut level, change the mix there, or raise caps.max_reduction_db")
		}
		if share := l.TreatedS / whole; share > caps.MaxTreatedShare {
			add(report.Attention, "max-treated-share", fmt.Sprintf("%s is expected to act for more of the side than the plan's cap.", id), nil, share, caps.MaxTreatedShare, "", "ask for a lower cut level, change the mix, or raise caps.max_treated_share")
		}
	}
}
