package pipeline

import (
	"context"
	"errors"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/stage"
	"discsafe/pipeline/timeline"
)

// Names in the output folder.
const (
	PremasterName    = "premaster.wav"
	DifferenceName   = "difference.wav"
	AsTracedName     = "as-traced.wav"
	ReportName       = "report.json"
	ReportPageName   = "report.html"
	CuttingSheetName = "cutting-sheet.html"
)

// job is one side on its way through.
type job struct {
	ctx     context.Context
	plan    *sideplan.Plan
	opt     Options
	side    *side
	sectors groove.Sectors
	scale   float64 // channel velocity of full scale at 1 kHz at 0 dB, m/s
	chain   params
	ps      *planner.Side
	t       *teller
	out     *folder

	before   *measured
	extra    map[filters]*groove.MotionLog // lanes of other sets of filters, as they were needed
	filters  filters
	cut      *planner.Plan
	peak     *float64 // true peak of the treated programme before file gain
	repeaked bool     // the file gain was counted from the treated peak
	most     float64  // greatest file gain in dB that does not clip, as far as known

	predicted   bool // analyse only: res.reading is what the planner expects
	res         result
	tightenings int
	tried       map[string]float64 // greatest ratio left by the attempt before, by stage
}

// result is the outcome of the last writing and measuring pass.
type result struct {
	fileGainDB, latheGainDB float64
	cut                     cutResult
	links                   []*link
	traces                  map[string]*stage.Trace
	gains                   map[string][]float64       // least gain per interval of the series
	strips                  map[string]*timeline.Strip // gains for the time line
	after                   *measured
	reading                 *planner.Reading
}

// Prepare makes the premaster of a side and proves it; see the package
// comment for the way it goes. Errors about input are *audio.FormatError,
// about the output folder *FolderError. When it fails, the output folder is as
// it was before.
func Prepare(ctx context.Context, plan *sideplan.Plan, opt Options) (_ *report.Report, err error) {
	j, err := newJob(ctx, plan, opt)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, j.close()) }()
	if j.out, err = newFolder(opt.OutDir, false); err != nil {
		return nil, err
	}
	if err := j.measureBefore(); err != nil {
		return nil, err
	}
	if err := j.decide(); err != nil {
		return nil, err
	}
	if err := j.treat(); err != nil {
		return nil, err
	}
	r, err := j.finish()
	if err != nil {
		return nil, err
	}
	return r, j.out.commit()
}

func newJob(ctx context.Context, plan *sideplan.Plan, opt Options) (*job, error) {
	s, err := openSide(plan)
	if err != nil {
		return nil, err
	}
	disc := plan.Disc.Disc
	room := plan.Room.Room
	j := &job{ctx: ctx, plan: plan, opt: opt, side: s,
		sectors: groove.NewSectors(s.rateHz, disc.SecondsPerTurn()),
		scale:   room.Reference.ChannelVelocityFullScale(),
		chain:   paramsOf(plan),
		tried:   map[string]float64{},
		extra:   map[filters]*groove.MotionLog{},
		most:    math.Inf(1),
		t:       &teller{ctx: ctx, opt: opt, rateHz: s.rateHz, frames: s.frames, passes: 3},
	}
	j.ps = &planner.Side{
		Sectors: j.sectors, Room: room, Limits: groove.NewLimits(room, disc),
		DeEss: j.chain.deEss, LimitSides: j.chain.limitSides,
		MaxReductionDB: plan.Caps.MaxReductionDB, MaxTreatedShare: plan.Caps.MaxTreatedShare,
		MinLevelDB: plan.Caps.MinLevelDB, MaxLevelDB: plan.Caps.MaxLevelDB,
		Fit: plan.Level.Fit, LevelDB: plan.Level.DB, TightenDeEss: 1, TightenSides: 1, Slowdown: sideplan.Slowdown(plan.CuttingSpeed),
	}
	for _, p := range s.tracks {
		j.ps.Tracks = append(j.ps.Tracks, planner.Track{Start: j.sectors.At(p.start), End: j.sectors.At(p.end()-1) + 1})
	}
	return j, nil
}

func (j *job) close() error {
	var errs []error
	for _, m := range []*measured{j.before, j.res.after} {
		if m != nil {
			errs = append(errs, m.close())
		}
	}
	errs = append(errs, j.closeStrips())
	for _, l := range j.extra {
		errs = append(errs, l.Close())
	}
	if j.out != nil {
		errs = append(errs, j.out.abandon())
	}
	return errors.Join(errs...)
}

func (j *job) measuring(linear []stage.Processor) pass {
	return pass{sectors: j.sectors, scale: j.scale, format: j.side.format(), linear: linear, temp: j.opt.TempDir, cross: j.chain.crossoverHz(), splitHz: j.chain.splitHz(), waves: j.out != nil}
}

// measureBefore measures the mixes and, beside them, the groove they would
// cut once the filters that probably act have acted.
func (j *job) measureBefore() error {
	j.filters = j.chain.likely(j.plan.Mono)
	procs, err := j.chain.build(j.filters, j.side.rateHz)
	if err != nil {
		return err
	}
	p := j.measuring(procs.processors())
	p.mono = j.predicted && !j.plan.Mono
	j.before, err = measureSide(j.ctx, j.side, p, j.opt, j.t, passMeasuring)
	return err
}

// lane is the log to plan on for a set of filters: at hand, or from one more
// pass over the mixes.
func (j *job) lane(f filters) (*groove.MotionLog, error) {
	if log := j.atHand(f); log != nil {
		return log, nil
	}
	moving := f.moving()
	procs, err := j.chain.build(moving, j.side.rateHz)
	if err != nil {
		return nil, err
	}
	j.t.begin(passBehind)
	r := j.side.open()
	log, err := j.measuring(procs.processors()).behind(r, j.before.log, j.opt.block(), j.t)
	if err := errors.Join(err, r.Close()); err != nil {
		return nil, errors.Join(err, log.Close())
	}
	j.t.end()
	j.extra[moving] = log
	return log, nil
}

// atHand is the log for a set of filters if it was measured, else nil.
func (j *job) atHand(f filters) *groove.MotionLog {
	moving := f.moving()
	switch {
	case !moving.any():
		return j.before.log
	case moving == j.chain.likely(j.plan.Mono).moving():
		return j.before.treated
	}
	return j.extra[moving]
}

// decide finds which filters must act, the cut level, depth, land and what
// the limiting stages must watch.
func (j *job) decide() (err error) {
	if j.ps.Log, err = j.lane(j.filters); err != nil {
		return err
	}
	if j.cut, err = planner.Solve(j.ctx, j.ps); err != nil {
		return err
	}
	f, err := j.needed()
	if err != nil {
		return err
	}
	if f.moving() != j.filters.moving() {
		if j.ps.Log, err = j.lane(f); err != nil {
			return err
		}
		if j.cut, err = planner.Solve(j.ctx, j.ps); err != nil {
			return err
		}
	}
	j.filters = f
	j.peak = j.before.reading.MaxTruePeakDBTP
	return nil
}

// needed decides, at the level found, for each filter that may stay out.
func (j *job) needed() (filters, error) {
	f := j.filters
	if p := j.chain.infrasonic; p != nil && p.When == stage.WhenNeeded {
		r, err := planner.Read(j.ctx, j.cut, j.before.log, nil)
		if err != nil {
			return f, err
		}
		f.infrasonic = r.InfrasonicUM.Value > p.ThresholdUM
	}
	if p := j.chain.band; p != nil && p.When == stage.WhenNeeded {
		u := j.before.reading.UltrasonicRMSDBFS
		f.band = u != nil && *u > p.ThresholdDB
	}
	if p := j.chain.sumLows; p != nil && p.When == stage.WhenNeeded && !j.plan.Mono {
		q, err := planner.VerticalRatio(j.ps, j.before.log, j.cut.Gain)
		if err != nil {
			return f, err
		}
		f.sumLows = q > 1
	}
	return f, nil
}

// maxAttempts bounds the writing passes: what is not held by then is reported.
const maxAttempts = 6

// treat writes and measures until every limit holds on the written file, or
// nothing more can be done.
func (j *job) treat() error {
	for attempt := 1; ; attempt++ {
		if err := j.writeOnce(); err != nil {
			return err
		}
		if err := j.measureAfter(); err != nil {
			return err
		}
		again, err := j.correct(attempt == maxAttempts)
		if err != nil || !again {
			return err
		}
		j.tightenings++
		j.t.passes += 2
	}
}

// holds is the share of a limit up to which it counts as held: rounding of
// the meters, no more.
const holds = 1.0002

// correct looks at the written file and, unless it was the last attempt,
// prepares the next one. It reports whether there is to be one.
func (j *job) correct(last bool) (again bool, err error) {
	if last {
		return false, nil
	}
	r := j.res.reading
	again = j.repeak()
	if c := j.res.cut; c.clipped > 0 {
		// Half a thousandth of a dB for the dither.
		j.most = j.res.fileGainDB - audio.DB(c.over) - 0.0005
		again = true
	}
	cure := func(id string, tighten *float64, ratio float64) bool {
		was, tried := j.tried[id]
		j.tried[id] = ratio
		if ratio <= holds || (tried && *tighten < 1 && ratio-1 > (was-1)/2) || j.res.traces[id] == nil || !j.chain.applies(id) || *tighten < 0.9 || ratio > 1.1 {
			return false
		}
		*tighten *= 0.998 / ratio
		again = true
		return true
	}
	hard, soft := 1.0, 1.0 // ratios that treatment cannot cure
	if !cure(stage.DeEss, &j.ps.TightenDeEss, math.Max(r.Curvature.Value, r.Slope.Value)) {
		hard = math.Max(hard, r.Slope.Value)
		if !j.chain.estimates(stage.DeEss) {
			soft = math.Max(soft, r.Curvature.Value)
		}
	}
	if !cure(stage.LimitSides, &j.ps.TightenSides, r.Vertical.Value) && !j.chain.estimates(stage.LimitSides) {
		hard = math.Max(hard, r.Vertical.Value)
	}
	down := 0.0
	if hard > holds {
		down = audio.DB(hard)
	}
	if j.cut.LevelDB > j.ps.MinLevelDB {
		if soft > holds {
			down = math.Max(down, audio.DB(soft))
		}
		down = math.Max(down, j.overCaps())
	}
	if r.EndRadiusMM < j.ps.Limits.Disc.InnerQualityMM-1e-6 {
		down = math.Max(down, 0.1)
	}
	if j.plan.Level.Fit && down > 0 && j.cut.LevelDB > planner.LowestLevelDB {
		return true, j.lower(down)
	}
	if !again {
		return false, nil
	}
	return true, j.cut.Rewatch()
}

// repeak counts the file gain anew where the peak of the treated programme,
// known only now, breaks the ceiling, or leaves more than wastedDB below it
// while the lathe has to turn up. It reports whether it did.
func (j *job) repeak() bool {
	const wastedDB = 0.5
	p := j.res.after.reading.MaxTruePeakDBTP
	if p == nil || j.cut.LevelDB <= 0 {
		return false
	}
	spare := j.chain.ceilingDB() - *p
	over := spare < -0.01 && j.res.fileGainDB > 0
	under := spare > wastedDB && j.res.latheGainDB > wastedDB && !j.repeaked
	if !over && !under {
		return false
	}
	j.repeaked = true
	treated := *p - j.res.fileGainDB + 0.005
	j.peak = &treated
	return true
}

// overCaps is by how many dB a limiting stage went beyond the plan's cap.
func (j *job) overCaps() float64 {
	over := 0.0
	for id, tr := range j.res.traces {
		if !j.chain.applies(id) {
			continue
		}
		for _, p := range tr.Passages {
			over = math.Max(over, -20*math.Log10(p.MinGain)-j.plan.Caps.MaxReductionDB)
		}
		share := float64(tr.Treated) / float64(j.before.log.Len())
		if share > j.plan.Caps.MaxTreatedShare {
			over = math.Max(over, 0.1)
		}
	}
	if over < 0.05 {
		return 0
	}
	return over
}

// lower plans again at a level at least 0.1 dB below the present one.
func (j *job) lower(byDB float64) (err error) {
	level := math.Floor((j.cut.LevelDB-math.Max(byDB, 0.1))*10+1e-9) / 10
	held := j.cut.HeldAbove
	s := j.ps
	s.Fit, s.LevelDB = false, math.Max(level, planner.LowestLevelDB)
	s.TightenDeEss, s.TightenSides = 1, 1
	clear(j.tried)
	j.cut, err = planner.Solve(j.ctx, s)
	s.Fit = true
	if err == nil {
		j.cut.HeldAbove = held
	}
	return err
}
