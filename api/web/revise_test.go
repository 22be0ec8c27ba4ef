package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"discsafe/worker/job"
)

const revisePlan = `# a remark that must stay
side: A
title: First & <last>
cutting_speed: half # so the room wants it
level: -2   # asked for
tracks:
  - file: mixes/a.wav
    title: "</textarea><script>alert(1)</script>"
notes: |
  level: 7
  more
`

// revisable is a job of studio a that can be run again: its mix is here.
func (h *house) revisable() string {
	h.t.Helper()
	p := h.want(h.sendForm("a", with(fields(h.t, h.get("a", "/submit").body), map[string]string{"side": "A", "do": "submit"}, part{"k1.file", "a.wav", silence(2, 44100, 2)})), http.StatusSeeOther)
	first := strings.TrimPrefix(p.Header.Get("Location"), "/jobs/")
	r, err := h.ledger.Get(h.t.Context(), first)
	if err != nil {
		h.t.Fatal(err)
	}
	key := "blob/plan-" + sum([]byte(revisePlan))
	if _, err := h.store.Put(h.t.Context(), key, strings.NewReader(revisePlan)); err != nil {
		h.t.Fatal(err)
	}
	return h.signable("a", "First & <last>", func(q *job.Request) {
		q.Plan = job.Input{Name: "plan.yaml", Key: key, Bytes: int64(len(revisePlan)), SHA256: sum([]byte(revisePlan))}
		q.Inputs = []job.Input{r.Request.Inputs[0]}
		q.Inputs[0].Name = "mixes/a.wav"
	}).ID
}

func TestRevisePage(t *testing.T) {
	h := newHouse(t)
	id := h.revisable()
	at := "/jobs/" + id + "/revise"
	wantIn(t, h.get("a", "/jobs/"+id), `href="`+at+`"`)
	p := h.want(h.get("a", at), http.StatusOK)
	checkPage(t, p)
	wantIn(t, p, "# a remark that must stay", "&lt;/textarea&gt;", "Nothing yet.")
	wantOut(t, p, "<script>alert")
	h.want(h.get("b", at), http.StatusNotFound)
	h.want(h.post("b", at, url.Values{"plan": {revisePlan}, "do": {"submit"}}), http.StatusNotFound)
	h.want(h.get("a", "/jobs/7zzzzzzzzzzzzzzzzzzzzzzzzz/revise"), http.StatusNotFound)
	key := attr(t, p.body, "revise")
	if key["action"] != at {
		t.Errorf("the form goes to %q", key["action"])
	}
	// As a browser sends it: line ends of two characters.
	form := func(plan string, more ...string) url.Values {
		v := url.Values{"key": {"form-test"}, "plan": {strings.ReplaceAll(plan, "\n", "\r\n")}, "kind": {"prepare"}, "lane": {"bulk"}, "do": {"check"}}
		for i := 0; i+1 < len(more); i += 2 {
			v.Set(more[i], more[i+1])
		}
		return v
	}
	for name, c := range map[string]struct {
		form    url.Values
		status  int
		in, out []string
	}{
		"good":         {form(revisePlan), 200, []string{"The plan has no fault; the side is 0:02 min long", "Nothing yet."}, []string{`aria-invalid`}},
		"level put in": {form(revisePlan, "level", "-1.5", "do", "put"), 200, []string{"The plan has no fault", "&#43; level: -1.5", "- level: -2", "level: 7"}, []string{`value="-1.5"`}},
		"fit":          {form(revisePlan, "level", "Fit"), 200, []string{"&#43; level: fit"}, nil},
		"no number":    {form(revisePlan, "level", "loud <b>"), 422, []string{"Write fit, or a number of dB", `value="loud &lt;b&gt;"`, "# a remark that must stay"}, []string{"<b>"}},
		"hexadecimal":  {form(revisePlan, "level", "0x10"), 422, []string{"Write fit, or a number of dB"}, nil},
		"out of range": {form(revisePlan, "level", "99"), 422, []string{"<strong>Line 5</strong>, <code>level</code>", `class="bad"`}, nil},
		"generic room": {form(revisePlan, "room", "generic", "do", "put"), 200, []string{"&#43; room: generic"}, nil},
		"room unknown": {form(revisePlan, "room", "file:none.yaml", "do", "put"), 422, []string{"none.yaml", "was not given"}, nil},
		"bad line":     {form(strings.Replace(revisePlan, "title: First", "titel: First", 1)), 422, []string{"<strong>Line 3</strong>", "<code>titel: First &amp; &lt;last&gt;</code><p class=\"fault\">", "# a remark that must stay"}, nil},
		"other mix":    {form(strings.Replace(revisePlan, "a.wav", "b.wav", 1)), 422, []string{"<strong>Line 7</strong>", "b.wav", "was not given", "submit on the form with mixes"}, nil},
		"no YAML":      {form("{{{"), 422, []string{"{{{", "What is wrong with the plan"}, nil},
		"empty":        {form(""), 422, []string{"What is wrong with the plan"}, nil},
		"unknown kind": {form(revisePlan, "kind", "burn", "do", "submit"), 422, []string{"kind", "# a remark that must stay"}, nil},
		"too large":    {form(revisePlan + strings.Repeat("# long\n", 50000)), 422, []string{"# long", "262144"}, nil},
		"as JSON":      {form(`{"side":"A","tracks":[{"file":"mixes/a.wav"}]}`, "level", "1"), 422, []string{"Change the level in the plan itself", `value="1"`}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			p := h.want(h.post("a", at, c.form), c.status)
			checkPage(t, p)
			wantIn(t, p, c.in...)
			wantOut(t, p, c.out...)
		})
	}
	send := form(strings.Replace(revisePlan, "more", "more remarks", 1), "level", "-3", "as_traced", "on", "do", "submit")
	p = h.want(h.post("a", at, send), http.StatusSeeOther)
	to, _, _ := strings.Cut(p.Header.Get("Location"), "?")
	made := strings.TrimPrefix(to, "/jobs/")
	r, err := h.ledger.Get(t.Context(), made)
	if err != nil {
		t.Fatal(err)
	}
	if q := r.Request; q.Revises != id || q.Studio != "a" || q.Lane != "bulk" || !q.AsTraced || q.Revision != 2 || len(q.Inputs) != 1 || q.Inputs[0].Name != "mixes/a.wav" {
		t.Errorf("made %+v", q)
	}
	wantIn(t, h.get("a", "/v1/jobs/"+made+"/plan"), "level: -3\n", "more remarks", "# a remark that must stay", "cutting_speed: half # so")
	p = h.want(h.get("a", p.Header.Get("Location")), http.StatusOK)
	checkPage(t, p)
	wantIn(t, p, "The new revision is accepted", "2, this one")
	if again := h.post("a", at, send); again.Header.Get("Location") != to+"?did=revise" {
		t.Errorf("the form sent twice made another job: %s", again.Header.Get("Location"))
	}
	send.Set("level", "-4")
	p = h.want(h.post("a", at, send), http.StatusConflict)
	checkPage(t, p)
	wantIn(t, p, "already made from this form", "level: -4")
	if strings.Contains(p.body, `value="form-test"`) {
		t.Error("the used key is kept")
	}
	p = h.want(h.post("engineer", at, form(revisePlan, "do", "submit", "key", "form-other")), http.StatusSeeOther)
	to, _, _ = strings.Cut(p.Header.Get("Location"), "?")
	if r, err = h.ledger.Get(t.Context(), strings.TrimPrefix(to, "/jobs/")); err != nil || r.Request.Studio != "a" {
		t.Errorf("an engineer revises for %+v, %v", r, err)
	}
}
