package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/groove"
)

// tracedStep is how long the groove speed is held constant while tracing.
const tracedStep = 4096

// tracing turns a premaster into what a playback stylus of a tip's radius would
// deliver from its groove, after the playback curve: the recording
// characteristic turns samples into wall displacement, each wall is traced, and
// the exact inverse turns it back.
type tracing struct {
	stylus       *groove.StereoTracer
	left, right  *groove.SideDisplacement
	backL, backR *groove.Restorer
	skip         int // frames of delay still to drop
	q            *dsp.Quantizer
	il, ir       []int32
	out          int64 // number on the side of the next frame
}

// newTracing makes a tracing for samples whose scale is given, see
// groove.Scale. first is the number of the first frame that will be fed.
func newTracing(rateHz int, scale, tipUM, leastSpeedMS float64, first int64) (*tracing, error) {
	tr, err := groove.NewStereoTracer(tipUM, rateHz, leastSpeedMS)
	if err != nil {
		return nil, err
	}
	rate := float64(rateHz)
	return &tracing{
		stylus: tr, left: groove.NewSideDisplacement(rate, scale), right: groove.NewSideDisplacement(rate, scale),
		backL: groove.NewRestorer(rate, scale), backR: groove.NewRestorer(rate, scale),
		skip: tr.Delay(), q: dsp.NewQuantizer(24, true), il: make([]int32, tracedStep), ir: make([]int32, tracedStep), out: first,
	}, nil
}

// step takes at most tracedStep frames, overwrites them, and returns those that
// have come out, at 24 bit; they hold until the next step.
func (t *tracing) step(b audio.Block, speedMS float64) (l, r []int32, err error) {
	t.left.Process(b.L, b.L)
	t.right.Process(b.R, b.R)
	if err := t.stylus.Process(b.L, b.R, speedMS); err != nil {
		return nil, nil, err
	}
	t.backL.Process(b.L)
	t.backR.Process(b.R)
	k := min(t.skip, b.Len())
	t.skip -= k
	c := b.Slice(k, b.Len())
	l, r = t.il[:c.Len()], t.ir[:c.Len()]
	t.q.Quantize(l, c.L, 1, t.out, 0)
	t.q.Quantize(r, c.R, 1, t.out, 1)
	t.out += int64(c.Len())
	return l, r, nil
}

// writeAsTraced writes what a stylus of the design tip's radius would deliver
// from the premaster's groove at the planned radius. The gain of the file is
// the premaster's.
func (j *job) writeAsTraced() (err error) {
	j.t.begin(passAsTraced)
	src, err := wav.Open(j.out.path(PremasterName))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	f, err := os.Create(j.out.path(AsTracedName))
	if err != nil {
		return fmt.Errorf("writing as-traced: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w, err := wav.Create(f, wav.WriterParams{SampleRateHz: j.side.rateHz, BitDepth: 24})
	if err != nil {
		return err
	}
	disc := j.ps.Limits.Disc
	scale := j.scale * j.cut.Gain / audio.FromDB(j.res.fileGainDB)
	tr, err := newTracing(j.side.rateHz, scale, j.ps.TipUM(), disc.GrooveSpeed(math.Min(disc.InnerHardMM, j.res.reading.EndRadiusMM-1)), 0)
	if err != nil {
		return err
	}
	var at int64
	step := func(b audio.Block) error {
		speed := disc.GrooveSpeed(j.cut.RadiusMM(min(j.sectors.At(min(at, j.side.frames-1)), j.before.log.Len()-1)))
		at += int64(b.Len())
		l, r, err := tr.step(b, speed)
		if err != nil {
			return err
		}
		return w.WriteInt(l, r)
	}
	if _, err := each(src, tracedStep, j.t, step); err != nil {
		return err
	}
	zero := audio.NewBlock(tracedStep)
	for left := tr.stylus.Delay(); left > 0; left -= tracedStep {
		clear(zero.L)
		clear(zero.R)
		if err := step(zero.Slice(0, min(left, tracedStep))); err != nil {
			return err
		}
	}
	if err := w.Close(); err != nil {
		return err
	}
	j.t.end()
	return f.Sync()
}

// tracedWarmS is how long before a passage its tracing begins, see grooveWarmS.
// Here what is left must vanish in 24 bits: 5 s bring 500 um to 1e-7 um, of
// which the way back to samples, that lets hardly any of 1 Hz through, makes
// less than a hundredth of a step.
const tracedWarmS = 5

// AsTraced returns a passage of what as-traced.wav would hold, from a time to a
// time on the side in seconds as Excerpt counts them, computed from the
// premaster that open opens. It reads the passage and up to tracedWarmS before
// it. Samples lie on the grid of 24 bits; they are those that Prepare writes
// with Options.AsTraced but for some that differ by one step, under 5 in 100
// where the wall is bent most, because the groove speed comes from the report's
// land plan, whose radius is within 0.02 um, and because of the beginning. Errors: *RangeError, those of open.
func AsTraced(ctx context.Context, cut *GrooveCut, open PassageOpener, fromS, toS float64) (audio.Source, error) {
	if !(fromS >= 0 && toS > fromS) || math.IsInf(fromS, 1) {
		return nil, &RangeError{FromS: fromS, ToS: toS}
	}
	rate := float64(cut.SampleRateHz)
	at := func(seconds float64) int64 { return int64(math.Min(math.Round(seconds*rate), float64(cut.Frames))) }
	e := &tracedPassage{ctx: ctx, cut: cut, sectors: groove.NewSectors(cut.SampleRateHz, cut.RevolutionS), from: at(fromS), to: at(toS)}
	if e.from >= e.to {
		return nil, &RangeError{FromS: fromS, ToS: toS, LengthS: float64(cut.Frames) / rate}
	}
	// Speed is held from step to step of the whole side.
	e.at = max(0, e.from-tracedWarmS*int64(cut.SampleRateHz)) / tracedStep * tracedStep
	e.next = e.at
	var err error
	if e.tr, err = newTracing(cut.SampleRateHz, cut.AfterScale(), cut.TipUM, cut.speedMS(cut.LeastMM), e.at); err != nil {
		return nil, err
	}
	e.end = min(cut.Frames, e.to+int64(e.tr.stylus.Delay()))
	if e.src, err = open(ctx, float64(e.at)/rate, float64(e.end)/rate); err != nil {
		return nil, err
	}
	if e.src.Format().SampleRateHz != cut.SampleRateHz || e.src.Frames() != e.end-e.at {
		return nil, errors.Join(fmt.Errorf("as traced: the passage has %d frames at %d Hz, the report of the side says %d at %d Hz",
			e.src.Frames(), e.src.Format().SampleRateHz, e.end-e.at, cut.SampleRateHz), e.src.Close())
	}
	e.buf = audio.NewBlock(tracedStep)
	return e, nil
}

// tracedPassage traces as it is read.
type tracedPassage struct {
	ctx      context.Context
	cut      *GrooveCut
	sectors  groove.Sectors
	src      audio.Source
	tr       *tracing
	at, end  int64 // next frame to read, end of reading
	next     int64 // next frame to come out
	from, to int64
	buf      audio.Block
	l, r     []int32 // have come out, not yet taken; the first is frame next
}

// Format is that of the premaster at 24 bit.
func (e *tracedPassage) Format() audio.Format {
	f := e.src.Format()
	f.BitDepth = 24
	return f
}

// Frames is the exact length.
func (e *tracedPassage) Frames() int64 { return e.to - e.from }

// Close closes the premaster.
func (e *tracedPassage) Close() error { return e.src.Close() }

// Read implements audio.Source.
func (e *tracedPassage) Read(b audio.Block) (int, error) {
	n := 0
	for n < b.Len() && e.next < e.to {
		for len(e.l) == 0 {
			if err := e.more(); err != nil {
				return 0, err
			}
		}
		if drop := min(int64(len(e.l)), e.from-e.next); drop > 0 {
			e.take(int(drop))
			continue
		}
		k := int(min(int64(len(e.l)), e.to-e.next, int64(b.Len()-n)))
		for i, v := range e.l[:k] {
			b.L[n+i], b.R[n+i] = float64(v)/(1<<23), float64(e.r[i])/(1<<23)
		}
		e.take(k)
		n += k
	}
	if n == 0 && b.Len() > 0 {
		return 0, io.EOF
	}
	return n, nil
}

func (e *tracedPassage) take(k int) {
	e.l, e.r = e.l[k:], e.r[k:]
	e.next += int64(k)
}

// more traces the next step, of silence behind the end of the side.
func (e *tracedPassage) more() error {
	if err := e.ctx.Err(); err != nil {
		return err
	}
	n := tracedStep
	if e.at < e.end {
		n = int(min(tracedStep, e.end-e.at))
		for k := 0; k < n; {
			got, err := e.src.Read(e.buf.Slice(k, n))
			if err != nil {
				return fmt.Errorf("as traced: the premaster ends early: %w", err)
			}
			k += got
		}
	} else {
		clear(e.buf.L)
		clear(e.buf.R)
	}
	b := e.buf.Slice(0, n)
	// As in the pass over the whole side: the radius at the end of the sector in
	// which the step begins.
	s := e.sectors
	sector := min(s.At(min(e.at, e.cut.Frames-1)), s.Count(e.cut.Frames)-1)
	speed := e.cut.speedMS(e.cut.Plan.At(s.Seconds(sector + 1)).RadiusMM)
	e.at += int64(n)
	var err error
	e.l, e.r, err = e.tr.step(b, speed)
	return err
}
