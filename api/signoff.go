package api

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/report"
	"discsafe/worker/job"

	"github.com/danielgtaylor/huma/v2"
)

func (s *Server) registerSignoff() {
	t := s.routes
	read := need(access.Read)
	huma.Register(s.huma, t.add(read, op(http.MethodGet, "/v1/jobs/{id}/signoff", "signoff", "sign-off", "Where the sign-off of a side stands, with its history",
		"Of a prepared side that is done."), v1.NotFound, v1.Gone, v1.WrongState, v1.Unavailable), s.signoff)
	huma.Register(s.huma, t.add(need(access.SignOff), op(http.MethodPost, "/v1/jobs/{id}/signoff", "sign", "sign-off", "Approve a side, return it with a note, or reopen it",
		`The history is only ever added to. An approval locks the job with its files until it is reopened, and retention keeps it.
manifest_sha256 names the result that was looked at: if the job has another by now, the answer is a conflict.`),
		v1.NotFound, v1.Gone, v1.WrongState, v1.Locked, v1.Conflict, v1.Invalid, v1.Unavailable), s.sign)
	huma.Register(s.huma, t.add(read, op(http.MethodGet, "/v1/jobs/{id}/revisions", "revisions", "jobs", "A job and all that take each other's place, the first one first", ""),
		v1.NotFound, v1.Gone, v1.Unavailable), s.revisions)

	o := op(http.MethodGet, "/v1/jobs/{id}/cutting-sheet", "cuttingSheet", "sign-off", "The cutting sheet with the sign-off on it", "The file cutting-sheet.html is as it was written; this one says who approved which files, and when.")
	o.Parameters = []*huma.Param{inPath("id", text("Identifier of the job"))}
	o.Responses = map[string]*huma.Response{"200": {Description: "A page to print", Content: map[string]*huma.MediaType{"text/html": {Schema: text("")}}}}
	t.plain(read, o, s.cuttingSheet, v1.NotFound, v1.Gone, v1.WrongState, v1.Unavailable)
}

// prepared is a job with a result that can be signed off.
func (s *Server) prepared(ctx context.Context, jobID string) (*job.Record, access.Identity, error) {
	r, id, err := s.visible(ctx, jobID)
	if err != nil {
		return nil, id, err
	}
	if r.Result == nil || !r.Request.Prepares() {
		return nil, id, v1.NewProblem(v1.WrongState, fmt.Sprintf("there is a sign-off of prepared sides that are done; this job is of kind %s and %s", r.Request.Makes(), r.State))
	}
	return r, id, nil
}

func wireSignoff(r *job.Record) v1.Signoff {
	out := v1.Signoff{State: string(r.Standing()), Locked: r.Standing() == job.Approved, Verdict: r.Result.Verdict, Files: map[string]string{}, History: []v1.Sign{}}
	for _, f := range r.Result.Files {
		out.Files[f.Name] = f.SHA256
	}
	out.Manifest = out.Files[report.ManifestName]
	for _, e := range r.Signoff {
		out.History = append(out.History, v1.Sign(e))
	}
	return out
}

func (s *Server) signoff(ctx context.Context, in *idInput) (*body[v1.Signoff], error) {
	r, _, err := s.prepared(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	return &body[v1.Signoff]{wireSignoff(r)}, nil
}

type signInput struct {
	ID   string `path:"id" doc:"Identifier of the job"`
	Body v1.Decision
}

func (s *Server) sign(ctx context.Context, in *signInput) (*body[v1.Signoff], error) {
	_, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	d := in.Body
	r, err := s.o.Ledger.Sign(ctx, in.ID, job.Sign{By: cut(id.Name), Name: d.Name, Decision: d.Decision, Note: d.Note, Manifest: d.Manifest})
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	s.o.Log.InfoContext(ctx, "signed off", "job", in.ID, "decision", d.Decision, "by", id.Name)
	s.watcher.saw(r)
	return &body[v1.Signoff]{wireSignoff(r)}, nil
}

func (s *Server) revisions(ctx context.Context, in *idInput) (*body[v1.Revisions], error) {
	_, id, err := s.visible(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	chain, err := s.o.Ledger.Revisions(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err)
	}
	out := v1.Revisions{Jobs: []v1.Job{}}
	for _, r := range chain {
		if id.Sees(r.Request.Studio) {
			out.Jobs = append(out.Jobs, s.wire(r, id))
		}
	}
	return &body[v1.Revisions]{out}, nil
}

func (s *Server) cuttingSheet(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	rec, _, err := s.prepared(ctx, r.PathValue("id"))
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	var rep report.Report
	if err := s.readReport(ctx, rec, &rep); err != nil {
		s.refuse(w, r, err)
		return
	}
	var signed *report.SignOff
	if n := len(rec.Signoff); n > 0 && rec.Standing() != job.Open {
		last := rec.Signoff[n-1]
		signed = &report.SignOff{Approved: rec.Standing() == job.Approved, Name: last.Name, At: last.At, Note: last.Note, Attempt: last.Attempt, ManifestSHA256: last.Manifest}
	}
	var b bytes.Buffer
	if err := report.WriteSignedSheet(&b, &rep, signed); err != nil {
		s.refuse(w, r, fmt.Errorf("cutting sheet of job %s: %w", rec.ID, err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", pagePolicy)
	h.Set("Content-Disposition", disposition("inline", pipeline.CuttingSheetName))
	h.Set("Cache-Control", "private, no-cache")
	h.Set("Content-Length", strconv.Itoa(b.Len()))
	_, _ = w.Write(b.Bytes()) // a client that has gone cannot be told so
}
