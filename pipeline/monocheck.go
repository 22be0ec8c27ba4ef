package pipeline

import (
	"math"

	"discsafe/pipeline/monosum"
	"discsafe/pipeline/report"
)

// monoCheck says what a listener in mono loses of the premaster, or, where none
// was written, of the mixes.
func (j *job) monoCheck() *report.MonoCheck {
	c := &report.MonoCheck{Basis: "the premaster as written", Bands: []report.MonoBand{}, Passages: []report.MonoPassage{}}
	m := j.before
	if j.predicted {
		c.Basis = "the mixes as handed in"
	} else {
		m = j.res.after
	}
	switch {
	case j.plan.Mono:
		c.Unavailable = "The side is cut in mono: there is nothing to lose."
	case m.mono == nil || math.IsNaN(m.mono.LossDB):
		c.Unavailable = "The side is silent: there is nothing to lose."
	}
	if c.Unavailable != "" {
		return c
	}
	c.LossDB = report.Num(m.mono.LossDB)
	for _, b := range m.mono.Bands {
		c.Bands = append(c.Bands, monoBand(b))
	}
	length := float64(j.side.frames) / float64(j.side.rateHz)
	for _, p := range m.mono.Passages {
		end := math.Min(p.EndS, length)
		b := monoBand(p.Band)
		c.Passages = append(c.Passages, report.MonoPassage{StartS: round3(p.StartS), EndS: round3(end), Track: j.placeS((p.StartS + end) / 2).Track, HZ: b.HZ, StereoDBFS: b.StereoDBFS, LossDB: b.LossDB, Vanishes: b.Vanishes})
	}
	return c
}

func monoBand(b monosum.Band) report.MonoBand {
	return report.MonoBand{HZ: b.Hz, StereoDBFS: report.Num(b.StereoDBFS), LossDB: report.Num(b.LossDB), Vanishes: math.IsInf(b.LossDB, 1)}
}
