package web_test

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/api/web"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// tuned is a groove of formulas: three turns 100 um apart, 30 um deep, moved by y
// sideways and z upwards.
func tuned(of string, y, z func(i int) float64) *v1.Groove {
	const n = 400
	g := &v1.Groove{AtS: 12.5, LengthS: 60, SpanDeg: 2, FromDeg: -1, Of: of, RadiusMM: 100, PitchUM: 100, DepthUM: 30, TurnS: 1.8, RateHz: 96000, Keep: 1,
		Title: "T", Side: "A", Limits: v1.GrooveLimits{MinWidthUM: 25, MaxDepthUM: 80, MinLandUM: 10}, Track: &v1.GrooveTrack{Number: 2, Title: "Low <Gate>"},
		LeastWidth: math.Inf(1)}
	g.StepUM = 2 * math.Pi * 100e3 / 180 / n
	land := [2]float64{}
	for k := -1; k <= 1; k++ {
		t := v1.GrooveTurn{Turn: k}
		for i := range n {
			c := -100 * float64(k)
			t.LateralUM, t.VerticalUM = append(t.LateralUM, y(i)), append(t.VerticalUM, z(i))
			h := 30 - z(i)
			t.DepthUM, t.BottomUM = append(t.DepthUM, h), append(t.BottomUM, c+y(i))
			t.OuterUM, t.InnerUM = append(t.OuterUM, c+y(i)+h), append(t.InnerUM, c+y(i)-h)
			if k == 0 {
				g.LeastWidth, g.MostDepth = min(g.LeastWidth, 2*h), max(g.MostDepth, h)
				g.LateralUM += y(i) * y(i) / n
				g.VerticalUM += z(i) * z(i) / n
			}
		}
		g.Turns = append(g.Turns, t)
	}
	g.LateralUM, g.VerticalUM = math.Sqrt(g.LateralUM), math.Sqrt(g.VerticalUM)
	m := n / 2
	h := 30 - z(m)
	land[0], land[1] = 100-2*h, 100-2*h
	g.Now = v1.GrooveMoment{OuterUM: y(m) + h, InnerUM: y(m) - h, WidthUM: 2 * h, DepthUM: h, LateralUM: y(m), VerticalUM: z(m), LandOutUM: &land[0], LandInUM: &land[1]}
	return g
}

func still(int) float64   { return 0 }
func swing(i int) float64 { return 12 * math.Sin(float64(i)/20) }
func huge(i int) float64  { return 45 * math.Sin(float64(i)/20) }

// desk is a service of one job, for the page of its groove.
type desk struct {
	web.Service
	groove func(q web.GrooveQuery) (*v1.Groove, error)
	kind   string
}

func (d desk) Job(_ context.Context, id string) (v1.Job, error) {
	return v1.Job{ID: id, Title: "Late <b>", Side: "A", State: "done", Kind: d.kind}, nil
}

func (d desk) Groove(_ context.Context, _ string, q web.GrooveQuery) (*v1.Groove, error) {
	return d.groove(q)
}

// look fetches a page of a service that is a double.
func look(t *testing.T, s web.Service, path string) *page {
	t.Helper()
	p, err := web.New(web.Options{Service: s, Session: func(http.ResponseWriter, *http.Request) {}})
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	for _, r := range p.Routes() {
		if strings.HasSuffix(r.Path, "/groove") {
			if r.Need != string(access.Listen) {
				t.Errorf("%s needs %s", r.Path, r.Need)
			}
			mux.HandleFunc(r.Method+" "+r.Path, r.Handler)
		}
	}
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil).WithContext(access.With(t.Context(), access.Open())))
	res := w.Result()
	res.Request = httptest.NewRequest(http.MethodGet, path, nil)
	return &page{res, w.Body.String()}
}

func pointsIn(t *testing.T, body, id string) (x, y []float64) {
	t.Helper()
	for p := range strings.FieldsSeq(attr(t, body, id)["points"]) {
		a, b, ok := strings.Cut(p, ",")
		u, err1 := strconv.ParseFloat(a, 64)
		v, err2 := strconv.ParseFloat(b, 64)
		if !ok || err1 != nil || err2 != nil {
			t.Fatalf("%s has the point %q", id, p)
		}
		x, y = append(x, u), append(y, v)
	}
	return x, y
}

// What is drawn lies where it was computed: within half of the last digit, far
// below the promised pixel.
func TestGroovePictureLiesWhereItWasComputed(t *testing.T) {
	for name, c := range map[string]struct{ y, z func(int) float64 }{"mono": {swing, still}, "antiphase": {still, swing}, "both": {swing, swing}} {
		t.Run(name, func(t *testing.T) {
			g := tuned("after", c.y, c.z)
			p := look(t, desk{groove: func(web.GrooveQuery) (*v1.Groove, error) { return g, nil }}, "/jobs/j1/groove?at_s=12.5&across_um=300")
			checkPage(t, p)
			const along = 2 * math.Pi * 100e3 / 180 // um in 2 degrees
			for _, turn := range g.Turns {
				for id, um := range map[string][]float64{"edge-outer-": turn.OuterUM, "bottom-": turn.BottomUM, "edge-inner-": turn.InnerUM} {
					x, y := pointsIn(t, p.body, fmt.Sprint(id, turn.Turn))
					if len(x) != len(um) {
						t.Fatalf("%s%d has %d points", id, turn.Turn, len(x))
					}
					for i := range um {
						wantX, wantY := 960*float64(i)/400, 210-um[i]*420/300
						if math.Abs(x[i]-wantX) > 0.0501 || math.Abs(y[i]-wantY) > 0.0501 {
							t.Fatalf("%s%d, point %d lies at %.1f, %.1f, want %.3f, %.3f (%g um wide)", id, turn.Turn, i, x[i], y[i], wantX, wantY, along)
						}
					}
				}
			}
			_, outer := pointsIn(t, p.body, "edge-outer-0")
			_, inner := pointsIn(t, p.body, "edge-inner-0")
			_, bottom := pointsIn(t, p.body, "bottom-0")
			least, most := math.Inf(1), math.Inf(-1)
			for i := range outer {
				least, most = min(least, inner[i]-outer[i]), max(most, inner[i]-outer[i])
			}
			// 0.1 px: two roundings.
			if name == "mono" && (most-least > 0.101 || math.Abs(most-60*1.4) > 0.101) {
				t.Errorf("the width goes from %.2f to %.2f px", least, most)
			}
			if name == "antiphase" && slices.Max(bottom) != slices.Min(bottom) {
				t.Errorf("the bottom goes from %.1f to %.1f px", slices.Min(bottom), slices.Max(bottom))
			}
		})
	}
}

func TestGrooveMovementsApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		um := rapid.Float64Range(-80, 80)
		y, z, c, h := um.Draw(t, "y"), um.Draw(t, "z"), um.Draw(t, "centre"), rapid.Float64Range(10, 80).Draw(t, "h")
		turn := &v1.GrooveTurn{LateralUM: []float64{y}, VerticalUM: []float64{z}, DepthUM: []float64{h - z}, BottomUM: []float64{c + y}, OuterUM: []float64{c + y + h - z}, InnerUM: []float64{c + y - h + z}}
		lateral, vertical, all := web.LinesOf(turn, "lateral"), web.LinesOf(turn, "vertical"), web.LinesOf(turn, "all")
		near := func(what string, got, want float64) {
			if math.Abs(got-want) > 1e-9 {
				t.Errorf("%s: %g, want %g", what, got, want)
			}
		}
		near("lateral keeps the width", lateral.Outer[0]-lateral.Inner[0], 2*h)
		near("lateral moves the bottom", lateral.Bottom[0], c+y)
		near("vertical keeps the bottom", vertical.Bottom[0], c)
		near("vertical changes the width", vertical.Outer[0]-vertical.Inner[0], 2*(h-z))
		// Both movements together are all of it.
		near("outer edge", lateral.Outer[0]+vertical.Outer[0]-c-h, all.Outer[0])
		near("inner edge", lateral.Inner[0]+vertical.Inner[0]-c+h, all.Inner[0])
	})
}

func TestGrooveScaleBars(t *testing.T) {
	for um, want := range map[float64]float64{1: 1, 1.99: 1, 2: 2, 4.9: 2, 5: 5, 99: 50, 100: 100, 0.3: 0.2, 873: 500} {
		if got := web.NiceUM(um); math.Abs(got-want) > 1e-12*want {
			t.Errorf("%g um: %g, want %g", um, got, want)
		}
	}
	g := tuned("after", swing, still)
	p := look(t, desk{groove: func(web.GrooveQuery) (*v1.Groove, error) { return g, nil }}, "/jobs/j1/groove?at_s=12.5&across_um=300")
	// 2 degrees at 100 mm are 3490.7 um: 960 px; a quarter holds 500 um, 137.5 px. Across 300 um: 420 px, 50 um are 70 px. One mil is 25.4 um.
	for id, want := range map[string]string{"along-bar": "M0 12v8M0 16h137.5M137.5 12v8", "across-bar": "M-18 -8h8M-14 -8v-70.0m-4 0h8"} {
		if got := attr(t, p.body, id)["d"]; got != want {
			t.Errorf("%s is %s, want %s", id, got, want)
		}
	}
	for _, want := range []string{"along: 500\u00a0µm (19.7\u00a0mil)", "across: 50\u00a0µm (1.97\u00a0mil)", "Across the groove is drawn 5.09 times larger than along it."} {
		if !strings.Contains(p.body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Before and after are drawn at one scale, whatever the sound.
func TestGrooveScaleIsThatOfThePlan(t *testing.T) {
	var of string
	d := desk{groove: func(q web.GrooveQuery) (*v1.Groove, error) {
		of = q.Of
		if q.Of == "before" {
			return tuned("before", still, huge), nil
		}
		return tuned("after", swing, still), nil
	}}
	bars := map[string]string{}
	for _, what := range []string{"before", "after"} {
		p := look(t, d, "/jobs/j1/groove?at_s=12.5&of="+what)
		if of != what {
			t.Errorf("asked for %s, the service for %s", what, of)
		}
		bars[what] = attr(t, p.body, "across-bar")["d"] + attr(t, p.body, "along-bar")["d"]
		if on := attr(t, p.body, "of-"+what); on["aria-current"] != "true" {
			t.Errorf("%s is not marked", what)
		}
		// The mixes would lift the cutter out of the lacquer: 45 um up from 30.
		if gone := strings.Contains(attr(t, p.body, "lifted")["class"], "gone"); gone != (what == "after") {
			t.Errorf("%s: hint on a groove that is not there: %v", what, !gone)
		}
	}
	if d := cmp.Diff(bars["before"], bars["after"]); d != "" {
		t.Error(d)
	}
}

func TestGroovePage(t *testing.T) {
	d := desk{groove: func(q web.GrooveQuery) (*v1.Groove, error) {
		switch {
		case q.AtS > 60:
			return nil, v1.NewProblem(v1.RangeRefused, "the side ends")
		case q.AtS == 7:
			return nil, v1.NewProblem(v1.NotFound, "no premaster")
		case q.AtS == 8:
			return nil, v1.NewProblem(v1.TooMany, "").After(2e9)
		}
		g := tuned("after", swing, func(i int) float64 { return swing(i) / 4 })
		if q.AtS < 2 {
			g.Turns, g.Now.LandOutUM, g.Track = g.Turns[1:], nil, nil
		}
		return g, nil
	}}
	for _, c := range []struct {
		name, query string
		status      int
		has, not    []string
	}{
		{"a moment", "?at_s=12.5", 200, []string{"Late &lt;b&gt;", "track 2, Low &lt;Gate&gt;", "0:12.500", "94 % is lateral and 6 % vertical", "mostly sideways", "30.0 &micro;m deep", "It may rise by 17.5", "It may fall by 50.0",
			`href="/jobs/j1/groove?at_s=14.3&amp;of=after&amp;span_deg=2"`, `href="/jobs/j1/groove?at_s=12.505&amp;of=after&amp;span_deg=2"`, `id="edge-outer--1"`, "groove.js", "groove.css"}, []string{"<b>", "<Gate>"}},
		{"the beginning", "", 200, []string{`id="edge-inner-1"`, "there is no turn before"}, []string{`id="edge-outer--1"`}},
		{"lateral alone", "?at_s=12.5&show=lateral&span_deg=0.5", 200, []string{`id="show-lateral" href`, `span_deg=1"`}, []string{"land 4"}},
		{"beyond the side", "?at_s=61", 422, []string{"does not reach to that moment", `aria-invalid="true"`}, []string{"<polyline", "groove.js"}},
		{"nonsense", "?at_s=x", 422, []string{"not a number of seconds"}, []string{"<polyline"}},
		{"not a number", "?at_s=NaN", 422, []string{"not a number of seconds"}, []string{"<polyline"}},
		{"too wide", "?at_s=1&span_deg=90", 422, []string{"0.5 to 60 degrees"}, []string{"<polyline"}},
		{"no groove", "?at_s=7", 404, []string{"Not found"}, []string{"<polyline"}},
		{"busy", "?at_s=8", 429, []string{"Too many requests"}, []string{"<polyline"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := look(t, d, "/jobs/j1/groove"+c.query)
			if p.StatusCode != c.status {
				t.Fatalf("status %d, want %d", p.StatusCode, c.status)
			}
			checkPage(t, p)
			for _, s := range c.has {
				if !strings.Contains(p.body, s) {
					t.Errorf("without %q", s)
				}
			}
			for _, s := range c.not {
				if strings.Contains(p.body, s) {
					t.Errorf("with %q", s)
				}
			}
		})
	}
	d.kind = v1.Analyse
	if p := look(t, d, "/jobs/j1/groove?at_s=12.5"); strings.Contains(p.body, "of-after") || !strings.Contains(p.body, "predicted") {
		t.Error("an analysis offers a premaster, or does not say that it predicts")
	}
}

// The guide's words follow the shares of lateral and vertical movement.
func TestGrooveGuide(t *testing.T) {
	scaled := func(k float64) func(int) float64 { return func(i int) float64 { return k * swing(i) } }
	for _, c := range []struct {
		name string
		y, z float64
		want string
	}{
		{"equal channels", 1, 0, "sideways alone"}, {"mostly equal", 1, 0.3, "mostly sideways"}, {"one channel", 1, 1, "both ways"},
		{"mostly opposed", 0.3, 1, "mostly up and down"}, {"opposed", 0, 1, "up and down alone"}, {"silence", 0, 0, "next to nothing moves"},
		{"too much", 0, 2.5, "wants more than there is"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := desk{groove: func(web.GrooveQuery) (*v1.Groove, error) { return tuned("after", scaled(c.y), scaled(c.z)), nil }}
			if p := look(t, d, "/jobs/j1/groove?at_s=12.5"); !strings.Contains(p.body, c.want) {
				t.Errorf("the guide does not say %q", c.want)
			}
		})
	}
}

// The script draws with the server's arithmetic: constants and formulas that
// must be the same are compared as text, since no browser runs here.
func TestGrooveScriptAgrees(t *testing.T) {
	var js []byte
	for _, name := range []string{"groove-geometry.js", "groove.js"} {
		data, err := os.ReadFile("assets/" + name)
		if err != nil {
			t.Fatal(err)
		}
		js = append(js, data...)
	}
	for what, want := range map[string]string{
		"along": `scale.widthPX / 2 + alongUM * scale.alongPX`, "across": `scale.heightPX / 2 - outwardUM * scale.acrossPX`,
		"steps of the height": `[1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]`, "mil": `mil = 25.4`, "little motion": `prefers-reduced-motion: reduce`,
	} {
		if !strings.Contains(string(js), want) {
			t.Errorf("%s: the script has no %q", what, want)
		}
	}
	// Every element that the script asks for is on the page.
	g := tuned("after", swing, still)
	p := look(t, desk{groove: func(web.GrooveQuery) (*v1.Groove, error) { return g, nil }}, "/jobs/j1/groove?at_s=12.5")
	ids := map[string]bool{}
	for _, e := range elements(t, p.body) {
		ids[e.attrs["id"]] = true
	}
	n := 0
	for _, m := range regexp.MustCompile(`\$\("([a-z0-9_-]+)"\)`).FindAllStringSubmatch(string(js), -1) {
		n++
		if !ids[m[1]] {
			t.Errorf("the script asks for %s, which the page does not have", m[1])
		}
	}
	if n < 20 {
		t.Errorf("%d elements found in the script", n)
	}
}
