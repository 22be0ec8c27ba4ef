package api

import (
	"net/url"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"
)

// wire is a record as id may see it.
func (s *Server) wire(r *job.Record, id access.Identity) v1.Job {
	q := &r.Request
	j := v1.Job{
		ID: r.ID, Kind: q.Makes(), Studio: q.Studio, Lane: q.Lane, Title: q.Title, Side: q.Side, Catalogue: q.Catalogue, LengthS: q.LengthS,
		State: string(r.State), Rev: r.Rev, Attempt: r.Attempt, Crashes: r.Crashes, Losses: r.Losses, Cancel: r.Cancel != nil,
		AsTraced: q.AsTraced, Accepted: r.Accepted, NotBefore: r.NotBefore, Started: r.Started, Ended: r.Ended,
		Inputs: []v1.Input{}, History: []v1.Event{},
	}
	if r.State == job.Running && r.Progress != nil {
		j.Progress = s.wireProgress(r)
	}
	if r.Reason != nil {
		j.Reason = wireReason(r.Reason, id.May(access.Operate))
	}
	if !r.Ended.IsZero() && s.o.Keep > 0 {
		j.Expires = r.Ended.Add(s.o.Keep)
	}
	for _, in := range q.Inputs {
		j.Inputs = append(j.Inputs, v1.Input{Name: in.Name, Bytes: in.Bytes, SHA256: in.SHA256})
	}
	if r.Result != nil {
		j.Verdict = r.Result.Verdict
		for _, f := range r.Result.Files {
			j.Files = append(j.Files, v1.File{Name: f.Name, Bytes: f.Bytes, SHA256: f.SHA256, Href: "/v1/jobs/" + r.ID + "/files/" + url.PathEscape(f.Name)})
		}
	}
	if r.State == job.Accepted {
		j.Waiting = r.Last().At
	}
	j.Revises, j.RevisedBy, j.Revision = q.Revises, r.RevisedBy, q.Revision
	if r.State == job.Done && q.Prepares() {
		j.Signoff = &v1.Standing{State: string(r.Standing())}
		if n := len(r.Signoff); n > 0 {
			last := r.Signoff[n-1]
			j.Signoff.Name, j.Signoff.By, j.Signoff.At, j.Signoff.Note = last.Name, last.By, last.At, last.Note
		}
		if r.Standing() == job.Approved {
			j.Expires = time.Time{} // approved sides are kept
		}
	}
	for _, e := range r.History {
		j.History = append(j.History, v1.Event{At: e.At, From: string(e.From), To: string(e.To), Attempt: e.Attempt, Code: string(e.Code), Text: e.Text, By: e.By})
	}
	return j
}

func (s *Server) wireProgress(r *job.Record) *v1.Progress {
	p := r.Progress
	out := &v1.Progress{Step: p.Step, Pass: p.Pass, PassNumber: p.PassNumber, Passes: p.Passes, Percent: 100 * p.Share, RealTime: p.RealTime}
	// By the clock of the worker that estimated it, so that the same record tells the same to everybody.
	if p.LeftS > 0 && r.Holder != nil {
		out.Finish = r.Holder.BeatAt.Add(time.Duration(p.LeftS * float64(time.Second))).UTC().Truncate(time.Second)
	}
	return out
}

func wireReason(r *job.Reason, operator bool) *v1.Reason {
	out := &v1.Reason{Code: string(r.Code), Cause: r.Cause, Text: r.Text, Hint: r.Hint}
	for _, f := range r.Faults {
		out.Faults = append(out.Faults, v1.Fault(f))
	}
	if operator {
		out.Detail = r.Detail
	}
	return out
}
