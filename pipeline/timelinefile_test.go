package pipeline_test

import (
	"math"
	"os"
	"path/filepath"
	"testing"

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
