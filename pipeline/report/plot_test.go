package report

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// pathOf returns the points of the first path of that class.
func pathOf(t testing.TB, svg, class string) [][2]float64 {
	t.Helper()
	// the legend's sample ends in h22; the curve is the longer path
	for _, m := range regexp.MustCompile(`<path class="`+class+`" d="([^"]*)"`).FindAllStringSubmatch(svg, -1) {
		if strings.Contains(m[1], "h22") {
			continue
		}
		var out [][2]float64
		for _, p := range regexp.MustCompile(`[ML]([-0-9.]+) ([-0-9.]+)`).FindAllStringSubmatch(m[1], -1) {
			x, _ := strconv.ParseFloat(p[1], 64)
			y, _ := strconv.ParseFloat(p[2], 64)
			out = append(out, [2]float64{x, y})
		}
		return out
	}
	t.Fatalf("no path of class %q", class)
	return nil
}

func ramp(n int, f func(i int) float64) Curve {
	c := make(Curve, n)
	for i := range c {
		c[i] = f(i)
	}
	return c
}

// TestPeakSurvives: one sample out of many thousands is still the highest
// point of the line. Tolerance 0.05 units: coordinates have one decimal.
func TestPeakSurvives(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(2, 4000).Draw(rt, "n")
		at := rapid.IntRange(0, n-1).Draw(rt, "at")
		ys := ramp(n, func(i int) float64 { return 0 })
		ys[at] = 10
		p := plot{id: "p", quantity: "q", lines: []plotLine{{hue: 1, xs: ramp(n, func(i int) float64 { return float64(i) }), ys: ys, keep: KeepMax}}}
		top := math.Inf(1)
		pts := pathOf(t, string(p.svg()), "line h1")
		for _, q := range pts {
			top = math.Min(top, q[1])
		}
		if math.Abs(top-plotT) > 0.05 {
			rt.Fatalf("highest point at %g, want the top edge %g", top, plotT)
		}
		if len(pts) > 2*plotColumns {
			rt.Fatalf("%d points, at most two an interval, %d", len(pts), 2*plotColumns)
		}
	})
}

func TestPlotGeometry(t *testing.T) {
	xs := Curve{0, 60, 120, 180, 240}
	p := plot{id: "p", title: "T", desc: "D", quantity: "land", unit: "um", zero: true, radiusT: xs, radius: Curve{146, 136, 126, 116, 106},
		lines:  []plotLine{{name: "before", hue: 2, before: true, xs: xs, ys: Curve{0, 20, 40, 20, 0}}, {name: "after", hue: 1, xs: xs, ys: Curve{10, 20, math.NaN(), 20, 10}}},
		limits: []plotLimit{{10, "at least 10 µm"}, {9999, "far away"}}}
	svg := string(p.svg())
	t.Run("middle of the time axis", func(t *testing.T) {
		if got, want := pathOf(t, svg, "line before h2")[2], [2]float64{(plotL + plotW - plotR) / 2, plotT}; math.Abs(got[0]-want[0]) > 0.05 || math.Abs(got[1]-want[1]) > 0.05 {
			t.Errorf("point at %v, want %v", got, want)
		}
	})
	t.Run("before and after share their axes", func(t *testing.T) {
		b, a := pathOf(t, svg, "line before h2")[1], pathOf(t, svg, "line h1")[1]
		if a != b {
			t.Errorf("equal values at %v and %v", b, a)
		}
	})
	t.Run("a gap breaks the line", func(t *testing.T) {
		d := regexp.MustCompile(`<path class="line h1" d="(M[^"h]*)"`).FindStringSubmatch(svg)[1]
		if strings.Count(d, "M") != 2 || strings.Count(d, "L") != 2 {
			t.Errorf("path %q, want two runs of two points", d)
		}
	})
	for _, want := range []string{`role="img"`, `aria-labelledby="p-t p-d"`, `<title id="p-t">T</title>`, `<desc id="p-d">D</desc>`, "land, µm", "at least 10 µm", ">0:00<", ">4:00<", "time on the side, m:ss", ">140<", ">mm<"} {
		t.Run("has "+want, func(t *testing.T) {
			if !strings.Contains(svg, want) {
				t.Error("missing")
			}
		})
	}
	t.Run("a limit far off does not flatten the curve", func(t *testing.T) {
		if strings.Contains(svg, "far away") {
			t.Error("the far limit is drawn")
		}
	})
	t.Run("round radius stands where the groove reaches it", func(t *testing.T) {
		// 146 mm to 106 mm in 240 s: 140 mm at 36 s
		m := regexp.MustCompile(`x="([0-9.]+)" y="[0-9.]+" text-anchor="middle">140<`).FindStringSubmatch(svg)
		got, _ := strconv.ParseFloat(m[1], 64)
		if want := plotL + (plotW-plotL-plotR)*36/240; math.Abs(got-want) > 0.05 {
			t.Errorf("140 mm at %g, want %g", got, want)
		}
	})
}

func TestLogFrequencyAxis(t *testing.T) {
	m := fixture().Before
	svg := string(spectrumPlot(m, m).svg())
	pos := func(label string) float64 {
		f := regexp.MustCompile(`x="([0-9.]+)" y="[0-9.]+" text-anchor="middle">` + label + `<`).FindStringSubmatch(svg)
		if f == nil {
			t.Fatalf("no tick %s", label)
		}
		x, _ := strconv.ParseFloat(f[1], 64)
		return x
	}
	// Equal ratios of frequency have equal width; tolerance is two roundings to 0.1.
	if a, b := pos("1k")-pos("100"), pos("10k")-pos("1k"); math.Abs(a-b) > 0.2 {
		t.Errorf("decades are %g and %g wide", a, b)
	}
}

// TestNiceRange: ticks are round, cover the data and stay few.
func TestNiceRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(-1e5, 1e5).Draw(t, "a")
		b := a + rapid.OneOf(rapid.Float64Range(0, 1e5), rapid.Float64Range(0.01, 3)).Draw(t, "span")
		lo, hi, ticks := niceRange(a, b, 5)
		slack := 1e-6 * (hi - lo)
		if lo > a+slack || hi < b-slack || !(hi > lo) {
			t.Fatalf("%g..%g does not cover %g..%g", lo, hi, a, b)
		}
		if len(ticks) < 2 || len(ticks) > 8 || ticks[0] != lo {
			t.Fatalf("ticks %v for %g..%g", ticks, a, b)
		}
		// A label says where its tick is: within 1e-6 of a step, for float rounding.
		for _, y := range ticks {
			label := strconv.FormatFloat(y, 'f', tickDecimals(ticks), 64)
			if back, _ := strconv.ParseFloat(label, 64); math.Abs(back-y) > 1e-6*(ticks[1]-ticks[0]) {
				t.Fatalf("tick at %g is labelled %s", y, label)
			}
		}
	})
}

// TestHostilePlotValues: no value makes a drawing that a browser rejects.
func TestHostilePlotValues(t *testing.T) {
	odd := []float64{0, 1, -1, math.NaN(), 1e308, -1e308, 5e-324, math.MaxFloat64}
	rapid.Check(t, func(rt *rapid.T) {
		draw := func(name string) Curve {
			return rapid.SliceOfN(rapid.SampledFrom(odd), 0, 6).Draw(rt, name)
		}
		p := plot{id: "p", radiusT: draw("rt"), radius: draw("r"), logHz: rapid.Bool().Draw(rt, "log"), lines: []plotLine{{hue: 1, xs: draw("xs"), ys: draw("ys")}, {hue: 1, xs: draw("xb"), ys: draw("yb"), hi: draw("hi")}}}
		svg := string(p.svg())
		if m := regexp.MustCompile(`[ML"]NaN|Inf`).FindString(svg); m != "" {
			rt.Fatalf("drawing contains %q", m)
		}
	})
}

// TestStripLabelsDoNotTouch: no two labels share a line, wherever the
// programme begins and ends; rim and label stand at opposite edges.
func TestStripLabelsDoNotTouch(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		inner := rapid.Float64Range(40, 60).Draw(rt, "inner")
		outer := rapid.Float64Range(inner+8, 150).Draw(rt, "outer")
		end := rapid.Float64Range(inner-4, outer).Draw(rt, "end")
		svg := string(strip(Disc{OuterMM: outer, InnerMM: inner}, Land{StartRadius: Num(outer), EndRadiusMM: Num(end)}, nil))
		onLine := map[string][]string{}
		for _, m := range regexp.MustCompile(`<text class="tick" x="([0-9.]+)" y="([0-9.]+)"([^>]*)>([^<]*)`).FindAllStringSubmatch(svg, -1) {
			onLine[m[2]] = append(onLine[m[2]], m[4])
			// 8 units a character is wider than any of the faces the page may get at 14 units.
			x, _ := strconv.ParseFloat(m[1], 64)
			width := 8 * float64(len([]rune(m[4])))
			if strings.Contains(m[3], `"end"`) {
				x -= width
			}
			if x < 0 || x+width > 480 {
				rt.Fatalf("label %q leaves the drawing: %g to %g", m[4], x, x+width)
			}
		}
		if len(onLine) != 4 {
			rt.Fatalf("labels stand on %d lines, want 4: %v", len(onLine), onLine)
		}
		for y, texts := range onLine {
			if len(texts) > 1 && strings.Join(texts, " ") != "rim label" {
				rt.Fatalf("labels %q share line %s", texts, y)
			}
		}
	})
}

func TestStripWithoutRadiiIsLeftOut(t *testing.T) {
	if got := strip(Disc{OuterMM: 146.3, InnerMM: 57.5}, Land{}, nil); got != "" {
		t.Errorf("drew %q", got)
	}
}
