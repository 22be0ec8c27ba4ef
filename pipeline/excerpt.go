package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/sideplan"
)

// ExcerptOptions say where the mixes of an excerpt lie.
type ExcerptOptions struct {
	// Open gives the bytes of a mix by its name in the plan, cleaned, with
	// forward slashes; what it gives is closed if it is an io.Closer. Nil: files,
	// found by Track.Path.
	Open func(name string) (r io.ReaderAt, size int64, err error)
}

// RangeError is an excerpt of which nothing lies on the side.
type RangeError struct {
	FromS, ToS float64
	LengthS    float64 // of the side; 0 when the range itself makes no sense
}

func (e *RangeError) Error() string {
	if e.LengthS == 0 {
		return fmt.Sprintf("excerpt from %g s to %g s: want 0 <= from < to", e.FromS, e.ToS)
	}
	return fmt.Sprintf("excerpt from %g s to %g s: the side ends at %s", e.FromS, e.ToS, audio.Timecode(e.LengthS))
}

// Excerpt returns the programme of a side before any treatment, from a time to
// a time on the side in seconds: mixes with gaps, trims, gains and rate as the
// plan says. It is, frame by frame, what Prepare measures as before and treats:
// the frames from round(from*rate) up to round(to*rate), or the end of the
// side. A premaster with no stage and no file gain has these samples.
//
// Of the mixes only the heads are read, up to the last one that the excerpt
// needs, and the samples of the excerpt: cost grows with the excerpt, not with
// the side. In FLAC the place is searched for, which reads some 64 KiB a few times.
//
// The plan may come from sideplan.Parse; its room is not needed. Errors:
// *RangeError, *audio.FormatError, those of opt.Open, ctx's while reading.
func Excerpt(ctx context.Context, plan *sideplan.Plan, fromS, toS float64, opt ExcerptOptions) (audio.Source, error) {
	if !(fromS >= 0 && toS > fromS) || math.IsInf(fromS, 1) {
		return nil, &RangeError{FromS: fromS, ToS: toS}
	}
	mix := fromFile
	if opt.Open != nil {
		mix = func(t sideplan.Track) (audio.Source, error) { return openNamed(t.File, opt) }
	}
	// A frame more than asked for: rounding may reach into the next track.
	s, err := placeSide(plan, mix, toS+1e-3)
	if err != nil {
		return nil, err
	}
	at := func(seconds float64) int64 {
		return int64(math.Min(math.Round(seconds*float64(s.rateHz)), float64(s.frames)))
	}
	from, to := at(fromS), at(toS)
	if from >= to {
		return nil, &RangeError{FromS: fromS, ToS: toS, LengthS: float64(s.frames) / float64(s.rateHz)}
	}
	e := &excerpt{ctx: ctx, r: s.open(), from: from, to: to}
	e.r.pos, e.r.jump = from, true
	for s.tracks[e.r.at].end() <= from {
		e.r.at++
	}
	return e, nil
}

// openNamed opens a mix by its name.
func openNamed(file string, opt ExcerptOptions) (audio.Source, error) {
	r, size, err := opt.Open(path.Clean(file))
	if err != nil {
		return nil, err
	}
	closer, _ := r.(io.Closer)
	src, err := codec.OpenReader(file, r, size)
	if err != nil {
		if closer != nil {
			err = errors.Join(err, closer.Close())
		}
		return nil, err
	}
	if closer == nil {
		return src, nil
	}
	o := &owned{Source: src, closer: closer}
	if s, ok := src.(seeker); ok {
		return &ownedSeeker{owned: o, seeker: s}, nil
	}
	return o, nil
}

// owned closes what its source reads from.
type owned struct {
	audio.Source
	closer io.Closer
}

func (o *owned) Close() error { return errors.Join(o.Source.Close(), o.closer.Close()) }

type ownedSeeker struct {
	*owned
	seeker
}

// excerpt is a part of a pass over a side.
type excerpt struct {
	ctx      context.Context
	r        *sideReader
	from, to int64
}

// Format is that of the side as far as the excerpt needed it.
func (e *excerpt) Format() audio.Format { return e.r.side.format() }

// Frames is the exact length.
func (e *excerpt) Frames() int64 { return e.to - e.from }

// Read implements audio.Source.
func (e *excerpt) Read(b audio.Block) (int, error) {
	if err := e.ctx.Err(); err != nil {
		return 0, err
	}
	if e.r.pos == e.to && b.Len() > 0 {
		return 0, io.EOF
	}
	return e.r.Read(b.Slice(0, int(min(int64(b.Len()), e.to-e.r.pos))))
}

// Close closes the mix that is open.
func (e *excerpt) Close() error { return e.r.Close() }
