package pipeline_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"

	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
)

// A fitted side must hold everything, and the same side at an asked level a
// little higher must not.
func TestFitFindsTheHighestLevelWithinCaps(t *testing.T) {
	for _, c := range []struct {
		name, extra string
		wave        wave
		rate        int
	}{
		{"held by reduction", "caps: {max_reduction_db: 3, max_treated_share: 1, min_level_db: -12}\n", sibilant(0.12), 48000},
		{"held by treated share", "caps: {max_reduction_db: 24, max_treated_share: 0.05, min_level_db: -12}\n", func(t float64) (l, r float64) {
			l, r = quietMusic(t)
			x := 0.14 * math.Min(1, gate(t, 0.5, 0.6)+0.5*gate(t, 1, 1.4)+0.3*gate(t, 1.8, 2.4)) * sine(9000, t)
			return l + x, r + x
		}, 44100},
		{"held by slope", wideCaps, func(t float64) (l, r float64) {
			x := 0.9 * gate(t, 0.5, 2) * sine(1800, t)
			return x, x
		}, 44100},
		{"held by the greatest level", "caps: {max_level_db: 4.5, max_treated_share: 1}\n", quietMusic, 44100},
		{"held by width and depth", wideCaps + chainOf("stage: de-ess", "stage: fit-level"), opposed(0.9), 44100},
	} {
		t.Run(c.name, func(t *testing.T) {
			mix := sampled(c.rate, 24, 3, c.wave)
			p := prepare(t, mix, innerDisc+c.extra)
			r := p.report
			level := r.Cut.LevelDB
			if d := math.Abs(level*10 - math.Round(level*10)); d > 1e-9 {
				t.Errorf("level %g dB is not on a tenth", level)
			}
			for _, reason := range r.Verdict.Reasons {
				switch reason.Code {
				case "max-reduction", "max-treated-share", "curvature", "slope", "width", "depth", "land", "pitch-max", "end-radius":
					t.Errorf("level %+.1f dB: %s, %v over %v", level, reason.Code, *reason.Value, *reason.Limit)
				}
			}
			if got := r.Cut.FileGainDB + r.Cut.LatheGainDB; math.Abs(got-level) > 1e-9 {
				t.Errorf("file gain %g and lathe gain %g dB make %g, want %g", r.Cut.FileGainDB, r.Cut.LatheGainDB, got, level)
			}
			if peak := r.After.MaxTruePeakDBTP; r.Cut.FileGainDB > 0 && *peak > -0.3+0.02 {
				t.Errorf("true peak %.3f dBTP with %.2f dB of gain in the file, ceiling -0.3", *peak, r.Cut.FileGainDB)
			}
			plan, err := sideplan.Parse("plan", []byte(onePlan(innerDisc+c.extra)))
			if err != nil {
				t.Fatal(err)
			}
			if level == plan.Caps.MaxLevelDB {
				if c.name != "held by the greatest level" {
					t.Fatalf("nothing held the level below %g dB: the case tests nothing", level)
				}
				return
			}
			if c.name == "held by the greatest level" {
				t.Fatalf("level %g dB, want the greatest", level)
			}
			// 0.3 dB higher something must break: 0.1 dB is the grid, the rest
			// is what the estimate of de-ess on envelopes may be off.
			next := prepare(t, mix, fmt.Sprintf("%s%slevel: %.1f\n", innerDisc, c.extra, level+0.3)).report
			broken := false
			for _, reason := range next.Verdict.Reasons {
				switch reason.Code {
				case "max-reduction", "max-treated-share", "curvature", "slope", "width", "depth":
					broken = true
				}
			}
			if !broken {
				t.Errorf("level %+.1f dB was chosen (%s), but %+.1f dB holds as well: %s, %v", level, r.Cut.Why, level+0.3, next.Verdict.State, next.Verdict.Reasons)
			}
		})
	}
}

func TestAskedLevelIsHeldAndChecked(t *testing.T) {
	for _, c := range []struct {
		name  string
		level float64
		wave  wave
		extra string
		state string
		codes []string
	}{
		{"possible", 1.25, quietMusic, "", "ready", nil},
		{"negative", -3, quietMusic, "", "ready", nil},
		{"too much treatment", 0, sibilant(0.12), "caps: {max_reduction_db: 2, max_treated_share: 1}\n", "attention", []string{"max-reduction"}},
		{"slope", 6, func(t float64) (l, r float64) {
			x := 0.9 * gate(t, 0.5, 2) * sine(1800, t)
			return x, x
		}, "", "blocked", []string{"slope"}},
		{"no limit-sides", 0, opposed(0.75), chainOf("stage: de-ess"), "blocked", []string{"width", "depth"}},
		{"too coarse", 0, func(t float64) (l, r float64) {
			x := 0.9 * gate(t, 0.5, 2.5) * sine(33, t)
			return x, x
		}, "room: {pitch: {max_um: 120}}\n", "blocked", []string{"pitch-max"}},
		{"too long", 0, quietMusic, "room: {radius: {inner_mm: 61.9}}\n", "blocked", []string{"end-radius"}},
		{"quiet side", -9, quietMusic, "caps: {min_level_db: -12}\n", "attention", []string{"low-level"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			mix := sampled(44100, 24, 3, c.wave)
			r := prepare(t, mix, fmt.Sprintf("%s%slevel: %g\n", innerDisc, c.extra, c.level)).report
			if r.Cut.LevelDB != c.level {
				t.Errorf("level %g dB, asked for %g", r.Cut.LevelDB, c.level)
			}
			if string(r.Verdict.State) != c.state {
				t.Errorf("verdict %s, want %s; reasons %+v", r.Verdict.State, c.state, r.Verdict.Reasons)
			}
			for _, want := range c.codes {
				found := false
				for _, reason := range r.Verdict.Reasons {
					found = found || reason.Code == want
				}
				if !found {
					t.Errorf("no reason %s among %+v", want, r.Verdict.Reasons)
				}
			}
		})
	}
}

func TestLadder(t *testing.T) {
	for _, c := range []struct {
		name, extra string
		wave        wave
	}{
		{"fit", "", sibilant(0.1)},
		{"asked", "level: 1.3\n", opposed(0.3)},
		{"bass", "level: 0\n" + wideCaps, func(t float64) (l, r float64) {
			x := 0.5 * math.Abs(sine(0.8, t)) * sine(50, t)
			return x + 0.05*sine(200, t), x
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := prepare(t, sampled(44100, 24, 4, c.wave), innerDisc+c.extra).report
			chosen := 0
			for i, g := range r.Ladder {
				if g.Chosen {
					chosen++
					if math.Abs(g.LevelDB-r.Cut.LevelDB) > 0.5 {
						t.Errorf("rung %g dB is marked as chosen, the level is %g", g.LevelDB, r.Cut.LevelDB)
					}
				}
				if g.Why == "" || g.LandMM == nil || g.EndRadiusMM == nil {
					t.Errorf("rung %g dB is incomplete: %+v", g.LevelDB, g)
					continue
				}
				if i == 0 {
					continue
				}
				// Where another filter begins to act, it may save land.
				if !slices.Equal(g.Filters, r.Ladder[i-1].Filters) {
					continue
				}
				// A grid of depth and rounding to float32: 1 nm of slack.
				if prev := r.Ladder[i-1]; *g.LandMM < *prev.LandMM-1e-6 {
					t.Errorf("%g dB takes %g mm, %g dB takes %g: more level, less land", g.LevelDB, *g.LandMM, prev.LevelDB, *prev.LandMM)
				}
				if prev := r.Ladder[i-1]; prev.State == "blocked" && g.State == "ready" {
					t.Errorf("%g dB is blocked, %g dB ready", prev.LevelDB, g.LevelDB)
				}
			}
			if chosen != 1 {
				t.Errorf("%d rungs are marked as chosen at %g dB, want 1", chosen, r.Cut.LevelDB)
			}
		})
	}
}

// A steady tone of 1 kHz, where the characteristic of IEC 60098 is 0 dB, has a wall
// velocity of the lateral peak over the root of 2, an acceleration of omega times
// that, and at groove speed V a tip of radius R follows V^2/R (handbook case C13:
// 2461 m/s2 at 60.3 mm, 33 1/3 rpm, 18 um). Every rung must say so.
func TestLadderOfATone(t *testing.T) {
	if limit := math.Pow(2*math.Pi*0.0603*100/3/60, 2) / 18e-6; math.Abs(limit-2461) > 1 {
		t.Fatalf("V^2/R gives %.1f m/s2 in case C13, want 2461", limit)
	}
	const referenceDBFS, referenceMS = -14.0, 0.05
	amplitude := math.Pow(10, referenceDBFS/20)
	r := prepare(t, sampled(48000, 24, 3, func(t float64) (l, r float64) {
		x := amplitude * gate(t, 0.1, 2.9) * sine(1000, t)
		return x, x
	}), innerDisc+"level: 0\n"+wideCaps).report
	checked := 0
	for _, g := range r.Ladder {
		if len(g.Filters) > 0 || g.EndRadiusMM == nil || g.CurvatureRatio == nil {
			continue
		}
		wall := referenceMS * math.Pow(10, g.LevelDB/20) / math.Sqrt2
		speed := 2 * math.Pi * *g.EndRadiusMM / 1000 * r.Side.Disc.RPM / 60
		want := 2 * math.Pi * 1000 * wall / (speed * speed / (*r.Limits.DesignTipUM * 1e-6))
		// The tone ends within a turn of the end, where the radius is 0.3 % more at most, and
		// gates add a little.
		if math.Abs(*g.CurvatureRatio/want-1) > 0.01 {
			t.Errorf("%+.1f dB: curvature ratio %.5f, by the closed form %.5f", g.LevelDB, *g.CurvatureRatio, want)
		}
		checked++
	}
	if checked < 20 {
		t.Errorf("only %d rungs could be held to the closed form", checked)
	}
}

// Every tenth of a dB must mark exactly one rung of half a dB.
func TestLadderMarksTheChosenRungAtEveryLevel(t *testing.T) {
	mix := sampled(44100, 24, 0.5, quietMusic)
	for tenth := -5; tenth <= 5; tenth++ {
		level := float64(tenth) / 10
		r := prepare(t, mix, fmt.Sprintf("%slevel: %g\n", innerDisc, level)).report
		var marked []float64
		for _, g := range r.Ladder {
			if g.Chosen {
				marked = append(marked, g.LevelDB)
			}
		}
		if len(marked) != 1 {
			t.Errorf("level %g dB marks the rungs %v, want one", level, marked)
		}
	}
}

func TestCutLevelMovesGrooveNotProportions(t *testing.T) {
	// Motion is proportional to level: 6 dB more is twice the excursion.
	mix := sampled(44100, 24, 2, quietMusic)
	at := func(level string) float64 {
		return *prepare(t, mix, innerDisc+"level: "+level+"\n").report.After.Groove.LateralPeakUM
	}
	zero, up, down := at("0"), at("4"), at("-4")
	want := math.Pow(10, 4.0/20)
	// 0.1 %: dither and rounding of a -30 dBFS programme to 24 bit.
	if math.Abs(up/zero/want-1) > 1e-3 || math.Abs(zero/down/want-1) > 1e-3 {
		t.Errorf("lateral peaks %.4f, %.4f, %.4f um at -4, 0, 4 dB, want steps of %.4f", down, zero, up, want)
	}
}

func TestChainsThatCannotWorkAreRefused(t *testing.T) {
	for _, c := range []struct{ name, plan, code string }{
		{"filter after limiter", "level: 0\n" + chainOf("stage: de-ess", "stage: sum-lows"), sideplan.CodeStageOrder},
		{"de-ess after limit-sides", "level: 0\n" + chainOf("stage: limit-sides", "stage: de-ess"), sideplan.CodeStageOrder},
		{"fit without fit-level", chainOf("stage: de-ess"), sideplan.CodeStageMissing},
		{"level beyond caps", "level: 9\n", sideplan.CodeLevel},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := sideplan.Parse("plan.yaml", []byte(onePlan(c.plan)))
			var list *spec.Error
			if !errors.As(err, &list) || len(list.Faults) == 0 || list.Faults[0].Code != c.code {
				t.Errorf("%v, want the code %s", err, c.code)
			}
		})
	}
}

// Loud steady bass in both channels makes neighbouring turns swing apart, so
// that a turn needs less than nothing. That is no fault of the mix.
func TestLoudBassInBothChannelsIsCut(t *testing.T) {
	for _, c := range []struct{ hz, amplitude float64 }{{33, 0.4}, {33, 0.7}, {40, 0.7}, {50, 0.9}} {
		t.Run(fmt.Sprintf("%g Hz at %g", c.hz, c.amplitude), func(t *testing.T) {
			mix := sampled(44100, 24, 4, func(t float64) (l, r float64) {
				x := c.amplitude * gate(t, 0.3, 3.7) * sine(c.hz, t)
				return x, x
			})
			r := prepare(t, mix, innerDisc+"level: 0\n").report
			if r.Verdict.State == "blocked" {
				t.Errorf("blocked: %+v", r.Verdict.Reasons)
			}
			// The plan is made with 0.1 um to spare for rounding.
			if v := r.After.Groove.MinLandUM; v == nil || *v < 10 {
				t.Errorf("least land %v um, want at least 10", v)
			}
		})
	}
}

// A 1.8 kHz tone lies below the crossover. At -2.6 dB it keeps every limit; from
// -2 dB on it breaks slope by itself, and taking treble away does not slow the
// wall. In neither case may anything be taken.
func TestDeEssLeavesAloneWhatItCannotCure(t *testing.T) {
	mix := sampled(44100, 24, 3, func(t float64) (l, r float64) {
		x := 0.9 * gate(t, 0.5, 2) * sine(1800, t)
		h := 0.002 * sine(7000, t)
		return x + h, x + h
	})
	for _, level := range []string{"-2.6", "-2", "0"} {
		r := prepare(t, mix, innerDisc+wideCaps+"level: "+level+"\n").report
		for _, c := range r.Changes {
			t.Errorf("level %s dB: %s takes %.1f dB from %.2f to %.2f s (slope ratio before %.4f, after %.4f)",
				level, c.Stage, c.MaxDB, c.StartS, c.EndS, *r.Before.Groove.SlopeRatioMax, *r.After.Groove.SlopeRatioMax)
		}
	}
}
