package flac

import (
	"bytes"
	"crypto/md5"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

// Reader streams the audio of one FLAC file. It implements audio.Source. Use
// it from one goroutine. To read a second time, open a second Reader, or go back
// with SeekFrame.
type Reader struct {
	guard  guard
	info   *meta.StreamInfo
	format audio.Format
	in     window
	closer io.Closer // nil when the caller owns the file

	start   int64 // of the first frame in the file
	total   int64 // frames in the stream ("samples" in FLAC's words)
	decoded int64 // frames decoded so far
	blocks  uint64
	left    [2][]int32 // decoded and not yet delivered
	scale   float64
	sum     hash.Hash // nil when STREAMINFO has no MD5
	packed  []byte
	err     error // sticky
}

var _ audio.Source = (*Reader)(nil)

// Open opens the FLAC file at path: one or two channels, 16, 20 or 24 bits, at
// the rates of pcm.RateAccepted. A file that cannot be used is an
// *audio.FormatError with a code that starts with "flac-"; damage inside the
// audio shows while reading. A stream whose header does not state its length
// (written to a pipe) is measured by looking for its last frame.
func Open(path string) (*Reader, error) {
	f, size, err := pcm.OpenFile(path, "flac")
	if err != nil {
		return nil, err
	}
	r, err := New(path, f, size)
	if err != nil {
		return nil, pcm.CloseAfter(err, f)
	}
	r.closer = f
	return r, nil
}

// New reads a FLAC file of the given length in bytes from src, as Open does.
// The name is only used in errors. Close does not close src.
func New(name string, src io.ReaderAt, size int64) (*Reader, error) {
	r := &Reader{guard: guard{name: name, r: src, size: size}}
	info, start, err := r.guard.streamInfo()
	if err != nil {
		return nil, err
	}
	r.info, r.start = info, start
	r.format = audio.Format{
		SampleRateHz: int(info.SampleRate), Channels: int(info.NChannels), BitDepth: int(info.BitsPerSample),
		Encoding: audio.EncodingPCM, Container: "flac",
	}
	r.scale = 1 / float64(int64(1)<<(info.BitsPerSample-1))
	r.total = int64(info.NSamples)
	if r.total == 0 {
		if r.total, err = r.guard.measure(info, start); err != nil {
			return nil, err
		}
	}
	if info.MD5sum != [md5.Size]byte{} {
		r.sum = md5.New()
	}
	r.in = window{r: src, at: start, end: size}
	return r, nil
}

// Format describes the audio as it stands in the file.
func (r *Reader) Format() audio.Format { return r.format }

// Frames is the exact number of frames in the file.
func (r *Reader) Frames() int64 { return r.total }

// Read implements audio.Source. The library below it allocates for every block
// of the FLAC stream.
func (r *Reader) Read(b audio.Block) (n int, err error) {
	if r.err != nil {
		return 0, r.err
	}
	for n < b.Len() {
		if len(r.left[0]) == 0 {
			if r.decoded == r.total {
				break
			}
			if r.err = r.nextFrame(); r.err != nil {
				return n, r.err
			}
		}
		m := min(b.Len()-n, len(r.left[0]))
		r.deliver(b.L[n:n+m], 0)
		r.deliver(b.R[n:n+m], int(r.info.NChannels)-1)
		r.left[0], r.left[1] = r.left[0][m:], r.left[1][m:]
		n += m
	}
	if n == 0 && b.Len() > 0 {
		return 0, io.EOF
	}
	return n, nil
}

func (r *Reader) deliver(dst []float64, channel int) {
	src := r.left[channel][:len(dst)]
	for i, v := range src {
		dst[i] = float64(v) * r.scale
	}
}

// Close releases the file if Open opened it.
func (r *Reader) Close() error {
	if r.closer == nil {
		return nil
	}
	err := r.closer.Close()
	r.closer = nil
	return err
}

func (r *Reader) fail(code, hint, format string, args ...any) error {
	return r.guard.failAt(float64(r.decoded)/float64(r.info.SampleRate), code, hint, format, args...)
}

// nextFrame decodes one FLAC frame, checks it, and at the end of the stream
// checks the whole.
func (r *Reader) nextFrame() error {
	head, err := r.in.peek(maxHeaderBytes)
	if err != nil {
		return r.readError(err)
	}
	if len(head) == 0 {
		return r.fail("flac-truncated", transferHint, "promises %d frames of audio but ends after %d", r.total, r.decoded)
	}
	h, ok := parseHeader(head)
	if !ok {
		return r.fail("flac-bad-frame", transferHint, "is damaged: no valid frame header at offset %d", r.in.at)
	}
	if err := r.checkHeader(h); err != nil {
		return err
	}
	start := r.in.at
	hidden := h.rateCode == rate176400
	if hidden {
		// The library prints a line to standard error for every frame with
		// this rate code. The code for "see STREAMINFO" says the same.
		head[2] &= 0xF0
		head[h.crc] = crc8(head[:h.crc])
	}
	f, err := r.decode()
	if err != nil && hidden && complete(f) {
		// The frame's own CRC-16 no longer fits the changed header.
		err = r.checkCRC(start, r.in.at)
	}
	if err != nil {
		var fe *audio.FormatError
		if errors.As(err, &fe) {
			return err
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return r.fail("flac-truncated", transferHint, "ends inside a frame")
		}
		if r.in.err != nil {
			return r.readError(r.in.err)
		}
		e := r.fail("flac-bad-frame", transferHint, "is damaged").(*audio.FormatError)
		e.Err = err
		return e
	}
	return r.accept(f)
}

// rate176400 and rate24000 are the two rate codes at which the library prints
// to standard error.
const (
	rate176400 = 2
	rate24000  = 7
)

func (r *Reader) checkHeader(h header) error {
	want := r.blocks
	if h.variable {
		want = uint64(r.decoded)
	}
	switch {
	case h.rateCode == rate176400 && r.info.SampleRate != 176400, h.rateCode == rate24000:
		return r.fail("flac-bad-frame", exportHint, "changes its sample rate inside the stream")
	case h.block > int(r.info.BlockSizeMax) || h.block > maxBlock:
		return r.fail("flac-bad-frame", transferHint, "is damaged: a frame of %d samples where STREAMINFO allows %d", h.block, r.info.BlockSizeMax)
	case h.number != want:
		return r.fail("flac-bad-frame", transferHint, "is damaged: frame number %d where %d should follow", h.number, want)
	case r.decoded+int64(h.block) > r.total:
		return r.fail("flac-size-lies", exportHint, "promises %d frames of audio but holds more", r.total)
	}
	return nil
}

// decode runs the library on the frame at the window. A panic in there is
// damage of the file as far as the user is concerned.
func (r *Reader) decode() (f *frame.Frame, err error) {
	defer func() {
		if p := recover(); p != nil {
			f, err = nil, fmt.Errorf("the decoder gave up: %v", p)
		}
	}()
	f, err = frame.New(&r.in)
	if err != nil {
		return nil, err
	}
	if hz := f.SampleRate; hz != 0 && hz != r.info.SampleRate {
		return nil, r.fail("flac-bad-frame", exportHint, "changes its sample rate from %d to %d Hz", r.info.SampleRate, hz)
	}
	if n := f.Channels.Count(); n != int(r.info.NChannels) {
		return nil, r.fail("flac-bad-frame", exportHint, "changes its number of channels from %d to %d", r.info.NChannels, n)
	}
	if bits := f.BitsPerSample; bits != 0 && bits != r.info.BitsPerSample {
		return nil, r.fail("flac-bad-frame", exportHint, "changes its samples from %d to %d bits", r.info.BitsPerSample, bits)
	}
	f.BitsPerSample = r.info.BitsPerSample // the library decodes 0 bits otherwise
	return f, f.Parse()
}

// complete reports whether every channel was decoded to the end.
func complete(f *frame.Frame) bool {
	if f == nil || len(f.Subframes) == 0 {
		return false
	}
	for _, s := range f.Subframes {
		if s == nil || len(s.Samples) != int(f.BlockSize) {
			return false
		}
	}
	return true
}

// accept takes a decoded frame over and, when it is the last, checks the end.
func (r *Reader) accept(f *frame.Frame) error {
	half := int32(1) << (r.info.BitsPerSample - 1)
	for _, s := range f.Subframes {
		if len(s.Samples) != int(f.BlockSize) {
			return r.fail("flac-bad-frame", transferHint, "is damaged: %d samples in a frame of %d", len(s.Samples), f.BlockSize)
		}
		for _, v := range s.Samples {
			if v < -half || v >= half {
				return r.fail("flac-bad-frame", transferHint, "is damaged: sample value %d does not fit %d bits", v, r.info.BitsPerSample)
			}
		}
	}
	if r.sum != nil {
		r.hash(f)
	}
	r.left[0] = f.Subframes[0].Samples
	r.left[1] = f.Subframes[len(f.Subframes)-1].Samples
	r.decoded += int64(f.BlockSize)
	r.blocks++
	if r.decoded < r.total {
		return nil
	}
	head, err := r.in.peek(maxHeaderBytes)
	if err != nil {
		return r.readError(err)
	}
	if _, more := parseHeader(head); more {
		r.left = [2][]int32{}
		return r.guard.fail("flac-size-lies", exportHint, "promises %d frames of audio but holds more", r.total)
	}
	if r.sum != nil {
		if got := r.sum.Sum(nil); !bytes.Equal(got, r.info.MD5sum[:]) {
			r.left = [2][]int32{}
			return r.guard.fail("flac-md5-mismatch", transferHint, "is damaged: its audio has MD5 %x, its header says %x", got, r.info.MD5sum)
		}
	}
	return nil
}

// hash adds a frame to the MD5 sum: interleaved little-endian samples in whole
// bytes (RFC 9639, 8.2).
func (r *Reader) hash(f *frame.Frame) {
	width, channels := (int(r.info.BitsPerSample)+7)/8, len(f.Subframes)
	need := width * channels * int(f.BlockSize)
	if cap(r.packed) < need {
		r.packed = make([]byte, need)
	}
	p := r.packed[:need]
	for c, s := range f.Subframes {
		k := c * width
		for _, v := range s.Samples {
			p[k], p[k+1] = byte(v), byte(v>>8)
			if width == 3 {
				p[k+2] = byte(v >> 16)
			}
			k += width * channels
		}
	}
	r.sum.Write(p) // a hash never returns an error (hash.Hash)
}

func (r *Reader) readError(err error) error {
	e := r.fail("flac-read", "check the disk or network and try again", "cannot be read").(*audio.FormatError)
	e.Err = err
	return e
}

// checkCRC checks the CRC-16 of the frame at bytes [from, to) of the file.
func (r *Reader) checkCRC(from, to int64) error {
	c, err := r.guard.crc(from, to)
	if err != nil {
		return err
	}
	if c != 0 {
		return r.fail("flac-bad-frame", transferHint, "is damaged: frame checksum mismatch at offset %d", from)
	}
	return nil
}
