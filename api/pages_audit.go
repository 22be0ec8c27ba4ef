package api

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/report"
	"discsafe/worker/job"
)

// maxReportBytes bounds what is read of a report; one of 5000 changes has a few
// megabytes.
const maxReportBytes = 32 << 20

// lean reads a report without the points of the land plan, which are most of a
// long side's report and which no page of ours shows.
type lean struct {
	report.Report
	Land struct {
		report.Land
		Points unread `json:"points"`
	} `json:"land"`
}

type unread struct{}

// UnmarshalJSON implements json.Unmarshaler.
func (*unread) UnmarshalJSON([]byte) error { return nil }

// Report reads report.json of a job that is done, without the points of its
// land plan.
func (b board) Report(ctx context.Context, id string) (*report.Report, error) {
	rec, _, err := b.s.visible(ctx, id)
	if err != nil {
		return nil, b.s.problem(ctx, err)
	}
	var r lean
	if err := b.s.readReport(ctx, rec, &r); err != nil {
		return nil, err
	}
	r.Report.Land = r.Land.Land
	return &r.Report, nil
}

// readReport decodes report.json of a job that is done and visible to the
// caller. Errors are problems.
func (s *Server) readReport(ctx context.Context, rec *job.Record, into any) error {
	if rec.Result == nil {
		return v1.NewProblem(v1.WrongState, "there is a report when the job is done; it is "+string(rec.State))
	}
	f, ok := rec.Result.File(pipeline.ReportName)
	if !ok {
		return v1.NewProblem(v1.Gone, "the job has no report")
	}
	if f.Bytes > maxReportBytes {
		return s.problem(ctx, fmt.Errorf("report of job %s has %d bytes, %d are read at most", rec.ID, f.Bytes, maxReportBytes))
	}
	o, err := s.stored(ctx, f.Key, "the report")
	if err != nil {
		return s.problem(ctx, err)
	}
	defer o.Close()
	if err := json.NewDecoder(io.LimitReader(o, maxReportBytes)).Decode(into); err != nil {
		return s.problem(ctx, fmt.Errorf("report of job %s: %w", rec.ID, err))
	}
	return nil
}
