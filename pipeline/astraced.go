package pipeline

import (
	"errors"
	"fmt"
	"math"
	"os"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/groove"
)

// tracedStep is how long the groove speed is held constant while tracing.
const tracedStep = 4096

// writeAsTraced writes what a playback stylus of the design tip's radius would
// deliver from the premaster's groove at the planned radius, after the
// playback curve: the recording characteristic turns samples into wall
// displacement, each wall is traced, and the exact inverse turns it back. The
// gain of the file is the premaster's.
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
	tr, err := groove.NewStereoTracer(j.ps.TipUM(), j.side.rateHz, disc.GrooveSpeed(math.Min(disc.InnerHardMM, j.res.reading.EndRadiusMM-1)))
	if err != nil {
		return err
	}
	left, right := groove.NewSideDisplacement(float64(j.side.rateHz), scale), groove.NewSideDisplacement(float64(j.side.rateHz), scale)
	backL, backR := groove.NewRestorer(float64(j.side.rateHz), scale), groove.NewRestorer(float64(j.side.rateHz), scale)
	skip := tr.Delay()
	q := dsp.NewQuantizer(24, true)
	il, ir := make([]int32, tracedStep), make([]int32, tracedStep)
	var at, out int64
	step := func(b audio.Block) error {
		speed := disc.GrooveSpeed(j.cut.RadiusMM(min(j.sectors.At(min(at, j.side.frames-1)), j.before.log.Len()-1)))
		left.Process(b.L, b.L)
		right.Process(b.R, b.R)
		if err := tr.Process(b.L, b.R, speed); err != nil {
			return err
		}
		backL.Process(b.L)
		backR.Process(b.R)
		at += int64(b.Len())
		k := min(skip, b.Len())
		skip -= k
		c := b.Slice(k, b.Len())
		q.Quantize(il[:c.Len()], c.L, 1, out, 0)
		q.Quantize(ir[:c.Len()], c.R, 1, out, 1)
		out += int64(c.Len())
		return w.WriteInt(il[:c.Len()], ir[:c.Len()])
	}
	if _, err := each(src, tracedStep, j.t, step); err != nil {
		return err
	}
	zero := audio.NewBlock(tracedStep)
	for left := tr.Delay(); left > 0; left -= tracedStep {
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
