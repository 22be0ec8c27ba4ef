package pipeline

import (
	"errors"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/stage"
)

// halfSpeed says what a cut at half speed asks of room and lathe; nil for a cut
// in real time.
func (j *job) halfSpeed() *report.HalfSpeed {
	slow := sideplan.Slowdown(j.plan.CuttingSpeed)
	if slow == 1 {
		return nil
	}
	ref, disc, r := j.ps.Room.Reference, j.ps.Limits.Disc, j.res.reading
	h := &report.HalfSpeed{
		LatheRPM: disc.Speed.RPM() / slow, PlayRateHz: float64(j.side.rateHz) / slow, CutS: slow * float64(j.side.frames) / float64(j.side.rateHz),
		CornersUS: []float64{}, ReferenceHZ: ref.HZ / slow, ReferenceCMS: ref.VelocityCMS / slow,
		LowestHZ: j.ps.Room.BandHz[0] / slow, HighestHZ: j.ps.Room.BandHz[1] / slow,
		LateralCMS: report.Num(r.LateralCMS.Value / slow), AccelerationMS2: report.Num(r.AccelMS2.Value / (slow * slow)),
	}
	for _, tau := range []float64{groove.TauBassS, groove.TauMiddleS, groove.TauTrebleS} {
		h.CornersUS = append(h.CornersUS, math.Round(slow*tau*1e6))
	}
	return h
}

// otherSpeed plans the same programme for the other speed of the disc, if the plan
// asks for it. Turns of another length lie beside each other differently, so the
// mixes are measured once more.
func (j *job) otherSpeed() (_ *report.OtherSpeed, err error) {
	if !j.plan.CompareSpeeds {
		return nil, nil
	}
	plan := *j.plan
	plan.CompareSpeeds = false
	plan.Disc = otherDisc(j.plan.Disc)
	opt := j.opt
	opt.OutDir, opt.Timing = "", false
	j.t.begin(passOtherSpeed)
	if tell := j.opt.Progress; tell != nil {
		number, passes := j.t.number, j.t.passes
		opt.Progress = func(p Progress) {
			p.Pass, p.PassNumber, p.Passes = passOtherSpeed, number, passes
			tell(p)
		}
	}
	o, err := newJob(j.ctx, &plan, opt)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, o.close()) }()
	o.predicted = true
	if err := o.measureBefore(); err != nil {
		return nil, err
	}
	if err := o.decide(); err != nil {
		return nil, err
	}
	if o.res.reading, err = planner.Read(o.ctx, o.cut, o.ps.Log, nil); err != nil {
		return nil, err
	}
	o.expect(o.res.reading)
	j.t.end()
	return &report.OtherSpeed{This: j.atSpeed(), Other: o.atSpeed()}, nil
}

// otherDisc is the format of the same size at the other speed; a disc with figures
// of its own keeps them.
func otherDisc(d sideplan.Disc) sideplan.Disc {
	speed := groove.Speed45
	if d.Speed == groove.Speed45 {
		speed = groove.Speed33
	}
	own, err := groove.LookupDisc(d.ID)
	for _, id := range groove.DiscIDs() {
		other, _ := groove.LookupDisc(id)
		if err != nil || other.Speed != speed || other.DiameterMM != own.DiameterMM {
			continue
		}
		if !d.Inline {
			return sideplan.Disc{Disc: other}
		}
		d.ID, d.SideMin = other.ID, other.SideMin
	}
	d.Speed = speed
	return d
}

// atSpeed is this job in the comparison of speeds.
func (j *job) atSpeed() report.AtSpeed {
	d, r := j.ps.Limits.Disc, j.res.reading
	a := report.AtSpeed{Disc: d.ID, RPM: d.Speed.RPM(), Basis: "as written", LevelDB: j.cut.LevelDB, LandMM: report.Num(r.LandUM / 1000), AvailableMM: report.Num(j.ps.AvailableUM() / 1000),
		EndRadiusMM: report.Num(r.EndRadiusMM), UntreatedCurvature: report.Num(j.cut.DeEss.Worst), CurvatureRatio: report.Num(r.Curvature.Value), SlopeRatio: report.Num(r.Slope.Value),
		Fits: r.EndRadiusMM >= d.InnerHardMM-1e-6 && j.cut.LandErr == nil, Treatment: []report.Treatment{}}
	if j.predicted {
		a.Basis = "predicted"
	}
	for _, id := range []string{stage.DeEss, stage.LimitSides} {
		if !j.chain.applies(id) {
			continue
		}
		load := j.loadOf(id)
		t := report.Treatment{Stage: id, MaxDB: -load.ReductionDB, TreatedS: load.TreatedS}
		if !j.predicted {
			t.MaxDB, t.TreatedS = j.treatedBy(id)
		}
		a.Treatment = append(a.Treatment, t)
	}
	// A programme that nothing is said of.
	plain := &report.Measures{SamplePeakDBFS: report.Num(-1), Correlation: report.Num(1)}
	v := j.verdict(plain, plain)
	a.State, a.Why = v.State, "within the stated room profile and caps"
	for _, reason := range v.Reasons {
		if reason.Severity == v.State && v.State != report.Ready {
			a.Why = reason.Text
			break
		}
	}
	return a
}

// treatedBy is what a limiting stage did to the written file.
func (j *job) treatedBy(id string) (maxDB, seconds float64) {
	tr := j.res.traces[id]
	if tr == nil {
		return 0, 0
	}
	least := 1.0
	for _, p := range tr.Passages {
		least = math.Min(least, p.MinGain)
	}
	return audio.DB(least), float64(tr.Treated) * j.sectors.SecondsPerTurn / groove.SectorsPerTurn
}
