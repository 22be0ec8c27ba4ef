package pipeline

import (
	"fmt"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/report"
	"discsafe/pipeline/stage"
)

// treats says how each stage treats mid and side.
func treats(id string) string {
	switch id {
	case monoID:
		return "Mid is cut; the side signal is made exactly zero."
	case stage.BlockInfrasonic:
		return "Mid and side alike are high-passed; the image stays as it is."
	case stage.BandLimit:
		return "Mid and side alike are low-passed without phase shift; the image stays as it is."
	case stage.SumLows:
		return "The side signal is high-passed at the crossover; mid is untouched (phase matched: mid gets the matching all-pass). Below the crossover the groove moves sideways only."
	case stage.DeEss:
		return "The band above the crossover is reduced by one gain for left and right, so the image stays as it is; everything below the crossover is untouched."
	case stage.LimitSides:
		return "The side signal is reduced for the moment, mid is untouched: the image narrows and returns."
	case stage.FitLevel:
		return "Mid and side alike get the same constant gain."
	}
	return ""
}

func rule(id string) string {
	switch id {
	case monoID:
		return "The plan asks for a mono cut."
	case stage.BlockInfrasonic:
		return "Motion that is not heard costs land and depth (common practice, no source)."
	case stage.BandLimit:
		return "The recording characteristic (IEC 60098) rises 6 dB per octave without limit; a premaster needs a stated band limit."
	case stage.SumLows:
		return "Differences between the channels move the groove up and down (IEC 60098:2020 6.2), where there is little room; bass moves it furthest."
	case stage.DeEss:
		return "A tip of radius R follows a wall only while its acceleration stays below V2/R at that radius (geometry of a sphere on a curve); the cutter clears it only while its speed stays below V tan(beta)/sqrt2."
	case stage.LimitSides:
		return "Width and depth of the 90 degree groove: width = 2 (depth - rise) must stay above the least width, depth + fall below the greatest depth."
	case stage.FitLevel:
		return "The highest level for which land, limits and the plan's caps hold; or the level asked for."
	}
	return ""
}

// stages reports every stage of the chain in order.
func (j *job) stages() ([]report.Stage, error) {
	var out []report.Stage
	for _, id := range j.stageIDs() {
		s, err := j.stage(id)
		if err != nil {
			return nil, err
		}
		for _, l := range j.res.links {
			if l.id == id && !l.shadow && l.peak > 0 {
				s.Active = true
				s.DifferencePeakDBFS = report.Num(audio.DB(l.peak))
				s.DifferenceRMSDBFS = report.Num(10 * math.Log10((l.sum[0]+l.sum[1])/2/float64(max(j.side.frames, 1))))
			}
		}
		if id == stage.FitLevel {
			s.Active = j.res.fileGainDB != 0
		}
		out = append(out, s)
	}
	return out, nil
}

// stage is what there is to say of a stage whether it has worked or is only
// expected to.
func (j *job) stage(id string) (report.Stage, error) {
	params, err := report.RawOf(j.chain.of(id))
	s := report.Stage{ID: id, Treats: treats(id), Why: rule(id), SwitchOff: "Take " + id + " out of the chain.", Params: params}
	if err == nil {
		j.describe(&s)
	}
	return s, err
}

// stageIDs are the stages as a report lists them.
func (j *job) stageIDs() []string {
	if j.plan.Mono {
		return append([]string{monoID}, j.chain.order...)
	}
	return j.chain.order
}

func (p params) of(id string) any {
	switch id {
	case stage.BlockInfrasonic:
		return p.infrasonic
	case stage.BandLimit:
		return p.band
	case stage.SumLows:
		return p.sumLows
	case stage.DeEss:
		return p.deEss
	case stage.LimitSides:
		return p.limitSides
	case stage.FitLevel:
		return p.fit
	}
	return struct{}{}
}

// describe says what a stage decided.
func (j *job) describe(s *report.Stage) {
	whole := float64(j.side.frames) / float64(j.side.rateHz)
	filter := func(on bool, yes, no string) {
		s.Decided = no
		if on {
			s.Decided, s.TreatedS, s.Passages = yes, whole, 1
		}
	}
	switch s.ID {
	case monoID:
		filter(true, "Both channels are made their mean.", "")
		s.SwitchOff = "Set mono: false in the plan."
	case stage.BlockInfrasonic:
		p := j.chain.infrasonic
		filter(j.filters.infrasonic, fmt.Sprintf("High-pass at %g Hz, %d dB/oct, over the whole side.", p.CutoffHz, p.SlopeDB),
			fmt.Sprintf("Not needed: infrasonic motion stays below %g um at this level.", p.ThresholdUM))
	case stage.BandLimit:
		p := j.chain.band
		filter(j.filters.band, fmt.Sprintf("Low-pass above %g Hz over the whole side.", p.CutoffHz),
			fmt.Sprintf("Not needed: nothing above 20 kHz reaches %g dBFS.", p.ThresholdDB))
	case stage.SumLows:
		p := j.chain.sumLows
		no := "Not needed: at this level vertical motion stays within width and depth."
		if j.plan.Mono {
			no = "Not needed: the side is cut in mono."
		}
		filter(j.filters.sumLows, fmt.Sprintf("Side signal high-passed at %g Hz, %d dB/oct, phase %s, over the whole side.", p.CrossoverHz, p.SlopeDB, p.Phase), no)
	case stage.DeEss, stage.LimitSides:
		if j.predicted {
			j.predictLimiter(s)
		} else {
			j.describeLimiter(s)
		}
	case stage.FitLevel:
		s.Decided = fmt.Sprintf("Cut level %+.1f dB: %+.2f dB in the file, %+.2f dB at the lathe; %s.", j.cut.LevelDB, j.res.fileGainDB, j.res.latheGainDB, j.whyLevel())
		s.MaxChangeDB = report.Num(j.res.fileGainDB)
		if j.res.fileGainDB != 0 {
			s.TreatedS, s.Passages = whole, 1
			s.SumDBS = report.Num(j.res.fileGainDB * whole)
		}
		s.SwitchOff = "Give level a number of dB in the plan; 0 leaves the file's level alone."
	}
}

func (j *job) describeLimiter(s *report.Stage) {
	s.Mode = stage.ModeApply
	verb := "reduces"
	if j.chain.estimates(s.ID) {
		s.Mode, verb = stage.ModeEstimate, "would reduce"
	}
	s.SwitchOff += " Mode estimate reports and changes nothing."
	t := j.res.traces[s.ID]
	if t == nil || len(t.Passages) == 0 {
		s.Decided = "Not needed: no passage exceeds a limit at its radius."
		s.MaxChangeDB, s.SumDBS = report.Num(0), report.Num(0)
		return
	}
	least := 1.0
	for _, p := range t.Passages {
		least = math.Min(least, p.MinGain)
	}
	sec := j.sectors.SecondsPerTurn / 360
	s.Passages, s.TreatedS = len(t.Passages), float64(t.Treated)*sec
	s.MaxChangeDB, s.SumDBS = report.Num(audio.DB(least)), report.Num(t.SumDB*sec)
	what := "the band above its crossover"
	if s.ID == stage.LimitSides {
		what = "the side signal"
	}
	s.Decided = fmt.Sprintf("It %s %s in %d passages, %.2f s in all, by at most %.1f dB.", verb, what, len(t.Passages), s.TreatedS, -audio.DB(least))
}

// maxChanges bounds the list in the report; the rest is counted.
const maxChanges = 5000

// changes lists treated passages in order of time, and how many there are.
func (j *job) changes(after *afterPeaks) ([]report.Change, int) {
	var out []report.Change
	whole := float64(j.side.frames) / float64(j.side.rateHz)
	for _, l := range j.res.links {
		t := j.res.traces[l.id]
		if t == nil {
			if l.peak == 0 {
				continue
			}
			out = append(out, report.Change{Stage: l.id, StartS: 0, EndS: round3(whole), RadiusMM: j.ps.Limits.Disc.OuterMM, Track: 1,
				Measure: "filter over the whole side", Why: rule(l.id)})
			continue
		}
		for i, p := range t.Passages {
			where := j.place(p.WorstSector)
			c := report.Change{Stage: l.id, StartS: round3(j.sectors.Seconds(p.First)), EndS: round3(math.Min(j.sectors.Seconds(p.Last+1), whole)),
				RadiusMM: *where.RadiusMM, Track: where.Track, MaxDB: audio.DB(p.MinGain), Measure: p.Limit + " ratio", Limit: report.Num(1),
				Before: report.Num(p.Worst), Why: passageWhy(p), Estimate: l.shadow}
			if v, ok := after.of(l.id, i); ok && !l.shadow {
				c.After = report.Num(v)
			}
			out = append(out, c)
		}
	}
	total := len(out)
	if total > maxChanges {
		out = out[:maxChanges]
	}
	return out, total
}

func passageWhy(p stage.Passage) string {
	switch p.Limit {
	case "curvature":
		return "a wall would bend tighter than the design tip can follow at this radius"
	case "slope":
		return "a wall would move faster than the cutter's back facets clear at this radius"
	case "width":
		return "the groove would become narrower than the least width"
	case "depth":
		return "the groove would become deeper than the greatest depth"
	}
	return "near a passage that exceeds a limit"
}
