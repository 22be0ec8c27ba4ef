package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/metrics"
)

// OperationsService is what the page of operations shows and does.
type OperationsService interface {
	Status(ctx context.Context) (v1.Status, error)
	// History cuts the last span of this process's metrics into bins; nil: none is kept.
	History(span time.Duration, bins int) *metrics.Window
	Workers(ctx context.Context) ([]v1.Member, error)
	Failures(ctx context.Context, limit int) ([]v1.Job, error)
	DeadLetters(ctx context.Context, limit int) ([]v1.DeadLetter, error)
	Pause(ctx context.Context, why string) error
	Resume(ctx context.Context) error
	Drain(ctx context.Context, name string) error
	Undrain(ctx context.Context, name string) error
	Requeue(ctx context.Context, id string) error
	Bulk(ctx context.Context, b v1.Bulk) (v1.BulkAnswer, error)
	Runbook() string
}

type operating struct {
	*Pages
	svc      OperationsService
	chapters []chapter
}

func (p *Pages) operationsRoutes() []Route {
	svc, ok := p.o.Service.(OperationsService)
	if !ok {
		return nil
	}
	o := &operating{p, svc, chapters(svc.Runbook())}
	operate := string(access.Operate)
	out := []Route{
		{http.MethodGet, "/operations", operate, o.page},
		{http.MethodGet, "/operations/runbook", operate, o.runbook},
	}
	for _, a := range o.actions() {
		out = append(out, Route{http.MethodGet, "/operations/" + a.do, operate, o.confirm(a)},
			Route{http.MethodPost, "/operations/" + a.do, operate, o.act(a)})
	}
	return out
}

// operationsSpans are the times that the page shows, in bins of two samples and
// more.
var operationsSpans = []struct {
	value, word string
	span        time.Duration
	bins        int
}{{"15m", "15 minutes", 15 * time.Minute, 30}, {"1h", "1 hour", time.Hour, 60}, {"4h", "4 hours", 4 * time.Hour, 60}}

const (
	mostFailures = 10
	mostLetters  = 20
)

type operationsView struct {
	Status   v1.Status
	Spans    []choice
	Span     string // of the address
	Now      *stamp
	Taken    *stamp // nil: no sample yet
	Kept     string // how far back the samples go
	Intake   badge
	Broker   *badge // nil: it answers
	Lost     *badge // nil: no job is
	Since    *stamp
	Parts    []part
	Workers  []memberView
	Trouble  string // why workers are not listed
	Failures []failureView
	Letters  []letterView
	Dead     int // jobs that are dead
	Missing  []string
}

type memberView struct {
	v1.Member
	State badge
	Clock *badge // nil: it is right
	Here  bool
	Told  *stamp
}

type failureView struct {
	rowView
	Code, Text string
	Ended      *stamp
}

type letterView struct {
	v1.DeadLetter
	At      *stamp
	Where   badge
	Requeue bool
}

func (o *operating) page(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	st, err := o.svc.Status(ctx)
	if err != nil {
		o.fail(w, r, err)
		return
	}
	now := o.o.Now()
	v := operationsView{Status: st, Now: stampOf(now, now), Intake: good("Intake is open"), Since: stampOf(st.Intake.Since, now)}
	if st.Intake.Paused {
		v.Intake = look("Intake is paused")
	}
	if st.Queue == nil {
		b := bad("The broker does not answer")
		v.Broker = &b
	}
	if n := st.Jobs.Lost; n > 0 {
		b := look(jobsWords(n) + " without a sign of life")
		v.Lost = &b
	}
	o.workers(ctx, &v, now)
	o.broken(ctx, &v, now)
	o.parts(&v, r.URL.Query().Get("span"), st, now)
	o.show(w, r, http.StatusOK, "operations", frame{Title: "Operations", Here: "operations", Who: whoOf(ctx), Notice: operationsDone(r.URL.Query()), Body: v})
}

// parts answers the four questions for the time asked for; without one, for the
// last hour, or less while the process is young.
func (o *operating) parts(v *operationsView, asked string, st v1.Status, now time.Time) {
	hour := o.svc.History(time.Hour, 60)
	if hour == nil {
		v.Missing = append(v.Missing, "This process keeps no history of its metrics.")
		return
	}
	chosen := operationsSpans[1]
	if hour.KeptS < operationsSpans[0].span.Seconds() {
		chosen = operationsSpans[0]
	}
	for _, s := range operationsSpans {
		if asked == s.value {
			chosen = s
		}
	}
	v.Span = chosen.value
	for _, s := range operationsSpans {
		v.Spans = append(v.Spans, choice{s.value, s.word, s.value == v.Span})
	}
	win := o.svc.History(chosen.span, chosen.bins)
	d := &operationsData{w: win, hour: hour, status: st, dead: v.Dead, members: v.Workers}
	if win.Samples > 0 {
		v.Taken = stampOf(win.Taken, now)
		v.Kept = spanWords(time.Duration(win.KeptS * float64(time.Second)))
	}
	v.Parts = []part{served(d), slow(d), storage(d), broke(d)}
}

// workers lists those of all processes. Without the list the page is still the
// page.
func (o *operating) workers(ctx context.Context, v *operationsView, now time.Time) {
	all, err := o.svc.Workers(ctx)
	if err != nil {
		v.Missing = append(v.Missing, "The list of workers cannot be read just now.")
		return
	}
	for _, m := range all {
		v.Workers = append(v.Workers, memberView{Member: m, State: memberBadge(&m), Clock: clockBadge(&m), Here: m.Name == v.Status.Instance, Told: stampOf(m.At, now)})
	}
}

func memberBadge(m *v1.Member) badge {
	switch m.State() {
	case v1.MemberSilent:
		return bad("Silent: frozen, cut off or killed")
	case v1.MemberStopping:
		return off("Stops")
	case v1.MemberDrained:
		return off("Drained: may be ended")
	case v1.MemberDraining:
		return look("Drains")
	case v1.MemberTrouble:
		return bad("Takes no jobs")
	}
	if m.Running >= m.Slots {
		return badge{"All slots busy", "run"}
	}
	return good("Takes jobs")
}

// broken lists what failed last and what waits for a decision.
func (o *operating) broken(ctx context.Context, v *operationsView, now time.Time) {
	jobs, err := o.svc.Failures(ctx, mostFailures)
	if err != nil {
		v.Missing = append(v.Missing, "The list of failed jobs cannot be read just now.")
	}
	for i := range jobs {
		j := &jobs[i]
		f := failureView{rowView: o.row(j), Ended: stampOf(j.Ended, now)}
		if j.Reason != nil {
			f.Code, f.Text = j.Reason.Code, j.Reason.Text
		}
		v.Failures = append(v.Failures, f)
	}
	letters, err := o.svc.DeadLetters(ctx, mostLetters)
	if err != nil {
		v.Missing = append(v.Missing, "The broker does not tell of its dead letters just now.")
	}
	for _, l := range letters {
		w := letterView{DeadLetter: l, At: stampOf(l.At, now), Where: off("Gone")}
		if l.State != "" {
			w.Where = stateBadge(l.State)
		}
		w.Requeue = l.State == "dead" || l.State == "failed" || l.State == "cancelled"
		v.Letters = append(v.Letters, w)
	}
	switch n, err := o.dead(ctx); {
	case err != nil:
		v.Missing = append(v.Missing, "Dead jobs cannot be counted just now.")
	default:
		v.Dead = n
	}
}

func (o *operating) dead(ctx context.Context) (int, error) {
	a, err := o.svc.Bulk(ctx, allDead)
	return a.Count, err
}

// allDead counts the jobs that are dead.
var allDead = v1.Bulk{Do: "retry", Filter: v1.BulkFilter{State: []string{"dead"}}, Preview: true}

// operation is something that an operator may do. It is about a name of a worker
// or a job's identifier, or about neither.
type operation struct {
	do, ask, effect, word, kind string
	about                       string // field that says about what; "": nothing
	why                         bool   // a reason is asked for
	run                         func(ctx context.Context, about, why string) (done string, err error)
}

func (o *operating) actions() []operation {
	just := func(f func(ctx context.Context, about string) error) func(context.Context, string, string) (string, error) {
		return func(ctx context.Context, about, _ string) (string, error) { return "", f(ctx, about) }
	}
	return []operation{
		{do: "pause", ask: "Pause the intake?", word: "Pause intake", kind: "danger", why: true,
			effect: "No process takes new mixes or jobs from now on; studios are told why. Jobs that wait or run go on.",
			run:    func(ctx context.Context, _, why string) (string, error) { return "", o.svc.Pause(ctx, why) }},
		{do: "resume", ask: "Resume the intake?", word: "Resume intake", kind: "main", effect: "All processes take mixes and jobs again within seconds.",
			run: just(func(ctx context.Context, _ string) error { return o.svc.Resume(ctx) })},
		{do: "drain", ask: "Drain this worker?", word: "Drain", kind: "danger", about: "worker", effect: "It takes no more jobs; those under way go on. When it is drained, its process can be ended without handing anything back.",
			run: just(o.svc.Drain)},
		{do: "undrain", ask: "Let this worker take jobs again?", word: "Take jobs again", kind: "main", about: "worker", effect: "It fetches jobs again within seconds.",
			run: just(o.svc.Undrain)},
		{do: "requeue", ask: "Put this job back to the start?", word: "Requeue", kind: "main", about: "job", effect: "It is tried again, with the same plan and the same mixes, and all its attempts anew. Look first why it broke down.",
			run: just(o.svc.Requeue)},
		{do: "requeue-all", ask: "Put all dead jobs back to the start?", word: "Requeue all", kind: "danger", about: "count", effect: "They are tried again, with the same plans and the same mixes. If what broke them is still there, they break again.",
			run: o.requeueAll},
	}
}

func (o *operating) requeueAll(ctx context.Context, about, _ string) (string, error) {
	n, err := strconv.Atoi(about)
	if err != nil || n < 0 {
		return "", v1.NewProblem(v1.BadRequest, "want the number of jobs")
	}
	in := allDead
	in.Preview, in.Count = false, &n
	a, err := o.svc.Bulk(ctx, in)
	if err != nil {
		return "", err
	}
	return strconv.Itoa(a.Done) + "-" + strconv.Itoa(len(a.Refused)), nil
}

type operationView struct {
	Do, Ask, Effect, Word, Kind string
	About, Value                string
	Why, Moved, Nothing         bool
}

// mostWhy is what the API takes of a reason.
const mostWhy = 500

func (o *operating) confirm(a operation) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		o.asking(w, r, a, r.URL.Query().Get(a.about), false)
	}
}

func (o *operating) asking(w http.ResponseWriter, r *http.Request, a operation, about string, moved bool) {
	v := operationView{Do: a.do, Ask: a.ask, Effect: a.effect, Word: a.word, Kind: a.kind, About: a.about, Value: about, Why: a.why, Moved: moved}
	switch a.about {
	case "count":
		n, err := o.dead(r.Context())
		if err != nil {
			o.fail(w, r, err)
			return
		}
		v.Value, v.Nothing = strconv.Itoa(n), n == 0
		v.Ask, v.Word = fmt.Sprintf("Put %s back to the start?", deadWords(n)), "Requeue "+deadWords(n)
	case "":
	default:
		if about == "" || len(about) > 100 {
			o.fail(w, r, v1.NewProblem(v1.BadRequest, "want the name of what is meant"))
			return
		}
	}
	o.show(w, r, http.StatusOK, "operation", frame{Title: v.Ask, Here: "operations", Who: whoOf(r.Context()), Body: v})
}

func deadWords(n int) string {
	if n == 1 {
		return "1 dead job"
	}
	return "all " + strconv.Itoa(n) + " dead jobs"
}

func (o *operating) act(a operation) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
		if err := r.ParseForm(); err != nil {
			o.fail(w, r, v1.NewProblem(v1.BadRequest, "the form cannot be read"))
			return
		}
		about, why := r.PostForm.Get(a.about), strings.TrimSpace(r.PostForm.Get("why"))
		if len(why) > mostWhy {
			why = strings.ToValidUTF8(why[:mostWhy], "")
		}
		if a.about != "" && about == "" {
			o.fail(w, r, v1.NewProblem(v1.BadRequest, "want the name of what is meant"))
			return
		}
		done, err := a.run(r.Context(), about, why)
		if pr, ok := errors.AsType[*v1.Problem](err); ok && pr.Code == string(v1.Conflict) && a.about == "count" {
			o.asking(w, r, a, "", true)
			return
		}
		if err != nil {
			o.fail(w, r, err)
			return
		}
		q := url.Values{"did": {a.do}}
		if done != "" {
			q.Set("of", done)
		}
		seeOther(w, r, "/operations?"+q.Encode())
	}
}

var operationsNotices = map[string]string{
	"pause":   "The intake is paused.",
	"resume":  "The intake is open again.",
	"drain":   "The worker was asked to take no more jobs. It obeys within seconds.",
	"undrain": "The worker was asked to take jobs again. It obeys within seconds.",
	"requeue": "The job is back at the start.",
}

// operationsDone says what was done. Numbers come back in the address; nothing
// else of it is shown.
func operationsDone(q url.Values) string {
	if q.Get("did") != "requeue-all" {
		return operationsNotices[q.Get("did")]
	}
	done, left, _ := strings.Cut(q.Get("of"), "-")
	n, errN := strconv.Atoi(done)
	m, errM := strconv.Atoi(left)
	if cmp.Or(errN, errM) != nil || slices.Min([]int{n, m}) < 0 {
		return "Dead jobs were put back to the start."
	}
	s := jobsWords(n) + " put back to the start."
	if m > 0 {
		s += " " + jobsWords(m) + " did not allow it any more."
	}
	return s
}
