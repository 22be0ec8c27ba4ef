package pipeline

import (
	"errors"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/stage"
)

// link is one stage in the chain at work, with the size of what it changed.
type link struct {
	id   string
	proc stage.Processor
	// shadow: the stage runs on a copy and changes nothing (mode estimate).
	shadow bool
	hold   *delayLine // input, held back by the stage's delay
	peak   float64
	sum    [2]float64 // of squares, by channel: each in order of time, whatever the blocks
}

// chain runs stages in order and keeps, beside the treated programme, the mix
// and the sum of what the stages say they changed, both at the same delay.
type chain struct {
	links []*link
	mix   []*delayLine // one per delaying stage
	delta []*delayLine
	delay int
	in    audio.Block
}

func newChain(links []*link, block int) *chain {
	c := &chain{links: links, in: audio.NewBlock(block)}
	for _, l := range links {
		d := l.proc.Delay()
		if l.shadow {
			d = 0
		}
		l.hold = newDelayLine(d, block)
		c.mix = append(c.mix, newDelayLine(d, block))
		c.delta = append(c.delta, newDelayLine(d, block))
		c.delay += d
	}
	return c
}

// run treats b in place, delays mix by the same time, and writes the sum of
// the stages' changes into delta.
func (c *chain) run(b, mix, delta audio.Block) {
	clear(delta.L)
	clear(delta.R)
	in := c.in.Slice(0, b.Len())
	for i, l := range c.links {
		copy(in.L, b.L)
		copy(in.R, b.R)
		if l.shadow {
			l.proc.Process(in)
			continue
		}
		l.proc.Process(b)
		l.hold.process(in)
		c.mix[i].process(mix)
		if i > 0 {
			c.delta[i].process(delta)
		}
		l.note(0, b.L, in.L, delta.L)
		l.note(1, b.R, in.R, delta.R)
	}
}

func (l *link) note(channel int, out, in, delta []float64) {
	peak, sum := l.peak, l.sum[channel]
	for i, x := range out {
		d := x - in[i]
		delta[i] += d
		sum += d * d
		if d > peak {
			peak = d
		} else if -d > peak {
			peak = -d
		}
	}
	l.peak, l.sum[channel] = peak, sum
}

// delayLine holds a stream back by a fixed number of frames.
type delayLine struct {
	n    int
	buf  audio.Block
	fill int
}

func newDelayLine(frames, block int) *delayLine {
	d := &delayLine{n: frames}
	if frames > 0 {
		d.buf = audio.NewBlock(2*frames + 4*block)
		d.fill = frames
	}
	return d
}

func (d *delayLine) process(b audio.Block) {
	if d.n == 0 {
		return
	}
	if d.fill+b.Len() > d.buf.Len() {
		copy(d.buf.L, d.buf.L[d.fill-d.n:d.fill])
		copy(d.buf.R, d.buf.R[d.fill-d.n:d.fill])
		d.fill = d.n
	}
	copy(d.buf.L[d.fill:], b.L)
	copy(d.buf.R[d.fill:], b.R)
	d.fill += b.Len()
	at := d.fill - d.n - b.Len()
	copy(b.L, d.buf.L[at:])
	copy(b.R, d.buf.R[at:])
}

// cutter is the writing pass: it treats, sets the gain, requantises, and
// writes the premaster and its difference to the mix at the same gain.
type cutter struct {
	chain     *chain
	gain      float64 // linear, of the file
	bitDepth  int
	dither    bool
	mono      bool
	premaster *wav.Writer
	diff      *wav.Writer
}

// cutResult is what the writing pass found.
type cutResult struct {
	identical bool    // every sample equals the mix
	residual  float64 // greatest |premaster - mix - changes|, in steps of the premaster
	clipped   int64
	over      float64 // greatest clipped magnitude over the greatest that fits
	monoExact bool
}

func (c *cutter) run(r reader, frames int64, block int, t *teller) (cutResult, error) {
	w := newWriting(c, block)
	mix, delta := audio.NewBlock(block), audio.NewBlock(block)
	_, err := each(r, block, t, func(b audio.Block) error {
		return w.block(b, mix.Slice(0, b.Len()), delta.Slice(0, b.Len()))
	})
	zero := audio.NewBlock(block)
	for left := c.chain.delay; err == nil && left > 0; left -= block {
		n := min(left, block)
		clear(zero.L)
		clear(zero.R)
		err = w.block(zero.Slice(0, n), mix.Slice(0, n), delta.Slice(0, n))
	}
	if err != nil {
		return cutResult{}, err
	}
	for _, l := range c.chain.links {
		for left := l.proc.Delay(); l.shadow && left > 0; left -= block {
			clear(zero.L)
			clear(zero.R)
			l.proc.Process(zero.Slice(0, min(left, block)))
		}
	}
	if w.frame != frames {
		return cutResult{}, errors.New("writing pass: frames lost; this is a fault of discsafe")
	}
	w.res.clipped, w.res.over = w.q.Clipped, w.q.Over
	return w.res, nil
}

// writing is the state of a writing pass.
type writing struct {
	c              *cutter
	skip           int
	frame          int64
	q              *dsp.Quantizer
	pl, pr, ml, mr []int32
	dl, dr         []float64
	res            cutResult
}

func newWriting(c *cutter, block int) *writing {
	w := &writing{c: c, skip: c.chain.delay, q: dsp.NewQuantizer(c.bitDepth, c.dither)}
	w.pl, w.pr, w.ml, w.mr = make([]int32, block), make([]int32, block), make([]int32, block), make([]int32, block)
	w.dl, w.dr = make([]float64, block), make([]float64, block)
	w.res.identical, w.res.monoExact = true, true
	return w
}

func (w *writing) block(b, mix, delta audio.Block) error {
	copy(mix.L, b.L)
	copy(mix.R, b.R)
	w.c.chain.run(b, mix, delta)
	k := min(w.skip, b.Len())
	w.skip -= k
	return w.write(b.Slice(k, b.Len()), mix.Slice(k, b.Len()), delta.Slice(k, b.Len()))
}

func (w *writing) write(b, mix, delta audio.Block) error {
	n := b.Len()
	if n == 0 {
		return nil
	}
	right := 1
	if w.c.mono {
		right = 0 // equal dither keeps the channels equal
	}
	pl, pr, ml, mr := w.pl[:n], w.pr[:n], w.ml[:n], w.mr[:n]
	g := w.c.gain
	w.q.QuantizeBoth(pl, ml, b.L, mix.L, g, w.frame, 0)
	w.q.QuantizeBoth(pr, mr, b.R, mix.R, g, w.frame, right)
	steps := math.Ldexp(1, w.c.bitDepth-1)
	w.compare(pl, ml, mix.L, delta.L, w.dl[:n], g, steps)
	w.compare(pr, mr, mix.R, delta.R, w.dr[:n], g, steps)
	if w.res.monoExact {
		for i, x := range pl {
			if x != pr[i] {
				w.res.monoExact = false
				break
			}
		}
	}
	if err := w.c.premaster.WriteInt(pl, pr); err != nil {
		return err
	}
	if err := w.c.diff.WriteFloat32(w.dl[:n], w.dr[:n]); err != nil {
		return err
	}
	w.frame += int64(n)
	return nil
}

// compare writes the difference and keeps the greatest gap between it and the
// sum of the stages' changes. Both are requantised, each within 1.5 steps, so
// the gap stays within 3 unless a change was lost.
func (w *writing) compare(p, m []int32, mix, delta, d []float64, gain, steps float64) {
	worst, same := w.res.residual, w.res.identical
	inv := 1 / steps
	k := gain * steps
	for i, x := range p {
		e := float64(x - m[i])
		d[i] = e * inv
		if e != 0 || delta[i] != 0 {
			if r := math.Abs(e - delta[i]*k); r > worst {
				worst = r
			}
		}
		if same && float64(x) != mix[i]*steps {
			same = false
		}
	}
	w.res.residual, w.res.identical = worst, same
}
