package api

import (
	"cmp"
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
	// mostBulkPages bounds what is looked at for few jobs among very many: each page
	// is 500 jobs that the filter picks, or 5,000 looked at.
	mostBulkPages = 60
)

func (s *Server) registerBulk() {
	huma.Register(s.huma, s.routes.add(need(access.Manage), op(http.MethodPost, "/v1/jobs/bulk", "bulk", "jobs", "Cancel, retry or delete all jobs that a filter picks",
		fmt.Sprintf(`With preview, it counts. Without, count must be what a preview counted: if there are more or fewer by now, nothing is done. At most %d jobs at once.
A job that does not allow it any more is told and does not stop the others. Approved sides are not counted, not deleted, and told.`, mostBulk)),
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
	m, p := s.picked(ctx, id, b)
	if p != nil {
		return nil, p
	}
	out := v1.BulkAnswer{Count: len(m.ids), IDs: m.ids[:min(len(m.ids), mostBulkTold)], Locked: len(m.locked), Refused: []v1.BulkRefusal{}}
	if b.Preview {
		return &body[v1.BulkAnswer]{out}, nil
	}
	if *b.Count != len(m.ids) {
		return nil, v1.NewProblem(v1.Conflict, fmt.Sprintf("there are %d such jobs now, not %d; look again", len(m.ids), *b.Count))
	}
	if err := s.doAll(ctx, b.Do, m, &out); err != nil {
		return nil, s.problem(ctx, err)
	}
	s.o.Log.InfoContext(ctx, "bulk action", "do", b.Do, "done", out.Done, "of", len(m.ids), "by", id.Name)
	return &body[v1.BulkAnswer]{out}, nil
}

// doAll does it to one job after the other and notes what became of each. Its
// error is that the caller has gone.
func (s *Server) doAll(ctx context.Context, do string, m meant, out *v1.BulkAnswer) error {
	refuse := func(jobID, code, detail string) {
		out.Outcomes = append(out.Outcomes, v1.BulkOutcome{ID: jobID, Code: code, Detail: detail})
		if len(out.Refused) < mostBulkTold {
			out.Refused = append(out.Refused, v1.BulkRefusal{ID: jobID, Code: code, Detail: detail})
		}
	}
	var stop *v1.Problem
	for _, jobID := range m.ids {
		if stop != nil {
			refuse(jobID, stop.Code, "not tried: "+stop.Error())
			continue
		}
		var err error
		switch do {
		case "cancel":
			_, err = s.cancel(ctx, &idInput{jobID})
		case "retry":
			_, err = s.retry(ctx, &idInput{jobID})
		default:
			_, err = s.remove(ctx, &idInput{jobID})
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err == nil {
			out.Done++
			out.Outcomes = append(out.Outcomes, v1.BulkOutcome{ID: jobID, Code: v1.BulkDone})
			continue
		}
		p := s.problem(ctx, err)
		refuse(jobID, p.Code, cmp.Or(p.Detail, p.Title))
		if p.Status >= http.StatusInternalServerError || p.Status == http.StatusTooManyRequests {
			stop = p // it is not about this job and would meet the others too
		}
	}
	for _, l := range m.locked {
		refuse(l.ID, string(v1.Locked), l.Error())
	}
	return nil
}

// meant is what a bulk action is about, newest first.
type meant struct {
	ids    []string
	locked []*job.LockedError // approved sides that a deletion leaves alone; no more than mostBulk
}

func (m *meant) add(do string, r *job.Record) {
	switch {
	case allows(do, r):
		m.ids = append(m.ids, r.ID)
	case do == "delete" && r.Standing() == job.Approved && len(m.locked) < mostBulk:
		m.locked = append(m.locked, r.Locked("be deleted"))
	}
}

// picked lists the jobs that are meant.
func (s *Server) picked(ctx context.Context, id access.Identity, b v1.Bulk) (m meant, p *v1.Problem) {
	q := b.Filter
	m.ids = []string{}
	if len(q.IDs) > 0 {
		for _, jobID := range slices.Compact(slices.Sorted(slices.Values(q.IDs))) {
			r, _, err := s.visible(ctx, jobID)
			if err == nil {
				m.add(b.Do, r)
			} else if p := s.problem(ctx, err); p.Code != string(v1.NotFound) && p.Code != string(v1.Gone) {
				return m, p
			}
		}
		return m, nil
	}
	f, none, p := filterOf(&listInput{State: q.State, Studio: q.Studio, Lane: q.Lane, Kind: q.Kind, Code: q.Code, Verdict: q.Verdict, Signoff: q.Signoff, Q: q.Q, From: q.From, To: q.To}, id)
	if p != nil || none {
		return m, p
	}
	cursor := ""
	for range mostBulkPages {
		page, err := s.o.Ledger.List(ctx, f, cursor, 500)
		if err != nil {
			return m, s.problem(ctx, err)
		}
		for _, r := range page.Jobs {
			if id.Sees(r.Request.Studio) {
				m.add(b.Do, r)
			}
		}
		if len(m.ids) > mostBulk {
			return m, v1.NewProblem(v1.TooLarge, fmt.Sprintf("more than %d jobs are meant; narrow the filter", mostBulk))
		}
		if cursor = page.Next; cursor == "" {
			return m, nil
		}
	}
	return m, v1.NewProblem(v1.TooLarge, "too many jobs to look at in one go; narrow the filter, by dates for instance")
}
