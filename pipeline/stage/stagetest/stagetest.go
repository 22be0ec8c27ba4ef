// Package stagetest is the conformance suite every stage passes: whatever a
// stage does to sound, it must not care how the stream is cut into blocks, keep
// its declared delay and the length, treat the channels alike, start afresh
// after Reset, and neither allocate nor slow down nor lose its numbers.
//
// Entry point: Run. It knows nothing of what a stage is for.
package stagetest

import (
	"testing"

	"discsafe/pipeline/audio"
)

// Processor is what the suite tests; stage.Processor satisfies it.
type Processor interface {
	Delay() int
	Process(b audio.Block)
	Reset()
}

// Factory makes the processors to test.
type Factory struct {
	// RateHz is the rate both constructors are made for.
	RateHz int
	// New makes a processor, set so that it acts on Programme.
	New func() Processor
	// Neutral makes one that is set so that it has nothing to do; nil where
	// the stage has no such setting.
	Neutral func() Processor
	// MonoUntouched says that equal channels pass bit for bit.
	MonoUntouched bool
	// Frames is the length of the test programme; 0 means 68,000, more than
	// the largest block.
	Frames int
}

func (f Factory) programme(seed uint64) audio.Block {
	n := f.Frames
	if n == 0 {
		n = 68000
	}
	return Programme(f.RateHz, n, seed)
}

// check is one property; its error says what was wanted and found.
type check struct {
	name string
	run  func(Factory) error
}

var checks = []check{
	{"blocks are invisible", blocksAreInvisible},
	{"impulse lands at the delay", impulseLandsAtDelay},
	{"length is kept", lengthIsKept},
	{"reset is new", resetIsNew},
	{"acts on the programme", actsOnProgramme},
	{"neutral is identity", neutralIsIdentity},
	{"silence stays silence", silenceStaysSilence},
	{"swapped channels swap", swappedChannelsSwap},
	{"equal channels stay equal", equalChannelsStayEqual},
	{"process allocates nothing", processAllocatesNothing},
	{"cores change nothing", coresChangeNothing},
	{"tails end", tailsEnd},
	{"tails do not slow", tailsDoNotSlow},
	{"finite in, finite out", finiteInFiniteOut},
}

// Run tests every property of the suite, one subtest each.
func Run(t *testing.T, f Factory) {
	t.Helper()
	for _, c := range checks {
		t.Run(c.name, func(t *testing.T) {
			if err := c.run(f); err != nil {
				t.Error(err)
			}
		})
	}
}
