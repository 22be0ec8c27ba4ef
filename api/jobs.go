package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue"

	"github.com/danielgtaylor/huma/v2"
)

type idInput struct {
	ID string `path:"id" doc:"Identifier of the job"`
}

type listInput struct {
	State   []string `query:"state" enum:"accepted,running,done,failed,cancelled,dead" doc:"Any of them"`
	Studio  string   `query:"studio" maxLength:"64"`
	Lane    string   `query:"lane" enum:"express,bulk"`
	Kind    string   `query:"kind" enum:"prepare,analyse,arrange"`
	Code    []string `query:"code" maxItems:"20" doc:"Reason code of the last transition, any of them"`
	Verdict string   `query:"verdict" enum:"ready,attention,blocked" doc:"Of jobs that are done"`
	Signoff string   `query:"signoff" enum:"open,approved,returned" doc:"Of sides that are prepared"`
	Q       string   `query:"q" maxLength:"200" doc:"Stands in identifier, title, side or catalogue number"`
	From    string   `query:"from" doc:"Accepted at or after, RFC 3339 or a date"`
	To      string   `query:"to" doc:"Accepted before"`
	Cursor  string   `query:"cursor" maxLength:"64" doc:"As next of the page before"`
	Limit   int      `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

func (s *Server) registerJobs() {
	t := s.routes
	read, manage := need(access.Read), need(access.Manage)
	huma.Register(s.huma, t.add(read, op(http.MethodGet, "/v1/jobs", "listJobs", "jobs", "Jobs, newest first",
		"A studio's token sees its own. A page may be shorter than asked for and yet have a next."), v1.Invalid, v1.Unavailable), s.list)
	huma.Register(s.huma, t.add(read, op(http.MethodGet, "/v1/jobs/{id}", "job", "jobs", "One job", ""), v1.NotFound, v1.Gone, v1.Unavailable), s.one)
	huma.Register(s.huma, t.add(manage, op(http.MethodPost, "/v1/jobs/{id}/cancel", "cancel", "jobs", "Cancel a job",
		"One that waits is cancelled at once, one that runs within seconds. Cancelling twice is fine."), v1.NotFound, v1.Gone, v1.WrongState, v1.Conflict, v1.Unavailable), s.cancel)
	huma.Register(s.huma, t.add(manage, op(http.MethodPost, "/v1/jobs/{id}/retry", "retry", "jobs", "Put a job that failed, was cancelled or is dead back to the start", ""),
		v1.NotFound, v1.Gone, v1.WrongState, v1.Conflict, v1.BacklogFull, v1.Paused, v1.DiskFull, v1.Unavailable), s.retry)
	huma.Register(s.huma, t.add(manage, op(http.MethodDelete, "/v1/jobs/{id}", "deleteJob", "jobs", "Delete a job that has ended, with its files",
		"The mixes stay until they expire."), v1.NotFound, v1.Gone, v1.WrongState, v1.Conflict, v1.Unavailable), s.remove)

	plan := op(http.MethodGet, "/v1/jobs/{id}/plan", "jobPlan", "jobs", "The side plan, or the release, as it was submitted", "")
	plan.Parameters = []*huma.Param{inPath("id", text("Identifier of the job"))}
	plan.Responses = map[string]*huma.Response{"200": {Description: "YAML, or JSON, which is YAML too", Headers: headers(map[string]string{"ETag": "SHA-256 of the text"}),
		Content: map[string]*huma.MediaType{"application/yaml": {Schema: text("")}}}}
	t.plain(read, plan, s.plan, v1.NotFound, v1.Gone, v1.Unavailable)
}

// visible returns a job that the caller may see. One that it may not see is
// job.ErrUnknown, as one that does not exist.
func (s *Server) visible(ctx context.Context, jobID string) (*job.Record, access.Identity, error) {
	id, ok := access.From(ctx)
	if !ok {
		return nil, id, v1.NewProblem(v1.Unauthorized, "")
	}
	r, err := s.o.Ledger.Get(ctx, jobID)
	if err != nil {
		return nil, id, err
	}
	if !id.Sees(r.Request.Studio) {
		return nil, id, job.ErrUnknown
	}
	return r, id, nil
}

// filterOf makes a filter of what was asked for; none if the caller may see
// nothing that it picks.
func filterOf(in *listInput, id access.Identity) (f job.Filter, none bool, p *v1.Problem) {
	f = job.Filter{Studio: in.Studio, Lane: in.Lane, Text: in.Q, Kind: in.Kind, Verdict: in.Verdict, Signoff: job.Standing(in.Signoff)}
	for _, st := range in.State {
		f.States = append(f.States, job.State(st))
	}
	if f.Verdict != "" || f.Signoff != "" {
		if len(f.States) > 0 && !slices.Contains(f.States, job.Done) {
			return f, true, nil
		}
		f.States = []job.State{job.Done}
	}
	for _, c := range in.Code {
		f.Codes = append(f.Codes, job.Code(c))
	}
	var err error
	if f.From, err = moment(in.From); err != nil {
		return f, false, invalid("query.from", err.Error())
	}
	if f.To, err = moment(in.To); err != nil {
		return f, false, invalid("query.to", err.Error())
	}
	if !id.All && id.Role == v1.RoleStudio {
		if f.Studio != "" && f.Studio != id.Studio {
			return f, true, nil
		}
		f.Studio = id.Studio
	}
	return f, false, nil
}

func moment(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	for _, form := range []string{time.RFC3339Nano, time.DateOnly} {
		if t, err := time.Parse(form, s); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%.40q: want a time such as 2026-01-31T18:00:00Z, or a date", s)
}

func invalid(path, detail string) *v1.Problem {
	p := v1.NewProblem(v1.Invalid, detail)
	p.Faults = []v1.Fault{{Path: path, Code: string(v1.Invalid), Detail: detail}}
	return p
}

func (s *Server) list(ctx context.Context, in *listInput) (*body[v1.Jobs], error) {
	id, _ := access.From(ctx)
	out := v1.Jobs{Jobs: []v1.Job{}}
	f, none, p := filterOf(in, id)
	if p != nil {
		return nil, p
	}
	if none {
		return &body[v1.Jobs]{out}, nil
	}
	page, err := s.o.Ledger.List(ctx, f, in.Cursor, in.Limit)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	for _, r := range page.Jobs {
		if id.Sees(r.Request.Studio) {
			out.Jobs = append(out.Jobs, s.wire(r, id))
		}
	}
	out.Next = page.Next
	// A record that cannot be read does not say whose it is: for operators, unless
	// the list is of one studio's jobs.
	if id.May(access.Operate) || f.Studio != "" {
		out.Unreadable = page.Unreadable
	}
	return &body[v1.Jobs]{out}, nil
}

type jobOutput struct {
	ETag string `header:"ETag"`
	Body v1.Job
}

func (s *Server) answerJob(r *job.Record, id access.Identity) *jobOutput {
	return &jobOutput{ETag: `"` + strconv.FormatInt(r.Rev, 10) + `"`, Body: s.wire(r, id)}
}

func (s *Server) one(ctx context.Context, in *idInput) (*jobOutput, error) {
	r, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	return s.answerJob(r, id), nil
}

func (s *Server) cancel(ctx context.Context, in *idInput) (*jobOutput, error) {
	_, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	r, err := s.o.Ledger.Cancel(ctx, in.ID, id.Name)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	s.watcher.saw(r)
	return s.answerJob(r, id), nil
}

func (s *Server) retry(ctx context.Context, in *idInput) (*jobOutput, error) {
	_, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	if err := s.intake.job(ctx); err != nil {
		return nil, s.problem(ctx, err)
	}
	r, err := s.o.Ledger.Retry(ctx, in.ID, id.Name)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	s.intake.submitted()
	s.watcher.saw(r)
	s.ring(ctx, r)
	s.forgetDead(ctx, r)
	return s.answerJob(r, id), nil
}

func (s *Server) remove(ctx context.Context, in *idInput) (*none, error) {
	r, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	if err := s.o.Ledger.Delete(ctx, in.ID, id.Name); err != nil {
		return nil, s.problem(ctx, err)
	}
	if s.o.Hooks != nil {
		if err := s.o.Hooks.Remove(ctx, in.ID); err != nil {
			s.o.Log.WarnContext(ctx, "hook of a deleted job stays", "job", in.ID, "error", err)
		}
	}
	s.forgetDead(ctx, r)
	return nil, nil
}

// ringTimeout bounds how long a client waits for the broker: the job is in the
// book, and the reconciler rings if this does not.
const ringTimeout = 2 * time.Second

func (s *Server) ring(ctx context.Context, r *job.Record) {
	if s.o.Queue == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), ringTimeout)
	defer cancel()
	if err := s.o.Queue.Publish(ctx, worker.Ring(r)); err != nil {
		s.o.Log.WarnContext(ctx, "bell not rung; the reconciler will", "job", r.ID, "error", err)
	}
}

// forgetDead takes the dead letters of a job out of the broker: it was decided
// on. What cannot be taken out now, housekeeping will.
func (s *Server) forgetDead(ctx context.Context, r *job.Record) {
	q, ok := s.o.Queue.(queue.DeadLetters)
	if !ok {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), ringTimeout)
	defer cancel()
	if _, err := q.Forget(ctx, r.Request.Studio, r.ID); err != nil {
		s.o.Log.WarnContext(ctx, "dead letter of a job that was decided on stays for now", "job", r.ID, "error", err)
	}
}

func (s *Server) plan(w http.ResponseWriter, r *http.Request) {
	rec, _, err := s.visible(r.Context(), r.PathValue("id"))
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	in := rec.Request.Plan
	o, err := s.stored(r.Context(), in.Key, "the plan")
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	defer o.Close()
	h := w.Header()
	h.Set("Content-Type", "application/yaml; charset=utf-8")
	h.Set("Content-Disposition", disposition("inline", "plan.yaml"))
	h.Set("ETag", `"`+in.SHA256+`"`)
	h.Set("Cache-Control", "private, no-cache")
	s.content(w, r, io.ReadSeeker(o))
}
