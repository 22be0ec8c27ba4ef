package timeline

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
)

// none stands for a value that does not exist.
const none = math.MinInt16

// Strip is one curve on its way into the file. It lies in a temporary file, so
// that memory does not grow with the side. Used by one goroutine.
type Strip struct {
	scale float64
	round func(float64) float64 // of a line; nil: pairs
	file  *os.File
	w     *bufio.Writer
	n     int
	err   error
	pair  [4]byte
}

// NewStrip makes a strip in dir (the system's folder for such files when empty)
// whose values are kept in steps of scale. Close removes it.
func NewStrip(dir string, scale float64) (*Strip, error) {
	f, err := os.CreateTemp(dir, ".discsafe-strip-*")
	if err != nil {
		return nil, fmt.Errorf("creating a strip of the time line: %w", err)
	}
	return &Strip{scale: scale, file: f, w: bufio.NewWriterSize(f, 16<<10)}, nil
}

// NewLine makes a strip of one value for each sector, which takes half the room.
// round turns a number of steps into a whole one: math.Floor where least values
// matter, math.Ceil for greatest, else math.Round.
func NewLine(dir string, scale float64, round func(float64) float64) (*Strip, error) {
	s, err := NewStrip(dir, scale)
	if err != nil {
		return nil, err
	}
	s.round = round
	return s, nil
}

// Len is the number of sectors so far.
func (s *Strip) Len() int { return s.n }

// Put adds a sector to a strip of pairs. NaN means that there is no value. An
// error is kept and returned by Write.
func (s *Strip) Put(least, greatest float64) {
	if math.IsNaN(least) || math.IsNaN(greatest) {
		s.put(none, none)
		return
	}
	s.put(clip(math.Floor(least/s.scale+hair)), clip(math.Ceil(greatest/s.scale-hair)))
}

// One adds a sector of one value to a strip of either kind, otherwise as Put.
func (s *Strip) One(v float64) {
	switch {
	case s.round == nil:
		s.Put(v, v)
	case math.IsNaN(v):
		s.put(none, none)
	default:
		k := v / s.scale
		if near := math.Round(k); math.Abs(k-near) < hair {
			k = near
		}
		q := clip(s.round(k))
		s.put(q, q)
	}
}

// hair is what a whole number of steps may be off by arithmetic.
const hair = 1e-9

func (s *Strip) put(lo, hi int16) {
	binary.LittleEndian.PutUint16(s.pair[:], uint16(lo))
	binary.LittleEndian.PutUint16(s.pair[2:], uint16(hi))
	if _, err := s.w.Write(s.pair[:s.bytes()]); err != nil && s.err == nil {
		s.err = fmt.Errorf("writing a strip of the time line: %w; free space in the temporary folder", err)
	}
	s.n++
}

// bytes is what a sector takes.
func (s *Strip) bytes() int {
	if s.round != nil {
		return lineBytes
	}
	return pairBytes
}

// FillTo adds sectors of one value until there are n.
func (s *Strip) FillTo(n int, value float64) {
	for s.n < n {
		s.One(value)
	}
}

func clip(v float64) int16 {
	return int16(math.Min(math.Max(v, none+1), math.MaxInt16))
}

// Close removes the strip's file. A nil strip is closed.
func (s *Strip) Close() error {
	if s == nil || s.file == nil {
		return nil
	}
	name := s.file.Name()
	err := errors.Join(s.file.Close(), os.Remove(name))
	s.file = nil
	return err
}

// copyTo writes the strip to w and hands least and greatest of every sector to
// see, unless that is nil.
func (s *Strip) copyTo(w io.Writer, see func(lo, hi int16)) error {
	if s.err != nil {
		return s.err
	}
	if err := s.w.Flush(); err != nil {
		return fmt.Errorf("writing a strip of the time line: %w; free space in the temporary folder", err)
	}
	buf, step := make([]byte, 16<<10), s.bytes()
	size := int64(s.n) * int64(step)
	for at := int64(0); at < size; {
		k, err := s.file.ReadAt(buf[:min(int64(len(buf)), size-at)], at)
		if k == 0 || k%step > 0 || err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("reading a strip of the time line: %w", errors.Join(err, io.ErrUnexpectedEOF))
		}
		for i := 0; see != nil && i < k; i += step {
			see(pairOf(buf[i : i+step]))
		}
		if _, err := w.Write(buf[:k]); err != nil {
			return err
		}
		at += int64(k)
	}
	return nil
}

// pairOf reads a pair, or a single value as both.
func pairOf(b []byte) (lo, hi int16) {
	return int16(binary.LittleEndian.Uint16(b)), int16(binary.LittleEndian.Uint16(b[len(b)-2:]))
}
