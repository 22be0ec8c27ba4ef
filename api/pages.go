package api

import (
	"context"
	"fmt"
	"io"

	"discsafe/api/v1"
	"discsafe/api/web"

	"github.com/danielgtaylor/huma/v2"
)

// registerPages mounts the pages: in the table of routes, with what each needs,
// but not in the document, which is the API's.
func (s *Server) registerPages() error {
	var err error
	if s.pages, err = web.New(web.Options{Service: board{s}, Session: s.o.Gate.Session, Now: s.o.Now, Log: s.o.Log}); err != nil {
		return fmt.Errorf("api: %w", err)
	}
	for _, r := range append(s.pages.Routes(), s.testCutRoute()) {
		s.routes.add(need(r.Need), huma.Operation{Method: r.Method, Path: r.Path})
		s.routes.HandleFunc(r.Method+" "+r.Path, r.Handler)
	}
	return nil
}

// board is the service as the pages use it: by the handlers of the API, so that
// a page shows nobody what the API would not.
type board struct{ s *Server }

func (b board) Jobs(ctx context.Context, q web.Query) (v1.Jobs, error) {
	in := &listInput{Studio: q.Studio, Verdict: q.Verdict, Kind: q.Kind, Signoff: q.Signoff, From: q.From, To: q.To, Q: q.Text, Cursor: q.Cursor, Limit: q.Limit}
	if q.State != "" {
		in.State = []string{q.State}
	}
	out, err := b.s.list(ctx, in)
	if err != nil {
		return v1.Jobs{}, err
	}
	return out.Body, nil
}

func (b board) Job(ctx context.Context, id string) (v1.Job, error) {
	out, err := b.s.one(ctx, &idInput{id})
	if err != nil {
		return v1.Job{}, err
	}
	return out.Body, nil
}

func (b board) Plan(ctx context.Context, id string) (string, error) {
	rec, _, err := b.s.visible(ctx, id)
	if err != nil {
		return "", b.s.problem(ctx, err)
	}
	return b.text(ctx, rec.Request.Plan.Key, "the plan", maxPlanBytes)
}

// text reads what is stored and has most bytes at most. Errors are problems.
func (b board) text(ctx context.Context, key, what string, most int64) (string, error) {
	o, err := b.s.stored(ctx, key, what)
	if err != nil {
		return "", b.s.problem(ctx, err)
	}
	defer o.Close()
	data, err := io.ReadAll(io.LimitReader(o, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s: %s has more than the %d bytes that are read of it", key, what, most)
	}
	if err != nil {
		return "", b.s.problem(ctx, err)
	}
	return string(data), nil
}

func (b board) Cancel(ctx context.Context, id string) error {
	_, err := b.s.cancel(ctx, &idInput{id})
	return err
}

func (b board) Retry(ctx context.Context, id string) error {
	_, err := b.s.retry(ctx, &idInput{id})
	return err
}

func (b board) Delete(ctx context.Context, id string) error {
	_, err := b.s.remove(ctx, &idInput{id})
	return err
}

// Signoff is where a side's sign-off stands.
func (b board) Signoff(ctx context.Context, id string) (v1.Signoff, error) {
	out, err := b.s.signoff(ctx, &idInput{id})
	if err != nil {
		return v1.Signoff{}, err
	}
	return out.Body, nil
}

// Sign adds an engineer's decision.
func (b board) Sign(ctx context.Context, id string, d v1.Decision) error {
	_, err := b.s.sign(ctx, &signInput{ID: id, Body: d})
	return err
}

// Revisions are the jobs that take each other's place, the first one first.
func (b board) Revisions(ctx context.Context, id string) ([]v1.Job, error) {
	out, err := b.s.revisions(ctx, &idInput{id})
	if err != nil {
		return nil, err
	}
	return out.Body.Jobs, nil
}

// Bulk does the same to many jobs.
func (b board) Bulk(ctx context.Context, in v1.Bulk) (v1.BulkAnswer, error) {
	out, err := b.s.bulk(ctx, &body[v1.Bulk]{in})
	if err != nil {
		return v1.BulkAnswer{}, err
	}
	return out.Body, nil
}
