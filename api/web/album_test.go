package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"discsafe/worker/job"
)

// arrangementText is what a job has found that divided three tracks over two sides.
const arrangementText = `{"schema":"discsafe-arrangement/1","title":"Invented <b>Harbour","disc":"12in-33","room":"generic room","cutting_speed":"full","sides":2,"keep_order":true,"same_level":false,
"outer_mm":146.3,"inner_mm":60.3,"objective":"least difference","proof":{"optimal":true,"method":"every division weighed","weighed":2},"best":[
{"rank":1,"holds":true,"difference_db":0.2,"level_db":1.5,"curvature_ratio":1.12,"sides":[
{"side":"A","level_db":1.7,"planned_level_db":1.6,"length_s":754,"end_radius_mm":74.2,"curvature_ratio":1.12,"de_ess_s":3.4,"limit_sides_s":0,"plan":"rank-1-side-a.yaml","tracks":[{"number":1,"title":"Low Water","radius_mm":146.3},{"number":2,"title":"Ropes","radius_mm":101}]},
{"side":"B","level_db":1.5,"planned_level_db":1.5,"length_s":600,"end_radius_mm":66,"curvature_ratio":0.8,"de_ess_s":0,"limit_sides_s":0,"plan":"rank-1-side-b.yaml","tracks":[{"number":3,"title":"Last Ferry","radius_mm":146.3}]}]}]}`

const arrangedPlan = "side: A\ntitle: Invented Harbour\ntracks:\n- {file: mixes/low-water.wav, title: Low Water}\n"

// albumOf is a release that was submitted on the page, with two mixes.
func (h *house) albumOf(who string, change map[string]string) *page {
	h.t.Helper()
	p := h.want(h.get(who, "/album"), http.StatusOK)
	return h.sendParts(who, "/album", with(fields(h.t, p.body), change,
		part{"k1.file", "low-water.wav", silence(2, 44100, 2)}, part{"k2.file", "ropes.wav", silence(3, 44100, 2)}, part{field: "do", value: "submit"}))
}

// An album is submitted by its form, without script; the job has the release as
// it was filled in.
func TestAlbumIsSubmitted(t *testing.T) {
	h := newHouse(t)
	p := h.want(h.albumOf("a", map[string]string{"title": "Invented Harbour", "order": "free", "same_level": "on", "k2.hold": "first"}), http.StatusSeeOther)
	id := strings.TrimPrefix(p.Header.Get("Location"), "/jobs/")
	rec, err := h.ledger.Get(t.Context(), id)
	if err != nil || rec.Request.Kind != job.Arrange || rec.Request.Title != "Invented Harbour" || len(rec.Request.Inputs) != 2 {
		t.Fatalf("%+v %v", rec, err)
	}
	page := h.want(h.get("a", "/jobs/"+id), http.StatusOK)
	for _, want := range []string{"keep_order: false", "same_level: true", "sides: 2", "hold: &#34;first&#34;", "Arrange: divides a release over sides"} {
		if !strings.Contains(page.body, want) {
			t.Errorf("the job's page does not say %q", want)
		}
	}
	h.finished(id, "ready", map[string]string{"arrangement.json": arrangementText, "arrangement.html": "x", "rank-1-side-a.yaml": arrangedPlan, "manifest.json": "{}"})
	// The form of a revision has what the release had, wherever it is asked for.
	for _, at := range []string{"/submit?revises=" + id, "/jobs/" + id + "/revise"} {
		if to := h.want(h.get("a", at), http.StatusSeeOther).Header.Get("Location"); to != "/album?revises="+id {
			t.Errorf("%s leads to %s", at, to)
		}
	}
	got := values(fields(t, h.want(h.get("a", "/album?revises="+id), http.StatusOK).body))
	for name, want := range map[string]string{"title": "Invented Harbour", "order": "free", "same_level": "on", "k2.hold": "first", "k1.name": "low-water.wav", "sides": "2", "revises": id} {
		if got.Get(name) != want {
			t.Errorf("%s is %q in the form, want %q", name, got.Get(name), want)
		}
	}
	if len(got.Get("k1.sha")) != 64 {
		t.Error("the form does not know the mix")
	}
}

// What is wrong with a release stands beside its field, and nothing is lost.
func TestAlbumFaults(t *testing.T) {
	h := newHouse(t)
	for name, c := range map[string]struct {
		change map[string]string
		at     string
	}{
		"too many sides":      {map[string]string{"sides": "3"}, "f-sides"},
		"no number":           {map[string]string{"sides": "two"}, "f-sides"},
		"two open it":         {map[string]string{"k1.hold": "first", "k2.hold": "first"}, "f-k2-hold"},
		"a code of no form":   {map[string]string{"k1.isrc": "XX"}, "f-k1-isrc"},
		"caps that are apart": {map[string]string{"caps.min_level_db": "7"}, "f-caps-min_level_db"},
	} {
		p := h.want(h.albumOf("a", c.change), http.StatusUnprocessableEntity)
		found := false
		for _, e := range elements(t, p.body) {
			if e.attrs["id"] == c.at+"-fault" {
				_, hidden := e.attrs["hidden"]
				found = !hidden && e.inner != ""
			}
		}
		if !found {
			t.Errorf("%s: no fault at %s", name, c.at)
		}
		if v := values(fields(t, p.body)); len(v.Get("k2.sha")) != 64 {
			t.Errorf("%s: the mixes are lost", name)
		}
	}
}

// The page of an arrangement says what was found, and leads from a side to a form
// that holds its plan and the mixes of the job.
func TestArrangementPage(t *testing.T) {
	h := newHouse(t)
	mix := string(silence(2, 44100, 2))
	h.want(h.sendParts("a", "/submit", []part{{"k1.file", "low-water.wav", []byte(mix)}, {field: "row", value: "k1"}, {field: "do", value: "check"}}), http.StatusOK)
	rec := h.submit("a", "Invented Harbour", func(q *job.Request) {
		q.Kind, q.Side = job.Arrange, ""
		q.Inputs = []job.Input{{Name: "mixes/low-water.wav", Key: "mix/a/x", Bytes: int64(len(mix)), SHA256: sum([]byte(mix))}}
	})
	h.want(h.get("a", "/jobs/"+rec.ID+"/arrangement"), http.StatusConflict)
	h.finished(rec.ID, "ready", map[string]string{"arrangement.json": arrangementText, "arrangement.html": "x", "rank-1-side-a.yaml": arrangedPlan, "manifest.json": "{}"})
	if p := h.want(h.get("a", "/jobs/"+rec.ID), http.StatusOK); !strings.Contains(p.body, `href="/jobs/`+rec.ID+`/arrangement"`) || strings.Contains(p.body, "/signoff") {
		t.Error("the job's page does not lead to the arrangement, or leads to a sign-off")
	}
	p := h.want(h.get("a", "/jobs/"+rec.ID+"/arrangement"), http.StatusOK)
	for _, want := range []string{"proven best", "nothing is better than the first one", "Side A: 1, 2, ending with Ropes; side B: 3, ending with Last Ferry.", "Invented &lt;b&gt;Harbour", "12:34"} {
		if !strings.Contains(p.body, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
	form := ""
	for _, e := range elements(t, p.body) {
		if e.attrs["id"] == "prepare-1-A" {
			form = e.attrs["href"]
		}
	}
	if u, err := url.Parse(form); err != nil || u.Path != "/submit" {
		t.Fatalf("a side leads to %q", form)
	}
	got := values(fields(t, h.want(h.get("a", form), http.StatusOK).body))
	for name, want := range map[string]string{"side": "A", "title": "Invented Harbour", "k1.title": "Low Water", "k1.sha": sum([]byte(mix)), "kind": "prepare", "revises": ""} {
		if got.Get(name) != want {
			t.Errorf("%s is %q in the form, want %q", name, got.Get(name), want)
		}
	}
	for _, at := range []string{"/jobs/" + rec.ID + "/arrangement", form} {
		h.want(h.get("b", at), http.StatusNotFound)
	}
	h.want(h.get("a", "/submit?arranged="+rec.ID+"&plan=manifest.json"), http.StatusNotFound)
	if p := h.want(h.get("operator", "/jobs/"+rec.ID+"/arrangement"), http.StatusOK); strings.Contains(p.body, "prepare-1-A") != strings.Contains(h.get("operator", "/jobs").body, `href="/submit"`) {
		t.Error("who may not submit is led to the form")
	}
	h.want(h.get("nobody", "/album", "Accept", "text/html"), http.StatusSeeOther)
}
