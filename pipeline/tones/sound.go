package tones

import (
	"fmt"
	"io"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
)

const blockFrames = 4096

// tone is a sine of one stretch of the programme.
type tone struct {
	from, to    int64 // frames
	hz          float64
	left, right float64 // amplitudes
}

// tones lists every sine of the test in order.
func (s *Sheet) tones() []tone {
	frame := func(t float64) int64 { return int64(math.Round(t * float64(s.RateHz))) }
	var out []tone
	for i := range s.Parts {
		p := &s.Parts[i]
		a := s.amplitudeOf(announceDB)
		list, _ := beeps(p.ID)
		for _, b := range list {
			out = append(out, tone{frame(p.AnnounceS + b.startS), frame(p.AnnounceS + b.endS), announceHz, a, a})
		}
		switch p.Axis {
		case AxisLateral:
			out = append(out, tone{frame(p.StartS), frame(p.EndS), p.HZ, p.amplitude, p.amplitude})
		case AxisVertical:
			out = append(out, tone{frame(p.StartS), frame(p.EndS), p.HZ, p.amplitude, -p.amplitude})
		}
	}
	return out
}

// Frames is the length of the programme in frames.
func (s *Sheet) Frames() int64 { return int64(math.Round(s.LengthS * float64(s.RateHz))) }

// Render calls each with blocks of the programme in order. A block is only
// valid during the call.
func (s *Sheet) Render(each func(first int64, b audio.Block) error) error {
	list, total := s.tones(), s.Frames()
	buf := audio.NewBlock(blockFrames)
	for first, next := int64(0), 0; first < total; first += blockFrames {
		b := buf.Slice(0, int(min(blockFrames, total-first)))
		clear(b.L)
		clear(b.R)
		for next < len(list) && list[next].to <= first {
			next++
		}
		for k := next; k < len(list) && list[k].from < first+int64(b.Len()); k++ {
			list[k].add(b, first, s.RateHz)
		}
		if err := each(first, b); err != nil {
			return err
		}
	}
	return nil
}

// add mixes the part of a tone that lies in a block, with raised-cosine fades.
func (t tone) add(b audio.Block, first int64, rateHz int) {
	fade := min((t.to-t.from)/10, int64(fadeS*float64(rateHz)))
	for n := max(t.from, first); n < min(t.to, first+int64(b.Len())); n++ {
		i, at := n-first, n-t.from
		g := 1.0
		if edge := min(at, t.to-1-n); edge < fade {
			g = 0.5 - 0.5*math.Cos(math.Pi*float64(edge)/float64(fade))
		}
		x := g * math.Sin(2*math.Pi*math.Mod(float64(at)*t.hz/float64(rateHz), 1))
		b.L[i] += t.left * x
		b.R[i] += t.right * x
	}
}

// WriteSound writes the programme as a stereo wave file of 24 bit with a cue at
// each part, named by what is announced.
func (s *Sheet) WriteSound(w io.WriteSeeker) error {
	var cues []wav.Cue
	for i := range s.Parts {
		cues = append(cues, wav.Cue{Frame: int64(math.Round(s.Parts[i].StartS * float64(s.RateHz))), Label: s.Parts[i].ID})
	}
	out, err := wav.Create(w, wav.WriterParams{SampleRateHz: s.RateHz, BitDepth: 24, Cues: cues})
	if err != nil {
		return fmt.Errorf("writing tones: %w", err)
	}
	q := dsp.NewQuantizer(24, true)
	l, r := make([]int32, blockFrames), make([]int32, blockFrames)
	if err := s.Render(func(first int64, b audio.Block) error {
		n := b.Len()
		q.Quantize(l[:n], b.L, 1, first, 0)
		q.Quantize(r[:n], b.R, 1, first, 1)
		return out.WriteInt(l[:n], r[:n])
	}); err != nil {
		return fmt.Errorf("writing tones: %w", err)
	}
	if err := out.Close(); err != nil {
		return fmt.Errorf("writing tones: %w", err)
	}
	return nil
}
