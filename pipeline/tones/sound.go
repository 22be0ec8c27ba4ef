package tones

import (
	"errors"
	"fmt"
	"io"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
)

const (
	blockFrames = 4096
	bitDepth    = 24
	frameBytes  = 2 * bitDepth / 8
)

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

// Sound is the programme as a stereo wave file of 24 bit with a cue at each part,
// named by what is announced. It is made as it is read and depends on the sheet
// alone: any stretch can be read without what lies before it, and has the same
// bytes each time. Use it from one goroutine.
type Sound struct {
	list       []tone
	rateHz     int
	frames     int64
	head, tail []byte
	at         int64 // of the next byte
	first      int64 // frame at which the samples that were made last begin; negative for none
	block      audio.Block
	l, r       []int32
	samples    []byte
	quantizer  *dsp.Quantizer
}

// Sound is the programme of a sheet that Plan has made. The error says that it
// cannot be a wave file, which no sheet of Plan causes.
func (s *Sheet) Sound() (*Sound, error) {
	var cues []wav.Cue
	for i := range s.Parts {
		cues = append(cues, wav.Cue{Frame: int64(math.Round(s.Parts[i].StartS * float64(s.RateHz))), Label: s.Parts[i].ID})
	}
	x := &Sound{list: s.tones(), rateHz: s.RateHz, frames: s.Frames(), first: -1, block: audio.NewBlock(blockFrames),
		l: make([]int32, blockFrames), r: make([]int32, blockFrames), samples: make([]byte, blockFrames*frameBytes), quantizer: dsp.NewQuantizer(bitDepth, true)}
	var err error
	if x.head, x.tail, err = wav.Around(wav.WriterParams{SampleRateHz: s.RateHz, BitDepth: bitDepth, Cues: cues}, x.frames); err != nil {
		return nil, fmt.Errorf("sound of the test cut: %w", err)
	}
	return x, nil
}

// Bytes is the length of the file.
func (x *Sound) Bytes() int64 {
	return int64(len(x.head)) + x.frames*frameBytes + int64(len(x.tail))
}

// Read implements io.Reader.
func (x *Sound) Read(p []byte) (int, error) {
	head, data := int64(len(x.head)), x.frames*frameBytes
	if x.at >= x.Bytes() {
		return 0, io.EOF
	}
	var from []byte
	switch at := x.at - head; {
	case at < 0:
		from = x.head[x.at:]
	case at >= data:
		from = x.tail[at-data:]
	default:
		first := at / frameBytes / blockFrames * blockFrames
		from = x.make(first)[at-first*frameBytes:]
	}
	n := copy(p, from)
	x.at += int64(n)
	return n, nil
}

// Seek implements io.Seeker.
func (x *Sound) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += x.at
	case io.SeekEnd:
		offset += x.Bytes()
	}
	if offset < 0 {
		return 0, errors.New("sound of the test cut: place before its beginning")
	}
	x.at = offset
	return offset, nil
}

// make is the samples of the block that begins at a frame.
func (x *Sound) make(first int64) []byte {
	n := int(min(blockFrames, x.frames-first))
	if first != x.first {
		b := x.block.Slice(0, n)
		clear(b.L)
		clear(b.R)
		for _, t := range x.list {
			t.add(b, first, x.rateHz)
		}
		x.quantizer.Quantize(x.l[:n], b.L, 1, first, 0)
		x.quantizer.Quantize(x.r[:n], b.R, 1, first, 1)
		pcm.PackInt24(x.samples, x.l[:n], x.r[:n]) // the quantizer keeps within the range
		x.first = first
	}
	return x.samples[:n*frameBytes]
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
