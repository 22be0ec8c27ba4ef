package report

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// ladderPart is the ladder's part of a page.
func ladderPart(t testing.TB, page string) string {
	t.Helper()
	part := between(page, `<h3 id="ladder">`, `<h2 id="tracks">`)
	if part == "" {
		t.Fatal("the page has no ladder")
	}
	return part
}

func TestLadderPartSays(t *testing.T) {
	asked := fixture()
	asked.Cut.Asked, asked.Cut.LevelDB, asked.Cut.Why = "+1.3 dB", 1.3, "the level was asked for"
	none := fixture()
	for i := range none.Ladder {
		none.Ladder[i].State = Blocked
	}
	alike := fixture()
	for i := range alike.Ladder {
		alike.Ladder[i].Filters = []string{"sum-lows", "band-limit"}
	}
	tests := []struct {
		name   string
		report *Report
		want   []string
	}{
		{"the level that fits, with the reason", fixture(), []string{"The plan asks for the level that fits: &#43;1.50\u202fdB.", "&#43;1.5\u202fdB ← this cut", "Ready from −8.0\u202fdB to &#43;1.5\u202fdB. Attention from &#43;2.0\u202fdB to &#43;4.0\u202fdB. Blocked from &#43;4.5\u202fdB to &#43;8.0\u202fdB."}},
		{"a level between steps", asked, []string{"The plan asks for &#43;1.3 dB; this cut is at &#43;1.30\u202fdB. The level was asked for. The nearest step of the ladder is marked."}},
		{"nothing holds", none, []string{"No step of the ladder is ready."}},
		{"filters differ: a column", fixture(), []string{`<th class="t" scope="col">Filters</th>`, `data-l="filters"><span class="nb">none<`, `data-l="filters"><span class="nb">sum-lows<`}},
		{"filters alike: a sentence", alike, []string{"Filters over the whole side, at every level: sum-lows, band-limit."}},
		{"a column for each stage", fixture(), []string{`<th scope="col">de-ess</th><th scope="col">limit-sides</th>`, `data-l="de-ess"><span class="nb">none<`, `data-l="limit-sides"><span class="nb">` + "−2.8\u202fdB,</span> <span class=\"nb\">1.4\u202fs<"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			part := ladderPart(t, render(t, tc.report)["report"])
			for _, want := range tc.want {
				if !strings.Contains(part, want) {
					t.Errorf("does not say %q", want)
				}
			}
		})
	}
	t.Run("one row a rung, one of them chosen", func(t *testing.T) {
		part := ladderPart(t, render(t, fixture())["report"])
		if rows, chosen := strings.Count(part, `data-l="land used"`), strings.Count(part, `class="chosen"`); rows != 33 || chosen != 1 {
			t.Errorf("%d rows and %d chosen, want 33 and 1", rows, chosen)
		}
	})
	t.Run("a reason is said where it begins and at this cut", func(t *testing.T) {
		part := ladderPart(t, render(t, fixture())["report"])
		for text, want := range map[string]int{"within the stated room profile and caps": 2, "a stage would reduce more than caps.max_reduction_db allows": 1, "would not fit between the radii": 1} {
			if got := strings.Count(part, text); got != want {
				t.Errorf("%q stands %d times, want %d", text, got, want)
			}
		}
	})
	t.Run("a report that does not know its filters claims none", func(t *testing.T) {
		r := fixture()
		for i := range r.Ladder {
			r.Ladder[i].Filters = nil
		}
		if strings.Contains(ladderPart(t, render(t, r)["report"]), "Filters") {
			t.Error("filters are named")
		}
	})
	t.Run("without a ladder no part of it", func(t *testing.T) {
		r := fixture()
		r.Ladder = nil
		if page := render(t, r)["report"]; strings.Contains(page, "#ladder") || strings.Contains(page, "ladder-t") {
			t.Error("an empty ladder is shown")
		}
	})
}

// TestLadderPlotGeometry: land and end radius share one line, the limit is the
// land the disc gives, and each verdict has its own shape.
func TestLadderPlotGeometry(t *testing.T) {
	r := fixture()
	r.Limits.LandAvailableMM, r.Side.Disc.OuterMM = Num(90), 146
	r.Ladder = []Rung{{LevelDB: -2, LandMM: Num(80), State: Ready}, {LevelDB: 0, LandMM: Num(90), State: Attention, Chosen: true}, {LevelDB: 2, LandMM: Num(100), State: Blocked}}
	svg := string(ladderPlot(r, r.Ladder, nil))
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	find := func(pattern string) []string {
		m := regexp.MustCompile(pattern).FindStringSubmatch(svg)
		if m == nil {
			t.Fatalf("nothing matches %s", pattern)
		}
		return m
	}
	// Tolerance 0.1 units: two roundings to one decimal.
	t.Run("ticks say land at the left and the radius of the same height at the right", func(t *testing.T) {
		left := find(`y="([0-9.]+)" text-anchor="end">90<`)
		right := find(`y="([0-9.]+)">56.0<`)
		if math.Abs(num(left[1])-num(right[1])) > 0.1 {
			t.Errorf("90 mm of land at %s, radius 56 mm at %s", left[1], right[1])
		}
	})
	t.Run("the limit goes through the rung that uses all the disc gives", func(t *testing.T) {
		pts := pathOf(t, svg, "line h1")
		if y := num(find(`class="limit" d="M[0-9.]+ ([0-9.]+)H`)[1]); len(pts) != 3 || math.Abs(pts[1][1]-y) > 0.1 {
			t.Errorf("line %v, limit at %g", pts, y)
		}
	})
	t.Run("the chosen level is marked at its place", func(t *testing.T) {
		pts := pathOf(t, svg, "line h1")
		if x := num(find(`class="mark" d="M([0-9.]+) `)[1]); math.Abs(pts[1][0]-x) > 0.1 {
			t.Errorf("mark at %g, rung at %g", x, pts[1][0])
		}
	})
	for _, want := range []string{`<g class="rung ok"><title>−2.0` + "\u202f" + `dB: ready</title><circle`, `<g class="rung look"><title>0.0` + "\u202f" + `dB: attention</title><path`, `<g class="rung over"><title>+2.0` + "\u202f" + `dB: blocked</title><rect`,
		`<title id="ladder-t">`, `<desc id="ladder-d">`, "land used, mm", "end radius, mm", "greatest treatment, dB", "limit of the disc, 56.0\u202fmm radius", "cut level re the room’s reference, dB", "this cut, 0.0\u202fdB"} {
		t.Run("has "+want, func(t *testing.T) {
			if !strings.Contains(svg, want) {
				t.Error("missing")
			}
		})
	}
}

// TestHostileLadder: whatever stands in the rungs, the drawing is one that a
// browser accepts and its words do not overlap.
func TestHostileLadder(t *testing.T) {
	odd := rapid.SampledFrom([]float64{0, 1, -8, 8, 90, 1e308, -1e308, 5e-324, math.MaxFloat64})
	side := fixture()
	rapid.Check(t, func(rt *rapid.T) {
		short := *side
		r := &short
		r.Ladder = nil
		for range rapid.IntRange(0, 40).Draw(rt, "rungs") {
			r.Ladder = append(r.Ladder, Rung{LevelDB: odd.Draw(rt, "level"), LandMM: Num(odd.Draw(rt, "land")), State: rapid.SampledFrom([]State{Ready, Attention, Blocked}).Draw(rt, "state"),
				Treatment: []Treatment{{Stage: "de-ess", MaxDB: odd.Draw(rt, "treatment")}}, Chosen: rapid.Bool().Draw(rt, "chosen")})
		}
		r.Limits.LandAvailableMM = Num(odd.Draw(rt, "available"))
		v := ladderOf(r)
		if v == nil {
			return
		}
		if m := regexp.MustCompile(`NaN|Inf`).FindString(string(v.SVG)); m != "" {
			rt.Fatalf("drawing contains %q", m)
		}
		end := -1.0
		for _, m := range regexp.MustCompile(`x="([0-9.]+)" y="338" text-anchor="middle">([a-z]+)<`).FindAllStringSubmatch(string(v.SVG), -1) {
			x, _ := strconv.ParseFloat(m[1], 64)
			half := ladderCharW * float64(len(m[2])) / 2
			if x-half < end {
				rt.Fatalf("word %q begins at %g, the one before ends at %g", m[2], x-half, end)
			}
			end = x + half
		}
	})
}

func TestReductionCap(t *testing.T) {
	tests := []struct {
		name, plan string
		want       float64 // 0: none
	}{
		{"given", `{"caps":{"max_reduction_db":6}}`, 6},
		{"no caps", `{}`, 0},
		{"another layout", `{"caps":[1]}`, 0},
		{"no plan", ``, 0},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			got := reductionCap(raw(tc.plan))
			if (got == nil) != (tc.want == 0) || got != nil && *got != tc.want {
				t.Errorf("got %v, want %g", got, tc.want)
			}
		})
	}
}
