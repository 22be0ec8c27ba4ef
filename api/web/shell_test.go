package web_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"discsafe/pipeline/report"
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
	checkPage(t, p)
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
		checkPage(t, p)
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

// The page of sign-off shows what the report found, and says so if there is none.
func TestSignOffShowsFindings(t *testing.T) {
	h := newHouse(t)
	rep := auditSide(3)
	id := h.reported(rep, "attention")
	at := "/jobs/" + id + "/signoff"
	p := h.want(h.get("engineer", at), http.StatusOK)
	checkPage(t, p)
	wantIn(t, p, report.AuditOf(rep).Sentence, "Ends &lt;i&gt;far&lt;/i&gt; inside.", "3 changes to listen to", `href="/jobs/`+id+`/audit#changes"`)
	checkPage(t, h.want(h.get("a", at), http.StatusOK))
	wantIn(t, h.get("engineer", "/jobs/"+h.reported(auditSide(1), "attention")+"/signoff"), "1 change to listen to")
	wantIn(t, h.get("engineer", "/jobs/"+h.reported(auditSide(0), "ready")+"/signoff"), "No passage was changed.")
	wantIn(t, h.get("engineer", "/jobs/"+h.signable("a", hostile, nil).ID+"/signoff"), "The report cannot be read")
	compared := h.want(h.get("a", "/jobs/"+id+"/compare/"+h.reported(auditSide(0), "ready")), http.StatusOK)
	checkPage(t, compared)
	wantIn(t, compared, ">3 changes</a>", "No changes", "Ends &lt;i&gt;far&lt;/i&gt; inside.")
}

// reported is a side of studio a that is done, with a report and a manifest.
func (h *house) reported(rep *report.Report, verdict string) string {
	h.t.Helper()
	text, err := json.Marshal(rep)
	if err != nil {
		h.t.Fatal(err)
	}
	r := h.submit("a", hostile, nil)
	hold := h.claim(r.ID)
	res := job.Result{Attempt: hold.Attempt, Verdict: verdict, Version: "test", Recipe: strings.Repeat("0", 64)}
	for _, f := range []struct{ name, data string }{{"premaster.wav", "sound"}, {"report.html", "report"}, {"report.json", string(text)}, {"manifest.json", "manifest"}} {
		out := job.Output{Name: f.name, Key: job.ResultKey(r.ID, hold.Attempt, f.name), Bytes: int64(len(f.data)), SHA256: sum([]byte(f.data))}
		if _, err := h.store.Put(h.t.Context(), out.Key, strings.NewReader(f.data)); err != nil {
			h.t.Fatal(err)
		}
		res.Files = append(res.Files, out)
	}
	if _, err := hold.Finish(h.t.Context(), res); err != nil {
		h.t.Fatal(err)
	}
	return r.ID
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
	checkPage(t, p)
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
	checkPage(t, p)
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

// The address of the page, with a search, asks; it never does anything.
func TestBulkAddress(t *testing.T) {
	h := newHouse(t)
	id := h.submit("a", hostile, nil).ID
	p := h.want(h.get("a", "/jobs/bulk?do=cancel&which=all&state=accepted&count=1"), http.StatusOK)
	checkPage(t, p)
	wantIn(t, p, "Cancel 1 job?", `name="state" value="accepted"`)
	for path, want := range map[string]string{"/jobs/bulk": "/jobs", "/jobs/bulk?do=burn&which=all": "/jobs", "/jobs/bulk?do=cancel&id=" + id: "/jobs", "/jobs/bulk?do=delete&state=done": "/jobs?state=done"} {
		if p := h.want(h.get("a", path), http.StatusSeeOther); p.Header.Get("Location") != want {
			t.Errorf("%s leads to %s, want %s", path, p.Header.Get("Location"), want)
		}
	}
	p = h.want(h.get("a", "/jobs/bulk?do=retry&which=all"), http.StatusOK)
	checkPage(t, p)
	wantIn(t, p, "None of the chosen jobs")
	h.want(h.get("b", "/jobs/bulk?do=cancel&which=all"), http.StatusOK)
	wantOut(t, h.get("b", "/jobs/bulk?do=cancel&which=all"), id)
	if r, err := h.ledger.Get(t.Context(), id); err != nil || r.State != job.Accepted {
		t.Errorf("looking did something: %v %v", r.State, err)
	}
}

// Older and newer: going on to the end and back shows every page again.
func TestListGoesBothWays(t *testing.T) {
	h := newHouse(t)
	for range 160 {
		h.submit("a", "Side", nil)
	}
	follow := func(p *page, rel string) string {
		for _, e := range elements(t, p.body) {
			if e.attrs["rel"] == rel {
				return e.attrs["href"]
			}
		}
		return ""
	}
	firstID := func(p *page) string {
		for _, e := range elements(t, p.body) {
			if strings.HasPrefix(e.attrs["id"], "job-") {
				return e.attrs["id"]
			}
		}
		return ""
	}
	var seen []string
	at := "/jobs?q=Side"
	for at != "" {
		p := h.want(h.get("a", at), http.StatusOK)
		checkPage(t, p)
		seen = append(seen, firstID(p))
		if next := follow(p, "next"); next != "" {
			at = next
			continue
		}
		break
	}
	if len(seen) != 4 {
		t.Fatalf("%d pages", len(seen))
	}
	for i := len(seen) - 1; i > 1; i-- {
		p := h.get("a", at)
		wantIn(t, p, `href="/jobs?q=Side">Newest jobs`)
		if firstID(p) != seen[i] {
			t.Errorf("page %d begins with %s, want %s", i, firstID(p), seen[i])
		}
		if at = follow(p, "prev"); at == "" {
			t.Fatalf("page %d leads nowhere back", i)
		}
	}
	p := h.get("a", at)
	if firstID(p) != seen[1] || follow(p, "prev") != "" {
		t.Errorf("the way back ends at %s", firstID(p))
	}
	checkPage(t, h.want(h.get("a", "/jobs?q=Side&cursor="+strings.TrimPrefix(seen[1], "job-")+"&via=%3Cscript%3E&via="), http.StatusOK))
}

// What a job that waits is told of the queue: a studio of its own jobs only.
func TestQueueWords(t *testing.T) {
	h := newHouse(t)
	h.submit("b", "Other", nil)
	time.Sleep(2 * time.Millisecond) // records have times in milliseconds
	first := h.submit("a", "First", nil).ID
	time.Sleep(2 * time.Millisecond)
	h.submit("a", "Overnight", func(q *job.Request) { q.Lane = job.Bulk })
	last := h.submit("a", "Last", nil).ID
	wantIn(t, h.get("a", "/jobs/"+first), "No other job of your studio has waited longer in this lane. Studios are served in turn.")
	wantIn(t, h.get("a", "/jobs/"+last), "1 job of your studio has waited longer")
	p := h.want(h.get("engineer", "/jobs/"+last), http.StatusOK)
	checkPage(t, p)
	wantIn(t, p, "2 jobs have waited longer in this lane.")
	wantOut(t, p, "Once it begins")
	done := h.submit("a", "Done", nil).ID
	h.work(done, "ready")
	wantOut(t, h.get("a", "/jobs/"+done), "waited longer")
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
