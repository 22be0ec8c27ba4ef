package api

import (
	"net/http"
	"strings"
	"testing"

	"discsafe/api/v1"
)

const releaseText = "title: Invented Harbour\ncatalogue: R 1\nsides: 2\ntracks:\n  - {file: a.wav, title: Low Water}\n  - {file: mixes/b.wav, title: Ropes, gap_s: 1.5}\n"

// A release is taken as its own kind: its length is that of all tracks with
// their gaps, nothing of it can be signed off, and lists find it.
func TestReleaseIsSubmitted(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.SideLengthS = 3 })
	in := v1.Submit{Kind: v1.Arrange, Plan: releaseText, Files: h.mixes("a")}
	j := h.jobOf(h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(in)), http.StatusCreated))
	if j.Kind != v1.Arrange || j.Title != "Invented Harbour" || j.Side != "" || j.LengthS != 4.5 || len(j.Inputs) != 2 {
		t.Errorf("got %+v", j)
	}
	h.finished(j.ID, map[string][]byte{"arrangement.json": []byte("{}"), "manifest.json": []byte("{}")})
	if j = h.jobOf(h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID, nil), http.StatusOK)); j.Signoff != nil {
		t.Errorf("an arrangement can be signed off: %+v", j.Signoff)
	}
	h.want(h.ask("engineer", http.MethodGet, "/v1/jobs/"+j.ID+"/signoff", nil), http.StatusConflict)
	for kind, want := range map[string]int{v1.Arrange: 1, v1.Analyse: 0, v1.Prepare: 0} {
		if l := decoded[v1.Jobs](t, h.want(h.ask("a", http.MethodGet, "/v1/jobs?kind="+kind, nil), http.StatusOK)); len(l.Jobs) != want {
			t.Errorf("of kind %s: %d jobs, want %d", kind, len(l.Jobs), want)
		}
	}
}

// What is wrong with a release is told as the command tells it, before a job is
// made of it.
func TestReleasesThatAreRefused(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.SideLengthS = 1 })
	files := h.mixes("a")
	for _, c := range []struct {
		name, text string
		files      []v1.Use
		kind       string
		status     int
		code, path string
	}{
		{"too many sides", strings.Replace(releaseText, "sides: 2", "sides: 3", 1), files, v1.Arrange, 422, "sides", "sides"},
		{"misspelt", "keeporder: true\n" + releaseText, files, v1.Arrange, 422, "unknown-field", "keeporder"},
		{"not given", releaseText, files[:1], v1.Arrange, 422, "mix-missing", "tracks[1].file"},
		{"too long", releaseText, files, v1.Arrange, 422, "", ""},
		{"a release as a side", releaseText, files, v1.Prepare, 422, "unknown-field", "sides"},
		{"with sound", releaseText, files, "cut", 422, "", ""},
		{"a trimmed side plan", planText, files, v1.Arrange, 422, "sides", ""},
	} {
		before := h.records()
		r := h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Kind: c.kind, Plan: c.text, Files: c.files})), c.status)
		p := r.problem()
		if c.code != "" && (len(p.Faults) == 0 || p.Faults[0].Code != c.code || p.Faults[0].Path != c.path) {
			t.Errorf("%s: %s", c.name, r.body)
		}
		if h.records() != before {
			t.Errorf("%s: a job was made", c.name)
		}
	}
	ok := decoded[v1.PlanCheck](t, h.want(h.ask("a", http.MethodPost, "/v1/plans/check", asJSON(planToCheck{Kind: v1.Arrange, Plan: releaseText})), http.StatusOK))
	if !ok.OK || !strings.Contains(ok.Plan, `"keep_order":true`) {
		t.Errorf("a check without files: %+v", ok)
	}
}
