package tones_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/tones"

	"pgregory.net/rapid"
)

func lookup(t testing.TB, id string) groove.Disc {
	t.Helper()
	d, err := groove.LookupDisc(id)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func plan(t testing.TB, id string) *tones.Sheet {
	t.Helper()
	s, err := tones.Plan(lookup(t, id), groove.DefaultRoom())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func part(t testing.TB, s *tones.Sheet, id string) tones.Part {
	t.Helper()
	for _, p := range s.Parts {
		if p.ID == id {
			return p
		}
	}
	t.Fatalf("no part %s", id)
	return tones.Part{}
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if math.Abs(got-want) > relative*math.Abs(want) {
		t.Errorf("%s: got %g, want %g", what, got, want)
	}
}

// Closed forms: sine A = v/(2 pi f) through the recording characteristic
// (IEC 60098) at 5 cm/s lateral peak, as recomputed from the constants: 100 Hz
// at 0 dB is 17.64 um, 10 kHz 24.31 cm/s and 15271 m/s2 along the radius.
// Tolerance 0.1 %: the table has four figures.
func TestFiguresAgainstClosedForms(t *testing.T) {
	s := plan(t, "12in-33")
	r := part(t, s, "R")
	near(t, "reference velocity, cm/s", r.VelocityCMS, 5, 1e-9)
	near(t, "reference amplitude, um", r.LateralUM, 7.958, 1e-3)
	near(t, "100 Hz lateral at 0 dB, um", part(t, s, "L3").LateralUM, 17.64, 1e-3)
	near(t, "100 Hz lateral at -12 dB, um", part(t, s, "L1").LateralUM, 17.64*math.Pow(10, -12./20), 1e-3)
	v := part(t, s, "V3")
	z := 17.64 * math.Pow(10, -6./20)
	near(t, "100 Hz vertical at -6 dB, um", math.Abs(v.VerticalUM), z, 1e-3)
	near(t, "widest, um", v.MaxWidthUM, 60+2*z, 1e-3)
	near(t, "narrowest, um", v.MinWidthUM, 60-2*z, 1e-3)
	near(t, "deepest, um", v.MaxDepthUM, 30+z, 1e-3)
	if l := part(t, s, "L4"); l.MinWidthUM != 60 || l.MaxWidthUM != 60 || math.Abs(l.VerticalUM) > 1e-12 {
		t.Errorf("a lateral tone changes the width: %+v", l)
	}
	tr := part(t, s, "T3")
	// Curvature holds the tone of 10 kHz lower than -20 dB nowhere on 12 in.
	near(t, "10 kHz at -20 dB, cm/s", tr.VelocityCMS, 2.431, 1e-3)
	near(t, "10 kHz at -20 dB, m/s2 of one wall", tr.AccelerationMS2, 1527.1/math.Sqrt2, 1e-3)
	V := 2 * math.Pi * tr.EndMM / 1000 / 1.8
	near(t, "curvature", tr.CurvatureRatio, 1527.1/math.Sqrt2*12.7e-6/(V*V), 1e-3)
	// 115 turns at a fixed pitch: r = r0 - P t/T.
	for _, p := range s.Parts {
		near(t, p.ID+" radius", p.StartMM, 146.3-s.PitchUM/1000*p.StartS/1.8, 1e-9)
	}
}

// The written file, read back and put through the predictor, does what the
// sheet says: 0.5 %, the sum of filters and of crests between samples.
func TestWrittenFileMeasuresAsTheSheetSays(t *testing.T) {
	room := groove.DefaultRoom()
	disc := lookup(t, "7in-45")
	s, err := tones.Plan(disc, room)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "tones.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	sound, err := s.File(tones.SoundName)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(f, sound); errors.Join(err, f.Close()) != nil {
		t.Fatal(err)
	}
	src, err := wav.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if f := src.Format(); f.BitDepth != 24 || f.Channels != 2 || f.SampleRateHz != s.RateHz || src.Frames() != s.Frames() {
		t.Fatalf("format %+v, %d frames, want %d", f, src.Frames(), s.Frames())
	}
	sectors := groove.NewSectors(s.RateHz, disc.SecondsPerTurn())
	var motion []groove.Motion
	p, err := groove.NewPredictor(sectors, room.Reference.ChannelVelocityFullScale(), false, func(m groove.Motion) { motion = append(motion, m) })
	if err != nil {
		t.Fatal(err)
	}
	peak := 0.0
	b := audio.NewBlock(4096)
	for {
		n, err := src.Read(b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			peak = math.Max(peak, math.Max(math.Abs(b.L[i]), math.Abs(b.R[i])))
		}
		p.Add(b.Slice(0, n))
	}
	p.Flush(src.Frames())
	if peak > math.Pow(10, -1./20) {
		t.Errorf("peak %g is above -1 dBFS", peak)
	}
	for _, q := range s.Parts {
		// Without the fades and, for silence, the settling of what came before.
		from, to := sectors.At(int64((q.StartS+0.3)*float64(s.RateHz))), sectors.At(int64((q.EndS-0.2)*float64(s.RateHz)))
		var lat, vert, accel, wide, narrow float64
		narrow = math.Inf(1)
		for _, m := range motion[from:to] {
			lat = math.Max(lat, math.Max(float64(m.LateralMaxUM), -float64(m.LateralMinUM)))
			vert = math.Max(vert, math.Max(float64(m.VerticalMaxUM), -float64(m.VerticalMinUM)))
			accel = math.Max(accel, float64(m.WallAccel))
			wide = math.Max(wide, 60-2*float64(m.VerticalMinUM))
			narrow = math.Min(narrow, 60-2*float64(m.VerticalMaxUM))
		}
		if q.Axis == tones.AxisNone {
			if lat > 0.02 || vert > 0.02 {
				t.Errorf("%s is not silent: lateral %g, vertical %g um", q.ID, lat, vert)
			}
			continue
		}
		if q.Axis == tones.AxisLateral {
			near(t, q.ID+" lateral", lat, q.LateralUM, 5e-3)
			if vert > 0.01 {
				t.Errorf("%s: vertical %g um", q.ID, vert)
			}
		} else {
			near(t, q.ID+" widest", wide, q.MaxWidthUM, 5e-3)
			near(t, q.ID+" narrowest", narrow, q.MinWidthUM, 5e-3)
			if lat > 0.01 {
				t.Errorf("%s: lateral %g um", q.ID, lat)
			}
		}
		if q.HZ >= 1000 { // below, dither is part of what little there is
			near(t, q.ID+" acceleration", accel, q.AccelerationMS2, 5e-3)
		}
	}
}

// mostS bounds what a service sends for a form, 100 MB: all parts of the list.
const mostS = 175

// For any room that is valid, every tone keeps the limits on the sheet and the
// groove stays a groove.
func TestLimitsHoldInEveryRoom(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		room := groove.DefaultRoom()
		room.Reference.VelocityCMS = rapid.Float64Range(1, 12).Draw(rt, "cm/s")
		room.Reference.Axis = rapid.SampledFrom([]string{groove.AxisLateral, groove.AxisChannel}).Draw(rt, "axis")
		room.Reference.Kind = rapid.SampledFrom([]string{groove.KindPeak, groove.KindRMS}).Draw(rt, "kind")
		room.Reference.HZ = rapid.Float64Range(200, 10000).Draw(rt, "hz")
		room.Reference.DBFS = rapid.Float64Range(-24, 0).Draw(rt, "dbfs")
		room.Groove.WidthUM = rapid.Float64Range(45, 90).Draw(rt, "width")
		room.Playback.TipUM = rapid.Float64Range(5, 18).Draw(rt, "tip")
		if rapid.Bool().Draw(rt, "ceiling") {
			c := rapid.Float64Range(50, 5000).Draw(rt, "m/s2")
			room.Cutter.RMSAccelerationCeiling = &c
		}
		if room.Validate() != nil {
			return // groove's own tests hold what is a room
		}
		disc := lookup(t, rapid.SampledFrom(groove.DiscIDs()).Draw(rt, "disc"))
		s, err := tones.Plan(disc, room)
		var small *tones.DoesNotFitError
		if errors.As(err, &small) {
			return
		}
		if err != nil {
			rt.Fatal(err)
		}
		if s.LengthS > mostS || s.RateHz != 96000 {
			rt.Errorf("%g s at %d Hz", s.LengthS, s.RateHz)
		}
		l := groove.NewLimits(room, disc)
		last := 0.0
		for _, p := range s.Parts {
			if p.AnnounceS < last || p.StartS <= p.AnnounceS || p.EndMM > p.StartMM {
				rt.Errorf("%s lies at %g to %g s, after %g", p.ID, p.AnnounceS, p.EndS, last)
			}
			last = p.EndS
			if p.MinWidthUM < l.MinWidthUM || p.MaxDepthUM > l.MaxDepthUM {
				rt.Errorf("%s: width %g, depth %g", p.ID, p.MinWidthUM, p.MaxDepthUM)
			}
			if p.HZ <= 2000 {
				continue
			}
			if p.LevelDB > -20 || p.EndS-p.StartS > 1 || p.CurvatureRatio > 0.25 || p.SlopeRatio > 0.25 {
				rt.Errorf("%s is not gentle: %+v", p.ID, p)
			}
			if c := room.Cutter.RMSAccelerationCeiling; c != nil && p.AccelerationMS2/math.Sqrt2 > *c/2 {
				rt.Errorf("%s: %g m/s2 peak with a ceiling of %g rms", p.ID, p.AccelerationMS2, *c)
			}
			last += 4
		}
	})
}

func TestTooSmallADisc(t *testing.T) {
	d := lookup(t, "7in-33")
	d.InnerQualityMM = 80
	var small *tones.DoesNotFitError
	if _, err := tones.Plan(d, groove.DefaultRoom()); !errors.As(err, &small) {
		t.Errorf("got %v, want a DoesNotFitError", err)
	}
}

func TestSheetsCarryCautionsAndEveryReading(t *testing.T) {
	s := plan(t, "12in-33")
	var text, html bytes.Buffer
	if err := errors.Join(s.WriteText(&text), s.WriteHTML(&html)); err != nil {
		t.Fatal(err)
	}
	data, err := s.JSON()
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for _, r := range s.Readings {
		if ids[r.ID] {
			t.Errorf("reading %s twice", r.ID)
		}
		ids[r.ID] = true
		for name, sheet := range map[string]string{"text": text.String(), "page": html.String(), "json": string(data)} {
			if !strings.Contains(sheet, r.ID) {
				t.Errorf("%s lacks %s", name, r.ID)
			}
		}
	}
	for _, want := range []string{"burn out a cutter head", "within the limits on the sheet", "Ears: tones come suddenly", "defer to the cutting room"} {
		if !strings.Contains(text.String(), want) || !strings.Contains(html.String(), want) {
			t.Errorf("a sheet lacks the caution %q", want)
		}
	}
	for _, bad := range []string{"http:", "https:", "<script", "<link"} {
		if strings.Contains(html.String(), bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	back, err := tones.ReadSheet(data)
	if err != nil {
		t.Fatal(err)
	}
	again, err := json.MarshalIndent(back, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	if string(again)+"\n" != string(data) {
		t.Error("the sheet does not read back as it was written")
	}
	if _, err := tones.ReadSheet([]byte(`{"schema":"other/1"}`)); err == nil {
		t.Error("a sheet of another schema is taken")
	}
}

// Any stretch of the file is the same, whatever was read before it.
func TestSameBytesEveryTime(t *testing.T) {
	s := plan(t, "7in-45")
	read := func(x io.Reader) []byte {
		data, err := io.ReadAll(x)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	sound := func() *tones.Sound {
		x, err := s.Sound()
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	want := read(sound())
	if x := sound(); x.Bytes() != int64(len(want)) {
		t.Fatalf("%d bytes are said, %d come", x.Bytes(), len(want))
	}
	again := sound()
	rapid.Check(t, func(rt *rapid.T) {
		from := rapid.OneOf(rapid.IntRange(0, len(want)), rapid.IntRange(0, 200), rapid.IntRange(len(want)-1000, len(want))).Draw(rt, "from")
		length := rapid.IntRange(0, 60000).Draw(rt, "length")
		if _, err := again.Seek(int64(from-len(want)), io.SeekEnd); err != nil {
			rt.Fatal(err)
		}
		if got := read(io.LimitReader(again, int64(length))); !bytes.Equal(got, want[from:min(from+length, len(want))]) {
			rt.Errorf("%d bytes from %d differ", length, from)
		}
	})
	if _, err := again.Seek(-1, io.SeekStart); err == nil {
		t.Error("a place before the beginning is taken")
	}
	if !bytes.Equal(read(sound()), want) {
		t.Error("two readings differ")
	}
}

func TestFilesOfATestCut(t *testing.T) {
	s := plan(t, "7in-45")
	for _, name := range tones.Files() {
		f, err := s.File(name)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := io.Copy(io.Discard, f); err != nil || n == 0 {
			t.Errorf("%s: %d bytes, %v", name, n, err)
		}
	}
	if _, err := s.File("room.yaml"); err == nil {
		t.Error("a file that a test cut does not have")
	}
}

func ExamplePlan() {
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		fmt.Println(err)
		return
	}
	sheet, err := tones.Plan(disc, groove.DefaultRoom())
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range sheet.Readings[:3] {
		fmt.Printf("%s: expect %.2f %s, %s\n", r.ID, r.Expected, r.Unit, r.How)
	}
	// Output:
	// S1-width: expect 60.00 um, top width of the silent groove
	// S1-radius: expect 146.00 mm, radius where the silent groove begins, just after its announcement
	// R-swing: expect 15.92 um, peak to peak motion of one edge
}
