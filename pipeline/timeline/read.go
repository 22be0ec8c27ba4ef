package timeline

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
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
	sizes []int   // entries in each level
	begin []int64 // where each lane begins
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
	f := &File{r: r}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f.Head); err != nil {
		return nil, &FormatError{"its head cannot be read: " + err.Error()}
	}
	if err := f.check(); err != nil {
		return nil, err
	}
	f.sizes = levels(f.Sectors)
	end := (int64(len(front)) + n + 7) / 8 * 8
	for _, l := range f.Lanes {
		f.begin = append(f.begin, end)
		for level, k := range f.sizes {
			end += int64(k) * l.entry(level)
		}
	}
	if size != end {
		return nil, &FormatError{fmt.Sprintf("it has %d bytes, its head says %d", size, end)}
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
		if !positive(l.Scale * -none) {
			return &FormatError{fmt.Sprintf("lane %s %s has no scale", l.What, l.ID)}
		}
	}
	return nil
}

func (f *File) sectorS() float64 { return f.RevolutionS / float64(f.PerTurn) }

// entry is the size of an entry in a level of the lane.
func (l *Lane) entry(level int) int64 {
	if l.Single && level == 0 {
		return lineBytes
	}
	return pairBytes
}

// read fills raw, of whole entries, with the entries of a lane's level from
// first on.
func (f *File) read(raw []byte, lane, level, first int) error {
	at := f.begin[lane]
	for k, n := range f.sizes[:level] {
		at += int64(n) * f.Lanes[lane].entry(k)
	}
	if _, err := f.r.ReadAt(raw, at+int64(first)*f.Lanes[lane].entry(level)); err != nil {
		return fmt.Errorf("reading the time line: %w", err)
	}
	return nil
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
// *RangeError, *FormatError, those of the reader.
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
	all := make([]byte, pairBytes*(p1-p0+1))
	for i := range f.Lanes {
		entry := int(f.Lanes[i].entry(level))
		raw := all[:entry*(p1-p0+1)]
		if err := f.read(raw, i, level, p0); err != nil {
			return nil, err
		}
		c := Curve{Min: make([]float64, bins), Max: make([]float64, bins)}
		var err error
		for b := range bins {
			a := at(from+float64(b)*w.BinS, false)
			z := max(at(from+float64(b+1)*w.BinS, true), a)
			c.Min[b], c.Max[b], err = f.Lanes[i].extremes(raw[entry*(a-p0):entry*(min(z, p1)-p0+1)], entry)
			if err != nil {
				return nil, err
			}
		}
		w.Lanes[i] = c
	}
	return w, nil
}

// Moment is what the plan says at one moment of the side, NaN where the file has
// no such lane.
type Moment struct {
	TurnS    float64 // time of one revolution
	RadiusMM float64
	PitchUM  float64 // per revolution
	DepthUM  float64 // of the groove at rest
}

// At reads the plan in the sector at tS, to the steps of its lanes. Errors:
// *RangeError, *FormatError, those of the reader.
func (f *File) At(tS float64) (Moment, error) {
	m := Moment{TurnS: f.RevolutionS, RadiusMM: math.NaN(), PitchUM: math.NaN(), DepthUM: math.NaN()}
	if !(tS >= 0 && tS < f.LengthS) {
		return m, &RangeError{tS, tS, f.LengthS}
	}
	sector := min(int(tS/f.sectorS()), f.Sectors-1)
	for _, x := range []struct {
		id string
		to *float64
	}{{"radius", &m.RadiusMM}, {"pitch", &m.PitchUM}, {"depth", &m.DepthUM}} {
		i := slices.IndexFunc(f.Lanes, func(l Lane) bool { return l.ID == x.id && l.What == "plan" })
		if i < 0 {
			continue
		}
		entry := int(f.Lanes[i].entry(0))
		var raw [pairBytes]byte
		if err := f.read(raw[:entry], i, 0, sector); err != nil {
			return m, err
		}
		lo, hi, err := f.Lanes[i].extremes(raw[:entry], entry)
		if err != nil {
			return m, err
		}
		*x.to = (lo + hi) / 2
	}
	return m, nil
}

// extremes are the least and the greatest value in raw, of entries of so many
// bytes; NaN where there is none. A pair that is upside down, or half a value, is
// a *FormatError.
func (l *Lane) extremes(raw []byte, entry int) (lo, hi float64, err error) {
	least, most := int16(math.MaxInt16), int16(none)
	for i := 0; i < len(raw); i += entry {
		a, b := pairOf(raw[i : i+entry])
		if a > b || a == none && b != none {
			return 0, 0, &FormatError{fmt.Sprintf("lane %s %s goes from %d to %d steps", l.What, l.ID, a, b)}
		}
		if a == none {
			continue
		}
		least, most = min(least, a), max(most, b)
	}
	if most == none {
		return math.NaN(), math.NaN(), nil
	}
	return float64(least) * l.Scale, float64(most) * l.Scale, nil
}
