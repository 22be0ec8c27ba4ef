package web_test

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"discsafe/api/web"
	"discsafe/worker/job"
)

const hostile = `"><script>alert(1)</script><img src=x onerror='alert(2)'>{{.}}`

// checkPage holds for every page whatever it shows.
func checkPage(t *testing.T, p *page) {
	t.Helper()
	if got := p.Header.Get("Content-Security-Policy"); got != web.Policy || !strings.HasPrefix(got, "default-src 'self';") || strings.Contains(got, "unsafe") {
		t.Errorf("%s: policy %q", p.Request.URL, got)
	}
	// WHATWG Fetch, "serializing a request origin": with no-referrer a form's POST says "Origin: null".
	if got := p.Header.Get("Referrer-Policy"); got != "same-origin" {
		t.Errorf("%s: Referrer-Policy %q", p.Request.URL, got)
	}
	if got := p.Header.Get("Content-Type"); got != "text/html; charset=utf-8" {
		t.Errorf("%s: %s", p.Request.URL, got)
	}
	if got := p.Header.Get("Cache-Control"); got != "no-store" {
		t.Errorf("%s: Cache-Control %s", p.Request.URL, got)
	}
	if !strings.HasPrefix(p.body, "<!doctype html>\n<html lang=\"en\">") {
		t.Errorf("%s begins %.60q", p.Request.URL, p.body)
	}
	if strings.Contains(p.body, "ZgotmplZ") {
		t.Errorf("%s: the template engine refused a value", p.Request.URL)
	}
	checkOrder(t, p)
	labels, ids, count := map[string]bool{}, map[string]bool{}, map[string]int{}
	all := elements(t, p.body)
	for _, e := range all {
		count[e.name]++
		if e.name == "label" {
			if to := e.attrs["for"]; to != "" {
				labels[to] = true
			}
		}
		if id, ok := e.attrs["id"]; ok {
			if ids[id] {
				t.Errorf("%s: id %q twice", p.Request.URL, id)
			}
			ids[id] = true
		}
	}
	for _, e := range all {
		for name, v := range e.attrs {
			low := strings.ToLower(strings.TrimSpace(v))
			switch {
			case name == "style", strings.HasPrefix(strings.ToLower(name), "on"), strings.HasPrefix(low, "javascript:"):
				t.Errorf("%s: <%s %s=%q>", p.Request.URL, e.name, name, v)
			case (name == "src" || name == "href" || name == "action") && (!strings.HasPrefix(v, "/") && !strings.HasPrefix(v, "#") || strings.HasPrefix(v, "//")):
				t.Errorf("%s: <%s %s=%q> leads outside", p.Request.URL, e.name, name, v)
			case name == "aria-describedby" || name == "aria-labelledby":
				for id := range strings.FieldsSeq(v) {
					if !ids[id] {
						t.Errorf("%s: %s=%q leads nowhere", p.Request.URL, name, id)
					}
				}
			}
		}
		switch e.name {
		case "script":
			if e.attrs["src"] == "" || strings.TrimSpace(e.inner) != "" {
				t.Errorf("%s: script within the page: %q", p.Request.URL, e.inner)
			}
		case "style", "iframe", "object", "embed", "base":
			t.Errorf("%s: <%s>", p.Request.URL, e.name)
		case "input", "select", "textarea", "progress":
			if e.attrs["type"] != "hidden" && !labels[e.attrs["id"]] && !slices.Contains(e.within, "label") && e.attrs["aria-label"] == "" && e.attrs["aria-labelledby"] == "" {
				t.Errorf("%s: <%s name=%q> has no label", p.Request.URL, e.name, e.attrs["name"])
			}
		case "form":
			if m := e.attrs["method"]; m != "get" && m != "post" {
				t.Errorf("%s: form by %q", p.Request.URL, m)
			}
		case "title":
			if strings.TrimSpace(strings.TrimSuffix(e.inner, "- discsafe")) == "" {
				t.Errorf("%s has no title", p.Request.URL)
			}
		}
	}
	for _, once := range []string{"title", "h1", "main"} {
		if count[once] != 1 {
			t.Errorf("%s: %d <%s>", p.Request.URL, count[once], once)
		}
	}
	if !ids["main"] || !strings.Contains(p.body, `<a class="skip" href="#main">`) {
		t.Errorf("%s: nothing to skip to", p.Request.URL)
	}
}

// checkOrder: the tab key goes through a page as it is written, what skips the
// head of the page comes first, and no level of headings is left out (WCAG 2.2,
// 2.4.3, 2.4.1 and 1.3.1).
func checkOrder(t *testing.T, p *page) {
	t.Helper()
	first, level := true, 0
	for _, e := range elements(t, p.body) {
		if i := e.attrs["tabindex"]; i != "" && i != "0" && i != "-1" {
			t.Errorf("%s: <%s tabindex=%q> takes the keyboard out of the order", p.Request.URL, e.name, i)
		}
		if (e.name == "a" || e.name == "button" || e.name == "input") && first {
			first = false
			if e.attrs["class"] != "skip" {
				t.Errorf("%s: the first stop is <%s>", p.Request.URL, e.name)
			}
		}
		if len(e.name) == 2 && e.name[0] == 'h' && e.name[1] >= '1' && e.name[1] <= '6' {
			n := int(e.name[1] - '0')
			if n > level+1 {
				t.Errorf("%s: <%s> %q after a heading of level %d", p.Request.URL, e.name, e.inner, level)
			}
			level = n
		}
		if e.name == "th" && e.attrs["scope"] == "" {
			t.Errorf("%s: a heading of a table, %q, of neither column nor row", p.Request.URL, e.inner)
		}
	}
}

// Every page, as every kind of caller.
func TestWhoSeesWhat(t *testing.T) {
	h := newHouse(t)
	open, done := h.submit("a", hostile, nil), h.submit("a", hostile, nil)
	h.work(done.ID, "attention")
	own, away := map[string]bool{"a": true, "engineer": true, "operator": true}, http.StatusNotFound
	for who := range h.who {
		for _, path := range []string{"/jobs", "/jobs?state=done", "/jobs?q=nothing-has-this", "/jobs?state=none", "/jobs/" + open.ID, "/jobs/" + done.ID,
			"/jobs/" + open.ID + "/cancel", "/jobs/" + done.ID + "/delete", "/jobs/" + done.ID + "/retry", "/jobs/none", "/jobs/" + open.ID + "/none"} {
			p := h.get(who, path)
			if who == "nobody" {
				if h.want(p, http.StatusSeeOther); p.Header.Get("Location") != "/signin?next="+url.QueryEscape(path) {
					t.Errorf("%s leads to %s", path, p.Header.Get("Location"))
				}
				continue
			}
			want := http.StatusOK
			switch {
			case strings.HasSuffix(path, "none") && !strings.Contains(path, "?"):
				want = away
			case path == "/jobs?state=none":
				want = http.StatusUnprocessableEntity
			case strings.HasPrefix(path, "/jobs/") && !own[who]:
				want = away
			}
			checkPage(t, h.want(p, want))
			if !own[who] && (strings.Contains(p.body, open.ID) || strings.Contains(p.body, done.ID) || strings.Contains(p.body, "alert(")) {
				t.Errorf("%s tells %s of another studio's job: %s", path, who, p.body)
			}
			if strings.Contains(p.body, "<img") || strings.Contains(p.body, "<script>") {
				t.Errorf("%s: the title got through", path)
			}
		}
	}
	if p := h.get("a", "/jobs"); !strings.Contains(p.body, "&lt;img src=x") || !strings.Contains(p.body, "Studio &lt;A&gt;") {
		t.Errorf("title or name is not shown: %s", p.body)
	}
}

// What a studio is told of another's job, of one that never was and of its own
// that was deleted must not tell the first two apart.
func TestOtherStudioIsAbsent(t *testing.T) {
	h := newHouse(t)
	j := h.submit("a", "Side", nil)
	strip := func(p *page) string {
		id := p.Header.Get("X-Request-Id")
		return strings.NewReplacer(id, "", j.ID, "", "7zzzzzzzzzzzzzzzzzzzzzzzzz", "").Replace(p.body)
	}
	for _, tail := range []string{"", "/cancel", "/delete", "/retry"} {
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			send := func(id string) *page {
				if method == http.MethodPost {
					return h.post("b", "/jobs/"+id+tail, nil)
				}
				return h.get("b", "/jobs/"+id+tail)
			}
			a, b := send(j.ID), send("7zzzzzzzzzzzzzzzzzzzzzzzzz")
			if a.StatusCode != b.StatusCode || strip(a) != strip(b) {
				t.Errorf("%s %s differs:\n%s\n%s", method, tail, a.body, b.body)
			}
			checkPage(t, a)
		}
	}
	if r, err := h.ledger.Get(t.Context(), j.ID); err != nil || r.State != job.Accepted {
		t.Errorf("%v %v", r, err)
	}
}

func TestActions(t *testing.T) {
	h := newHouse(t)
	j := h.submit("a", "Side", nil)
	at := "/jobs/" + j.ID
	if p := h.get("a", at); !strings.Contains(p.body, at+"/cancel") || strings.Contains(p.body, at+"/delete") {
		t.Errorf("a job that waits can be cancelled only: %s", p.body)
	}
	if p := h.get("a", at+"/delete"); strings.Contains(p.body, `action="`+at) {
		t.Error("a job that waits is offered for deletion")
	}
	p := h.send("a", http.MethodPost, at+"/cancel", url.Values{}, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site")
	checkPage(t, h.want(p, http.StatusForbidden))
	for _, step := range []struct {
		do    string
		state job.State
	}{{"cancel", job.Cancelled}, {"retry", job.Accepted}, {"cancel", job.Cancelled}} {
		checkPage(t, h.want(h.get("a", at+"/"+step.do), http.StatusOK))
		if r, _ := h.ledger.Get(t.Context(), j.ID); r.State == step.state {
			t.Errorf("asking for %s did it", step.do)
		}
		if p := h.want(h.post("a", at+"/"+step.do, nil), http.StatusSeeOther); p.Header.Get("Location") != at+"?did="+step.do {
			t.Errorf("%s leads to %s", step.do, p.Header.Get("Location"))
		}
		if r, err := h.ledger.Get(t.Context(), j.ID); err != nil || r.State != step.state || r.Last().By != "Studio <A>" {
			t.Errorf("after %s: %+v %v", step.do, r, err)
		}
		checkPage(t, h.want(h.get("a", at+"?did="+step.do), http.StatusOK))
	}
	if p := h.want(h.post("a", at+"/delete", nil), http.StatusSeeOther); p.Header.Get("Location") != "/jobs?did=delete" {
		t.Errorf("leads to %s", p.Header.Get("Location"))
	}
	checkPage(t, h.want(h.get("a", at), http.StatusGone))
	checkPage(t, h.want(h.get("b", at), http.StatusNotFound))
	running := h.submit("a", "Side", nil)
	h.claim(running.ID)
	checkPage(t, h.want(h.post("a", "/jobs/"+running.ID+"/delete", nil), http.StatusConflict))
}

func TestJobPage(t *testing.T) {
	h := newHouse(t)
	ready, predicted, failed := h.submit("a", "Ready side", nil), h.submit("a", "Only measured", func(r *job.Request) { r.Kind = job.Analyse }), h.submit("a", "Bad side", nil)
	h.work(ready.ID, "ready")
	h.work(predicted.ID, "ready")
	if _, err := h.claim(failed.ID).Fail(t.Context(), job.Reason{Code: job.CodePlan, Text: "The plan <b>cannot</b> be used.", Hint: "Mend it.", Detail: "for operators",
		Faults: []job.Fault{{Path: "tracks[0].gap_s", Code: "bad", Detail: "is below zero", Line: 4}}}); err != nil {
		t.Fatal(err)
	}
	contains := func(who, id string, yes bool, parts ...string) {
		t.Helper()
		p := h.want(h.get(who, "/jobs/"+id), http.StatusOK)
		checkPage(t, p)
		for _, s := range parts {
			if strings.Contains(p.body, s) != yes {
				t.Errorf("%s, as %s, contains %q: %v", id, who, s, !yes)
			}
		}
	}
	sound := "/v1/jobs/" + ready.ID + "/files/premaster.wav"
	contains("a", ready.ID, true, "<title>Done: Ready side, side A - discsafe</title>", sound, "20:03", "123 MB", "&lt;/pre&gt;&lt;script&gt;", " UTC</time>", "Attempt 1", "w1", "The result is complete.")
	contains("a", ready.ID, false, "live.js", "/cancel", "/retry", "redicted")
	contains("engineer", ready.ID, true, sound)
	contains("operator", ready.ID, false, `href="`+sound)
	contains("operator", ready.ID, true, "/files/report.html")
	contains("a", predicted.ID, true, "Predicted verdict", "It is predicted")
	contains("a", failed.ID, true, "&lt;b&gt;cannot", "Mend it.", "tracks[0].gap_s", "(line 4)", "bad-plan", "/retry")
	contains("a", failed.ID, false, "for operators")
	contains("operator", failed.ID, true, "for operators")
	running := h.submit("a", "Runs", nil)
	hold := h.claim(running.ID)
	if err := hold.Beat(t.Context(), job.Progress{Step: "preparing", Pass: "tracing <i>", Share: .425}); err != nil {
		t.Fatal(err)
	}
	contains("a", running.ID, true, "/assets/live.js?v=", `value="42"`, "Preparing: tracing &lt;i&gt;", `href="/jobs/`+running.ID+`">Reload`)
}

func TestListFiltersAndPages(t *testing.T) {
	h := newHouse(t)
	if p := h.get("a", "/jobs"); !strings.Contains(p.body, "There are no jobs yet") {
		t.Error("nothing is said of an empty list")
	}
	for range 51 {
		h.submit("a", "Side & co", nil)
	}
	analysed := h.submit("b", "Other", func(r *job.Request) { r.Kind = job.Analyse })
	h.work(analysed.ID, "blocked")
	rows := func(who, path string) (int, *page) {
		t.Helper()
		p := h.want(h.get(who, path), http.StatusOK)
		checkPage(t, p)
		return strings.Count(p.body, `<th scope="row">`), p
	}
	n, p := rows("a", "/jobs?q=side+%26")
	if n != 50 {
		t.Fatalf("%d rows", n)
	}
	next := ""
	for _, e := range elements(t, p.body) {
		if e.attrs["rel"] == "next" {
			next = e.attrs["href"]
		}
	}
	n, p = rows("a", next)
	links, kept := map[string]bool{}, ""
	for _, e := range elements(t, p.body) {
		links[e.attrs["href"]] = true
		if e.attrs["rel"] == "next" {
			t.Error("there is nothing older")
		}
		if e.attrs["id"] == "q" {
			kept = e.attrs["value"]
		}
	}
	if n != 1 || !links["/jobs?q=side+%26"] || kept != "side &" {
		t.Errorf("%d rows after %q, search %q: %s", n, next, kept, p.body)
	}
	for path, want := range map[string]int{"/jobs?verdict=blocked": 1, "/jobs?verdict=ready": 0, "/jobs?studio=b": 1, "/jobs?state=done": 1, "/jobs?q=" + analysed.ID: 1, "/jobs?state=accepted&verdict=blocked": 0} {
		if n, p := rows("engineer", path); n != want || n == 1 && (!strings.Contains(p.body, ">predicted<") || !strings.Contains(p.body, "Blocked")) {
			t.Errorf("%s: %d rows, want %d", path, n, want)
		}
	}
	if n, p := rows("a", "/jobs?studio=b"); n != 0 || strings.Contains(p.body, `name="studio"`) {
		t.Errorf("a studio sees %d jobs of another", n)
	}
}
