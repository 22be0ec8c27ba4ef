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

// Len is the number of sectors so far.
func (s *Strip) Len() int { return s.n }

// Put adds a sector. NaN means that there is no value. An error is kept and
// returned by Write.
func (s *Strip) Put(least, greatest float64) {
	lo, hi := int16(none), int16(none)
	if !math.IsNaN(least) && !math.IsNaN(greatest) {
		lo, hi = clip(math.Floor(least/s.scale+1e-9)), clip(math.Ceil(greatest/s.scale-1e-9))
	}
	binary.LittleEndian.PutUint16(s.pair[:], uint16(lo))
	binary.LittleEndian.PutUint16(s.pair[2:], uint16(hi))
	if _, err := s.w.Write(s.pair[:]); err != nil && s.err == nil {
		s.err = fmt.Errorf("writing a strip of the time line: %w; free space in the temporary folder", err)
	}
	s.n++
}

// FillTo adds sectors of one value until there are n.
func (s *Strip) FillTo(n int, value float64) {
	for s.n < n {
		s.Put(value, value)
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

// copyTo writes the strip's sectors to w and hands every pair to see.
func (s *Strip) copyTo(w io.Writer, see func(lo, hi int16)) error {
	if s.err != nil {
		return s.err
	}
	if err := s.w.Flush(); err != nil {
		return fmt.Errorf("writing a strip of the time line: %w; free space in the temporary folder", err)
	}
	buf := make([]byte, 16<<10)
	for at := int64(0); at < int64(s.n)*4; {
		k, err := s.file.ReadAt(buf[:min(int64(len(buf)), int64(s.n)*4-at)], at)
		if k == 0 || err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("reading a strip of the time line: %w", errors.Join(err, io.ErrUnexpectedEOF))
		}
		for i := 0; i+4 <= k; i += 4 {
			see(int16(binary.LittleEndian.Uint16(buf[i:])), int16(binary.LittleEndian.Uint16(buf[i+2:])))
		}
		if _, err := w.Write(buf[:k]); err != nil {
			return err
		}
		at += int64(k)
	}
	return nil
}
