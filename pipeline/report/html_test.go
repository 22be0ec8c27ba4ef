package report

import (
	"bytes"
	"encoding/xml"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
)

var pagesDir = flag.String("pages", "", "also write every scenario's pages into this folder, to look at")

// render makes the pages of a report.
func render(t testing.TB, r *Report) map[string]string {
	t.Helper()
	pages, err := pagesOf(r)
	if err != nil {
		t.Fatal(err)
	}
	return pages
}

// pagesOf makes both pages of a report, or the one that an analysis has.
func pagesOf(r *Report) (map[string]string, error) {
	var page, sheet bytes.Buffer
	if err := WriteHTML(&page, r); err != nil {
		return nil, err
	}
	out := map[string]string{"report": page.String()}
	if !r.Analysed() {
		if err := WriteCuttingSheet(&sheet, r); err != nil {
			return nil, err
		}
		out["cutting-sheet"] = sheet.String()
	}
	return out, nil
}

// rendered is every scenario with its pages, made once.
var rendered = sync.OnceValue(func() map[string]scenario {
	out := map[string]scenario{}
	for name, r := range scenarios() {
		pages, err := pagesOf(r)
		if err != nil {
			panic(err) // shown by the test that asked first
		}
		out[name] = scenario{r, pages}
	}
	return out
})

type scenario struct {
	report *Report
	pages  map[string]string
}

// everyPage runs a check on each page of each scenario.
func everyPage(t *testing.T, check func(t *testing.T, r *Report, kind, page string)) {
	for name, s := range rendered() {
		for kind, page := range s.pages {
			t.Run(name+"/"+kind, func(t *testing.T) { check(t, s.report, kind, page) })
		}
	}
}

func TestPagesAreReproducible(t *testing.T) {
	for name, s := range rendered() {
		for kind, page := range render(t, scenarios()[name]) {
			if page != s.pages[kind] {
				t.Errorf("%s/%s: the same report gave another page", name, kind)
			}
			if *pagesDir != "" {
				if err := os.WriteFile(filepath.Join(*pagesDir, strings.ReplaceAll(name, " ", "-")+"-"+kind+".html"), []byte(page), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

var anyTag = regexp.MustCompile(`<[^>]*>`)

// TestPagesNeedNoNetwork: nothing a browser would fetch or run.
func TestPagesNeedNoNetwork(t *testing.T) {
	fetches := regexp.MustCompile(`(?i)<(script|img|link|iframe|object|embed|audio|video|form|base)\b|\s(src|srcset|action|on\w+)\s*=|url\(|@import|javascript:`)
	everyPage(t, func(t *testing.T, _ *Report, _, page string) {
		if !strings.Contains(page, `http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;; style-src &#39;sha256-`) {
			t.Error("the page does not forbid the network")
		}
		tags := strings.Join(anyTag.FindAllString(page, -1), "\n")
		if m := fetches.FindString(tags); m != "" {
			t.Errorf("a tag would fetch or run something (%q)", m)
		}
		css := between(page, "<style>", "</style>")
		if css != styleSheet {
			t.Error("the style sheet in the page is not the one its policy names by hash")
		}
		if m := fetches.FindString(css); m != "" {
			t.Errorf("style sheet fetches: %q", m)
		}
		for _, m := range regexp.MustCompile(`(?i)href="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			if !strings.HasPrefix(m[1], "#") || !strings.Contains(page, `id="`+m[1][1:]+`"`) {
				t.Errorf("link %q does not lead to a place on the page", m[1])
			}
		}
	})
}

func between(s, from, to string) string {
	_, rest, _ := strings.Cut(s, from)
	out, _, _ := strings.Cut(rest, to)
	return out
}

// TestPagesAreWellFormed parses every page as XML: each tag closed, each
// attribute quoted, ids unique.
func TestPagesAreWellFormed(t *testing.T) {
	everyPage(t, func(t *testing.T, _ *Report, _, page string) {
		page = regexp.MustCompile(`<(meta|br)\b([^>]*)>`).ReplaceAllString(page, "<$1$2/>")
		dec := xml.NewDecoder(strings.NewReader(strings.TrimPrefix(page, "<!doctype html>")))
		dec.Entity = xml.HTMLEntity
		ids := map[string]bool{}
		for {
			tok, err := dec.Token()
			if err == io.EOF {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if el, ok := tok.(xml.StartElement); ok {
				for _, a := range el.Attr {
					if a.Name.Local == "id" {
						if ids[a.Value] {
							t.Errorf("id %q stands twice", a.Value)
						}
						ids[a.Value] = true
					}
				}
			}
		}
	})
}

// visible is the text a reader sees, one line per cell, without style sheet,
// drawings, code and identifiers.
func visible(page string) []string {
	for _, cut := range []string{`(?s)<style>.*?</style>`, `(?s)<svg.*?</svg>`, `(?s)<code>.*?</code>`, `(?s)<title>.*?</title>`} {
		page = regexp.MustCompile(cut).ReplaceAllString(page, "")
	}
	page = anyTag.ReplaceAllString(page, "\n")
	page = strings.NewReplacer("&#43;", "+", "&amp;", "&", "&#39;", "'", "&#34;", `"`, "&lt;", "<", "&gt;", ">").Replace(page)
	var out []string
	for _, l := range strings.Split(page, "\n") {
		if l = strings.TrimSpace(l); l != "" {
			out = append(out, l)
		}
	}
	return out
}

// TestEveryNumberHasAUnit: a cell that is only a number must be one of the few
// that carry their unit elsewhere: track numbers, counts and correlation (its
// label states the scale).
func TestEveryNumberHasAUnit(t *testing.T) {
	bare := regexp.MustCompile(`^[+\x{2212}≤≥ ]*[0-9][0-9.\x{202f}]*$`)
	everyPage(t, func(t *testing.T, _ *Report, kind, page string) {
		page = regexp.MustCompile(`(?s)data-l="track">[^<]*<`).ReplaceAllString(page, "><")
		page = regexp.MustCompile(`(?s)<tr><td class="t lead wide">[^<]*orrelation.*?</tr>`).ReplaceAllString(page, "")
		page = regexp.MustCompile(`(?s)<h2 id="asked">.*?</main>`).ReplaceAllString(page, "</main>") // values of the plan have units where a note gives one
		page = regexp.MustCompile(`</code> [0-9]+\.`).ReplaceAllString(page, "")
		page = regexp.MustCompile(`(?s)(>Slope|>Deepening|>Curvature) ratio.*?</tr>`).ReplaceAllString(page, "</tr>") // change and margin of a ratio
		for _, l := range visible(page) {
			if bare.MatchString(l) {
				t.Errorf("number without a unit: %q", l)
			}
		}
	})
}

func TestHostileTextStaysText(t *testing.T) {
	for kind, page := range rendered()["hostile"].pages {
		t.Run(kind, func(t *testing.T) {
			if strings.Contains(page, "<script") || strings.Contains(page, "<img") {
				t.Error("markup from a title reached the page")
			}
			if n := strings.Count(page, "&lt;script&gt;"); n < 3 {
				t.Errorf("hostile title shown as text %d times, want it wherever titles stand", n)
			}
		})
	}
}

func TestNoValueIsNotANumber(t *testing.T) {
	everyPage(t, func(t *testing.T, _ *Report, _, page string) {
		if m := regexp.MustCompile(`NaN|\bInf\b|&lt;nil&gt;|%!|<no value>|ZgotmplZ`).FindString(page); m != "" {
			t.Errorf("page contains %q", m)
		}
	})
	page := rendered()["silent"].pages["report"]
	if !strings.Contains(page, "digital silence") || !strings.Contains(page, "not available") {
		t.Error("a silent side does not say why its values are missing")
	}
	if strings.Contains(page, "<figure>") {
		t.Error("a silent side has plots")
	}
}

func TestVerdictWords(t *testing.T) {
	tests := []struct{ scenario, want string }{
		{"untouched", "Ready for an engineer to sign off: every checked limit holds within the stated room profile."},
		{"ordinary", "2 points need a person’s judgement"},
		{"blocked", "Not for cutting as it is: 1 point breaks the stated room profile."},
	}
	for _, tc := range tests {
		t.Run(tc.scenario, func(t *testing.T) {
			for kind, page := range rendered()[tc.scenario].pages {
				if !strings.Contains(page, tc.want) {
					t.Errorf("%s does not say %q", kind, tc.want)
				}
			}
		})
	}
	everyPage(t, func(t *testing.T, _ *Report, _, page string) {
		if strings.Contains(strings.ToLower(page), "safe to cut") {
			t.Error("the page promises that a side is safe to cut")
		}
		if !strings.Contains(page, "stated room profile") {
			t.Error("the verdict is not bound to the room profile")
		}
	})
}

// TestStatesHaveWordAndShape: no state is told by colour alone (WCAG 1.4.1).
func TestStatesHaveWordAndShape(t *testing.T) {
	marks := regexp.MustCompile(`<span class="mark [a-z]+"><span aria-hidden="true">([^<]*)</span> ([^<]*)</span>`)
	everyPage(t, func(t *testing.T, _ *Report, kind, page string) {
		all := marks.FindAllStringSubmatch(page, -1)
		if len(all) == 0 || len(all) != strings.Count(page, `class="mark `) {
			t.Fatalf("%d of %d states have a shape and a word", len(all), strings.Count(page, `class="mark `))
		}
		shapeOf := map[string]string{}
		for _, m := range all {
			if m[1] == "" || m[2] == "" {
				t.Errorf("state %q has no shape or no word", m[0])
			}
			if s := shapeOf[m[2]]; s != "" && s != m[1] {
				t.Errorf("word %q has two shapes", m[2])
			}
			shapeOf[m[2]] = m[1]
		}
	})
}

func TestChangesTable(t *testing.T) {
	tests := []struct {
		name, scenario string
		rows           int
		says           []string
	}{
		{"none", "untouched", 0, []string{"No passage was treated."}},
		{"all shown", "ordinary", 47, []string{"47 passages, strongest first."}},
		{"capped with the count", "many changes", maxChangesShown, []string{"5\u202f000 passages", "The strongest 200 are shown; the others stand in report.json."}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			part := between(rendered()[tc.scenario].pages["report"], `<h2 id="changes">`, `<h2 id="land">`)
			if got := strings.Count(part, `data-l="from"`); got != tc.rows {
				t.Errorf("%d rows, want %d", got, tc.rows)
			}
			for _, s := range tc.says {
				if !strings.Contains(part, s) {
					t.Errorf("does not say %q", s)
				}
			}
		})
	}
	t.Run("sorted by severity with times to the millisecond", func(t *testing.T) {
		part := between(rendered()["many changes"].pages["report"], `<h2 id="changes">`, `<h2 id="land">`)
		if !strings.Contains(between(part, "<tbody>", "</tr>"), "20:49.750") {
			t.Error("the strongest change, the last in time, does not come first")
		}
	})
	t.Run("a list cut short by the writer says so", func(t *testing.T) {
		r := fixture()
		r.ChangesTotal = 900
		if page := render(t, r)["report"]; !strings.Contains(page, "900 passages") || !strings.Contains(page, "The strongest 47 are shown") {
			t.Error("the count of all passages is not shown")
		}
	})
}

func TestPageSizes(t *testing.T) {
	// A page is mailed and opened on a phone: half a megabyte is the goal of
	// this project, whatever the number of changes.
	everyPage(t, func(t *testing.T, _ *Report, _, page string) {
		if len(page) > 512_000 {
			t.Errorf("page has %d bytes", len(page))
		}
	})
}

func TestCuttingSheetSays(t *testing.T) {
	tests := []struct{ name, scenario, want string }{
		{"gain to set at the lathe", "ordinary", `<p class="big">&#43;0.80` + "\u202fdB</p>"},
		{"what is in the file", "ordinary", "of which &#43;0.70\u202fdB is already in the file"},
		{"what 0 dB means", "ordinary", "1\u202f000\u202fHz tone at −14.0\u202fdBFS peak"},
		{"locked groove", "ordinary", "106.4\u202fmm ± 0.8\u202fmm"},
		{"lead-out", "ordinary", "6.4\u202fmm"},
		{"inscription", "ordinary", "PLB 0017 A  keep the lamp lit"},
		{"track start", "ordinary", "4:10.480"},
		{"land between tracks", "ordinary", "250\u202fµm"},
		{"ask the room", "ordinary", "Room values used: ask the room"},
		{"value to confirm", "ordinary", "☐ 60\u202fµm</span> top width of the unmodulated groove"},
		{"lead-in unknown", "silent", "pitch ask the room"},
		{"stereo", "ordinary", "Stereo cut."},
		{"mono", "mono", "Mono cut: both channels of the premaster are equal in every sample"},
		{"swarf", "ordinary", "highly flammable"},
		{"head heat", "ordinary", "Cutter heads burn out"},
		{"burns", "ordinary", "heated: burns"},
		{"hearing", "ordinary", "hurt hearing"},
		{"defers", "ordinary", "local codes, safety data sheets and trained practice come first"},
		{"signatures", "ordinary", "Cut by"},
		{"pitch", "ordinary", "71 to 263\u202fµm"},
		{"mean depth", "ordinary", ">40\u202fµm<"},
		{"recording characteristic", "ordinary", "apply it at the lathe, IEC 60098"},
		{"groove at its worst", "ordinary", "25.2\u202fµm <span class=\"note\">at least 25\u202fµm</span>"},
		{"what was done", "ordinary", "<code>de-ess</code> −4.6\u202fdB, 6.3\u202fs in 38 passages"},
		{"that nothing was done", "untouched", "Nothing: no stage acted."},
		{"readings to write down", "ordinary", "<b>End radius</b><span>planned 59.9\u202fmm</span>"},
		{"nothing planned for a side of silence", "silent", "<b>Locked groove diameter</b><span></span>"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if page := rendered()[tc.scenario].pages["cutting-sheet"]; !strings.Contains(page, tc.want) {
				t.Errorf("cutting sheet does not say %q", tc.want)
			}
		})
	}
	t.Run("mono that is not mono", func(t *testing.T) {
		r := fixture()
		r.Side.Mono, r.Proof.MonoExact = true, new(bool)
		if !strings.Contains(render(t, r)["cutting-sheet"], "do not cut before this is cleared") {
			t.Error("unequal channels of a mono cut are not called out")
		}
	})
}

func ExampleWriteHTML() {
	var page bytes.Buffer
	if err := WriteHTML(&page, silent()); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(between(page.String(), "<title>", "</title>"))
	// Output: Fog, Unaccompanied, side B: attention
}
