package planner

import (
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/land"
)

// needs fills w.need: for each sector the radial advance in um that the turn
// beginning there must make,
//
//	land + h(t) + h(t+T) + outer edge of the next turn - inner edge of this one,
//
// exact per sample pair as the predictor measured it. spare is added to each.
func (w *weigher) needs(log *groove.MotionLog, d *depthPlan, gain, landUM, spare float64) error {
	s := w.side
	n := log.Len()
	if cap(s.scratch) < n {
		s.scratch = make([]float32, n)
	}
	w.need = s.scratch[:n]
	const turn = groove.SectorsPerTurn
	for j := max(0, n-turn); j < n; j++ {
		w.need[j] = 0
	}
	// A limiter that takes away vertical motion moves an edge to somewhere
	// between where it was and the lateral motion alone.
	treat := s.LimitSides != nil && gain > 0
	var innerPast, latPast [turn]float32
	var hotPast [turn]bool
	return log.Scan(func(first int, run []groove.Motion) {
		for i := range run {
			m := &run[i]
			at := first + i
			slot := at % turn
			lo, hi := d.span(at)
			hot := treat && (gain*float64(m.VerticalMaxUM) > watchFrom*s.Limits.AllowedRiseUM(lo) ||
				-gain*float64(m.VerticalMinUM) > watchFrom*s.Limits.AllowedFallUM(hi))
			if j := at - turn; j >= 0 {
				nest := m.NestUM
				if hot || hotPast[slot] {
					nest = max(nest, max(m.OuterMaxUM, m.LateralMaxUM)-min(innerPast[slot], latPast[slot]))
				}
				_, was := d.span(j)
				w.need[j] = float32(landUM + hi + was + gain*float64(nest) + spare)
			}
			innerPast[slot], latPast[slot], hotPast[slot] = m.InnerMinUM, m.LateralMinUM, hot
		}
	})
}

// markTracks asks for visible land before each track but the first: in the
// last turn before it starts.
func (w *weigher) markTracks(landUM float64) {
	extra := w.side.Room.Pitch.TrackLandUM - landUM
	if extra <= 0 || len(w.side.Tracks) == 0 {
		return
	}
	for _, t := range w.side.Tracks[1:] {
		from := t.Start - groove.SectorsPerTurn
		for j := max(from, 0); j < from+depthSpread && j >= 0 && j < len(w.need)-groove.SectorsPerTurn; j++ {
			w.need[j] += float32(extra)
		}
	}
}

// problem states the needs to the land optimiser. Turns that swing apart may
// need less than nothing; the feed does not run backwards.
func (w *weigher) problem() land.Problem {
	p := w.side.Room.Pitch
	for i, v := range w.need {
		w.need[i] = max(v, 0)
	}
	return land.Problem{
		SecondsPerTurn: w.side.Sectors.SecondsPerTurn,
		SectorsPerTurn: groove.SectorsPerTurn,
		NeedUM:         w.need,
		MinPitchUM:     p.MinUM,
		MaxPitchUM:     p.MaxUM,
		SlewUMPerS:     p.Slew * w.side.slowdown(),
		AvailableUM:    w.side.AvailableUM(),
	}
}

// largestNeed is the greatest need and its sector.
func (w *weigher) largestNeed() (um float64, at int) {
	for j, v := range w.need {
		if float64(v) > um {
			um, at = float64(v), j
		}
	}
	return um, at
}

func dbOf(ratio float64) float64 { return 20 * math.Log10(ratio) }
