package pcm

import (
	"errors"
	"fmt"
	"io"
	"math"

	"discsafe/pipeline/audio"
)

// BufferBytes is the size of one read from the file. Large enough that the
// system call is lost in the noise, small enough to stay in a second-level
// cache for the conversion.
const BufferBytes = 256 << 10

// Spec describes a run of packed interleaved frames inside a file.
type Spec struct {
	Name       string // file as the user gave it, for errors
	Prefix     string // first part of error codes, e.g. "wav"
	Kind       Kind
	Channels   int   // 1 or 2
	SampleRate int   // Hz, for times in errors
	Offset     int64 // first byte of the first frame
	Frames     int64
}

// Stream reads a run of packed frames from an io.ReaderAt in large pieces. It
// allocates once, on the first Read. Use it from one goroutine.
type Stream struct {
	spec   Spec
	src    io.ReaderAt
	decode DecodeFunc
	stride int
	buf    []byte // whole frames
	have   []byte // unread part of buf
	next   int64  // first frame not yet in buf
	pos    int64  // first frame not yet delivered
	err    error  // sticky
}

// NewStream returns a stream at frame 0. It panics when the kind or the number
// of channels is unknown: the container reader must have refused those.
func NewStream(src io.ReaderAt, spec Spec) *Stream {
	decode := spec.Kind.Decoder()
	if decode == nil || spec.Channels < 1 || spec.Channels > 2 {
		panic(fmt.Sprintf("pcm: no stream of kind %d with %d channels", spec.Kind, spec.Channels))
	}
	return &Stream{spec: spec, src: src, decode: decode, stride: spec.Kind.Bytes() * spec.Channels}
}

// Read fills b as audio.Source.Read does: it returns fewer frames than asked
// for only at the end of the programme or with an error, and io.EOF only with
// n == 0. An error repeats until SeekFrame.
func (s *Stream) Read(b audio.Block) (n int, err error) {
	if s.err != nil {
		return 0, s.err
	}
	want := b.Len()
	if s.pos >= s.spec.Frames && want > 0 {
		return 0, io.EOF
	}
	l, r := b.L, b.R[:want]
	for n < want && s.pos < s.spec.Frames {
		if len(s.have) == 0 {
			if s.err = s.fill(); s.err != nil {
				return n, s.err
			}
		}
		m := min(want-n, len(s.have)/s.stride)
		bad := s.decode(l[n:n+m], s.have, s.stride)
		if s.spec.Channels == 2 {
			if badR := s.decode(r[n:n+m], s.have[s.stride/2:], s.stride); badR >= 0 && (bad < 0 || badR < bad) {
				bad = badR
			}
		} else {
			copy(r[n:n+m], l[n:n+m])
		}
		if bad >= 0 {
			s.err = s.badSample(bad)
			return n + bad, s.err
		}
		s.have = s.have[m*s.stride:]
		s.pos += int64(m)
		n += m
	}
	return n, nil
}

// SeekFrame makes frame the next one delivered; frame may equal the number of
// frames. It clears an earlier error.
func (s *Stream) SeekFrame(frame int64) error {
	if frame < 0 || frame > s.spec.Frames {
		return fmt.Errorf("%s: seeking to frame %d: outside 0..%d", s.spec.Name, frame, s.spec.Frames)
	}
	s.err = nil
	s.pos, s.next, s.have = frame, frame, nil
	return nil
}

func (s *Stream) fill() error {
	if s.buf == nil {
		whole := min(int64(BufferBytes/s.stride), max(s.spec.Frames, 1))
		s.buf = make([]byte, whole*int64(s.stride))
	}
	frames := min(int64(len(s.buf)/s.stride), s.spec.Frames-s.next)
	p := s.buf[:frames*int64(s.stride)]
	at := s.spec.Offset + s.next*int64(s.stride)
	got, err := s.src.ReadAt(p, at)
	if got < len(p) {
		if err == nil || errors.Is(err, io.EOF) {
			return &audio.FormatError{
				File: s.spec.Name, Code: s.spec.Prefix + "-truncated", AtS: s.seconds(s.next + int64(got/s.stride)),
				Detail: fmt.Sprintf("the file became shorter while it was read: %d of %d bytes at offset %d", got, len(p), at),
				Hint:   "wait until the copy has finished, then try again",
			}
		}
		return &audio.FormatError{
			File: s.spec.Name, Code: s.spec.Prefix + "-read", AtS: s.seconds(s.next),
			Detail: "cannot be read", Err: err, Hint: "check the disk or network and try again",
		}
	}
	s.next += frames
	s.have = p
	return nil
}

// badSample says what stands in frame pos+i of the buffer, which could not be
// used.
func (s *Stream) badSample(i int) error {
	frame := s.pos + int64(i)
	worst := 0.0
	for c := range s.spec.Channels {
		p := s.have[i*s.stride+c*s.spec.Kind.Bytes():]
		if x := s.float(p); !usable(x) {
			worst = x
			break
		}
	}
	e := &audio.FormatError{File: s.spec.Name, AtS: s.seconds(frame)}
	if math.IsNaN(worst) || math.IsInf(worst, 0) {
		e.Code = s.spec.Prefix + "-nonfinite"
		e.Detail = fmt.Sprintf("sample %d is %v, not a number that can be cut", frame, worst)
		e.Hint = "export the mix again, as 24-bit integers if the fault stays"
	} else {
		e.Code = s.spec.Prefix + "-absurd-level"
		e.Detail = fmt.Sprintf("sample %d is %.3g, more than %d times full scale", frame, worst, int64(MaxMagnitude))
		e.Hint = "the file is damaged or its float samples are not scaled to 1.0: export the mix again"
	}
	return e
}

func (s *Stream) float(p []byte) float64 {
	switch s.spec.Kind {
	case Float32LE:
		return float64(math.Float32frombits(uint32(le(p[:4]))))
	case Float64LE:
		return math.Float64frombits(le(p[:8]))
	case Float32BE:
		return float64(math.Float32frombits(uint32(be(p[:4]))))
	case Float64BE:
		return math.Float64frombits(be(p[:8]))
	}
	return 0
}

func le(p []byte) (u uint64) {
	for i := len(p) - 1; i >= 0; i-- {
		u = u<<8 | uint64(p[i])
	}
	return u
}

func be(p []byte) (u uint64) {
	for _, b := range p {
		u = u<<8 | uint64(b)
	}
	return u
}

func (s *Stream) seconds(frame int64) float64 {
	return float64(frame) / float64(s.spec.SampleRate)
}
