package pipeline

import (
	"fmt"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
)

// Thresholds that draw attention; all common practice, no source.
const (
	lowCorrelation = -0.2  // lowest correlation over 3 s
	dcLimit        = 0.001 // linear, re full scale
	lowLevelDB     = -6.0  // cut level below which the disc will be quiet
)

func (j *job) verdict(before, after *report.Measures) report.Verdict {
	var rs []report.Reason
	add := func(sev report.State, code, text string, where *report.Place, value, limit float64, unit, hint string) {
		rs = append(rs, report.Reason{Code: code, Severity: sev, Text: text, Where: where, Value: report.Num(value), Limit: report.Num(limit), Unit: unit, Hint: hint})
	}
	at := func(p planner.Peak) *report.Place { w := j.place(p.Sector); return &w }
	r, l := j.res.reading, j.ps.Limits
	lower := "ask for a lower cut level, or for less of it in the mix"
	if r.EndRadiusMM < l.Disc.InnerHardMM-1e-6 {
		add(report.Blocked, "end-radius", "The side does not fit on the disc at this level.", nil, r.EndRadiusMM, l.Disc.InnerHardMM, "mm", "shorten the side, or ask for a lower cut level")
	} else if r.EndRadiusMM < l.Disc.InnerQualityMM-1e-6 {
		add(report.Attention, "end-radius-quality", "The side ends inside the radius where treble falls off.", nil, r.EndRadiusMM, l.Disc.InnerQualityMM, "mm", "shorten the side, or ask for a lower cut level")
	}
	if e := j.cut.LandErr; e != nil {
		add(report.Blocked, "pitch-max", "A turn needs a coarser pitch than the room has: "+e.Error()+".", nil, math.NaN(), j.ps.Room.Pitch.MaxUM, "um", lower)
	}
	if v := r.MinLandUM.Value; v < l.MinLandUM-0.01 {
		add(report.Blocked, "land", "Neighbouring grooves come too close.", at(r.MinLandUM), v, l.MinLandUM, "um", lower)
	}
	if v := r.MinWidthUM; v.Value < l.MinWidthUM*(2-holds) {
		add(report.Blocked, "width", "The groove becomes too shallow.", at(v), v.Value, l.MinWidthUM, "um", "keep limit-sides and sum-lows in the chain; "+lower)
	}
	if v := r.MaxDepthUM; v.Value > l.MaxDepthUM*holds {
		add(report.Blocked, "depth", "The groove becomes too deep.", at(v), v.Value, l.MaxDepthUM, "um", "keep limit-sides and sum-lows in the chain; "+lower)
	}
	if r.Slope.Value > holds {
		add(report.Blocked, "slope", "A wall moves faster than the cutter's back facets clear.", at(r.Slope), r.Slope.Value, 1, "", lower)
	}
	if r.Curvature.Value > holds {
		add(report.Attention, "curvature", "A wall bends tighter than the design tip can follow.", at(r.Curvature), r.Curvature.Value, 1, "", "keep de-ess in the chain, ask for a lower cut level, or move demanding treble outwards")
	}
	if r.Deepening.Value > 1 {
		add(report.Attention, "deepening", "The groove deepens faster than the heel of the cutter clears.", at(r.Deepening), r.Deepening.Value, 1, "", lower)
	}
	if c := l.RMSAcceleration; c != nil && r.RMS[1] > *c {
		add(report.Blocked, "rms-acceleration", "Sustained treble passes the room's ceiling for the cutter head.", nil, r.RMS[1], *c, "m/s2", lower)
	}
	if j.predicted {
		j.predictedCaps(add)
	} else {
		j.capReasons(add)
	}
	j.programmeReasons(add, before, after)
	return report.VerdictOf(rs)
}

type addReason func(sev report.State, code, text string, where *report.Place, value, limit float64, unit, hint string)

func (j *job) capReasons(add addReason) {
	caps := j.plan.Caps
	n := j.before.log.Len()
	for _, l := range j.res.links {
		tr := j.res.traces[l.id]
		if tr == nil || l.shadow {
			continue
		}
		worst, at := 0.0, 0
		for _, p := range tr.Passages {
			if db := -audio.DB(p.MinGain); db > worst {
				worst, at = db, p.WorstSector
			}
		}
		where := j.place(at)
		if worst > caps.MaxReductionDB+0.05 {
			add(report.Attention, "max-reduction", fmt.Sprintf("%s reduces more than the plan's cap.", l.id), &where, worst, caps.MaxReductionDB, "dB", "ask for a lower cut level, change the mix there, or raise caps.max_reduction_db")
		}
		if share := float64(tr.Treated) / float64(n); share > caps.MaxTreatedShare {
			add(report.Attention, "max-treated-share", fmt.Sprintf("%s acts for more of the side than the plan's cap.", l.id), nil, share, caps.MaxTreatedShare, "", "ask for a lower cut level, change the mix, or raise caps.max_treated_share")
		}
	}
}

func (j *job) programmeReasons(add addReason, before, after *report.Measures) {
	if v := before.SideToMidDB; v != nil && *v > 0 {
		add(report.Attention, "side-above-mid", "The side signal is louder than mid: most of this programme vanishes in mono, and the groove moves more up and down than sideways.", nil, *v, 0, "dB", "ask the studio whether one channel is inverted")
	}
	if v := before.CorrelationLowest; v != nil && *v < lowCorrelation {
		w := before.Where["correlation_lowest"]
		add(report.Attention, "correlation", "The channels oppose each other for seconds.", &w, *v, lowCorrelation, "", "check polarity and stereo widening in the mix there")
	}
	if before.Correlation == nil && before.SamplePeakDBFS != nil {
		add(report.Attention, "one-channel", "One channel is silent.", nil, math.NaN(), math.NaN(), "", "ask the studio whether a channel was lost, or set mono: true")
	}
	if v := before.DCOffset; v != nil && math.Abs(*v) > dcLimit {
		add(report.Attention, "dc-offset", "The mixes carry DC.", nil, *v, dcLimit, "", "ask for mixes without DC, or keep block-infrasonic in the chain")
	}
	if v := before.ClippedRuns; v != nil && *v > 0 {
		add(report.Attention, "clipped", "The mixes have runs of samples at full scale.", nil, *v, 0, "", "ask for mixes that are not clipped")
	}
	if j.cut.LevelDB < lowLevelDB {
		add(report.Attention, "low-level", "The side is cut well below the room's reference.", nil, j.cut.LevelDB, lowLevelDB, "dB", "shorten the side, or look at what holds the level: "+j.whyLevel())
	}
	m := j.ps.Limits.Disc.SideMin
	if min := j.before.reading.DurationS / 60; min > m.Stop {
		add(report.Attention, "side-length", "The side is longer than anybody should expect a good cut of.", nil, min, m.Stop, "min", "divide the programme otherwise")
	}
	if j.res.cut.clipped > 0 {
		add(report.Blocked, "premaster-clips", "Samples of the premaster had to be clipped at full scale.", nil, float64(j.res.cut.clipped), 0, "", "give fit-level a ceiling, or ask for a lower cut level")
	}
	if before.IntegratedLUFS == nil && before.SamplePeakDBFS == nil {
		add(report.Attention, "silent", "The side is digital silence.", nil, math.NaN(), math.NaN(), "", "check the files")
	}
}

// whyLevel says in words what set the cut level.
func (j *job) whyLevel() string {
	switch {
	case !j.plan.Level.Fit:
		return "the level was asked for"
	case !j.cut.Holds:
		return fmt.Sprintf("no level from %+.1f dB up holds; at this one %s", j.ps.MinLevelDB, heldWords(j.cut.Held))
	case j.cut.HeldAbove == "":
		return fmt.Sprintf("caps.max_level_db is %+.1f dB", j.plan.Caps.MaxLevelDB)
	}
	return fmt.Sprintf("one step higher, %s", heldWords(j.cut.HeldAbove))
}
