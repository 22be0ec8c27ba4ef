package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path"
	"slices"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
	"discsafe/worker/job"
)

type jobView struct {
	rowView
	Lane, Kind           string
	StateCode            string // as events have it
	Rev                  int64
	Cancel               bool // was asked for
	Progress             *progressView
	Why                  *v1.Reason
	Started, Ended, Gone *stamp
	NotBefore            *stamp
	Inputs               []v1.Input
	Files                []fileView
	Sound                bool // there is sound that the caller may not have
	Attempts             []attemptView
	Events               []eventView
	Plan, PlanMissing    string
	Actions              []action
	Live                 bool
	Audit, Sign          bool // links to those pages
	Arranged, RevisePlan bool
	Release              bool   // the plan is a release
	Revise               string // the form with mixes
	Sheet, Report        string
	Queue                *queueView
	Outcome              *outcome
	Chain                []chainView
}

// outcome is what the engineer decided, in the studio's words.
type outcome struct {
	Standing   badge
	Text, Note string
	At         *stamp
	Name       string
}

// chainView is one of the jobs that take each other's place.
type chainView struct {
	rowView
	Here    bool
	Compare string // address
}

type progressView struct {
	Step, Pass string
	Percent    int
	Left       string
}

type fileView struct {
	v1.File
	What string
	Link bool
}

type attemptView struct {
	Number     int
	Began      *stamp
	Took, By   string
	Result     string
	underWay   bool
	begunEvent v1.Event
}

type eventView struct {
	At   *stamp
	To   badge
	Text string
	Hint string
	By   string
}

var stepWords = map[string]string{"fetching": "Fetching the mixes", "preparing": "Preparing", "storing": "Storing the results"}

func (p *Pages) job(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	j, err := p.o.Service.Job(ctx, r.PathValue("id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	id, _ := access.From(ctx)
	v := p.jobView(&j, id)
	if v.Plan, err = p.o.Service.Plan(ctx, j.ID); err != nil {
		v.PlanMissing = "It cannot be shown just now. Reload in a moment."
		if pr, ok := errors.AsType[*v1.Problem](err); ok && pr.Status < 500 {
			v.PlanMissing = "It has been deleted."
		}
	}
	p.chain(ctx, &v)
	p.queue(ctx, &j, &v, id)
	f := frame{Title: v.State.Word + ": " + name(&j), Here: "job", Who: whoOf(ctx), Notice: notices[r.URL.Query().Get("did")], Body: v}
	p.show(w, r, http.StatusOK, "job", f)
}

// name is how people call the side.
func name(j *v1.Job) string {
	if j.Side == "" {
		return titleOf(j)
	}
	return titleOf(j) + ", side " + j.Side
}

func (p *Pages) jobView(j *v1.Job, id access.Identity) jobView {
	now := p.o.Now()
	v := jobView{rowView: p.row(j), Lane: "Express", Kind: "Prepare: writes a premaster", StateCode: j.State, Rev: j.Rev, Cancel: j.Cancel, Why: j.Reason,
		Started: stampOf(j.Started, now), Ended: stampOf(j.Ended, now), Gone: stampOf(j.Expires, now), NotBefore: stampOf(j.NotBefore, now),
		Inputs: j.Inputs, Live: !j.Over()}
	if j.Lane == "bulk" {
		v.Lane = "Bulk, overnight"
	}
	switch j.Kind {
	case v1.Analyse:
		v.Kind = "Analyse: measures and plans, writes no premaster"
	case v1.Arrange:
		v.Kind, v.Release = "Arrange: divides a release over sides, writes no premaster", true
	}
	if g := j.Progress; g != nil {
		v.Progress = &progressView{Step: stepWords[g.Step], Pass: g.Pass, Percent: percent(g.Percent)}
		if v.Progress.Step == "" {
			v.Progress.Step = g.Step
		}
		if left := g.Finish.Sub(now); !g.Finish.IsZero() && left > 0 {
			v.Progress.Left = "about " + spanWords(left) + " left"
		}
	}
	for _, f := range j.Files {
		may := !v1.IsSound(f.Name) || id.May(access.Listen)
		v.Sound = v.Sound || !may
		v.Files = append(v.Files, fileView{f, fileWord(f.Name), may})
	}
	v.Audit, v.Sign = j.State == "done" && has(j, "report.json"), j.Signoff != nil && has(j, "manifest.json")
	v.Arranged = j.State == "done" && has(j, report.ArrangementName)
	if j.Over() && id.May(access.Submit) {
		v.Revise, v.RevisePlan = reviseAt(j), j.Kind != v1.Arrange
	}
	if v.Sign {
		v.Sheet = "/v1/jobs/" + j.ID + "/cutting-sheet"
	}
	if has(j, "report.html") {
		v.Report = "/v1/jobs/" + j.ID + "/files/report.html"
	}
	v.Outcome = outcomeOf(j, now)
	v.history(j, p)
	for _, a := range actions {
		if a.fits(j) && id.May(access.Manage) {
			v.Actions = append(v.Actions, a)
		}
	}
	return v
}

// fileWords say what the files of a result are for.
var fileWords = map[string]string{
	"premaster.wav":      "Premaster: what goes to the lathe",
	"difference.wav":     "Difference: what was changed",
	"as-traced.wav":      "As traced: what a stylus would read",
	"report.html":        "Report, to read",
	"report.json":        "Report, for programs",
	"cutting-sheet.html": "Cutting sheet",
	"manifest.json":      "Manifest: sizes and SHA-256 of all files",
	"arrangement.json":   "Arrangement, for programs",
	"arrangement.html":   "Arrangement, to read",
	"timeline.bin":       "Curves over the whole side, for the audit page",
	"advice.txt":         "Advice to the mix",
}

// fileWord is what a file of a result is for; a side plan says whose it is by its name.
func fileWord(name string) string {
	if word, ok := fileWords[name]; ok || path.Ext(name) != ".yaml" {
		return word
	}
	rank, side := 0, ""
	if n, _ := fmt.Sscanf(name, "rank-%d-side-%1s", &rank, &side); n < 2 {
		return ""
	}
	return fmt.Sprintf("Side plan: side %s of division %d", strings.ToUpper(side), rank)
}

func (v *jobView) history(j *v1.Job, p *Pages) {
	now := p.o.Now()
	for _, e := range j.History {
		info := job.Code(e.Code).Info()
		v.Events = append(v.Events, eventView{At: stampOf(e.At, now), To: stateBadge(e.To), Text: info.Text, Hint: e.Text, By: e.By})
		if n := len(v.Attempts) - 1; n >= 0 && v.Attempts[n].underWay {
			a := &v.Attempts[n]
			a.underWay, a.Result, a.Took = false, info.Text, spanWords(e.At.Sub(a.begunEvent.At))
		}
		if e.To == "running" {
			v.Attempts = append(v.Attempts, attemptView{Number: e.Attempt, Began: stampOf(e.At, now), By: e.By, Result: "Under way.", underWay: true, begunEvent: e})
		}
	}
}

// action is something a person may do with a job.
type action struct {
	Do, Word, Kind string
	Ask, Effect    string
	fits           func(*v1.Job) bool
	do             func(Service, context.Context, string) error
	back           string // where to go then; "": the job
}

var actions = []action{
	{Do: "cancel", Word: "Cancel", Kind: "plain", Ask: "Cancel this job?", Effect: "A job that waits is cancelled at once, one that runs within seconds. It can be put back to the start later.",
		fits: func(j *v1.Job) bool { return !j.Over() && !j.Cancel }, do: func(s Service, ctx context.Context, id string) error { return s.Cancel(ctx, id) }},
	{Do: "retry", Word: "Try again", Kind: "plain", Ask: "Try this job again?", Effect: "It is put back to the start, with the same plan and the same mixes.",
		fits: func(j *v1.Job) bool { return j.Over() && j.State != "done" }, do: func(s Service, ctx context.Context, id string) error { return s.Retry(ctx, id) }},
	{Do: "delete", Word: "Delete", Kind: "danger", Ask: "Delete this job and its files?", Effect: "Premaster, report and every other file of it go for good. The mixes stay until they expire.",
		fits: func(j *v1.Job) bool { return j.Over() && (j.Signoff == nil || j.Signoff.State != "approved") }, do: func(s Service, ctx context.Context, id string) error { return s.Delete(ctx, id) }, back: "/jobs"},
}

var notices = map[string]string{
	"cancel": "Cancelling was asked for.",
	"retry":  "The job is back at the start.",
	"delete": "The job was deleted.",

	"revise":  "The new revision is accepted; this is its page.",
	"approve": "The side is approved and locked.",
	"return":  "The side was returned to the studio.",
	"reopen":  "The side is open again.",
}

type confirmView struct {
	ID, Name string
	State    badge
	action
	Fits bool
}

// confirm asks before an action.
func (p *Pages) confirm(a action) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		j, err := p.o.Service.Job(r.Context(), r.PathValue("id"))
		if err != nil {
			p.fail(w, r, err)
			return
		}
		p.show(w, r, http.StatusOK, "confirm", frame{Title: a.Ask, Here: "job", Who: whoOf(r.Context()),
			Body: confirmView{j.ID, name(&j), stateBadge(j.State), a, a.fits(&j)}})
	}
}

// act does it, then sends the browser to a page that may be reloaded.
func (p *Pages) act(a action) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		id := r.PathValue("id")
		if err := a.do(p.o.Service, r.Context(), id); err != nil {
			p.fail(w, r, err)
			return
		}
		to := a.back
		if to == "" {
			to = "/jobs/" + id // the service knew it, so it is a plain word
		}
		seeOther(w, r, to+"?did="+a.Do)
	}
}

func has(j *v1.Job, file string) bool {
	return slices.ContainsFunc(j.Files, func(f v1.File) bool { return f.Name == file })
}

// outcomeOf says what was decided; nil while nobody has.
func outcomeOf(j *v1.Job, now time.Time) *outcome {
	if j.Signoff == nil || j.Signoff.State == "open" {
		return nil
	}
	o := &outcome{Standing: standings[j.Signoff.State], Note: j.Signoff.Note, At: stampOf(j.Signoff.At, now), Name: j.Signoff.Name}
	o.Text = "The engineer has listened and approved this side: it may be cut from these files, which are locked."
	if j.Signoff.State == "returned" {
		o.Text = "The engineer has sent this side back. Change what the note says, and submit it again as a new revision."
	}
	return o
}

// chain adds the other revisions. Without them the page is still the page: what
// the store does not give just now is left out.
func (p *Pages) chain(ctx context.Context, v *jobView) {
	svc, ok := p.o.Service.(RevisionService)
	if !ok {
		return
	}
	jobs, err := svc.Revisions(ctx, v.ID)
	if err != nil || len(jobs) < 2 {
		return
	}
	here := slices.IndexFunc(jobs, func(j v1.Job) bool { return j.ID == v.ID })
	for i := range jobs {
		c := chainView{rowView: p.row(&jobs[i]), Here: i == here}
		c.Revision = max(c.Revision, 1)
		if !c.Here {
			a, b := jobs[i].ID, v.ID // the older one goes first
			if i > here {
				a, b = b, a
			}
			c.Compare = "/jobs/" + a + "/compare/" + b
		}
		v.Chain = append(v.Chain, c)
	}
}
