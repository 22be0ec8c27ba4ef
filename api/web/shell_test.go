package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"discsafe/worker/job"
)

// signable is a side that is done, with a manifest and a report that has nothing
// in it but what the pages need.
func (h *house) signable(studio, title string, change func(*job.Request)) *job.Record {
	h.t.Helper()
	return h.finished(h.submit(studio, title, change).ID, "ready", map[string]string{"premaster.wav": "bytes", "manifest.json": "bytes"})
}

func wantIn(t *testing.T, p *page, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(p.body, w) {
			t.Errorf("%s %s does not say %q", p.Request.Method, p.Request.URL.Path, w)
		}
	}
}

func wantOut(t *testing.T, p *page, words ...string) {
	t.Helper()
	for _, w := range words {
		if strings.Contains(p.body, w) {
			t.Errorf("%s %s says %q", p.Request.Method, p.Request.URL.Path, w)
		}
	}
}

func TestSignOffPage(t *testing.T) {
	h := newHouse(t)
	id := h.signable("a", "Low <Water>", nil).ID
	at := "/jobs/" + id + "/signoff"
	p := h.want(h.get("engineer", at), http.StatusOK)
	wantIn(t, p, "Not signed off", "Low &lt;Water&gt;", `value="engineer"`, "Nobody has decided yet", sum([]byte("bytes")))
	elements(t, p.body)
	wantOut(t, h.want(h.get("a", at), http.StatusOK), "<form class=\"stack\" id=\"decide\"")
	h.want(h.get("b", at), http.StatusNotFound)
	form := func(decision, name, note string) url.Values {
		return url.Values{"decision": {decision}, "name": {name}, "note": {note}, "manifest": {sum([]byte("bytes"))}}
	}
	h.want(h.post("a", at, form("approve", "Me", "")), http.StatusForbidden)
	for _, c := range map[string]struct {
		form url.Values
		want string
	}{
		"nothing chosen":  {form("", "Ada", "a note that must not be lost"), "Choose what you decide"},
		"no name":         {form("approve", " ", "a note that must not be lost"), "gives a name"},
		"return, no note": {form("return", "Ada", ""), "what the studio should change"},
		"bad name":        {form("approve", "a\x01b", "a note that must not be lost"), "not text"},
		"other result":    {url.Values{"decision": {"approve"}, "name": {"Ada"}, "note": {"a note that must not be lost"}, "manifest": {strings.Repeat("0", 64)}}, "has changed since you looked"},
	} {
		p := h.want(h.post("engineer", at, c.form), http.StatusUnprocessableEntity)
		wantIn(t, p, c.want, `role="alert"`)
		if n := c.form.Get("note"); n != "" {
			wantIn(t, p, n)
		}
		elements(t, p.body)
	}
	h.want(h.post("engineer", at, form("return", "Ada Lind", "Less treble\r\nin <track> 3")), http.StatusSeeOther)
	wantIn(t, h.get("a", "/jobs/"+id), "Returned to the studio", "Less treble\nin &lt;track&gt; 3", "submit it again as a new revision", "/submit?revises="+id)
	h.want(h.post("engineer", at, form("approve", "Ada Lind", "")), http.StatusSeeOther)
	p = h.want(h.get("a", "/jobs/"+id), http.StatusOK)
	wantIn(t, p, "Approved for cutting", "Ada Lind", "locked")
	wantOut(t, p, `id="do-delete"`)
	wantIn(t, h.get("engineer", "/jobs?signoff=approved"), id)
	wantOut(t, h.get("engineer", "/jobs?signoff=returned"), id)
	wantIn(t, h.get("engineer", at), "Open again; the note says why", "What is locked")
	h.want(h.post("engineer", at, form("reopen", "Ada Lind", "a new mix came")), http.StatusSeeOther)
	wantIn(t, h.get("engineer", at), "Not signed off", "a new mix came")
}

func TestComparePage(t *testing.T) {
	h := newHouse(t)
	first := h.signable("a", "Low Water", nil)
	second := h.signable("a", "Low Water", func(q *job.Request) {
		if err := h.ledger.Revise(t.Context(), q, first.ID); err != nil {
			t.Fatal(err)
		}
		other := planText + "level: 1\n"
		q.Plan.Key, q.Plan.SHA256 = "blob/plan-"+sum([]byte(other)), sum([]byte(other))
		if _, err := h.store.Put(t.Context(), q.Plan.Key, strings.NewReader(other)); err != nil {
			t.Fatal(err)
		}
	})
	at := "/jobs/" + first.ID + "/compare/" + second.ID
	p := h.want(h.get("a", "/jobs/"+second.ID), http.StatusOK)
	wantIn(t, p, "Revisions", "2, this one", at)
	p = h.want(h.get("a", at), http.StatusOK)
	wantIn(t, p, "&#43; level: 1", "&lt;script&gt;", "The report is no longer there")
	wantOut(t, p, "<script>alert")
	elements(t, p.body)
	wantIn(t, h.get("a", "/jobs/"+first.ID+"/compare/"+first.ID), "from the same plan")
	h.want(h.get("b", at), http.StatusNotFound)
	other := h.signable("b", "Other", nil)
	h.want(h.get("a", "/jobs/"+first.ID+"/compare/"+other.ID), http.StatusNotFound)
}

func TestBulkPage(t *testing.T) {
	h := newHouse(t)
	var ids []string
	for range 3 {
		ids = append(ids, h.submit("a", "Waits <here>", nil).ID)
	}
	foreign := h.submit("b", "Foreign", nil).ID
	p := h.want(h.get("a", "/jobs"), http.StatusOK)
	wantIn(t, p, `name="id" value="`+ids[0]+`"`, "Choose Waits &lt;here&gt;, side A")
	p = h.want(h.post("a", "/jobs/bulk", url.Values{"do": {"cancel"}, "which": {"chosen"}, "id": {ids[0], foreign}}), http.StatusOK)
	wantIn(t, p, "Cancel 1 job?", ids[0], `name="count" value="1"`)
	wantOut(t, p, "Foreign")
	elements(t, p.body)
	p = h.want(h.post("a", "/jobs/bulk", url.Values{"do": {"cancel"}, "which": {"chosen"}, "id": {ids[0], foreign}, "count": {"1"}}), http.StatusOK)
	wantIn(t, p, "1 job cancelled")
	p = h.want(h.post("a", "/jobs/bulk", url.Values{"do": {"cancel"}, "which": {"all"}, "state": {"accepted"}, "count": {"3"}}), http.StatusOK)
	wantIn(t, p, "has changed since you looked", "Cancel 2 jobs?")
	p = h.want(h.post("a", "/jobs/bulk", url.Values{"do": {"delete"}, "which": {"all"}, "q": {"waits"}}), http.StatusOK)
	wantIn(t, p, "Delete 1 job and their files?", "/jobs?q=waits")
	if r := h.post("a", "/jobs/bulk", url.Values{"do": {"cancel"}, "which": {"chosen"}}); r.StatusCode != http.StatusSeeOther {
		t.Errorf("nothing chosen: %d", r.StatusCode)
	}
	h.want(h.post("a", "/jobs/bulk", url.Values{"do": {"burn"}, "which": {"all"}}), http.StatusBadRequest)
	if r, err := h.ledger.Get(t.Context(), foreign); err != nil || r.State != job.Accepted {
		t.Errorf("another studio's job: %v, %v", r, err)
	}
}

func TestListFilters(t *testing.T) {
	h := newHouse(t)
	id := h.submit("a", "Low Water", nil).ID
	for query, want := range map[string]bool{"?from=2020-01-01": true, "?to=2020-01-01": false, "?kind=prepare": true, "?kind=analyse": false, "?signoff=open": false} {
		if got := strings.Contains(h.want(h.get("a", "/jobs"+query), http.StatusOK).body, id); got != want {
			t.Errorf("%s shows the job: %v", query, got)
		}
	}
	for _, query := range []string{"?from=yesterday", "?kind=x", "?signoff=x", "?to=1.1.2026"} {
		wantIn(t, h.want(h.get("a", "/jobs"+query), http.StatusUnprocessableEntity), `aria-invalid="true"`)
	}
	wantIn(t, h.get("a", "/jobs"), `href="/submit"`, `data-events="/v1/events"`, "for ")
	wantOut(t, h.get("operator", "/jobs"), "Sign out</a>")
}

func TestSafeNext(t *testing.T) {
	h := newHouse(t)
	for next, want := range map[string]string{"/submit?revises=1": "/submit?revises=1", "/presets": "/presets", "/jobs/x/audit": "/jobs/x/audit", "/operations": "/operations",
		"//evil.example": "/jobs", "/\\evil": "/jobs", "https://evil.example/jobs": "/jobs", "/jobs/../v1": "/jobs", "/assets/x": "/jobs", "/submitx": "/jobs"} {
		r := h.post("nobody", "/signin?next="+url.QueryEscape(next), url.Values{"token": {h.secret["a"]}})
		if got := r.Header.Get("Location"); got != want {
			t.Errorf("next %q leads to %q, want %q", next, got, want)
		}
	}
}
