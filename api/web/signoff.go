package web

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
)

// SignService is what the page of sign-off shows and does.
type SignService interface {
	Signoff(ctx context.Context, id string) (v1.Signoff, error)
	Sign(ctx context.Context, id string, d v1.Decision) error
}

func (p *Pages) signoffRoutes() []Route {
	svc, ok := p.o.Service.(SignService)
	if !ok {
		return nil
	}
	s := &signing{p, svc}
	return []Route{
		{http.MethodGet, "/jobs/{id}/signoff", string(access.Read), s.page},
		{http.MethodPost, "/jobs/{id}/signoff", string(access.SignOff), s.post},
	}
}

type signing struct {
	*Pages
	svc SignService
}

// standings are where a sign-off can stand, as a person reads it.
var standings = map[string]badge{
	"open":     {"Not signed off", "wait"},
	"approved": {"Approved for cutting", "good"},
	"returned": {"Returned to the studio", "look"},
}

var standingOrder = []string{"open", "approved", "returned"}

// standingBadge is the sign-off of a job; nil if it can have none.
func standingBadge(j *v1.Job) *badge {
	if j.Signoff == nil {
		return nil
	}
	b, ok := standings[j.Signoff.State]
	if !ok {
		b = badge{j.Signoff.State, "off"}
	}
	return &b
}

var decisionWords = map[string]string{"approve": "Approved", "return": "Returned", "reopen": "Opened again"}

type signView struct {
	ID, Name          string
	Standing          badge
	Locked            bool
	Verdict           *badge
	Blocked           bool
	Sentence          string // the verdict of the report; "" if it cannot be had
	Reasons           []report.ReasonText
	Changes           int
	Manifest          string
	Files             []signFile
	History           []signEvent
	May               bool // decide
	Approve, Reopen   bool // what may be decided now
	Engineer, Note    string
	Decision          string
	Fault, FaultOn    string
	Audit             string
	Sheet, SheetWords string
}

type signFile struct{ Name, What, SHA256 string }

type signEvent struct {
	At                   *stamp
	Word, Name, By, Note string
	Attempt              int
}

func (s *signing) page(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, signView{Engineer: engineerOf(r.Context())}, notices[r.URL.Query().Get("did")])
}

// engineerOf is the name to begin with: that of the token, if it is a person's.
func engineerOf(ctx context.Context) string {
	if id, ok := access.From(ctx); ok && !id.All {
		return id.Name
	}
	return ""
}

func (s *signing) render(w http.ResponseWriter, r *http.Request, status int, v signView, notice string) {
	ctx := r.Context()
	j, err := s.o.Service.Job(ctx, r.PathValue("id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	is, err := s.svc.Signoff(ctx, j.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	id, _ := access.From(ctx)
	now := s.o.Now()
	v.ID, v.Name, v.Locked, v.Manifest, v.May = j.ID, name(&j), is.Locked, is.Manifest, id.May(access.SignOff)
	v.Standing = standings[is.State]
	v.Verdict, v.Blocked = verdictBadge(&j), j.Verdict == "blocked"
	s.findings(ctx, &v)
	v.Approve, v.Reopen = is.State != "approved", is.State != "open"
	v.Audit, v.Sheet = "/jobs/"+j.ID+"/audit", "/v1/jobs/"+j.ID+"/cutting-sheet"
	v.SheetWords = "Cutting sheet, with the sign-off as it stands"
	for _, f := range j.Files {
		v.Files = append(v.Files, signFile{f.Name, fileWords[f.Name], f.SHA256})
	}
	for _, e := range is.History {
		v.History = append(v.History, signEvent{stampOf(e.At, now), decisionWords[e.Decision], e.Name, e.By, e.Note, e.Attempt})
	}
	s.show(w, r, status, "signoff", frame{Title: "Sign-off: " + v.Name, Here: "job", Who: whoOf(ctx), Notice: notice, Body: v})
}

// findings adds what the report found. Without it the page says so: whoever
// decides is told, and the audit page tells why.
func (s *signing) findings(ctx context.Context, v *signView) {
	svc, ok := s.o.Service.(AuditService)
	if !ok {
		return
	}
	rep, err := svc.Report(ctx, v.ID)
	if err != nil {
		return
	}
	a := report.AuditOf(rep)
	v.Sentence, v.Reasons, v.Changes = a.Sentence, a.Reasons, len(rep.Changes)
}

// printable leaves out what no page may hold.
func printable(s string) string {
	return strings.Map(func(c rune) rune {
		if c != '\n' && unicode.IsControl(c) || c == utf8.RuneError {
			return -1
		}
		return c
	}, s)
}

// maxSignForm bounds a form of a name and a note.
const maxSignForm = 64 << 10

func (s *signing) post(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxSignForm)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, v1.NewProblem(v1.BadRequest, "the form cannot be read"))
		return
	}
	// Browsers send line ends as CR LF.
	note := strings.ReplaceAll(r.PostForm.Get("note"), "\r\n", "\n")
	d := v1.Decision{Decision: r.PostForm.Get("decision"), Name: strings.TrimSpace(r.PostForm.Get("name")), Note: strings.TrimSpace(note), Manifest: r.PostForm.Get("manifest")}
	v := signView{Engineer: printable(d.Name), Note: printable(d.Note), Decision: d.Decision}
	switch {
	case decisionWords[d.Decision] == "":
		v.FaultOn, v.Fault = "decision", "Choose what you decide."
	case d.Name == "":
		v.FaultOn, v.Fault = "name", "Whoever decides gives a name."
	case d.Note == "" && d.Decision == "return":
		v.FaultOn, v.Fault = "note", "Say what the studio should change."
	case d.Note == "" && d.Decision == "reopen":
		v.FaultOn, v.Fault = "note", "Say why it is opened again."
	}
	if v.Fault == "" {
		err := s.svc.Sign(r.Context(), r.PathValue("id"), d)
		if err == nil {
			seeOther(w, r, "/jobs/"+r.PathValue("id")+"/signoff?did="+d.Decision)
			return
		}
		pr, ok := errors.AsType[*v1.Problem](err)
		switch {
		case !ok || pr.Status >= 500:
			s.fail(w, r, err)
			return
		case pr.Code == string(v1.Invalid):
			field, text, _ := strings.Cut(pr.Detail, ": ")
			if field != "name" && field != "note" && field != "decision" {
				field, text = "decision", pr.Detail
			}
			v.FaultOn, v.Fault = field, text
		case pr.Code == string(v1.Conflict):
			v.FaultOn, v.Fault = "decision", "The result has changed since you looked. Listen to the new one first; the form below is about that."
		case pr.Code == string(v1.Locked) || pr.Code == string(v1.WrongState):
			v.FaultOn, v.Fault = "decision", "This cannot be decided now: "+pr.Detail+"."
		default:
			s.fail(w, r, err)
			return
		}
	}
	s.render(w, r, http.StatusUnprocessableEntity, v, "")
}
