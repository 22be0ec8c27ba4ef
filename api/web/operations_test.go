package web_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/api/web"
	"discsafe/deploy"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
	"discsafe/worker/queue"

	"github.com/prometheus/client_golang/prometheus"
)

// opsDesk is a service as the page of operations sees it, with what it was told.
type opsDesk struct {
	web.Service // none of it is asked for
	status      v1.Status
	history     *metrics.History
	workers     []v1.Member
	letters     []v1.DeadLetter
	failures    []v1.Job
	dead        int
	away        error // of lists
	did         []string
}

func (d *opsDesk) Status(context.Context) (v1.Status, error)       { return d.status, nil }
func (d *opsDesk) Workers(context.Context) ([]v1.Member, error)    { return d.workers, d.away }
func (d *opsDesk) Failures(context.Context, int) ([]v1.Job, error) { return d.failures, d.away }
func (d *opsDesk) DeadLetters(context.Context, int) ([]v1.DeadLetter, error) {
	return d.letters, d.away
}
func (d *opsDesk) Runbook() string {
	return "# Runbook\n\n## no-worker\n\nRun `x` or [y](#dead-letters).\n\n| fault | what |\n|---|---|\n| f `m` | [z](#dead-letters) |\n"
}
func (d *opsDesk) History(span time.Duration, bins int) *metrics.Window {
	if d.history == nil {
		return nil
	}
	return d.history.Window(span, bins)
}
func (d *opsDesk) note(s ...string) error { d.did = append(d.did, strings.Join(s, " ")); return nil }

func (d *opsDesk) Pause(_ context.Context, why string) error    { return d.note("pause", why) }
func (d *opsDesk) Resume(context.Context) error                 { return d.note("resume") }
func (d *opsDesk) Drain(_ context.Context, name string) error   { return d.note("drain", name) }
func (d *opsDesk) Undrain(_ context.Context, name string) error { return d.note("undrain", name) }
func (d *opsDesk) Requeue(_ context.Context, id string) error   { return d.note("requeue", id) }
func (d *opsDesk) Bulk(_ context.Context, b v1.Bulk) (v1.BulkAnswer, error) {
	if b.Do != "retry" || len(b.Filter.State) != 1 || b.Filter.State[0] != "dead" {
		return v1.BulkAnswer{}, fmt.Errorf("asked for %+v", b)
	}
	if d.away != nil {
		return v1.BulkAnswer{}, d.away
	}
	if !b.Preview {
		if *b.Count != d.dead {
			return v1.BulkAnswer{}, v1.NewProblem(v1.Conflict, "")
		}
		return v1.BulkAnswer{Count: d.dead, Done: d.dead}, d.note("all", strconv.Itoa(d.dead))
	}
	return v1.BulkAnswer{Count: d.dead}, nil
}

var opsOperator = access.Identity{Name: "operator", Role: v1.RoleOperator, TokenID: "t1"}

// ask sends a request to the routes of the pages as the operator; what a role
// may is held where the routes are mounted.
func (d *opsDesk) ask(t *testing.T, method, path string, form url.Values) *httptest.ResponseRecorder {
	t.Helper()
	p, err := web.New(web.Options{Service: d, Session: func(http.ResponseWriter, *http.Request) {}, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	for _, r := range p.Routes() {
		if strings.HasPrefix(r.Path, "/operations") {
			if r.Need != string(access.Operate) {
				t.Errorf("%s %s needs %s", r.Method, r.Path, r.Need)
			}
			mux.HandleFunc(r.Method+" "+r.Path, r.Handler)
		}
	}
	r := httptest.NewRequestWithContext(access.With(t.Context(), opsOperator), method, path, strings.NewReader(form.Encode()))
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, r)
	return w
}

func (d *opsDesk) page(t *testing.T, path string, status int) string {
	t.Helper()
	w := d.ask(t, http.MethodGet, path, nil)
	if w.Code != status {
		t.Fatalf("%s: %d %s", path, w.Code, w.Body)
	}
	return w.Body.String()
}

func newOpsDesk(t *testing.T) (*opsDesk, *metrics.Metrics, func()) {
	t.Helper()
	m := metrics.New()
	d := &opsDesk{history: m.NewHistory(), status: v1.Status{Instance: "one-1", Version: "1.2", Queue: &v1.Queue{}, Jobs: v1.JobCounts{Most: 20000}}}
	at := time.Now().Add(-time.Hour)
	return d, m, func() {
		t.Helper()
		at = at.Add(metrics.HistoryEvery)
		if err := d.history.Take(at); err != nil {
			t.Fatal(err)
		}
	}
}

var opsAnswerForm = regexp.MustCompile(`<h2 id="h-(\w+)">[^<]*<span class="badge (\w+)">.*?</svg>([^<]*)</span>`)

// answers are the words of the four questions.
func opsAnswers(t *testing.T, body string) string {
	t.Helper()
	var out []string
	for _, m := range opsAnswerForm.FindAllStringSubmatch(strings.ReplaceAll(body, "\n", ""), -1) {
		out = append(out, m[1]+" "+m[2]+" "+m[3])
	}
	return strings.Join(out, ", ")
}

// What happens moves the answer of the question it belongs to.
func TestOperationsAnswers(t *testing.T) {
	dead := func(m *metrics.Metrics, c job.Code, n int) {
		for range n {
			now := time.Now()
			m.Ended(&job.Record{ID: "x", State: job.Dead, Accepted: now.Add(-time.Second), Ended: now, History: []job.Event{{At: now, To: job.Dead, Code: c}}})
		}
	}
	const calm = "served good Yes, slow good Nothing, storage good Yes, broke good Nothing"
	for _, c := range []struct {
		name string
		do   func(d *opsDesk, m *metrics.Metrics)
		want string
		has  string
	}{
		{"calm", func(*opsDesk, *metrics.Metrics) {}, calm, "None in the window"},
		{"old jobs wait", func(_ *opsDesk, m *metrics.Metrics) { m.Counts(job.Counts{Oldest: 16 * time.Minute}) }, "served bad No, slow good Nothing, storage good Yes, broke good Nothing", "Beyond the limit"},
		{"jobs break", func(_ *opsDesk, m *metrics.Metrics) { dead(m, job.CodeStalled, 3) }, "served look Partly, slow good Nothing, storage good Yes, broke good Nothing", "3 of ours in an hour"},
		{"studios' faults", func(_ *opsDesk, m *metrics.Metrics) { dead(m, job.CodeSound, 9) }, calm, "bad-sound"},
		{"dead letters", func(d *opsDesk, m *metrics.Metrics) { m.Queue(queue.Stats{Dead: 2}); d.dead = 1 }, "served good Yes, slow good Nothing, storage good Yes, broke look Something", "To be decided on"},
		{"dead letters of jobs that were requeued", func(_ *opsDesk, m *metrics.Metrics) { m.Queue(queue.Stats{Dead: 2}) }, calm, "All decided on"},
		{"no room", func(_ *opsDesk, m *metrics.Metrics) { m.Refused("disk-full") }, "served good Yes, slow good Nothing, storage good Yes, broke bad Badly", "Studios are turned away"},
		{"low disk", func(d *opsDesk, m *metrics.Metrics) { m.Disk("scratch", func() (int64, bool) { return 5e9, true }) }, "served good Yes, slow good Nothing, storage bad No, broke good Nothing", "scratch is low"},
		{"retention is behind", func(_ *opsDesk, m *metrics.Metrics) { m.RetentionBehind(7 * time.Hour) }, "served good Yes, slow good Nothing, storage look For now, broke good Nothing", "Behind by 7"},
		{"retention is at it", func(_ *opsDesk, m *metrics.Metrics) { m.RetentionBehind(time.Hour) }, calm, "At it"},
		{"store read-only", func(_ *opsDesk, m *metrics.Metrics) { m.Wrote("store", time.Second/10, errors.New("refused")) }, "served good Yes, slow good Nothing, storage bad No, broke good Nothing", "store cannot be written"},
		{"slow store", func(_ *opsDesk, m *metrics.Metrics) { m.Wrote("spool", 0, nil); m.Wrote("store", 2*time.Second, nil) }, "served good Yes, slow good Nothing, storage look For now, broke good Nothing", "store is slow"},
		{"stuck upload", func(_ *opsDesk, m *metrics.Metrics) { m.Uploads(2, 2*time.Hour) }, "served look Partly, slow good Nothing, storage good Yes, broke good Nothing", "2, one silent beyond the limit"},
		{"uploads come in", func(_ *opsDesk, m *metrics.Metrics) { m.Uploads(2, time.Minute) }, calm, "2 under way"},
		{"broker away", func(d *opsDesk, _ *metrics.Metrics) { d.status.Queue = nil }, "served good Yes, slow good Nothing, storage good Yes, broke bad Badly", "The broker does not answer"},
		{"jobs lost", func(d *opsDesk, _ *metrics.Metrics) { d.status.Jobs.Lost = 1 }, "served good Yes, slow good Nothing, storage good Yes, broke look Something", "1 job without a sign of life"},
		{"worker frozen", func(d *opsDesk, _ *metrics.Metrics) { d.workers = []v1.Member{{Name: "w", Slots: 1, Silent: true}} }, "served good Yes, slow good Nothing, storage good Yes, broke look Something", "Silent: frozen, cut off or killed"},
		{"clock behind", func(d *opsDesk, _ *metrics.Metrics) { d.workers = []v1.Member{{Name: "w", Slots: 1, AheadS: -600}} }, "served good Yes, slow good Nothing, storage good Yes, broke look Something", "Clock 10 min behind"},
		{"clock a little ahead", func(d *opsDesk, _ *metrics.Metrics) { d.workers = []v1.Member{{Name: "w", Slots: 1, AheadS: 20}} }, calm, "Takes jobs"},
		{"integrity", func(_ *opsDesk, m *metrics.Metrics) { m.Integrity(1) }, "served good Yes, slow good Nothing, storage good Yes, broke bad Badly", "Bytes were not"},
		{"errors", func(_ *opsDesk, m *metrics.Metrics) {
			m.Routes("GET /jobs", "GET /readyz")
			for range 20 {
				m.HTTP("GET /jobs", "GET", 500, 0)
			}
		}, "served good Yes, slow good Nothing, storage good Yes, broke bad Badly", "100.0 % of requests"},
		{"paused", func(d *opsDesk, m *metrics.Metrics) {
			d.status.Intake.Paused = true
			m.Routes("POST /v1/jobs")
			for range 20 {
				m.HTTP("POST /v1/jobs", "POST", 503, 0)
				m.Refused("intake-paused")
			}
		}, "served good Yes, slow good Nothing, storage good Yes, broke look Something", "None in an hour"},
		{"probes alone", func(_ *opsDesk, m *metrics.Metrics) {
			m.Routes("GET /jobs", "GET /readyz")
			for range 20 {
				m.HTTP("GET /readyz", "GET", 503, 0)
			}
		}, calm, "None in an hour"},
		{"flood", func(_ *opsDesk, m *metrics.Metrics) {
			for range 100 {
				m.SignIn("token-unknown")
			}
		}, "served good Yes, slow good Nothing, storage good Yes, broke look Something", "More than one a second"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, m, take := newOpsDesk(t)
			m.Counts(job.Counts{})
			take()
			take()
			c.do(d, m)
			take()
			body := d.page(t, "/operations", http.StatusOK)
			if got := opsAnswers(t, body); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
			if !strings.Contains(body, c.has) {
				t.Errorf("no %q", c.has)
			}
			if n := strings.Count(body, "<figure"); n > 17 || n < 15 {
				t.Errorf("%d plots", n)
			}
			for _, no := range []string{"NaN", "Inf", "<no value>", "%!"} {
				if strings.Contains(body, no) {
					t.Errorf("%s in the page", no)
				}
			}
			elements(t, body) // it can be read
		})
	}
}

func TestOperationsBeforeAnything(t *testing.T) {
	d, _, take := newOpsDesk(t)
	if got, want := opsAnswers(t, d.page(t, "/operations", http.StatusOK)), "served off Not known yet, slow off Not known yet, storage off Not known yet, broke off Not known yet"; got != want {
		t.Errorf("%s", got)
	}
	take()
	for _, span := range []string{"", "?span=15m", "?span=1h", "?span=4h", "?span=99y"} {
		d.page(t, "/operations"+span, http.StatusOK)
	}
	none := &opsDesk{}
	if body := none.page(t, "/operations", http.StatusOK); !strings.Contains(body, "keeps no history") || strings.Contains(body, "<figure") {
		t.Error("a process without a history")
	}
}

// What comes from outside stays text: names, reasons, troubles, labels.
func TestOperationsHostile(t *testing.T) {
	const evil = `"><script>alert(1)</script>&#60;`
	reg := prometheus.NewRegistry()
	c := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "discsafe_uploads_refused_total"}, []string{"reason"})
	reg.MustRegister(c)
	d := &opsDesk{history: metrics.NewHistory(reg)}
	for i := range 3 {
		c.WithLabelValues(evil[:len(evil)-5]).Add(3)
		if err := d.history.Take(time.Unix(int64(1e9+15*i), 0)); err != nil {
			t.Fatal(err)
		}
	}
	d.status = v1.Status{Instance: evil, Version: evil, Intake: v1.Intake{Paused: true, By: evil, Why: evil, Since: time.Unix(1, 0)}}
	d.workers = []v1.Member{{Name: evil, Trouble: evil, Asked: true, By: evil}, {Name: "a b&c"}}
	d.letters = []v1.DeadLetter{{JobID: evil, State: "dead", Reason: evil}, {Reason: evil}}
	d.failures = []v1.Job{{ID: "x", Title: evil, Studio: evil, State: "dead", Reason: &v1.Reason{Code: evil, Text: evil}}}
	for _, path := range []string{"/operations", "/operations?span=" + url.QueryEscape(evil), "/operations?did=" + url.QueryEscape(evil), "/operations?did=requeue-all&of=" + url.QueryEscape(evil),
		"/operations/drain?worker=" + url.QueryEscape(evil), "/operations/requeue?job=" + url.QueryEscape(evil)} {
		body := d.page(t, path, http.StatusOK)
		scripts := 0
		for _, e := range elements(t, body) {
			if e.name == "script" {
				scripts++
				if e.attrs["src"] == "" {
					t.Errorf("%s: a script of somebody else", path)
				}
			}
			for name := range e.attrs {
				if strings.HasPrefix(name, "on") || name == "style" {
					t.Errorf("%s: attribute %s", path, name)
				}
			}
		}
		if scripts > 1 || strings.Contains(body, "<script>alert") {
			t.Errorf("%s: %d scripts", path, scripts)
		}
	}
	if body := d.page(t, "/operations", http.StatusOK); !strings.Contains(body, "script&gt;alert(1)") || !strings.Contains(body, "/operations/drain?worker=a%20b%26c") {
		t.Error("what was written is not shown as it is")
	}
}

// Each action asks first, and does it once, with what it is about.
func TestOperationsActions(t *testing.T) {
	for _, c := range []struct {
		name, path string
		form       url.Values
		status     int
		did        string
	}{
		{"pause", "/operations/pause", url.Values{"why": {" the disk is changed "}}, 303, "pause the disk is changed"},
		{"pause, a novel", "/operations/pause", url.Values{"why": {strings.Repeat("ä", 400)}}, 303, "pause " + strings.Repeat("ä", 250)},
		{"resume", "/operations/resume", url.Values{}, 303, "resume"},
		{"drain", "/operations/drain", url.Values{"worker": {"one-1"}}, 303, "drain one-1"},
		{"drain nobody", "/operations/drain", url.Values{}, 400, ""},
		{"take jobs again", "/operations/undrain", url.Values{"worker": {"one-1"}}, 303, "undrain one-1"},
		{"requeue", "/operations/requeue", url.Values{"job": {"7abc"}}, 303, "requeue 7abc"},
		{"requeue all", "/operations/requeue-all", url.Values{"count": {"3"}}, 303, "all 3"},
		{"requeue all, there are more by now", "/operations/requeue-all", url.Values{"count": {"2"}}, 200, ""},
		{"requeue all, no number", "/operations/requeue-all", url.Values{"count": {"x"}}, 400, ""},
		{"requeue all, not counted", "/operations/requeue-all", url.Values{}, 400, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := &opsDesk{dead: 3}
			w := d.ask(t, http.MethodPost, c.path, c.form)
			if got := strings.Join(d.did, ","); w.Code != c.status || got != c.did {
				t.Errorf("%d, did %q; want %d, %q", w.Code, got, c.status, c.did)
			}
			if to := w.Header().Get("Location"); c.status == 303 {
				if body := d.page(t, to, http.StatusOK); !strings.Contains(body, `class="notice"`) {
					t.Errorf("%s tells nothing", to)
				}
			}
		})
	}
	d := &opsDesk{dead: 3}
	for path, has := range map[string]string{"/operations/pause": `name="why"`, "/operations/resume": "Resume intake", "/operations/drain?worker=one-1": `value="one-1"`,
		"/operations/undrain?worker=one-1": `value="one-1"`, "/operations/requeue?job=7abc": `value="7abc"`, "/operations/requeue-all": `name="count" value="3"`} {
		if body := d.page(t, path, http.StatusOK); !strings.Contains(body, has) || !strings.Contains(body, `method="post"`) {
			t.Errorf("%s: no %s", path, has)
		}
	}
	d.page(t, "/operations/drain", http.StatusBadRequest)
	if len(d.did) > 0 {
		t.Errorf("asking did %v", d.did)
	}
	d.dead = 0
	if body := d.page(t, "/operations/requeue-all", http.StatusOK); strings.Contains(body, `method="post"`) {
		t.Error("nothing is dead, and a button is there")
	}
}

// A list that cannot be had is told of; the page stays.
func TestOperationsWithoutStore(t *testing.T) {
	d, _, take := newOpsDesk(t)
	take()
	d.away = v1.NewProblem(v1.Unavailable, "")
	body := d.page(t, "/operations", http.StatusOK)
	if n := strings.Count(body, `role="alert"`); n != 4 {
		t.Errorf("%d lists are told of as missing, want 4", n)
	}
}

func TestRunbookPage(t *testing.T) {
	d := &opsDesk{}
	body := d.page(t, "/operations/runbook", http.StatusOK)
	for _, want := range []string{`id="no-worker"`, "<code>x</code>", `<a href="#dead-letters">y</a>`,
		`<th scope="col">fault</th>`, `<th scope="row">f <code>m</code></th><td data-label="what"><a href="#dead-letters">z</a></td>`} {
		if !strings.Contains(body, want) {
			t.Errorf("no %s in %s", want, body)
		}
	}
}

// Roles, forgery and secrets, in the service as it is.
func TestOperationsRole(t *testing.T) {
	h := newHouse(t)
	paths := []string{"/operations", "/operations/runbook", "/operations/pause", "/operations/resume", "/operations/drain?worker=w", "/operations/undrain?worker=w", "/operations/requeue?job=x", "/operations/requeue-all"}
	for who, status := range map[string]int{"operator": 200, "engineer": 403, "a": 403, "nobody": 303} {
		for _, path := range paths {
			p := h.want(h.get(who, path, "Accept", "text/html"), status)
			for name, secret := range h.secret {
				if strings.Contains(p.body, secret) {
					t.Errorf("%s shows %s the secret of %s", path, who, name)
				}
			}
			if nav := strings.Contains(p.body, `href="/operations"`); who != "operator" && nav {
				t.Errorf("%s leads %s to operations", path, who)
			}
		}
	}
	for _, who := range []string{"engineer", "a"} {
		h.want(h.post(who, "/operations/pause", nil), http.StatusForbidden)
	}
	// Another site's form.
	h.want(h.send("operator", http.MethodPost, "/operations/pause", url.Values{}, "Origin", "https://evil.example", "Sec-Fetch-Site", "cross-site"), http.StatusForbidden)
	if p := h.get("operator", "/operations"); strings.Contains(p.body, "Intake is paused") {
		t.Error("it was paused all the same")
	}
	h.want(h.post("operator", "/operations/pause", url.Values{"why": {"a <b>new</b> disk"}}), http.StatusSeeOther)
	if p := h.get("operator", "/operations"); !strings.Contains(p.body, "Intake is paused") || !strings.Contains(p.body, "a &lt;b&gt;new&lt;/b&gt; disk") {
		t.Error("it is not paused")
	}
	h.want(h.post("operator", "/operations/resume", nil), http.StatusSeeOther)
	h.want(h.post("operator", "/operations/drain", url.Values{"worker": {"nobody-1"}}), http.StatusNotFound)
	j := h.submit("a", "Side", nil)
	h.want(h.post("operator", "/operations/requeue", url.Values{"job": {j.ID}}), http.StatusSeeOther)
	h.want(h.post("operator", "/operations/requeue-all", url.Values{"count": {"0"}}), http.StatusSeeOther)
}

// Every link to the runbook leads to a paragraph that is there, in the text of
// the program as in the page made of it.
func TestOperationsLeadToTheRunbook(t *testing.T) {
	d, _, take := newOpsDesk(t)
	take()
	there := map[string]bool{}
	for l := range strings.Lines(deploy.Runbook()) {
		if name, ok := strings.CutPrefix(l, "## "); ok {
			there[strings.TrimSpace(name)] = true
		}
	}
	n := 0
	for _, e := range elements(t, d.page(t, "/operations", http.StatusOK)) {
		if name, ok := strings.CutPrefix(e.attrs["href"], "/operations/runbook#"); ok {
			n++
			if !there[name] {
				t.Errorf("the runbook has no paragraph %q", name)
			}
		}
	}
	if n < 14 {
		t.Errorf("%d links", n)
	}
}
