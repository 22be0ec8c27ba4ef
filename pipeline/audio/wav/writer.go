package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

// WriterParams says what file to write. It is always stereo.
type WriterParams struct {
	SampleRateHz int            // one of the rates of pcm.RateAccepted
	Encoding     audio.Encoding // EncodingPCM (the default when empty) or EncodingFloat
	BitDepth     int            // 16 or 24 for PCM, 32 for float
	// Extensible writes a WAVE_FORMAT_EXTENSIBLE header. The plain header is
	// the default because more readers take it (common practice, no source).
	Extensible bool
	Bext       *Bext // nil for none; Tech 3285 v2, placed before the audio
	Cues       []Cue // in programme order, placed after the audio
}

// maxRIFF is the largest size a 32-bit field holds beside the marker
// 0xFFFFFFFF.
const maxRIFF = unknownSize32 - 1

// Writer writes one stereo WAVE file as a stream: Create, any number of
// WriteInt or WriteFloat32, Close. Sizes are filled in by Close; beyond 4 GiB
// the file becomes RF64 by itself (EBU Tech 3306). Use it from one goroutine.
type Writer struct {
	w       io.WriteSeeker
	base    int64 // where the file starts in w
	params  WriterParams
	align   int
	buf     []byte
	fill    int
	dataOff int64 // from base
	factOff int64 // of the sample count, 0 when there is no fact chunk
	frames  int64
	limit   int64 // largest 32-bit size; a field so that a test can lower it
	err     error // sticky
	closed  bool
}

// Create writes the header of a WAVE file at the present position of w. What
// it writes depends on the parameters only. The caller flushes, syncs and
// closes w after Close.
func Create(w io.WriteSeeker, p WriterParams) (*Writer, error) {
	x, head, err := begin(p)
	if err != nil {
		return nil, err
	}
	if x.base, err = w.Seek(0, io.SeekCurrent); err != nil {
		return nil, fmt.Errorf("writing wav: %w", err)
	}
	x.w = w
	if _, err := w.Write(head); err != nil {
		return nil, fmt.Errorf("writing wav header: %w", err)
	}
	x.buf = make([]byte, pcm.BufferBytes/x.align*x.align)
	return x, nil
}

// Around is what stands before and after the samples in a file of that many
// frames, as Create, the frames and Close would write it: for a file that is
// sent while it is made, whose length must be known first. The samples between
// are packed by pcm.PackInt16, PackInt24 or PackFloat32.
func Around(p WriterParams, frames int64) (head, tail []byte, err error) {
	x, head, err := begin(p)
	if err != nil {
		return nil, nil, err
	}
	x.frames = frames
	if tail, err = x.tail(); err != nil {
		return nil, nil, err
	}
	for _, s := range x.sizes(x.dataOff + frames*int64(x.align) + int64(len(tail))) {
		copy(head[s.off:], s.bytes)
	}
	return head, tail, nil
}

// begin holds the parameters against what can be written and makes the header,
// its sizes still zero.
func begin(p WriterParams) (x *Writer, head []byte, err error) {
	if p.Encoding == "" {
		p.Encoding = audio.EncodingPCM
	}
	switch {
	case !pcm.RateAccepted(p.SampleRateHz):
		return nil, nil, fmt.Errorf("writing wav: sample rate %d Hz: want one of 44100, 48000, 88200, 96000, 176400, 192000", p.SampleRateHz)
	case p.Encoding == audio.EncodingPCM && p.BitDepth != 16 && p.BitDepth != 24:
		return nil, nil, fmt.Errorf("writing wav: pcm of %d bits: want 16 or 24", p.BitDepth)
	case p.Encoding == audio.EncodingFloat && p.BitDepth != 32:
		return nil, nil, fmt.Errorf("writing wav: float of %d bits: want 32", p.BitDepth)
	case p.Encoding != audio.EncodingPCM && p.Encoding != audio.EncodingFloat:
		return nil, nil, fmt.Errorf("writing wav: encoding %q: want pcm or float", p.Encoding)
	}
	if err := checkCues(p.Cues); err != nil {
		return nil, nil, err
	}
	x = &Writer{params: p, align: 2 * p.BitDepth / 8, limit: maxRIFF}
	if head, err = x.header(); err != nil {
		return nil, nil, fmt.Errorf("writing wav: %w", err)
	}
	x.dataOff = int64(len(head))
	return x, head, nil
}

func checkCues(cues []Cue) error {
	last := int64(-1)
	seen := map[uint32]bool{}
	for i, c := range cues {
		switch {
		case c.Frame < 0 || c.Frame > math.MaxUint32:
			return fmt.Errorf("writing wav: cue %d at frame %d: want 0..%d", i+1, c.Frame, uint32(math.MaxUint32))
		case c.Frame < last:
			return fmt.Errorf("writing wav: cue %d at frame %d comes before the cue ahead of it (frame %d)", i+1, c.Frame, last)
		case c.ID != 0 && seen[c.ID] || c.ID == 0 && seen[uint32(i+1)]:
			return fmt.Errorf("writing wav: cue %d has the id of another cue", i+1)
		}
		last = c.Frame
		seen[cueID(cues, i)] = true
	}
	return nil
}

func cueID(cues []Cue, i int) uint32 {
	if id := cues[i].ID; id != 0 {
		return id
	}
	return uint32(i + 1)
}

// header is everything up to the first sample. The JUNK chunk holds the place
// of ds64, which must come first (EBU Tech 3306).
func (x *Writer) header() ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("RIFF\x00\x00\x00\x00WAVE")
	appendChunk(&b, rawChunk{id: "JUNK", body: make([]byte, ds64MinBytes)})
	tag := uint16(tagPCM)
	if x.params.Encoding == audio.EncodingFloat {
		tag = tagFloat
	}
	f := fmtBytes(tag, 2, x.params.SampleRateHz, x.params.BitDepth)
	switch {
	case x.params.Extensible:
		f = extend(f, tag, x.params.BitDepth)
	case tag != tagPCM:
		f = append(f, 0, 0) // cbSize: required for anything but PCM
	}
	appendChunk(&b, rawChunk{id: "fmt ", body: f})
	if tag != tagPCM {
		x.factOff = int64(b.Len()) + chunkHeadBytes
		appendChunk(&b, rawChunk{id: "fact", body: make([]byte, 4)})
	}
	if x.params.Bext != nil {
		body, err := x.params.Bext.marshal()
		if err != nil {
			return nil, err
		}
		appendChunk(&b, rawChunk{id: "bext", body: body})
	}
	appendChunk(&b, rawChunk{id: "data"})
	return b.Bytes(), nil
}

// fmtBytes is a 16-byte fmt chunk.
func fmtBytes(tag uint16, channels, rateHz, bits int) []byte {
	align := channels * bits / 8
	p := binary.LittleEndian.AppendUint16(nil, tag)
	p = binary.LittleEndian.AppendUint16(p, uint16(channels))
	p = binary.LittleEndian.AppendUint32(p, uint32(rateHz))
	p = binary.LittleEndian.AppendUint32(p, uint32(rateHz*align))
	p = binary.LittleEndian.AppendUint16(p, uint16(align))
	return binary.LittleEndian.AppendUint16(p, uint16(bits))
}

// extend makes a stereo WAVE_FORMAT_EXTENSIBLE fmt chunk from a plain one.
func extend(f []byte, tag uint16, validBits int) []byte {
	binary.LittleEndian.PutUint16(f, tagExtensible)
	f = binary.LittleEndian.AppendUint16(f, 22)
	f = binary.LittleEndian.AppendUint16(f, uint16(validBits))
	f = binary.LittleEndian.AppendUint32(f, maskStereo)
	f = binary.LittleEndian.AppendUint16(f, tag)
	return append(f, subFormatTail...)
}

// WriteInt appends frames of integers that are already quantised to BitDepth.
// l and r must have equal length. A value that does not fit is an error, never
// wrapped or clipped. It does not allocate.
func (x *Writer) WriteInt(l, r []int32) error {
	if x.err == nil && x.params.Encoding != audio.EncodingPCM {
		return errors.New("writing wav: integers given to a float file")
	}
	pack := pcm.PackInt24
	if x.params.BitDepth == 16 {
		pack = pcm.PackInt16
	}
	return write(x, pack, l, r)
}

// WriteFloat32 appends frames to a 32-bit float file, rounding each sample to
// the nearest float32. l and r must have equal length. NaN, Inf and values
// beyond pcm.MaxMagnitude are errors. It does not allocate.
func (x *Writer) WriteFloat32(l, r []float64) error {
	if x.err == nil && x.params.Encoding != audio.EncodingFloat {
		return errors.New("writing wav: floats given to an integer file")
	}
	return write(x, pcm.PackFloat32, l, r)
}

func write[T int32 | float64](x *Writer, pack func([]byte, []T, []T) int, l, r []T) error {
	switch {
	case x.err != nil:
		return x.err
	case x.closed:
		return errors.New("writing wav: already closed")
	case len(l) != len(r):
		return fmt.Errorf("writing wav: %d left and %d right samples", len(l), len(r))
	}
	for len(l) > 0 {
		n := min(len(l), (len(x.buf)-x.fill)/x.align)
		if bad := pack(x.buf[x.fill:], l[:n], r[:n]); bad >= 0 {
			x.err = fmt.Errorf("writing wav: frame %d (%v, %v) does not fit %s of %d bits", x.frames+int64(bad), l[bad], r[bad], x.params.Encoding, x.params.BitDepth)
			return x.err
		}
		x.fill += n * x.align
		x.frames += int64(n)
		l, r = l[n:], r[n:]
		if x.fill == len(x.buf) {
			if err := x.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (x *Writer) flush() error {
	_, err := x.w.Write(x.buf[:x.fill])
	x.fill = 0
	if err != nil {
		x.err = fmt.Errorf("writing wav samples: %w", err)
	}
	return x.err
}

// Frames is the number of frames written so far.
func (x *Writer) Frames() int64 { return x.frames }

// Close writes the remaining samples, cue points and sizes, and leaves w at
// the end of the file. It does not close or sync w.
func (x *Writer) Close() error {
	if x.closed || x.err != nil {
		x.closed = true
		return x.err
	}
	x.closed = true
	if x.fill > 0 {
		if err := x.flush(); err != nil {
			return err
		}
	}
	tail, err := x.tail()
	if err != nil {
		return err
	}
	if _, err := x.w.Write(tail); err != nil {
		return fmt.Errorf("writing wav cue points: %w", err)
	}
	end := x.dataOff + x.frames*int64(x.align) + int64(len(tail))
	for _, p := range x.sizes(end) {
		if _, err := x.w.Seek(x.base+p.off, io.SeekStart); err != nil {
			return fmt.Errorf("finishing wav header: %w", err)
		}
		if _, err := x.w.Write(p.bytes); err != nil {
			return fmt.Errorf("finishing wav header: %w", err)
		}
	}
	if _, err := x.w.Seek(x.base+end, io.SeekStart); err != nil {
		return fmt.Errorf("finishing wav: %w", err)
	}
	return nil
}

// tail is everything after the samples. Stereo frames are an even number of
// bytes, so the data chunk never needs a pad byte.
func (x *Writer) tail() ([]byte, error) {
	cues := x.params.Cues
	if len(cues) == 0 {
		return nil, nil
	}
	if last := cues[len(cues)-1]; last.Frame > x.frames {
		return nil, fmt.Errorf("writing wav: cue at frame %d, after the end of the audio (%d frames)", last.Frame, x.frames)
	}
	points := binary.LittleEndian.AppendUint32(nil, uint32(len(cues)))
	var labels bytes.Buffer
	labels.WriteString("adtl")
	for i, c := range cues {
		id := cueID(cues, i)
		points = binary.LittleEndian.AppendUint32(points, id)
		points = binary.LittleEndian.AppendUint32(points, uint32(c.Frame))
		points = append(points, "data"...)
		points = append(points, make([]byte, 8)...) // chunk start, block start
		points = binary.LittleEndian.AppendUint32(points, uint32(c.Frame))
		if c.Label != "" {
			body := binary.LittleEndian.AppendUint32(nil, id)
			body = append(body, strings.ReplaceAll(c.Label, "\x00", "?")...)
			appendChunk(&labels, rawChunk{id: "labl", body: append(body, 0)})
		}
	}
	var b bytes.Buffer
	appendChunk(&b, rawChunk{id: "cue ", body: points})
	if labels.Len() > len("adtl") {
		appendChunk(&b, rawChunk{id: "LIST", body: labels.Bytes()})
	}
	return b.Bytes(), nil
}

type patch struct {
	off   int64 // from base
	bytes []byte
}

// sizes are the header fields that depend on the length of the file.
func (x *Writer) sizes(end int64) []patch {
	u32 := func(v int64) []byte { return binary.LittleEndian.AppendUint32(nil, uint32(v)) }
	riff, data := end-chunkHeadBytes, x.frames*int64(x.align)
	if riff > x.limit {
		ds64 := []byte("ds64")
		ds64 = append(ds64, u32(ds64MinBytes)...)
		for _, v := range []int64{riff, data, x.frames} {
			ds64 = binary.LittleEndian.AppendUint64(ds64, uint64(v))
		}
		ds64 = append(ds64, 0, 0, 0, 0) // no table
		p := []patch{
			{0, []byte("RF64\xFF\xFF\xFF\xFFWAVE")},
			{headerBytes, ds64},
			{x.dataOff - 4, u32(unknownSize32)},
		}
		if x.factOff > 0 {
			p = append(p, patch{x.factOff, u32(unknownSize32)})
		}
		return p
	}
	p := []patch{{4, u32(riff)}, {x.dataOff - 4, u32(data)}}
	if x.factOff > 0 {
		p = append(p, patch{x.factOff, u32(x.frames)})
	}
	return p
}
