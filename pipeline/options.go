package pipeline

import (
	"context"
	"time"

	"discsafe/pipeline/audio"
)

// Options say how to run, not what to make: they never change a sample.
type Options struct {
	OutDir      string         // folder to make; must not exist, be empty, or hold an earlier result
	Version     string         // version of the program, written into the files
	AsTraced    bool           // also write as-traced.wav
	BlockFrames int            // frames per block, 1 or more; 0 takes the default
	Progress    func(Progress) // called at most 20 times a second, may be nil
	Timing      bool           // put wall-clock times into the report
	TempDir     string         // for envelopes; empty takes the system's
}

// Progress tells how far a run is.
type Progress struct {
	Pass       string  // what is being done, in words
	PassNumber int     // from 1
	Passes     int     // expected; may grow when treatment is tightened
	Fraction   float64 // of the pass, 0 to 1
	RealTime   float64 // seconds of programme per second of this pass
}

// Names of passes, in the order of a run.
const (
	passMeasuring      = "measuring the mixes"
	passBehind         = "measuring behind the filters"
	passWriting        = "writing the premaster"
	passMeasuringAfter = "measuring the premaster"
	passAsTraced       = "writing as-traced"
	passOtherSpeed     = "planning for the other speed"
)

// PassNames lists every name that Progress.Pass can have.
func PassNames() []string {
	return []string{passMeasuring, passBehind, passWriting, passMeasuringAfter, passOtherSpeed, passAsTraced}
}

// defaultBlock is 2048 frames: both channels of a block and of its scratch
// stay in the first- and second-level caches.
const defaultBlock = 2048

func (o Options) block() int {
	if o.BlockFrames > 0 {
		return o.BlockFrames
	}
	return defaultBlock
}

// teller reports progress of passes at a bounded rate.
type teller struct {
	ctx    context.Context
	opt    Options
	rateHz int
	frames int64
	number int
	passes int
	name   string
	start  time.Time
	last   time.Time
	steps  []step
}

type step struct {
	name string
	took time.Duration
}

func (t *teller) begin(name string) {
	t.number++
	t.passes = max(t.passes, t.number)
	t.name, t.start = name, time.Now()
	t.last = time.Time{}
	t.tell(0)
}

// at tells that done frames of the pass are through; it returns the context's
// error, so that every block checks for cancellation.
func (t *teller) at(done int64) error {
	if err := t.ctx.Err(); err != nil {
		return err
	}
	if t.opt.Progress != nil && time.Since(t.last) >= 50*time.Millisecond {
		t.tell(done)
	}
	return nil
}

func (t *teller) tell(done int64) {
	if t.opt.Progress == nil {
		return
	}
	t.last = time.Now()
	p := Progress{Pass: t.name, PassNumber: t.number, Passes: t.passes}
	if t.frames > 0 {
		p.Fraction = float64(done) / float64(t.frames)
	}
	if d := time.Since(t.start).Seconds(); d > 0.01 {
		p.RealTime = float64(done) / float64(t.rateHz) / d
	}
	t.opt.Progress(p)
}

func (t *teller) end() {
	t.tell(t.frames)
	t.steps = append(t.steps, step{t.name, time.Since(t.start)})
}

// reader is what a pass reads from.
type reader interface {
	Read(b audio.Block) (int, error)
}
