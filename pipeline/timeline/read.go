package timeline

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
)

// Bounds of what is believed of a head.
const (
	maxHead    = 1 << 20
	maxLanes   = 64
	maxSectors = 1 << 26 // 4 days at 33 1/3
)

// FormatError is a file that is no time line, or a broken one.
type FormatError struct{ Detail string }

func (e *FormatError) Error() string {
	return "time line: " + e.Detail + "; prepare the side again"
}

// File is a time line to read from. Safe for concurrent use if its ReaderAt is.
type File struct {
	Head
	r     io.ReaderAt
	data  int64 // where lanes begin
	sizes []int
}

// Open reads the head of a time line of size bytes. Errors: *FormatError, those
// of r.
func Open(r io.ReaderAt, size int64) (*File, error) {
	var front [len(magic) + 4]byte
	if size < int64(len(front)) {
		return nil, &FormatError{"too short"}
	}
	if _, err := r.ReadAt(front[:], 0); err != nil {
		return nil, fmt.Errorf("reading the time line: %w", err)
	}
	if string(front[:len(magic)]) != magic {
		return nil, &FormatError{"it does not begin as one"}
	}
	n := int64(binary.LittleEndian.Uint32(front[len(magic):]))
	if n > maxHead || n > size-int64(len(front)) {
		return nil, &FormatError{"its head does not fit"}
	}
	text := make([]byte, n)
	if _, err := r.ReadAt(text, int64(len(front))); err != nil {
		return nil, fmt.Errorf("reading the time line: %w", err)
	}
	f := &File{r: r, data: (int64(len(front)) + n + 7) / 8 * 8}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f.Head); err != nil {
		return nil, &FormatError{"its head cannot be read: " + err.Error()}
	}
	if err := f.check(); err != nil {
		return nil, err
	}
	f.sizes = levels(f.Sectors)
	if want := f.data + int64(len(f.Lanes))*f.laneBytes(); size != want {
		return nil, &FormatError{fmt.Sprintf("it has %d bytes, its head says %d", size, want)}
	}
	return f, nil
}

func (f *File) check() error {
	positive := func(v float64) bool { return v > 0 && !math.IsInf(v, 0) }
	switch {
	case f.Schema != Schema:
		return &FormatError{fmt.Sprintf("layout %q is not %s", f.Schema, Schema)}
	case f.Sectors < 1 || f.Sectors > maxSectors, f.PerTurn < 1 || f.PerTurn > 1<<16, !positive(f.LengthS), !positive(f.RevolutionS),
		f.LengthS > f.sectorS()*float64(f.Sectors+1), len(f.Lanes) > maxLanes:
		return &FormatError{"its head makes no sense"}
	}
	for _, l := range f.Lanes {
		if !positive(l.Scale) {
			return &FormatError{fmt.Sprintf("lane %s %s has no scale", l.What, l.ID)}
		}
	}
	return nil
}

func (f *File) sectorS() float64 { return f.RevolutionS / float64(f.PerTurn) }

func (f *File) laneBytes() int64 {
	n := int64(0)
	for _, k := range f.sizes {
		n += 4 * int64(k)
	}
	return n
}

// Window is a stretch of a side in bins of equal length.
type Window struct {
	FromS, ToS, BinS float64
	Lanes            []Curve // in the order of Head.Lanes
}

// Curve holds the least and greatest value in each bin, NaN where there is none.
type Curve struct{ Min, Max []float64 }

// RangeError is a stretch of which nothing lies on the side.
type RangeError struct{ FromS, ToS, LengthS float64 }

func (e *RangeError) Error() string {
	return fmt.Sprintf("from %g to %g s is no stretch of a side of %.3f s", e.FromS, e.ToS, e.LengthS)
}

// Window reads the lanes from fromS to toS, cut to the side, in bins bins. Every
// sector that touches a bin counts in it, and those beside it that share a pair
// of the level that was read: less than half a bin on either side. So no peak
// is ever lost. It reads at most some 32 bytes for each bin of a lane. Errors:
// *RangeError, those of the reader.
func (f *File) Window(fromS, toS float64, bins int) (*Window, error) {
	from, to := math.Max(fromS, 0), math.Min(toS, f.LengthS)
	if !(from < to) || bins < 1 {
		return nil, &RangeError{fromS, toS, f.LengthS}
	}
	w := &Window{FromS: from, ToS: to, BinS: (to - from) / float64(bins), Lanes: make([]Curve, len(f.Lanes))}
	perBin := w.BinS / f.sectorS()
	level, step := 0, 1
	for level+1 < len(f.sizes) && float64(2*step*perLevel) <= perBin {
		level++
		step *= perLevel
	}
	pairS := f.sectorS() * float64(step)
	last := f.sizes[level] - 1
	// A hair of slack: a border that falls on a sector's edge belongs to one side.
	at := func(s float64, up bool) int {
		if up {
			return min(max(int(math.Ceil(s/pairS-1e-6))-1, 0), last)
		}
		return min(max(int(math.Floor(s/pairS+1e-6)), 0), last)
	}
	p0, p1 := at(from, false), at(to, true)
	raw := make([]byte, 4*(p1-p0+1))
	offset := f.data
	for _, k := range f.sizes[:level] {
		offset += 4 * int64(k)
	}
	for i := range f.Lanes {
		if _, err := f.r.ReadAt(raw, offset+int64(i)*f.laneBytes()+4*int64(p0)); err != nil {
			return nil, fmt.Errorf("reading the time line: %w", err)
		}
		c := Curve{Min: make([]float64, bins), Max: make([]float64, bins)}
		for b := range bins {
			a := at(from+float64(b)*w.BinS, false)
			z := max(at(from+float64(b+1)*w.BinS, true), a)
			c.Min[b], c.Max[b] = extremes(raw[4*(a-p0):4*(min(z, p1)-p0+1)], f.Lanes[i].Scale)
		}
		w.Lanes[i] = c
	}
	return w, nil
}

func extremes(raw []byte, scale float64) (lo, hi float64) {
	least, most := int16(math.MaxInt16), int16(none)
	for i := 0; i < len(raw); i += 4 {
		a, b := int16(binary.LittleEndian.Uint16(raw[i:])), int16(binary.LittleEndian.Uint16(raw[i+2:]))
		if a == none {
			continue
		}
		least, most = min(least, a), max(most, b)
	}
	if most == none {
		return math.NaN(), math.NaN()
	}
	return float64(least) * scale, float64(most) * scale
}
