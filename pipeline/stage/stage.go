// Package stage holds the treatment: one stage, one file, one test beside it.
//
// A stage changes a stereo stream in place. The linear stages
// (block-infrasonic, band-limit, sum-lows) filter and look at nothing; the two
// that limit (de-ess, limit-sides) get from the planner what the groove allows
// in each sector and reduce only where that is exceeded. fit-level holds the
// file's gain, and MonoSum makes a mono cut. Stages know nothing of files,
// plans or reports.
//
// Which stage does what, and how it treats mid and side, stands above the
// parameters of each in params.go.
package stage

import (
	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// Processor is a stage at work. Calls come from one goroutine. Process
// overwrites b; output frame k belongs to input frame k-Delay. It does not
// allocate and cannot fail on finite samples. Results do not depend on how the
// stream is cut into blocks.
type Processor interface {
	// Delay is the number of frames by which output lags input; constant.
	Delay() int
	// Process changes the block in place.
	Process(b audio.Block)
	// Reset makes the stage as new.
	Reset()
}

// Identity is the processor of a stage that has nothing to do.
type Identity struct{}

// Delay is zero.
func (Identity) Delay() int { return 0 }

// Process leaves b as it is.
func (Identity) Process(audio.Block) {}

// Reset does nothing.
func (Identity) Reset() {}

// Passage is one treated run of sectors.
type Passage struct {
	First, Last int     // sectors, inclusive, where the gain is below 1
	WorstSector int     // sector of least gain
	MinGain     float64 // least gain, linear
	Worst       float64 // greatest of value/limit before treatment
	Limit       string  // name of the limit that asked for it
}

// Trace collects what a limiting stage did.
type Trace struct {
	Passages []Passage
	Treated  int     // sectors with gain below 1
	SumDB    float64 // gain in dB summed over sectors
	// OnGain, if set, is called for every sector whose gain is below 1.
	OnGain func(sector int, gain float64)
}

// joinSectors is how far apart two treated runs may lie and still be listed as
// one passage: half a turn.
const joinSectors = groove.SectorsPerTurn / 2

// newTrace has room for every passage a side can have, so that note does not
// allocate.
func newTrace(sectors int, onGain func(int, float64)) Trace {
	return Trace{Passages: make([]Passage, 0, max(sectors, 0)/(joinSectors+1)+1), OnGain: onGain}
}

func (t *Trace) note(sector int, gain, db, worst float64, limit string) {
	t.Treated++
	t.SumDB += db
	if t.OnGain != nil {
		t.OnGain(sector, gain)
	}
	if n := len(t.Passages); n > 0 && sector-t.Passages[n-1].Last <= joinSectors {
		p := &t.Passages[n-1]
		p.Last = sector
		if gain < p.MinGain {
			p.MinGain, p.WorstSector = gain, sector
		}
		if worst > p.Worst {
			p.Worst, p.Limit = worst, limit
		}
		return
	}
	t.Passages = append(t.Passages, Passage{First: sector, Last: sector, WorstSector: sector, MinGain: gain, Worst: worst, Limit: limit})
}

// SectorSet is a set of sector numbers.
type SectorSet []uint64

// NewSectorSet makes an empty set for sectors 0 to n-1.
func NewSectorSet(n int) SectorSet { return make(SectorSet, (n+63)/64) }

// Add puts sector i into the set.
func (s SectorSet) Add(i int) { s[i>>6] |= 1 << (i & 63) }

// Has tells whether sector i is in the set; false outside its range.
func (s SectorSet) Has(i int) bool {
	return i >= 0 && i>>6 < len(s) && s[i>>6]&(1<<(i&63)) != 0
}

// Empty tells whether no sector is in the set.
func (s SectorSet) Empty() bool {
	for _, w := range s {
		if w != 0 {
			return false
		}
	}
	return true
}
