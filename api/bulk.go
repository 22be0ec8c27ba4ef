package api

import (
	"context"
	"fmt"
	"net/http"
	"slices"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"

	"github.com/danielgtaylor/huma/v2"
)

// Bounds of one bulk action.
const (
	mostBulk     = 10_000
	mostBulkTold = 100
)

func (s *Server) registerBulk() {
	huma.Register(s.huma, s.routes.add(need(access.Manage), op(http.MethodPost, "/v1/jobs/bulk", "bulk", "jobs", "Cancel, retry or delete all jobs that a filter picks",
		fmt.Sprintf(`With preview, it counts. Without, count must be what a preview counted: if there are more or fewer by now, nothing is done. At most %d jobs at once.
A job that does not allow it any more is told and does not stop the others.`, mostBulk)),
		v1.Invalid, v1.Conflict, v1.TooLarge, v1.BacklogFull, v1.Paused, v1.DiskFull, v1.Unavailable), s.bulk)
}

// allows says whether a job's state allows what is asked of many.
func allows(do string, r *job.Record) bool {
	switch do {
	case "cancel":
		return !r.State.Ended() && r.Cancel == nil
	case "retry":
		return r.State.Ended() && job.May(r.State, job.Accepted)
	}
	return r.State.Ended() && r.Standing() != job.Approved
}

func (s *Server) bulk(ctx context.Context, in *body[v1.Bulk]) (*body[v1.BulkAnswer], error) {
	id, _ := access.From(ctx)
	b := in.Body
	if !b.Preview && b.Count == nil {
		return nil, invalid("count", "want what a preview counted")
	}
	ids, p := s.picked(ctx, id, b)
	if p != nil {
		return nil, p
	}
	out := v1.BulkAnswer{Count: len(ids), IDs: ids[:min(len(ids), mostBulkTold)], Refused: []v1.BulkRefusal{}}
	if b.Preview {
		return &body[v1.BulkAnswer]{out}, nil
	}
	if *b.Count != len(ids) {
		return nil, v1.NewProblem(v1.Conflict, fmt.Sprintf("there are %d such jobs now, not %d; look again", len(ids), *b.Count))
	}
	for _, jobID := range ids {
		var err error
		switch b.Do {
		case "cancel":
			_, err = s.cancel(ctx, &idInput{jobID})
		case "retry":
			_, err = s.retry(ctx, &idInput{jobID})
		default:
			_, err = s.remove(ctx, &idInput{jobID})
		}
		if err == nil {
			out.Done++
			continue
		}
		p := s.problem(ctx, err)
		if ctx.Err() != nil || p.Status >= http.StatusInternalServerError {
			// What is not about this job would meet the others too.
			p.Detail = fmt.Sprintf("stopped after %d of %d jobs: %s", out.Done, len(ids), p.Detail)
			return nil, p
		}
		if len(out.Refused) < mostBulkTold {
			out.Refused = append(out.Refused, v1.BulkRefusal{ID: jobID, Code: p.Code, Detail: p.Detail})
		}
	}
	s.o.Log.InfoContext(ctx, "bulk action", "do", b.Do, "done", out.Done, "of", len(ids), "by", id.Name)
	return &body[v1.BulkAnswer]{out}, nil
}

// picked lists the jobs that are meant, newest first.
func (s *Server) picked(ctx context.Context, id access.Identity, b v1.Bulk) ([]string, *v1.Problem) {
	q := b.Filter
	out := []string{}
	if len(q.IDs) > 0 {
		for _, jobID := range slices.Compact(slices.Sorted(slices.Values(q.IDs))) {
			r, _, err := s.visible(ctx, jobID)
			if err != nil {
				if p := s.problem(ctx, err); p.Code != string(v1.NotFound) && p.Code != string(v1.Gone) {
					return nil, p
				}
				continue
			}
			if allows(b.Do, r) {
				out = append(out, jobID)
			}
		}
		return out, nil
	}
	f, none, p := filterOf(&listInput{State: q.State, Studio: q.Studio, Lane: q.Lane, Kind: q.Kind, Code: q.Code, Verdict: q.Verdict, Signoff: q.Signoff, Q: q.Q, From: q.From, To: q.To}, id)
	if p != nil || none {
		return out, p
	}
	for cursor := ""; ; {
		page, err := s.o.Ledger.List(ctx, f, cursor, 500)
		if err != nil {
			return nil, s.problem(ctx, err)
		}
		for _, r := range page.Jobs {
			if id.Sees(r.Request.Studio) && allows(b.Do, r) {
				out = append(out, r.ID)
			}
		}
		if len(out) > mostBulk {
			return nil, v1.NewProblem(v1.TooLarge, fmt.Sprintf("more than %d jobs are meant; narrow the filter", mostBulk))
		}
		if cursor = page.Next; cursor == "" {
			return out, nil
		}
	}
}
