package pipeline_test

import (
	"math"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/report"

	"pgregory.net/rapid"
)

func reportOf(points ...report.LandPoint) *report.Report {
	r := &report.Report{}
	r.Side.SampleRate, r.Side.LengthS, r.Side.Disc.RevolutionS, r.Side.Disc.InnerMM = 48000, 10, 1.8, 57.5
	r.Cut = report.Cut{LevelDB: -6, FileGainDB: -2, Reference: report.Reference{VelocityCMS: 5, Axis: "lateral", Kind: "peak", HZ: 1000, DBFS: -14}}
	r.Land.Points = points
	return r
}

func TestCutOf(t *testing.T) {
	c, err := pipeline.CutOf(reportOf(report.LandPoint{TS: 0, RadiusMM: 100, PitchUM: 80, DepthUM: 30}, report.LandPoint{TS: 2, RadiusMM: 99.9, PitchUM: 120, DepthUM: 40}, report.LandPoint{TS: 4, RadiusMM: 99.7, PitchUM: 90, DepthUM: 30}))
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []struct {
		name string
		at   float64
		lie  pipeline.Lie
	}{
		{"before the side", -1, pipeline.Lie{RadiusMM: 100, PitchUM: 80, DepthUM: 30}}, {"beginning", 0, pipeline.Lie{RadiusMM: 100, PitchUM: 80, DepthUM: 30}},
		{"between", 0.5, pipeline.Lie{RadiusMM: 99.975, PitchUM: 90, DepthUM: 32.5}}, {"on a point", 2, pipeline.Lie{RadiusMM: 99.9, PitchUM: 120, DepthUM: 40}},
		{"between others", 3, pipeline.Lie{RadiusMM: 99.8, PitchUM: 105, DepthUM: 35}}, {"end", 4, pipeline.Lie{RadiusMM: 99.7, PitchUM: 90, DepthUM: 30}}, {"beyond", 9, pipeline.Lie{RadiusMM: 99.7, PitchUM: 90, DepthUM: 30}},
	} {
		got := c.Plan.At(w.at)
		for _, d := range []float64{got.RadiusMM - w.lie.RadiusMM, got.PitchUM - w.lie.PitchUM, got.DepthUM - w.lie.DepthUM} {
			if math.Abs(d) > 1e-9 {
				t.Errorf("%s: %+v, want %+v", w.name, got, w.lie)
			}
		}
	}
	// 5 cm/s lateral peak at -14 dBFS: a full-scale channel moves at 0.1772 m/s at
	// 1 kHz; -6 dB is half of that or so, and the premaster already has 2 dB of it.
	if want := 0.1772 * math.Pow(10, -6.0/20); math.Abs(c.BeforeScale()-want) > 1e-4 {
		t.Errorf("scale of the mixes %.5f, want %.5f", c.BeforeScale(), want)
	}
	if d := c.AfterScale() / c.BeforeScale(); math.Abs(d-math.Pow(10, 2.0/20)) > 1e-12 {
		t.Errorf("the premaster's scale is %.6f times that of the mixes", d)
	}
	if c.Frames != 480000 {
		t.Errorf("%d frames", c.Frames)
	}
	if _, err := pipeline.CutOf(reportOf()); err == nil {
		t.Error("a report without a land plan will do")
	}
}

// Between two points the groove lies between them, and the plan has no jumps.
func TestCutOfPlanIsContinuous(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "points")
		at, radius := 0.0, 146.0
		var points []report.LandPoint
		for range n {
			points = append(points, report.LandPoint{TS: at, RadiusMM: radius, PitchUM: rapid.Float64Range(50, 500).Draw(t, "pitch"), DepthUM: rapid.Float64Range(20, 60).Draw(t, "depth")})
			at += rapid.Float64Range(0.01, 3).Draw(t, "step")
			radius -= rapid.Float64Range(0, 0.5).Draw(t, "advance")
		}
		c, err := pipeline.CutOf(reportOf(points...))
		if err != nil {
			t.Fatal(err)
		}
		s := rapid.Float64Range(-1, 40).Draw(t, "at")
		a, b := c.Plan.At(s), c.Plan.At(s+1e-9)
		if a.RadiusMM < points[n-1].RadiusMM || a.RadiusMM > points[0].RadiusMM || b.RadiusMM > a.RadiusMM+1e-9 {
			t.Errorf("radius %g mm at %g s, then %g", a.RadiusMM, s, b.RadiusMM)
		}
		// 1e-9 s of the steepest: 450 um of pitch or 40 um of depth in 10 ms.
		if math.Abs(a.PitchUM-b.PitchUM) > 1e-4 || math.Abs(a.DepthUM-b.DepthUM) > 1e-5 {
			t.Errorf("a jump at %g s: %+v, %+v", s, a, b)
		}
	})
}
