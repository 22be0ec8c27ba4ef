package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/meter"
	"discsafe/pipeline/monosum"
	"discsafe/pipeline/stage"
)

// measured is what one measuring pass found.
type measured struct {
	reading meter.Reading
	meter   *meter.Meter
	peaks   []*float64        // true peak of each track, dBTP, nil for silence
	log     *groove.MotionLog // the programme as it is
	treated *groove.MotionLog // displacement after the linear stages; nil without any
	wave    *waves            // for the time line; nil when none is written
	mono    *monosum.Result   // what a mono listener loses; nil unless asked for
	metered int64
}

// loudnessOf is the integrated loudness of a part of the programme.
func (m *measured) loudnessOf(fromS, toS float64) (*float64, string) {
	return m.meter.IntegratedBetween(fromS, toS)
}

func (m *measured) close() error {
	return errors.Join(m.log.Close(), m.treated.Close(), m.wave.close())
}

// each reads a whole programme in blocks.
func each(r reader, block int, t *teller, f func(b audio.Block) error) (frames int64, err error) {
	buf := audio.NewBlock(block)
	for {
		n, err := r.Read(buf)
		if errors.Is(err, io.EOF) {
			return frames, nil
		}
		if err != nil {
			return frames, err
		}
		if err := f(buf.Slice(0, n)); err != nil {
			return frames, err
		}
		frames += int64(n)
		if err := t.at(frames); err != nil {
			return frames, err
		}
	}
}

// pass is a measuring pass: meters, groove, and, for planning, the groove as
// the linear stages would leave it.
type pass struct {
	sectors groove.Sectors
	scale   float64
	format  audio.Format
	linear  []stage.Processor
	temp    string
	cross   float64
	splitHz float64 // where de-ess begins
	ends    []int64 // frames at which tracks end, for their own peaks
	waves   bool    // for the time line
	mono    bool    // what a mono listener loses
}

func (p pass) run(r reader, block int, t *teller) (_ *measured, err error) {
	m := &measured{}
	defer func() {
		if err != nil {
			err = errors.Join(err, m.close())
		}
	}()
	if m.log, err = groove.NewMotionLog(p.temp); err != nil {
		return nil, err
	}
	if p.waves {
		if m.wave, err = newWaves(p.sectors, p.temp); err != nil {
			return nil, err
		}
	}
	mt, err := meter.New(p.format, meter.Options{CrossoverHz: p.cross})
	if err != nil {
		return nil, err
	}
	var mono *monosum.Meter
	if p.mono {
		if mono, err = monosum.New(p.format.SampleRateHz); err != nil {
			return nil, err
		}
	}
	z := &zip{}
	main, err := groove.NewPredictor(p.sectors, p.scale, false, func(g groove.Motion) {
		m.log.Append(g)
		z.full(g)
	})
	if err != nil {
		return nil, err
	}
	if err := main.SplitAt(p.splitHz); err != nil {
		return nil, err
	}
	var lane *lane
	if len(p.linear) > 0 {
		if m.treated, err = groove.NewMotionLog(p.temp); err != nil {
			return nil, err
		}
		z.out = m.treated
		if lane, err = newLane(p, z.displacement, block); err != nil {
			return nil, err
		}
	}
	frames, err := each(r, block, t, func(b audio.Block) error {
		p.meter(m, mt, b)
		main.Add(b)
		if m.wave != nil {
			m.wave.add(b)
		}
		if mono != nil {
			mono.Add(b)
		}
		if lane != nil {
			lane.add(b)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	main.Flush(frames)
	if m.wave != nil {
		m.wave.flush()
	}
	if mono != nil {
		r := mono.Result()
		m.mono = &r
	}
	if lane != nil {
		lane.flush(frames)
	}
	m.reading, m.meter = mt.Result(), mt
	return m, nil
}

// meter feeds a block to the meter, track by track.
func (p pass) meter(m *measured, mt *meter.Meter, b audio.Block) {
	for len(m.peaks) < len(p.ends) && p.ends[len(m.peaks)]-m.metered <= int64(b.Len()) {
		k := int(p.ends[len(m.peaks)] - m.metered)
		mt.Add(b.Slice(0, k))
		m.peaks = append(m.peaks, mt.EndPart())
		m.metered += int64(k)
		b = b.Slice(k, b.Len())
	}
	mt.Add(b)
	m.metered += int64(b.Len())
}

// lane runs the linear stages beside the programme, for displacement only.
type lane struct {
	chain []stage.Processor
	skip  int // frames of delay still to drop
	delay int
	buf   audio.Block
	pred  *groove.Predictor
}

func newLane(p pass, emit func(groove.Motion), block int) (*lane, error) {
	l := &lane{chain: p.linear, buf: audio.NewBlock(max(block, 4096))}
	for _, s := range l.chain {
		l.delay += s.Delay()
	}
	l.skip = l.delay
	pred, err := groove.NewPredictor(p.sectors, p.scale, true, emit)
	l.pred = pred
	return l, err
}

func (l *lane) add(b audio.Block) {
	c := l.buf.Slice(0, b.Len())
	copy(c.L, b.L)
	copy(c.R, b.R)
	for _, s := range l.chain {
		s.Process(c)
	}
	k := min(l.skip, c.Len())
	l.skip -= k
	l.pred.Add(c.Slice(k, c.Len()))
}

func (l *lane) flush(frames int64) {
	zero := audio.NewBlock(4096)
	for left := l.delay; left > 0; left -= 4096 {
		clear(zero.L)
		clear(zero.R)
		l.add(zero.Slice(0, min(left, 4096)))
	}
	l.pred.Flush(frames)
}

// zip joins velocity and acceleration of the programme with displacement
// after the linear stages, which do not touch the treble: sector by sector,
// whichever comes first.
type zip struct {
	out  *groove.MotionLog
	a, b []groove.Motion
}

func (z *zip) full(m groove.Motion) {
	if z.out != nil {
		z.a = append(z.a, m)
		z.match()
	}
}

func (z *zip) displacement(m groove.Motion) {
	z.b = append(z.b, m)
	z.match()
}

func (z *zip) match() {
	n := min(len(z.a), len(z.b))
	for i := 0; i < n; i++ {
		z.out.Append(groove.TrebleOf(&z.a[i], &z.b[i]))
	}
	if n > 0 {
		z.a = append(z.a[:0], z.a[n:]...)
		z.b = append(z.b[:0], z.b[n:]...)
	}
}

// measureSide runs a measuring pass over the mixes.
func measureSide(ctx context.Context, s *side, p pass, opt Options, t *teller, name string) (*measured, error) {
	t.begin(name)
	r := s.open()
	m, err := p.run(r, opt.block(), t)
	if err := errors.Join(err, r.Close()); err != nil {
		if m != nil {
			err = errors.Join(err, m.close())
		}
		return nil, err
	}
	t.end()
	if err := ctx.Err(); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", name, err), m.close())
	}
	return m, nil
}

// behind measures displacement alone behind other filters than the first pass
// had, and joins it with the treble of that pass.
func (p pass) behind(r reader, full *groove.MotionLog, block int, t *teller) (_ *groove.MotionLog, err error) {
	moved, err := groove.NewMotionLog(p.temp)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, moved.Close()) }()
	l, err := newLane(p, moved.Append, block)
	if err != nil {
		return nil, err
	}
	frames, err := each(r, block, t, func(b audio.Block) error { l.add(b); return nil })
	if err != nil {
		return nil, err
	}
	l.flush(frames)
	return groove.Join(p.temp, full, moved, groove.TrebleOf)
}
