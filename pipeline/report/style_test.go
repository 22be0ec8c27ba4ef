package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

type rgb [3]float64

func parseHex(t testing.TB, s string) rgb {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(s, "#"), 16, 32)
	if err != nil || len(s) != 7 {
		t.Fatalf("colour %q is not #rrggbb", s)
	}
	return rgb{float64(n >> 16), float64(n >> 8 & 255), float64(n & 255)}
}

// luminance and contrast follow WCAG 2.2, definitions of relative luminance
// and contrast ratio.
func (c rgb) luminance() float64 {
	var lin rgb
	for i, v := range c {
		v /= 255
		if v <= 0.04045 {
			lin[i] = v / 12.92
		} else {
			lin[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*lin[0] + 0.7152*lin[1] + 0.0722*lin[2]
}

func contrast(a, b rgb) float64 {
	x, y := a.luminance(), b.luminance()
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

// hue is the angle on the colour circle, in degrees.
func (c rgb) hue() float64 {
	h := math.Atan2(math.Sqrt(3)*(c[1]-c[2]), 2*c[0]-c[1]-c[2]) * 180 / math.Pi
	return math.Mod(h+360, 360)
}

// Sources: WCAG 2.2 (21:1 for black on white); #767676 on white is widely
// published as the lightest grey that passes 4.5:1, at 4.54:1.
func TestContrastOracle(t *testing.T) {
	for _, tc := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#767676", "#ffffff", 4.54}, {"#0000ff", "#ffffff", 8.59}} {
		if got := contrast(parseHex(t, tc.a), parseHex(t, tc.b)); math.Abs(got-tc.want) > 0.005 {
			t.Errorf("contrast of %s on %s is %.3f, want %.2f", tc.a, tc.b, got, tc.want)
		}
	}
}

// themes reads the colours of light, dark and print from the style sheet; each
// theme overrides the one before it.
func themes(t testing.TB) map[string]map[string]rgb {
	t.Helper()
	out := map[string]map[string]rgb{}
	blocks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(styleSheet, -1)
	if len(blocks) != 3 {
		t.Fatalf("style sheet has %d themes, want light, dark and print", len(blocks))
	}
	for i, name := range []string{"light", "dark", "print"} {
		out[name] = map[string]rgb{}
		for _, m := range regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{6});`).FindAllStringSubmatch(blocks[i][1], -1) {
			out[name][m[1]] = parseHex(t, m[2])
		}
	}
	for k := range out["light"] {
		for name, theme := range out {
			if _, ok := theme[k]; !ok {
				t.Errorf("theme %s does not set --%s", name, k)
			}
		}
	}
	return out
}

// TestContrast holds WCAG 2.2: 1.4.3 asks 4.5:1 of text, 1.4.11 asks 3:1 of
// graphics that carry meaning.
func TestContrast(t *testing.T) {
	pairs := []struct {
		least        float64
		fronts, back string
	}{
		{4.5, "ink muted act ok look over", "paper"},
		{4.5, "ink muted act ok look over", "panel"},
		{4.5, "ink muted ok", "ok-wash"}, {4.5, "ink muted look", "look-wash"}, {4.5, "ink muted over look", "over-wash"},
		{4.5, "on-cut", "cut0"}, {4.5, "on-cut", "cut1"},
		{3, "h1 h2 h3 h4 edge mark cut0 cut1", "panel"},
		{3, "h1 h2 h3 h4 edge mark cut0 cut1", "paper"},
		{3, "cut0 cut1", "blank"},
	}
	for name, theme := range themes(t) {
		t.Run(name, func(t *testing.T) {
			for _, p := range pairs {
				for _, f := range strings.Fields(p.fronts) {
					if got := contrast(theme[f], theme[p.back]); got < p.least {
						t.Errorf("--%s on --%s has contrast %.2f:1, want %.1f:1", f, p.back, got, p.least)
					}
				}
			}
		})
	}
}

// TestHuesAreOkabeIto: lines of plots use the set of Okabe and Ito (Color
// Universal Design, 2008), darkened where 3:1 asks for it, never turned to
// another hue. Tolerance 6 degrees: less than half of the closest two hues.
func TestHuesAreOkabeIto(t *testing.T) {
	set := []string{"#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}
	for name, theme := range themes(t) {
		for i := 1; i <= 4; i++ {
			got := theme[fmt.Sprintf("h%d", i)].hue()
			best := 360.0
			for _, s := range set {
				d := math.Abs(got - parseHex(t, s).hue())
				best = math.Min(best, math.Min(d, 360-d))
			}
			if best > 6 {
				t.Errorf("%s: --h%d is %.1f degrees from every hue of the set", name, i, best)
			}
		}
	}
}

func TestBeforeIsDashedAndThinner(t *testing.T) {
	after := regexp.MustCompile(`svg \.line \{[^}]*stroke-width: ([0-9.]+)`).FindStringSubmatch(styleSheet)
	before := regexp.MustCompile(`svg \.line\.before \{ stroke-width: ([0-9.]+); stroke-dasharray`).FindStringSubmatch(styleSheet)
	if after == nil || before == nil || !(before[1] < after[1]) {
		t.Errorf("before %v and after %v cannot be told apart in grey", before, after)
	}
}

// TestPrintKeepsThingsWhole: no row, drawing or box may be cut by the end of a
// page, heads of tables come again, pages are numbered and take the paper
// they are given, A4 or Letter.
func TestPrintKeepsThingsWhole(t *testing.T) {
	print := ""
	for _, part := range strings.Split(styleSheet, "@media ")[1:] {
		if strings.HasPrefix(part, "print") {
			print += part
		}
	}
	whole := map[string]bool{}
	for _, m := range regexp.MustCompile(`([^{}]*)\{ break-inside: avoid; \}`).FindAllStringSubmatch(styleSheet, -1) {
		for _, sel := range strings.Split(m[1], ",") {
			whole[strings.TrimSpace(sel)] = true
		}
	}
	for _, sel := range []string{"tr", "figure", ".card", ".stage", ".facts div", ".strip-box", ".ladder-box", ".keep", ".cols", ".signatures", ".gain"} {
		if !whole[sel] {
			t.Errorf("%s may be cut by the end of a page", sel)
		}
	}
	for _, want := range []string{"thead { display: table-header-group; }", "counter(page)", "counter(pages)"} {
		if !strings.Contains(print, want) {
			t.Errorf("print lacks %q", want)
		}
	}
	if regexp.MustCompile(`@page[^}]*\bsize:`).MatchString(print) {
		t.Error("the page names a paper size; half the readers have the other one")
	}
}
