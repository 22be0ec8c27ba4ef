package groove

import (
	"errors"
	"fmt"
	"io"
	"os"
	"unsafe"
)

// motionChunk is how many sectors are held in memory at a time.
const motionChunk = 4096

const motionBytes = int(unsafe.Sizeof(Motion{}))

// MotionLog keeps the motion of every sector of a side in a temporary file, so
// that memory does not grow with the side's length. Append first, then Scan as
// often as needed. It is used by one goroutine.
type MotionLog struct {
	file *os.File
	tail []Motion // appended, not yet in the file
	n    int
	buf  []Motion
	err  error
}

// NewMotionLog creates the temporary file in dir (the system's folder for such
// files when empty). Close removes it.
func NewMotionLog(dir string) (*MotionLog, error) {
	f, err := os.CreateTemp(dir, ".discsafe-motion-*")
	if err != nil {
		return nil, fmt.Errorf("creating motion log: %w", err)
	}
	return &MotionLog{file: f, tail: make([]Motion, 0, motionChunk), buf: make([]Motion, motionChunk)}, nil
}

// Append adds one sector. A write error is kept and returned by Scan.
func (l *MotionLog) Append(m Motion) {
	l.tail = append(l.tail, m)
	l.n++
	if len(l.tail) == motionChunk {
		if _, err := l.file.Write(bytesOf(l.tail)); err != nil && l.err == nil {
			l.err = fmt.Errorf("writing motion log: %w; free space in the temporary folder", err)
		}
		l.tail = l.tail[:0]
	}
}

// Len is the number of sectors.
func (l *MotionLog) Len() int { return l.n }

// Scan calls f for runs of sectors in order; first is the number of the run's
// first sector. f must not keep the slice.
func (l *MotionLog) Scan(f func(first int, run []Motion)) error {
	if l.err != nil {
		return l.err
	}
	stored := l.n - len(l.tail)
	for at := 0; at < stored; at += motionChunk {
		if _, err := l.file.ReadAt(bytesOf(l.buf), int64(at)*int64(motionBytes)); err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("reading motion log: %w", err)
		}
		f(at, l.buf)
	}
	if len(l.tail) > 0 {
		f(stored, l.tail)
	}
	return nil
}

// TrebleOf is displacement of m with what full, measured in front of filters of
// the lows, has of velocity and acceleration: those filters leave them as they are.
func TrebleOf(full, m *Motion) Motion {
	out := *m
	out.WallVelocity, out.WallAccel, out.AccelLow, out.AccelLowDeep, out.SpeedLow = full.WallVelocity, full.WallAccel, full.AccelLow, full.AccelLowDeep, full.SpeedLow
	out.LateralSpeed, out.VerticalSpeed, out.AccelSqL, out.AccelSqR = full.LateralSpeed, full.VerticalSpeed, full.AccelSqL, full.AccelSqR
	return out
}

// Join makes a log in dir of f(x, y) for every sector of two logs of equal
// length.
func Join(dir string, a, b *MotionLog, f func(x, y *Motion) Motion) (*MotionLog, error) {
	if a.n != b.n {
		return nil, fmt.Errorf("joining motion logs: %d and %d sectors", a.n, b.n)
	}
	out, err := NewMotionLog(dir)
	if err != nil {
		return nil, err
	}
	other := make([]Motion, motionChunk)
	var inner error
	err = a.Scan(func(first int, run []Motion) {
		y := other[:len(run)]
		if inner = errors.Join(inner, b.read(first, y)); inner != nil {
			return
		}
		for i := range run {
			out.Append(f(&run[i], &y[i]))
		}
	})
	if err := errors.Join(err, inner); err != nil {
		return nil, errors.Join(err, out.Close())
	}
	return out, nil
}

// read fills run with the sectors from first on.
func (l *MotionLog) read(first int, run []Motion) error {
	if stored := l.n - len(l.tail); first >= stored {
		copy(run, l.tail[first-stored:])
		return nil
	}
	if _, err := l.file.ReadAt(bytesOf(run), int64(first)*int64(motionBytes)); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("reading motion log: %w", err)
	}
	return nil
}

// Close removes the temporary file.
func (l *MotionLog) Close() error {
	if l == nil || l.file == nil {
		return nil
	}
	name := l.file.Name()
	err := errors.Join(l.file.Close(), os.Remove(name))
	l.file = nil
	return err
}

// bytesOf views sectors as bytes; the file is read back by the same process
// only, so byte order and layout do not matter.
func bytesOf(m []Motion) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(m))), len(m)*motionBytes)
}
