package stage

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestFileGain(t *testing.T) {
	peak := func(v float64) *float64 { return &v }
	p := FitLevelParams{CeilingDBTP: -0.3}
	for _, c := range []struct {
		name            string
		level           float64
		peak            *float64
		wantFile, wantL float64
	}{
		{"down goes into the file", -4, peak(-1), -4, 0},
		{"down, though the mix stands above the ceiling", -1, peak(0.5), -1, 0},
		{"nothing to do", 0, peak(-6), 0, 0},
		{"nothing to do above the ceiling", 0, peak(1.2), 0, 0},
		{"up, and it fits", 3, peak(-6), 3, 0},
		{"up to the ceiling exactly", 5.7, peak(-6), 5.7, 0},
		{"up, and part fits", 6, peak(-2.3), 2, 4},
		{"up from the ceiling", 2, peak(-0.3), 0, 2},
		{"up from above the ceiling: not down first", 2, peak(0.8), 0, 2},
		{"silence has no peak", 3, nil, 3, 0},
		{"silence turned down", -3, nil, -3, 0},
	} {
		f, l := FileGain(c.level, c.peak, p)
		if math.Abs(f-c.wantFile) > 1e-12 || math.Abs(l-c.wantL) > 1e-12 { // rounding of one difference
			t.Errorf("%s: file %g dB, lathe %g dB, want %g and %g", c.name, f, l, c.wantFile, c.wantL)
		}
	}
}

// TestFileGainProperties: the two gains make the level, the lathe never turns
// down, and gain put into the file never breaks the ceiling.
func TestFileGainProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := rapid.Float64Range(-40, 40).Draw(t, "level")
		peak := rapid.Float64Range(-90, 6).Draw(t, "peak")
		p := FitLevelParams{CeilingDBTP: rapid.Float64Range(-12, 0).Draw(t, "ceiling")}
		f, l := FileGain(level, &peak, p)
		const rounding = 1e-12
		if math.Abs(f+l-level) > rounding || l < 0 {
			t.Fatalf("file %g, lathe %g, level %g", f, l, level)
		}
		if f > 0 && peak+f > p.CeilingDBTP+rounding {
			t.Fatalf("true peak becomes %g dBTP, ceiling %g", peak+f, p.CeilingDBTP)
		}
		if f < 0 && level >= 0 {
			t.Fatalf("the file is turned down by %g dB for a level of %g", f, level)
		}
	})
}

func ExampleFileGain() {
	truePeak := -2.3
	file, lathe := FileGain(6, &truePeak, FitLevelParams{CeilingDBTP: -0.3})
	fmt.Printf("%.1f dB in the file, %.1f dB at the lathe\n", file, lathe)
	// Output: 2.0 dB in the file, 4.0 dB at the lathe
}
