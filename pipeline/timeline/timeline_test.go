package timeline

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// file writes one lane of the given sectors and opens it. One turn has 360
// sectors and lasts 1.8 s.
func file(t testing.TB, scale float64, lo, hi []float64) ([]byte, *File) {
	t.Helper()
	s, err := NewStrip(t.TempDir(), scale)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i := range lo {
		s.Put(lo[i], hi[i])
	}
	limit := 25.0
	head := Head{LengthS: float64(len(lo)) * 0.005, RateHz: 96000, RevolutionS: 1.8, PerTurn: 360, Sectors: len(lo), Tracks: []Track{{1, "Low <Water>", 0, 1}}}
	var b bytes.Buffer
	if err := Write(&b, head, []LaneStrip{{Lane{ID: "width", What: "after", Unit: "um", Limit: &limit, LimitIs: "least"}, s}}); err != nil {
		t.Fatal(err)
	}
	f, err := Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), f
}

// TestNoPeakIsLost: whatever the window and the bins, the extremes of a bin
// enclose those of every sector that touches it, and none stands in it that is
// not within half a bin.
func TestNoPeakIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 3000).Draw(t, "sectors")
		var lo, hi []float64
		single := rapid.Bool().Draw(t, "single")
		s, err := NewStrip("", 0.02)
		short := 0.0 // by how much a greatest value may be low
		if single {
			s, err = NewLine("", 0.02, math.Floor)
			short = 0.02
		}
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		for range n {
			a, d := rapid.Float64Range(-300, 300).Draw(t, "least"), rapid.Float64Range(0, 50).Draw(t, "range")
			if rapid.IntRange(0, 9).Draw(t, "none") == 0 {
				a = math.NaN()
			}
			if single {
				d = 0
				s.One(a)
			} else {
				s.Put(a, a+d)
			}
			lo, hi = append(lo, a), append(hi, a+d)
		}
		var b bytes.Buffer
		head := Head{LengthS: float64(n) * 0.005, RateHz: 96000, RevolutionS: 1.8, PerTurn: 360, Sectors: n}
		if err := Write(&b, head, []LaneStrip{{Lane{ID: "width"}, s}}); err != nil {
			t.Fatal(err)
		}
		f, err := Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		from := rapid.Float64Range(0, head.LengthS*0.99).Draw(t, "from")
		to := rapid.Float64Range(from+1e-3*head.LengthS, 1.2*head.LengthS).Draw(t, "to")
		bins := rapid.IntRange(1, 40).Draw(t, "bins")
		w, err := f.Window(from, to, bins)
		if err != nil {
			t.Fatal(err)
		}
		c := w.Lanes[0]
		const slack = 1e-5 // of a sector: a border on a sector's edge belongs to one side
		for k := range bins {
			begin, end := (w.FromS+float64(k)*w.BinS)/0.005, (w.FromS+float64(k+1)*w.BinS)/0.005
			near := math.Max((end-begin)/2, 1) // half a bin, a sector at least
			least, most, any, wide := math.Inf(1), math.Inf(-1), false, [2]float64{math.Inf(1), math.Inf(-1)}
			for i := range lo {
				if math.IsNaN(lo[i]) || float64(i+1) <= begin-near || float64(i) >= end+near {
					continue
				}
				wide[0], wide[1] = math.Min(wide[0], lo[i]), math.Max(wide[1], hi[i])
				if float64(i+1) > begin+slack && float64(i) < end-slack {
					any, least, most = true, math.Min(least, lo[i]), math.Max(most, hi[i])
				}
			}
			if any && !(c.Min[k] <= least+1e-9 && c.Max[k] >= most-short-1e-9) {
				t.Fatalf("bin %d, sectors %.3f to %.3f: %g to %g, its sectors go from %g to %g", k, begin, end, c.Min[k], c.Max[k], least, most)
			}
			if !math.IsNaN(c.Min[k]) && (c.Min[k] < wide[0]-0.021 || c.Max[k] > wide[1]+0.021) {
				t.Fatalf("bin %d: %g to %g, nothing near goes beyond %g to %g", k, c.Min[k], c.Max[k], wide[0], wide[1])
			}
		}
	})
}

func TestValuesAreKeptInSteps(t *testing.T) {
	lo := []float64{25.013, math.NaN(), -25.013, 1e9, 0}
	hi := []float64{25.013, math.NaN(), -25.013, 1e9, 0.001}
	_, f := file(t, 0.02, lo, hi)
	w, err := f.Window(0, 1, 5)
	if err != nil {
		t.Fatal(err)
	}
	got := fmt.Sprintf("%.3f %.3f", w.Lanes[0].Min, w.Lanes[0].Max)
	if want := "[25.000 NaN -25.020 655.340 0.000] [25.020 NaN -25.000 655.340 0.020]"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if d := cmp.Diff(f.Tracks, []Track{{1, "Low <Water>", 0, 1}}); d != "" {
		t.Error(d)
	}
}

// TestLinesAreRoundedTheirWay: a least value down, a greatest up, others to the
// nearest; one that is a whole number of steps stays.
func TestLinesAreRoundedTheirWay(t *testing.T) {
	var lanes []LaneStrip
	for _, round := range []func(float64) float64{math.Floor, math.Ceil, math.Round} {
		s, err := NewLine(t.TempDir(), 0.1, round)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		for _, v := range []float64{0.3, 2.51, -2.51, math.NaN(), math.Inf(1)} { // 0.3/0.1 is below 3
			s.One(v)
		}
		lanes = append(lanes, LaneStrip{Strip: s})
	}
	var b bytes.Buffer
	if err := Write(&b, Head{LengthS: 5 * 0.005, RateHz: 96000, RevolutionS: 1.8, PerTurn: 360, Sectors: 5}, lanes); err != nil {
		t.Fatal(err)
	}
	f, err := Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	w, err := f.Window(0, 1, 5)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"[0.3 2.5 -2.6 NaN 3276.7]", "[0.3 2.6 -2.5 NaN 3276.7]", "[0.3 2.5 -2.5 NaN 3276.7]"} {
		if lo, hi := fmt.Sprintf("%.1f", w.Lanes[i].Min), fmt.Sprintf("%.1f", w.Lanes[i].Max); lo != want || hi != want {
			t.Errorf("lane %d: %s and %s, want %s", i, lo, hi, want)
		}
	}
}

func TestRanges(t *testing.T) {
	_, f := file(t, 1, []float64{1, 2}, []float64{1, 2})
	for _, c := range []struct {
		from, to float64
		bins     int
	}{{0.01, 0.02, 1}, {5, 6, 1}, {1, 0, 1}, {0, 1, 0}, {math.NaN(), 1, 1}, {0, math.NaN(), 1}} {
		var e *RangeError
		if _, err := f.Window(c.from, c.to, c.bins); !errors.As(err, &e) {
			t.Errorf("%+v: %v, want a range error", c, err)
		}
	}
}

func TestBrokenFiles(t *testing.T) {
	good, _ := file(t, 1, []float64{1, 2, 3}, []float64{1, 2, 3})
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"empty":   {nil, "too short"},
		"other":   {append([]byte("RIFF"), good[4:]...), "does not begin as one"},
		"cut":     {good[:len(good)-1], "its head says"},
		"longer":  {append(bytes.Clone(good), 0), "its head says"},
		"schema":  {bytes.Replace(good, []byte("timeline/1"), []byte("timeline/9"), 1), "is not discsafe-timeline/1"},
		"sectors": {bytes.Replace(good, []byte(`"sectors":3`), []byte(`"sectors":0`), 1), "makes no sense"},
		"scale":   {bytes.Replace(good, []byte(`"scale":1`), []byte(`"scale":0`), 1), "no scale"},
		"field":   {bytes.Replace(good, []byte(`"scale"`), []byte(`"skale"`), 1), "cannot be read"},
		"head":    {append(append(bytes.Clone(good[:8]), 255, 255, 255, 255), good[12:]...), "does not fit"},
	} {
		_, err := Open(bytes.NewReader(c.data), int64(len(c.data)))
		var e *FormatError
		if !errors.As(err, &e) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// counting counts the bytes that are read.
type counting struct {
	io.ReaderAt
	n int
}

func (c *counting) ReadAt(p []byte, off int64) (int, error) {
	c.n += len(p)
	return c.ReaderAt.ReadAt(p, off)
}

// TestAWindowReadsWhatItsBinsNeed: never more than some 32 bytes for each bin,
// from two sectors to a side of 25 minutes. One sector holds a peak; it is in
// every window over it.
func TestAWindowReadsWhatItsBinsNeed(t *testing.T) {
	const n, peak, bins = 300_000, 123_457, 1024
	s, err := NewStrip(t.TempDir(), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.FillTo(peak, 1)
	s.Put(-9, 9)
	s.FillTo(n, 1)
	var b bytes.Buffer
	if err := Write(&b, Head{LengthS: n * 0.005, RateHz: 96000, RevolutionS: 1.8, PerTurn: 360, Sectors: n}, []LaneStrip{{Lane{ID: "width"}, s}}); err != nil {
		t.Fatal(err)
	}
	c := &counting{ReaderAt: bytes.NewReader(b.Bytes())}
	f, err := Open(c, int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for sectors := 2.0; sectors < 2*n; sectors *= 1.37 {
		mid := (peak + 0.5) * 0.005
		c.n = 0
		w, err := f.Window(mid-sectors*0.0025, mid+sectors*0.0025, bins)
		if err != nil {
			t.Fatal(err)
		}
		if c.n > 32*bins+64 { // 8 pairs a bin, and those that its ends cut
			t.Errorf("%.0f sectors: %d bytes read for %d bins", sectors, c.n, bins)
		}
		if lo, hi := slices.Min(w.Lanes[0].Min), slices.Max(w.Lanes[0].Max); lo != -9 || hi != 9 {
			t.Errorf("%.0f sectors: from %g to %g, want the peak", sectors, lo, hi)
		}
	}
}

func TestAt(t *testing.T) {
	dir := t.TempDir()
	var lanes []LaneStrip
	for _, id := range []string{"depth", "pitch", "depth", "radius"} {
		s, err := NewLine(dir, 0.02, math.Round)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		for i := range 3 {
			s.One(float64(10*len(lanes) + i))
		}
		lanes = append(lanes, LaneStrip{Lane{ID: id, What: "plan"}, s})
	}
	lanes[0].What = "after"
	head := Head{LengthS: 0.014, RateHz: 96000, RevolutionS: 1.8, PerTurn: 360, Sectors: 3}
	open := func(lanes []LaneStrip) *File {
		var b bytes.Buffer
		if err := Write(&b, head, lanes); err != nil {
			t.Fatal(err)
		}
		f, err := Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	f := open(lanes)
	for _, c := range []struct{ at, sector float64 }{{0, 0}, {0.0049, 0}, {0.0051, 1}, {0.0139, 2}} {
		m, err := f.At(c.at)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(m, Moment{TurnS: 1.8, PitchUM: 10 + c.sector, DepthUM: 20 + c.sector, RadiusMM: 30 + c.sector}); d != "" {
			t.Errorf("at %g s:\n%s", c.at, d)
		}
	}
	for _, at := range []float64{-1e-9, 0.014, math.NaN(), math.Inf(1)} {
		var e *RangeError
		if _, err := f.At(at); !errors.As(err, &e) {
			t.Errorf("at %g s: %v, want a range error", at, err)
		}
	}
	if m, err := open(lanes[:2]).At(0); err != nil || !math.IsNaN(m.DepthUM) || !math.IsNaN(m.RadiusMM) || m.PitchUM != 10 {
		t.Errorf("without lanes of depth and radius: %+v, %v", m, err)
	}
}

// TestNothingIsLeftBehind: the files of the levels are gone when the time line is
// written, the strips' when they are closed.
func TestNothingIsLeftBehind(t *testing.T) {
	dir := t.TempDir()
	s, err := NewStrip(dir, 1)
	if err != nil {
		t.Fatal(err)
	}
	s.FillTo(1000, 3)
	if err := Write(io.Discard, Head{Sectors: 1000}, []LaneStrip{{Strip: s}}); err != nil {
		t.Fatal(err)
	}
	left := func() int {
		e, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		return len(e)
	}
	if n := left(); n != 1 {
		t.Errorf("%d files beside one strip", n)
	}
	if err := s.Close(); err != nil || left() != 0 {
		t.Errorf("%d files after closing, %v", left(), err)
	}
}

func TestPuttingDoesNotAllocate(t *testing.T) {
	s, err := NewStrip(t.TempDir(), 0.02)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if n := testing.AllocsPerRun(10000, func() { s.Put(-1, 1) }); n > 0 {
		t.Errorf("%g allocations a sector", n)
	}
}

func TestStripsMustFit(t *testing.T) {
	s, err := NewStrip(t.TempDir(), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.FillTo(3, 0)
	if err := Write(&bytes.Buffer{}, Head{Sectors: 4}, []LaneStrip{{Strip: s}}); err == nil {
		t.Error("a strip of 3 sectors went into a side of 4")
	}
}

// withPair is a time line of three sectors whose second pair is what no strip
// writes.
func withPair(t testing.TB, lo, hi int16) []byte {
	b, f := file(t, 1, []float64{1, 2, 3}, []float64{1, 2, 3})
	at := f.begin[0] + pairBytes
	binary.LittleEndian.PutUint16(b[at:], uint16(lo))
	binary.LittleEndian.PutUint16(b[at+2:], uint16(hi))
	return b
}

func TestPairsThatCannotBeAreFaults(t *testing.T) {
	for _, p := range [][2]int16{{2, -32766}, {3, 2}, {none, 7}, {7, none}} {
		b := withPair(t, p[0], p[1])
		f, err := Open(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		_, err = f.Window(0, f.LengthS, 3)
		if fault, is := errors.AsType[*FormatError](err); !is || !strings.Contains(fault.Detail, fmt.Sprintf("from %d to %d steps", p[0], p[1])) {
			t.Errorf("%d to %d: %v", p[0], p[1], err)
		}
		f.Lanes[0].ID, f.Lanes[0].What = "depth", "plan"
		if _, err := f.At(0.007); err == nil {
			t.Errorf("%d to %d passes as the plan of a moment", p[0], p[1])
		}
	}
	b := withPair(t, none, none)
	f, err := Open(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	if w, err := f.Window(0, f.LengthS, 3); err != nil || !math.IsNaN(w.Lanes[0].Min[1]) {
		t.Errorf("no value: %+v, %v", w, err)
	}
}

// TestAScaleMustHoldItsSteps: every value a lane can hold is finite.
func TestAScaleMustHoldItsSteps(t *testing.T) {
	good, _ := file(t, 1, []float64{1}, []float64{1})
	b := bytes.Replace(good, []byte(`"scale":1`), []byte(`"scale":1e307`), 1)
	binary.LittleEndian.PutUint32(b[len(magic):], binary.LittleEndian.Uint32(b[len(magic):])+4)
	if _, err := Open(bytes.NewReader(b), int64(len(b))); err == nil || !strings.Contains(err.Error(), "has no scale") {
		t.Errorf("a scale whose greatest value is infinite: %v", err)
	}
}

func FuzzOpen(f *testing.F) {
	good, _ := file(f, 1, []float64{1, 2, 3}, []float64{1, 2, 3})
	f.Add(good)
	f.Add(withPair(f, 2, -32766))
	f.Add(withPair(f, none, 7))
	f.Add(good[:20])
	f.Add(bytes.Replace(good, []byte(`"scale":1`), []byte(`"single":true,"scale":1`), 1))
	f.Fuzz(func(t *testing.T, data []byte) {
		x, err := Open(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		if w, err := x.Window(0, x.LengthS, 7); err == nil {
			for _, c := range w.Lanes {
				for i := range c.Min {
					if c.Min[i] > c.Max[i] {
						t.Fatalf("bin %d goes from %g to %g", i, c.Min[i], c.Max[i])
					}
				}
			}
		}
	})
}
