package web_test

import (
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"discsafe/pipeline/report"
	"discsafe/worker/job"
)

// auditSide is an invented side with that many changes; change i (from 1) begins
// at i seconds.
func auditSide(changes int) *report.Report {
	r := &report.Report{Schema: report.Schema, Side: report.Side{Side: "A", Title: hostile, LengthS: 1252.5, SampleRate: 96000, Disc: report.Disc{RevolutionS: 1.8, OuterMM: 146}},
		Limits: report.Limits{MinWidthUM: report.Num(25), TruePeakDBTP: report.Num(-.3)},
		Verdict: report.VerdictOf([]report.Reason{{Code: "end-radius-quality", Severity: report.Attention, Text: "Ends <i>far</i> inside.", Where: &report.Place{TS: 1248.25}, Hint: "Lower the level.",
			Value: report.Num(59.9), Limit: report.Num(60.3), Unit: "mm"}}),
		Stages: []report.Stage{{ID: "sum-lows", Active: true, Decided: "Acts below 150 Hz."}, {ID: "de-ess", Active: true, Decided: "Two walls bend too tightly.", MaxChangeDB: report.Num(-4)}},
		Tracks: []report.Track{{Number: 1, Title: hostile, StartS: 0, EndS: 600}, {Number: 2, Title: "Two", StartS: 602, EndS: 1252.5}},
		Land:   report.Land{PlannedMM: report.Num(80)},
	}
	r.Before.IntegratedLUFS, r.After.IntegratedLUFS = report.Num(-14), report.Num(-13.5)
	r.Before.Groove.MinWidthUM, r.After.Groove.MinWidthUM = report.Num(20), report.Num(26)
	r.Before.MaxTruePeakDBTP, r.After.MaxTruePeakDBTP = report.Num(-1), report.Num(0)
	r.After.MarkWhere("groove.min_width_um", report.Place{TS: 61.5, Track: 1})
	for i := 1; i <= changes; i++ {
		stage, track := "de-ess", 1
		if i%3 == 0 {
			stage = "sum-lows"
		}
		if i > 600 {
			track = 2
		}
		r.Changes = append(r.Changes, report.Change{Stage: stage, StartS: float64(i), EndS: float64(i) + .5, Track: track, MaxDB: -float64(i*37%101) / 10, Measure: "curvature ratio", Before: report.Num(1.2), After: report.Num(.99), Limit: report.Num(1), Why: "<b>why</b>"})
	}
	return r
}

func (h *house) audited(r *report.Report, kind string) string {
	h.t.Helper()
	rec := h.submit("a", hostile, func(q *job.Request) { q.Kind = kind })
	text, err := json.Marshal(r)
	if err != nil {
		h.t.Fatal(err)
	}
	h.finished(rec.ID, string(r.Verdict.State), map[string]string{"premaster.wav": "sound", "cutting-sheet.html": "sheet", "report.json": string(text)})
	return rec.ID
}

func TestAuditPage(t *testing.T) {
	h := newHouse(t)
	side := auditSide(7)
	id := h.audited(side, "")
	at := "/jobs/" + id + "/audit"
	for who, want := range map[string]map[string]bool{
		"a":        {"<audit-player": true, "/signoff": false, `href="/v1/jobs/` + id + `/files/premaster.wav`: true},
		"engineer": {"<audit-player": true, "/signoff": true},
		"operator": {"<audit-player": false, "there are no players here": true, `href="/v1/jobs/` + id + `/files/premaster.wav`: false, "/files/cutting-sheet.html": true},
	} {
		p := h.want(h.get(who, at), http.StatusOK)
		checkPage(t, p)
		for part, yes := range want {
			if strings.Contains(p.body, part) != yes {
				t.Errorf("as %s, %q is there: %v", who, part, !yes)
			}
		}
	}
	p := h.get("a", at)
	for _, part := range []string{`href="#t=1248.250"`, `href="#t=61.500"`, "Ends &lt;i&gt;far&lt;/i&gt; inside.", "Found 59.90", "Acts below 150 Hz.", "≥ 25.0", "&#43;6.0", `href="#t=3.000&amp;c=3"`, "/jobs/" + id + "/groove?at_s=3.250", "No hard limit of the stated room profile is broken"} {
		if !strings.Contains(p.body, part) {
			t.Errorf("%q is missing", part)
		}
	}
	checkPage(t, h.want(h.get("b", at), http.StatusNotFound))
	waiting := h.submit("a", "Waits", nil)
	checkPage(t, h.want(h.get("a", "/jobs/"+waiting.ID+"/audit"), http.StatusConflict))
}

// The rows are those of the report's own page, word for word.
func TestAuditRowsAreTheReports(t *testing.T) {
	side := auditSide(1)
	h := newHouse(t)
	got := h.get("a", "/jobs/"+h.audited(side, "")+"/audit").body
	n := 0
	for _, s := range report.AuditOf(side).Sections {
		for _, r := range s.Rows {
			n++
			e := template.HTMLEscapeString
			want := fmt.Sprintf(`<td data-label="Before" class="number">%s</td><td data-label="After" class="number">%s</td><td data-label="Change" class="number">%s</td><td data-label="Limit" class="number">%s</td><td data-label="Margin" class="number">%s</td><td data-label="State"><span class="mark %s"><span aria-hidden="true">%s</span> %s</span></td>`,
				e(r.Before), e(r.After), e(r.Change), e(r.Limit), e(r.Margin), r.Mark.Class, r.Mark.Shape, r.Mark.Word)
			if !strings.Contains(got, strings.ReplaceAll(`<th scope="row">`+e(r.Measure), "+", "&#43;")) || !strings.Contains(got, strings.ReplaceAll(want, "+", "&#43;")) {
				t.Errorf("%s is not as in the report: want %s", r.Measure, want)
			}
		}
	}
	if n != 3 {
		t.Errorf("%d rows, want 3", n)
	}
}

// Every passage that suffers in tracing is a link that loops it, within the side.
func TestAuditAsTraced(t *testing.T) {
	h := newHouse(t)
	side := auditSide(0)
	moment := report.TracedMoment{StartS: 46.5, EndS: 48.5, AtS: 47.5, RadiusMM: 59.3, Track: 1, HZ: 7128, Tips: []report.TracedFigures{{TipUM: 12.7, CurvatureRatio: 1.2, Second: .432, Third: .25, ErrorDB: report.Num(-33.3)}}}
	side.AsTraced = &report.AsTraced{Basis: "the <b>premaster</b>", Model: "a round tip", Tips: []report.TracedTip{{TipUM: 12.7, Kind: "spherical", Design: true}},
		Tracks: []report.TracedTrack{{Number: 1, Worst: &moment, Tips: []report.TracedTime{{TipUM: 12.7, OverS: 1.5}}}, {Number: 2, Tips: []report.TracedTime{{TipUM: 12.7}}}}, Passages: []report.TracedMoment{moment}}
	p := h.want(h.get("a", "/jobs/"+h.audited(side, "")+"/audit"), http.StatusOK)
	checkPage(t, p)
	const link = `href="#t=46.500&amp;loop=46.500-48.500"`
	if n := strings.Count(p.body, link); n != 2 { // as the worst of its track, and as a passage
		t.Errorf("%d links to the passage, want 2", n)
	}
	for _, part := range []string{`id="as-traced"`, "43.2", "lifts off", "silent", "&lt;b&gt;premaster"} {
		if !strings.Contains(p.body, part) {
			t.Errorf("%q is missing", part)
		}
	}
}

// What the script needs is in the page whole, and what is in it can be read back.
func TestAuditData(t *testing.T) {
	h := newHouse(t)
	id := h.audited(auditSide(250), "")
	var text, preload string
	for _, e := range elements(t, h.get("a", "/jobs/"+id+"/audit").body) {
		if e.attrs["id"] == "audit" {
			text = e.attrs["data-audit"]
		}
		if e.attrs["rel"] == "preload" {
			preload = e.attrs["href"]
		}
	}
	var d struct {
		Job     string       `json:"job"`
		LengthS float64      `json:"length_s"`
		LUFS    [2]float64   `json:"lufs"`
		Stages  []string     `json:"stages"`
		Changes [][5]float64 `json:"changes"`
		Tracks  []struct {
			Title string `json:"title"`
		} `json:"tracks"`
	}
	if err := json.Unmarshal([]byte(text), &d); err != nil {
		t.Fatal(err)
	}
	if d.Job != id || d.LengthS != 1252.5 || d.LUFS != [2]float64{-14, -13.5} || len(d.Changes) != 250 || d.Tracks[0].Title != hostile || d.Changes[8] != [5]float64{9, 9, 9.5, -3, 0} || d.Stages[1] != "de-ess" {
		t.Errorf("%.300s", text)
	}
	// The script asks for the same address; otherwise it is fetched twice.
	if want := "/v1/jobs/" + id + "/timeline?bins=512&from_s=0&to_s=1252.5"; preload != want {
		t.Errorf("preloads %s, want %s", preload, want)
	}
}

var changeRow = regexp.MustCompile(`data-change="(\d+)"`)

func TestAuditSortsOnTheServer(t *testing.T) {
	h := newHouse(t)
	side := auditSide(250)
	id := h.audited(side, "")
	get := func(query string) (rows []int, p *page) {
		p = h.want(h.get("a", "/jobs/"+id+"/audit"+query), http.StatusOK)
		checkPage(t, p)
		for _, m := range changeRow.FindAllStringSubmatch(p.body, -1) {
			n, err := strconv.Atoi(m[1])
			if err != nil {
				t.Fatal(err)
			}
			rows = append(rows, n)
		}
		return rows, p
	}
	amount := func(n int) float64 { return math.Abs(side.Changes[n-1].MaxDB) }
	for name, c := range map[string]struct {
		sort string
		less func(a, b int) bool // may a stand before b
		aria string
	}{
		"amount":       {"amount", func(a, b int) bool { return amount(a) >= amount(b) }, "descending"},
		"amount, back": {"amount&dir=back", func(a, b int) bool { return amount(a) <= amount(b) }, "ascending"},
		"time":         {"time", func(a, b int) bool { return a < b }, "ascending"},
		"time, back":   {"time&dir=back", func(a, b int) bool { return a > b }, "descending"},
		"stage":        {"stage", func(a, b int) bool { return side.Changes[a-1].Stage <= side.Changes[b-1].Stage }, "ascending"},
		"track":        {"track", func(a, b int) bool { return side.Changes[a-1].Track <= side.Changes[b-1].Track }, "ascending"},
		"nonsense":     {"zzz", func(a, b int) bool { return amount(a) >= amount(b) }, "descending"},
	} {
		var all []int
		for page := 1; page <= 3; page++ {
			rows, p := get(fmt.Sprintf("?sort=%s&page=%d", c.sort, page))
			all = append(all, rows...)
			if !strings.Contains(p.body, `aria-sort="`+c.aria+`"`) || strings.Count(p.body, "aria-sort=") != 1 {
				t.Errorf("%s: not said to be %s", name, c.aria)
			}
			if got := strings.Contains(p.body, `rel="next"`); got != (page < 3) {
				t.Errorf("%s, page %d: a next page %v", name, page, got)
			}
		}
		for i := 1; i < len(all); i++ {
			if !c.less(all[i-1], all[i]) {
				t.Errorf("%s: %d before %d", name, all[i-1], all[i])
			}
		}
		slices.Sort(all)
		if all = slices.Compact(all); len(all) != 250 {
			t.Errorf("%s: %d different changes on three pages, want 250", name, len(all))
		}
	}
	if rows, _ := get("?page=99"); len(rows) != 50 {
		t.Errorf("a page too far has %d rows, want those of the last", len(rows))
	}
	if rows, _ := get("?page=-1"); len(rows) != 100 {
		t.Errorf("%d rows", len(rows))
	}
}

func TestAuditOfAnAnalysis(t *testing.T) {
	h := newHouse(t)
	side := auditSide(0)
	side.Kind = report.AnalyseKind
	side.After = report.Measures{}
	side.Prediction = &report.Prediction{}
	p := h.want(h.get("engineer", "/jobs/"+h.audited(side, job.Analyse)+"/audit"), http.StatusOK)
	checkPage(t, p)
	for part, yes := range map[string]bool{"<audit-player": false, "/signoff": false, "predicted: attention": true, "there is no premaster to listen to": true} {
		if strings.Contains(p.body, part) != yes {
			t.Errorf("%q is there: %v", part, !yes)
		}
	}
}
