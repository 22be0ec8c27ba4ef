package wav

import (
	"fmt"
	"io"
	"math"

	goaudio "github.com/go-audio/audio"
	gowav "github.com/go-audio/wav"
)

const (
	excerptPiece     = 16 << 10 // frames handed to the encoder at a time
	maxExcerptFrames = 1 << 26  // 400 MB at 24 bits, far below what a RIFF holds
)

// WriteExcerpt writes a short stereo file for listening (a preview, a passage)
// with the encoder of github.com/go-audio/wav. l and r are linear, 1.0 is full
// scale; they are rounded to bitDepth (16 or 24) without dither, and samples
// beyond full scale are clipped. The returned number is how many were. The
// format must have two channels; its sample rate is free. For premasters use
// Create: it is faster, streams, and knows no 4 GiB limit.
func WriteExcerpt(w io.WriteSeeker, format *goaudio.Format, l, r []float64, bitDepth int) (clipped int, err error) {
	switch {
	case format == nil || format.NumChannels != 2 || format.SampleRate <= 0:
		return 0, fmt.Errorf("writing excerpt: format %+v: want two channels and a sample rate", format)
	case bitDepth != 16 && bitDepth != 24:
		return 0, fmt.Errorf("writing excerpt: %d bits: want 16 or 24", bitDepth)
	case len(l) != len(r):
		return 0, fmt.Errorf("writing excerpt: %d left and %d right samples", len(l), len(r))
	case len(l) > maxExcerptFrames:
		return 0, fmt.Errorf("writing excerpt: %d frames: at most %d", len(l), maxExcerptFrames)
	}
	// The constructor reserves one minute of audio at the format it is given,
	// so it gets the smallest and the real one afterwards.
	e := gowav.NewEncoder(w, 8000, 8, 1, tagPCM)
	e.SampleRate, e.BitDepth, e.NumChans = format.SampleRate, bitDepth, format.NumChannels

	buf := &goaudio.IntBuffer{Format: format, SourceBitDepth: bitDepth}
	data := make([]int, 2*min(excerptPiece, len(l)))
	// At least one Write, also of nothing: it is what writes the header.
	for first := true; first || len(l) > 0; first = false {
		n := min(excerptPiece, len(l))
		for i := range n {
			var cl, cr int
			data[2*i], cl = quantise(l[i], bitDepth)
			data[2*i+1], cr = quantise(r[i], bitDepth)
			clipped += cl + cr
		}
		buf.Data = data[:2*n]
		if err := e.Write(buf); err != nil {
			return clipped, fmt.Errorf("writing excerpt: %w", err)
		}
		l, r = l[n:], r[n:]
	}
	if err := e.Close(); err != nil {
		return clipped, fmt.Errorf("writing excerpt: %w", err)
	}
	return clipped, nil
}

// quantise rounds x to an integer of the given depth. NaN becomes silence and
// counts as clipped.
func quantise(x float64, bitDepth int) (v, clipped int) {
	full := float64(int64(1) << (bitDepth - 1))
	switch y := math.RoundToEven(x * full); {
	case math.IsNaN(y):
		return 0, 1
	case y > full-1:
		return int(full) - 1, 1
	case y < -full:
		return -int(full), 1
	default:
		return int(y), 0
	}
}
