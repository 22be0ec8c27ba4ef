package pipeline

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/rate"
	"discsafe/pipeline/sideplan"
)

// placed is one track on the side's time line.
type placed struct {
	track  sideplan.Track
	format audio.Format // as in the file
	skip   int64        // frames of the mix before the track begins
	frames int64
	start  int64 // frame of the side at which the track begins
	gain   float64
	seen   os.FileInfo // of the file when the run began
}

func (p placed) end() int64 { return p.start + p.frames }

// side is the programme of one side: the tracks with their gaps. It is opened
// afresh for every pass.
type side struct {
	tracks []placed
	rateHz int
	frames int64
	depth  int            // greatest bit depth of the mixes
	enc    audio.Encoding // float if any mix is
	mix    opener
}

// opener opens the mix of a track.
type opener func(t sideplan.Track) (audio.Source, error)

func fromFile(t sideplan.Track) (audio.Source, error) { return codec.Open(t.Path) }

// openSide reads the heads of all mixes and places them. Mixes are converted
// to the rate of the plan's output; if it names none, all must have one rate.
func openSide(plan *sideplan.Plan) (*side, error) {
	s, err := placeSide(plan, fromFile, math.Inf(1))
	if err != nil {
		return nil, err
	}
	for i := range s.tracks {
		p := &s.tracks[i]
		if p.seen, err = os.Stat(p.track.Path); err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
	}
	return s, nil
}

// placeSide places the tracks that begin before a time.
func placeSide(plan *sideplan.Plan, mix opener, beforeS float64) (*side, error) {
	s := &side{rateHz: plan.Output.SampleRate, enc: audio.EncodingPCM, mix: mix}
	first := ""
	for i, t := range plan.Tracks {
		if s.rateHz > 0 && float64(s.frames)/float64(s.rateHz) >= beforeS {
			break
		}
		src, f, err := s.openMix(t)
		if err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
		n := src.Frames()
		if err := src.Close(); err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
		if s.rateHz == 0 {
			s.rateHz, first = f.SampleRateHz, t.File
		}
		if f.SampleRateHz != s.rateHz && plan.Output.SampleRate == 0 {
			return nil, fmt.Errorf("track %d: %w", i+1, &audio.FormatError{File: t.File, Code: "rate-mixed", AtS: -1,
				Detail: fmt.Sprintf("sampling rate %d Hz, but %s has %d Hz", f.SampleRateHz, first, s.rateHz),
				Hint:   "deliver all mixes of a side at one rate, or set output.sample_rate to have them converted"})
		}
		p, err := place(t, f, n, s.rateHz)
		if err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
		p.start = s.frames + int64(math.Round(t.GapS*float64(s.rateHz)))
		s.frames = p.end()
		s.tracks = append(s.tracks, p)
		s.depth = max(s.depth, f.BitDepth)
		if f.Encoding == audio.EncodingFloat {
			s.enc = audio.EncodingFloat
		}
	}
	return s, nil
}

// openMix opens a mix and, where the side's rate is known and differs, converts
// it. The format is that of the file.
func (s *side) openMix(t sideplan.Track) (audio.Source, audio.Format, error) {
	src, err := s.mix(t)
	if err != nil {
		return nil, audio.Format{}, err
	}
	f := src.Format()
	if s.rateHz == 0 || s.rateHz == f.SampleRateHz {
		return src, f, nil
	}
	conv, err := rate.Convert(src, s.rateHz)
	if err != nil {
		return nil, f, errors.Join(err, src.Close())
	}
	return conv, f, nil
}

// place applies a track's trim.
func place(t sideplan.Track, f audio.Format, frames int64, rateHz int) (placed, error) {
	p := placed{track: t, format: f, frames: frames, gain: audio.FromDB(t.GainDB)}
	rate := float64(rateHz)
	p.skip = int64(math.Round(t.Trim.StartS * rate))
	end := frames
	if t.Trim.EndS != nil {
		end = int64(math.Round(*t.Trim.EndS * rate))
		if end > frames {
			return p, &audio.FormatError{File: t.File, Code: "trim-beyond-end", AtS: -1,
				Detail: fmt.Sprintf("trim.end_s %g lies beyond the mix, which ends at %s", *t.Trim.EndS, audio.Timecode(float64(frames)/rate)),
				Hint:   "end the trim inside the mix or leave end_s out"}
		}
	}
	if p.skip >= end {
		return p, &audio.FormatError{File: t.File, Code: "trim-empty", AtS: -1,
			Detail: fmt.Sprintf("nothing is left between trim.start_s %g and the end at %s", t.Trim.StartS, audio.Timecode(float64(end)/rate)),
			Hint:   "start the trim earlier"}
	}
	p.frames = end - p.skip
	return p, nil
}

// unchanged makes sure that no mix was replaced since the run began.
func (s *side) unchanged() error {
	for i, p := range s.tracks {
		now, err := os.Stat(p.track.Path)
		if err == nil && os.SameFile(now, p.seen) && now.Size() == p.seen.Size() && now.ModTime().Equal(p.seen.ModTime()) {
			continue
		}
		return fmt.Errorf("track %d: %w", i+1, &audio.FormatError{File: p.track.File, Code: "changed-while-reading", AtS: -1, Err: err,
			Detail: "the mix was replaced or altered while the side was prepared", Hint: "do not change mixes while a side is prepared"})
	}
	return nil
}

// format is that of the side as a whole, for the meters.
func (s *side) format() audio.Format {
	return audio.Format{SampleRateHz: s.rateHz, Channels: 2, BitDepth: s.depth, Encoding: s.enc}
}

// open starts a pass.
func (s *side) open() *sideReader { return &sideReader{side: s} }

// sideReader streams a side once.
type sideReader struct {
	side *side
	pos  int64
	at   int
	src  audio.Source
	jump bool // to where it begins; a pass over the side reads mixes whole, so that their checksums are checked
}

// Read fills b with the next frames; io.EOF with n == 0 at the end.
func (r *sideReader) Read(b audio.Block) (int, error) {
	n := 0
	for n < b.Len() && r.pos < r.side.frames {
		t := &r.side.tracks[r.at]
		switch {
		case r.pos < t.start: // gap
			k := int(min(int64(b.Len()-n), t.start-r.pos))
			clear(b.L[n : n+k])
			clear(b.R[n : n+k])
			n += k
			r.pos += int64(k)
		case r.pos < t.end():
			k := int(min(int64(b.Len()-n), t.end()-r.pos))
			got, err := r.track(t, b.Slice(n, n+k))
			if err != nil {
				return 0, fmt.Errorf("track %d: %w", r.at+1, err)
			}
			n += got
			r.pos += int64(got)
		default:
			if err := r.next(); err != nil {
				return 0, err
			}
		}
	}
	if n == 0 && b.Len() > 0 {
		return 0, r.finish()
	}
	return n, nil
}

func (r *sideReader) track(t *placed, b audio.Block) (int, error) {
	if r.src == nil {
		src, _, err := r.side.openMix(t.track)
		if err != nil {
			return 0, err
		}
		r.src = src
		if err := skip(src, t.skip+r.pos-t.start, r.jump); err != nil {
			return 0, err
		}
	}
	n, err := r.src.Read(b)
	if errors.Is(err, io.EOF) || (err == nil && n == 0) {
		return 0, &audio.FormatError{File: t.track.File, Code: "changed-while-reading", AtS: float64(r.pos-t.start) / float64(r.side.rateHz),
			Detail: "the mix ended before its stated length", Hint: "do not change mixes while a side is prepared"}
	}
	if err != nil {
		return 0, err
	}
	if t.gain != 1 {
		for i := range b.L[:n] {
			b.L[i] *= t.gain
			b.R[i] *= t.gain
		}
	}
	return n, nil
}

// seeker is a source that can jump.
type seeker interface{ SeekFrame(frame int64) error }

func skip(src audio.Source, frames int64, jump bool) error {
	if frames == 0 {
		return nil
	}
	if s, ok := src.(seeker); ok && jump {
		return s.SeekFrame(frames)
	}
	b := audio.NewBlock(4096)
	for frames > 0 {
		n, err := src.Read(b.Slice(0, int(min(frames, 4096))))
		if err != nil {
			return err
		}
		frames -= int64(n)
	}
	return nil
}

func (r *sideReader) next() error {
	if err := r.drain(); err != nil {
		return err
	}
	r.at++
	return nil
}

func (r *sideReader) finish() error {
	if err := r.drain(); err != nil {
		return err
	}
	return io.EOF
}

// drain reads a last time from a track used to its end, so that a decoder
// which checks a sum over the whole stream gets to do so, and closes it.
func (r *sideReader) drain() error {
	if r.src == nil {
		return nil
	}
	t := r.side.tracks[r.at]
	if t.skip+t.frames == r.src.Frames() {
		if _, err := r.src.Read(audio.NewBlock(1)); err != nil && !errors.Is(err, io.EOF) {
			return errors.Join(fmt.Errorf("track %d: %w", r.at+1, err), r.Close())
		}
	}
	return r.Close()
}

// Close ends the pass.
func (r *sideReader) Close() error {
	if r.src == nil {
		return nil
	}
	err := r.src.Close()
	r.src = nil
	return err
}
