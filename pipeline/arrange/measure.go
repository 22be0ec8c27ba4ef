package arrange

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/rate"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/stage"
)

// Options say how to run, not what to find.
type Options struct {
	TempDir  string                                // for envelopes; empty takes the system's
	Progress func(track, of int, fraction float64) // may be nil
}

// Album is a measured release. Close removes its temporary files.
type Album struct {
	Release *Release
	rateHz  int
	sectors groove.Sectors
	base    planner.Side // without a log
	tracks  []measured
	weighed []weighed
	temp    string
}

type measured struct {
	log     *groove.MotionLog // behind the filters of the default chain
	frames  int64
	lengthS float64
}

const blockFrames = 2048

// Measure reads every track once, keeps its groove and weighs it at all levels
// and places, which Search then only adds up. All tracks must have one
// sampling rate unless the release's output names one. Errors about sound are
// *audio.FormatError.
func Measure(ctx context.Context, r *Release, opt Options) (_ *Album, err error) {
	a := &Album{Release: r, rateHz: r.Output.SampleRate, temp: opt.TempDir}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.Close())
		}
	}()
	if err := a.heads(); err != nil {
		return nil, err
	}
	disc := r.Disc.Disc
	a.sectors = groove.NewSectors(a.rateHz, disc.SecondsPerTurn())
	a.base = planner.Side{
		Sectors: a.sectors, Room: r.Room.Room, Limits: groove.NewLimits(r.Room.Room, disc),
		MaxReductionDB: r.Caps.MaxReductionDB, MaxTreatedShare: r.Caps.MaxTreatedShare,
		MinLevelDB: r.Caps.MinLevelDB, MaxLevelDB: r.Caps.MaxLevelDB, TightenDeEss: 1, TightenSides: 1, Slowdown: sideplan.Slowdown(r.CuttingSpeed),
	}
	for _, s := range sideplan.DefaultChain() {
		switch v := s.Params.(type) {
		case stage.DeEssParams:
			a.base.DeEss = &v
		case stage.LimitSidesParams:
			a.base.LimitSides = &v
		}
	}
	for i := range r.Tracks {
		tell := func(fraction float64) {
			if opt.Progress != nil {
				opt.Progress(i+1, len(r.Tracks), fraction)
			}
		}
		m, err := a.track(ctx, &r.Tracks[i], opt.TempDir, tell)
		if err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
		a.tracks = append(a.tracks, m)
	}
	if _, err := a.problem(ctx); err != nil {
		return nil, err
	}
	return a, nil
}

// Close removes the temporary files.
func (a *Album) Close() error {
	var errs []error
	for _, t := range a.tracks {
		errs = append(errs, t.log.Close())
	}
	a.tracks = nil
	return errors.Join(errs...)
}

// heads opens every file once, so that a bad one stops the work before the
// first is measured, and settles the rate.
func (a *Album) heads() error {
	first := ""
	for i, t := range a.Release.Tracks {
		src, err := codec.Open(t.Path)
		if err != nil {
			return fmt.Errorf("track %d: %w", i+1, err)
		}
		f, n := src.Format(), src.Frames()
		if err := src.Close(); err != nil {
			return fmt.Errorf("track %d: %w", i+1, err)
		}
		if n == 0 {
			return fmt.Errorf("track %d: %w", i+1, &audio.FormatError{File: t.File, Code: "audio-empty", AtS: -1, Detail: "holds no sound (0 frames)", Hint: "export the mix again"})
		}
		if a.rateHz == 0 {
			a.rateHz, first = f.SampleRateHz, t.File
		}
		if f.SampleRateHz != a.rateHz && a.Release.Output.SampleRate == 0 {
			return fmt.Errorf("track %d: %w", i+1, &audio.FormatError{File: t.File, Code: "rate-mixed", AtS: -1,
				Detail: fmt.Sprintf("sampling rate %d Hz, but %s has %d Hz", f.SampleRateHz, first, a.rateHz),
				Hint:   "deliver all mixes of a release at one rate, or set output.sample_rate to have them converted"})
		}
	}
	return nil
}

// track measures one track followed by one turn of silence: velocity and
// acceleration as it is, displacement behind the filter that will probably act.
func (a *Album) track(ctx context.Context, t *Track, temp string, tell func(float64)) (_ measured, err error) {
	m := measured{}
	src, err := codec.Open(t.Path)
	if err != nil {
		return m, err
	}
	if src.Format().SampleRateHz != a.rateHz {
		conv, err := rate.Convert(src, a.rateHz)
		if err != nil {
			return m, errors.Join(err, src.Close())
		}
		src = conv
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	full, err := groove.NewMotionLog(temp)
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, full.Close()) }()
	moved, err := groove.NewMotionLog(temp)
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, moved.Close()) }()
	scale := a.Release.Room.Reference.ChannelVelocityFullScale()
	plain, err := groove.NewPredictor(a.sectors, scale, false, full.Append)
	if err != nil {
		return m, err
	}
	behind, err := groove.NewPredictor(a.sectors, scale, true, moved.Append)
	if err != nil {
		return m, err
	}
	lows, err := defaultSumLows(a.rateHz)
	if err != nil {
		return m, err
	}
	f := feed{plain: plain, behind: behind, lows: lows, skip: lows.Delay(), copy: audio.NewBlock(blockFrames)}
	gain := audio.FromDB(t.GainDB)
	b := audio.NewBlock(blockFrames)
	for {
		if err := ctx.Err(); err != nil {
			return m, err
		}
		n, err := src.Read(b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return m, err
		}
		for i := range b.L[:n] {
			b.L[i] *= gain
			b.R[i] *= gain
		}
		f.add(b.Slice(0, n))
		m.frames += int64(n)
		tell(float64(m.frames) / float64(max(src.Frames(), 1)))
	}
	turn := int64(math.Round(a.sectors.SecondsPerTurn * float64(a.rateHz)))
	f.silence(b, turn+int64(lows.Delay()))
	// The sector that the track ends in belongs to it; a whole turn follows.
	total := a.sectors.StartFrame(a.sectors.Count(m.frames) + groove.SectorsPerTurn)
	plain.Flush(total)
	behind.Flush(total)
	m.lengthS = float64(m.frames) / float64(a.rateHz)
	m.log, err = groove.Join(temp, full, moved, groove.TrebleOf)
	return m, err
}

func defaultSumLows(rateHz int) (stage.Processor, error) {
	p, _ := sideplan.DefaultStage(stage.SumLows).Params.(stage.SumLowsParams)
	return stage.NewSumLows(p, rateHz)
}

// feed gives the same sound to both predictors.
type feed struct {
	plain, behind *groove.Predictor
	lows          stage.Processor
	skip          int // frames of the filter's delay still to drop
	copy          audio.Block
}

func (f *feed) add(b audio.Block) {
	f.plain.Add(b)
	c := f.copy.Slice(0, b.Len())
	copy(c.L, b.L)
	copy(c.R, b.R)
	f.lows.Process(c)
	k := min(f.skip, c.Len())
	f.skip -= k
	f.behind.Add(c.Slice(k, c.Len()))
}

func (f *feed) silence(b audio.Block, frames int64) {
	clear(b.L)
	clear(b.R)
	for ; frames > 0; frames -= int64(b.Len()) {
		f.add(b.Slice(0, int(min(frames, int64(b.Len())))))
	}
}
