package api

import (
	"context"
	"fmt"
	"strings"

	"discsafe/api/v1"
	"discsafe/pipeline/report"
)

// maxArrangementBytes bounds what is read of an arrangement: five divisions of 60
// tracks have some 100 kB.
const maxArrangementBytes = 1 << 20

// Arrangement reads what a job that arranges a release has found.
func (b board) Arrangement(ctx context.Context, id string) (*report.Arrangement, error) {
	text, err := b.resultFile(ctx, id, report.ArrangementName)
	if err != nil {
		return nil, err
	}
	a, err := report.ReadArrangement(strings.NewReader(text))
	if err != nil {
		return nil, b.s.problem(ctx, fmt.Errorf("arrangement of job %s: %w", id, err))
	}
	return a, nil
}

// ArrangedPlan reads a side plan that such a job wrote.
func (b board) ArrangedPlan(ctx context.Context, id, file string) (string, error) {
	if !strings.HasSuffix(file, ".yaml") {
		return "", v1.NewProblem(v1.NotFound, "the job has no such side plan")
	}
	return b.resultFile(ctx, id, file)
}

// resultFile reads a small file of a result that the caller may see. Errors are
// problems.
func (b board) resultFile(ctx context.Context, id, name string) (string, error) {
	rec, _, err := b.s.visible(ctx, id)
	if err != nil {
		return "", b.s.problem(ctx, err)
	}
	if rec.Result == nil {
		return "", v1.NewProblem(v1.WrongState, "there is an arrangement when the job is done; it is "+string(rec.State))
	}
	f, ok := rec.Result.File(name)
	if !ok {
		return "", v1.NewProblem(v1.NotFound, "the job has no "+name)
	}
	return b.text(ctx, f.Key, "the file", maxArrangementBytes)
}
