package pipeline_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/report"
	"discsafe/pipeline/timeline"
)

func openTimeline(t *testing.T, dir string) *timeline.File {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, "timeline.bin"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	x, err := timeline.Open(f, info.Size())
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// whole is the range of a lane over the whole side.
func whole(t *testing.T, x *timeline.File, id, what string) (lo, hi float64) {
	t.Helper()
	w, err := x.Window(0, x.LengthS, 1)
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range x.Lanes {
		if l.ID == id && l.What == what {
			return w.Lanes[i].Min[0], w.Lanes[i].Max[0]
		}
	}
	t.Fatalf("no lane %s %s", what, id)
	return 0, 0
}

// TestTimelineAgreesWithTheReport: extremes of the lanes are the report's
// figures, within one step of the file.
func TestTimelineAgreesWithTheReport(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 4, sibilant(0.1)), innerDisc+"level: 0\n"+wideCaps)
	x, r := openTimeline(t, p.out), p.report
	if x.RateHz != 44100 || math.Abs(x.LengthS-4) > 1e-9 || len(x.Tracks) != 1 {
		t.Errorf("head %+v", x.Head)
	}
	near := func(what string, got float64, want *float64, step float64) {
		t.Helper()
		if want == nil || math.Abs(got-*want) > step*1.01 {
			t.Errorf("%s: %g in the time line, %s in the report", what, got, show(want))
		}
	}
	for what, m := range map[string]*report.Measures{"before": &r.Before, "after": &r.After} {
		lo, _ := whole(t, x, "width", what)
		near(what+" width", lo, m.Groove.MinWidthUM, 0.02)
		_, hi := whole(t, x, "depth", what)
		near(what+" depth", hi, m.Groove.MaxDepthUM, 0.02)
		_, hi = whole(t, x, "curvature", what)
		near(what+" curvature", hi, m.Groove.CurvatureRatioMax, 0.0005)
		_, hi = whole(t, x, "slope", what)
		near(what+" slope", hi, m.Groove.SlopeRatioMax, 0.0005)
	}
	lo, _ := whole(t, x, "land", "after")
	near("land", lo, r.After.Groove.MinLandUM, 0.05)
	lo, hi := whole(t, x, "radius", "plan")
	near("outer radius", hi, r.Land.StartRadius, 0.01)
	near("inner radius", lo, r.Land.EndRadiusMM, 0.02)
	for _, s := range r.Stages {
		if s.ID == "de-ess" {
			lo, _ := whole(t, x, "gain", "stage:de-ess")
			near("gain", lo, s.MaxChangeDB, 0.002)
			if *s.MaxChangeDB == 0 {
				t.Error("nothing was treated: the test shows nothing")
			}
		}
	}
}

// TestTimelineWaves: a sine of amplitude a in both channels is a mid signal of a
// and no side signal; opposed, the other way round. Closed form.
func TestTimelineWaves(t *testing.T) {
	for name, c := range map[string]struct {
		sign, mid, side float64
	}{"alike": {1, 0.2, 0}, "opposed": {-1, 0, 0.2}} {
		p := prepare(t, sampled(48000, 24, 3, func(at float64) (l, r float64) {
			v := 0.2 * gate(at, 0.1, 2.9) * sine(440, at)
			return v, c.sign * v
		}), "level: 0\nchain: []\n")
		x := openTimeline(t, p.out)
		for _, what := range []string{"before", "after"} {
			for id, want := range map[string]float64{"mid": c.mid, "side": c.side} {
				lo, hi := whole(t, x, id, what)
				// One step, and what 48 kHz misses of a crest.
				if math.Abs(hi-want) > 1.0/16384+0.0005 || math.Abs(lo+want) > 1.0/16384+0.0005 {
					t.Errorf("%s: %s %s goes from %g to %g, want %g each way", name, what, id, lo, hi, want)
				}
			}
		}
	}
}

// TestTimelineOfAReferenceTone holds lanes against closed forms. A tone of 1 kHz,
// 14 dB below full scale in both channels, moves at 5 cm/s peak in the default
// room: v/(2 pi f) = 7.958 um, sideways with equal channels, up and down with
// opposed ones, either wall at v/sqrt2 (IEC 60098:2020 6.2). A round edge
// follows a wall to V^2/R (derived).
func TestTimelineOfAReferenceTone(t *testing.T) {
	const um = 0.05 / (2 * math.Pi * 1000) * 1e6
	for name, c := range map[string]struct{ sign, vertical float64 }{"lateral": {1, 0}, "vertical": {-1, um}} {
		p := prepare(t, sampled(96000, 24, 4, func(at float64) (l, r float64) {
			v := math.Pow(10, -14.0/20) * gate(at, 0.2, 3.8) * sine(1000, at)
			return v, c.sign * v
		}), "level: 0\nchain: []\nroom: {depth: {variable: false}}\n")
		x := openTimeline(t, p.out)
		m, err := x.At(2)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(m.DepthUM-30) > 0.02 || m.TurnS != 1.8 { // half of the default 60 um
			t.Errorf("%s: planned %+v", name, m)
		}
		w, err := x.Window(1.9, 2.1, 1)
		if err != nil {
			t.Fatal(err)
		}
		speed := 2 * math.Pi * m.RadiusMM / 1000 / 1.8
		curvature := 0.05 / math.Sqrt2 * 2 * math.Pi * 1000 / (speed * speed / (*p.report.Limits.DesignTipUM * 1e-6))
		slope := 0.05 / speed // of either wall along its normal, over the cutter's 45 degrees there: both bring sqrt2
		for i, l := range x.Lanes {
			if l.What != "before" && l.What != "after" {
				continue
			}
			lo, hi := w.Lanes[i].Min[0], w.Lanes[i].Max[0]
			near := func(got, want, tolerance float64) {
				if !(math.Abs(got-want) <= tolerance) {
					t.Errorf("%s: %s %s is %.4f, want %.4f", name, l.What, l.ID, got, want)
				}
			}
			// A step of the file, and 0.05 dB that the predictor may err.
			switch l.ID {
			case "depth":
				near(hi, 30+c.vertical, 0.02+0.006*um)
			case "width":
				near(lo, 2*(30-c.vertical), 0.02+2*0.006*um)
			case "curvature":
				near(hi, curvature, 0.0005+0.006*curvature)
			case "slope":
				near(hi, slope, 0.0005+0.006*slope)
			}
		}
	}
}

// TestGainStandsWhereTheReportSaysSo: the lane of a stage is below 0 dB within the
// changes the report lists, and nowhere else.
func TestGainStandsWhereTheReportSaysSo(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 4, sibilant(0.1)), innerDisc+"level: 0\n"+wideCaps)
	x := openTimeline(t, p.out)
	w, err := x.Window(0, x.LengthS, x.Sectors)
	if err != nil {
		t.Fatal(err)
	}
	changes, seen := 0, 0
	for i, l := range x.Lanes {
		if l.ID != "gain" || l.What != "stage:de-ess" {
			continue
		}
		for k, v := range w.Lanes[i].Min {
			at, inside := (float64(k)+0.5)*w.BinS, false
			for _, c := range p.report.Changes {
				// A bin shows what its neighbours hold: two sectors, and the report's milliseconds.
				inside = inside || c.Stage == "de-ess" && at > c.StartS-0.011 && at < c.EndS+0.011
			}
			if v < 0 {
				seen++
			}
			if v < 0 && !inside {
				t.Errorf("%.3f s: %g dB, where the report lists no change", at, v)
			}
		}
		for _, c := range p.report.Changes {
			if c.Stage != "de-ess" {
				continue
			}
			changes++
			within, err := x.Window(c.StartS, c.EndS, 1)
			if err != nil {
				t.Fatal(err)
			}
			if got := within.Lanes[i].Min[0]; math.Abs(got-c.MaxDB) > 0.003 { // a step of the file, and the report's decimals
				t.Errorf("%.3f to %.3f s: %g dB in the time line, %g in the report", c.StartS, c.EndS, got, c.MaxDB)
			}
		}
	}
	if changes == 0 || seen == 0 {
		t.Errorf("%d changes, %d bins below 0 dB: the test shows nothing", changes, seen)
	}
}

// TestCheckKnowsAnotherSidesTimeline: a time line that is whole, listed with its
// hash, and of a side of another length.
func TestCheckKnowsAnotherSidesTimeline(t *testing.T) {
	ours, other := prepare(t, sampled(44100, 24, 1, quietMusic), innerDisc+"level: 0\n"), prepare(t, sampled(44100, 24, 1.2, quietMusic), innerDisc+"level: 0\n")
	line, err := os.ReadFile(filepath.Join(other.out, pipeline.TimelineName))
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(ours.out, pipeline.TimelineName), line)
	name := filepath.Join(ours.out, report.ManifestName)
	raw, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	m, err := report.ReadManifest(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	for i := range m.Outputs {
		if h := &m.Outputs[i]; h.Name == pipeline.TimelineName {
			h.Bytes, h.SHA256 = int64(len(line)), fmt.Sprintf("%x", sha256.Sum256(line))
		}
	}
	var b bytes.Buffer
	if err := m.Write(&b); err != nil {
		t.Fatal(err)
	}
	put(t, name, b.Bytes())
	c, err := pipeline.Check(t.Context(), ours.out)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(c.Faults, "; "); !strings.Contains(got, "time line: of another side") {
		t.Errorf("faults %q", got)
	}
}

// TestTimelineOfAnAnalysis has no lanes of a premaster.
func TestTimelineOfAnAnalysis(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 2, quietMusic), innerDisc)
	_, out := analyse(t, p.dir)
	for _, l := range openTimeline(t, out).Lanes {
		if l.What == "after" || l.ID == "gain" || l.ID == "land" {
			t.Errorf("an analysis has a lane %s %s", l.What, l.ID)
		}
	}
}
