package main

import (
	"context"
	"errors"

	"discsafe/pipeline"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

// newEngine connects the commands with package pipeline.
func newEngine() engine { return pipelineEngine{} }

type pipelineEngine struct{}

func options(opt workOptions) pipeline.Options {
	o := pipeline.Options{OutDir: opt.OutDir, Version: opt.Version, AsTraced: opt.AsTraced, BlockFrames: opt.BlockFrames}
	if opt.Progress != nil {
		o.Progress = func(p pipeline.Progress) { opt.Progress(progress(p)) }
	}
	return o
}

func (pipelineEngine) Prepare(ctx context.Context, plan *sideplan.Plan, opt workOptions) (*report.Report, error) {
	return pipeline.Prepare(ctx, plan, options(opt))
}

var errNotWired = errors.New("not wired: this build has no pipeline")

func (pipelineEngine) Measure(context.Context, string, groove.Disc, groove.Room, workOptions) (*report.Measurement, error) {
	return nil, errNotWired
}

func (pipelineEngine) Check(context.Context, string) (*checkResult, error) { return nil, errNotWired }

// isEngineInput reports whether an error of the pipeline is one the user can
// mend.
func isEngineInput(err error) bool { return isType[*pipeline.FolderError](err) }
