package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

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
	if opt.Analyse {
		return pipeline.Analyse(ctx, plan, options(opt))
	}
	return pipeline.Prepare(ctx, plan, options(opt))
}

func (pipelineEngine) Measure(ctx context.Context, path string, disc groove.Disc, room groove.Room, opt workOptions) (*report.Measurement, error) {
	return pipeline.Measure(ctx, path, disc, room, options(opt))
}

// Check takes every failure but cancelling for a fault of the folder: manifest
// or report is not there, or cannot be read.
func (pipelineEngine) Check(ctx context.Context, dir string) (*checkResult, error) {
	r, err := pipeline.Check(ctx, dir)
	switch {
	case err == nil:
		return &checkResult{Files: r.Files, Measures: r.Measures, Faults: append([]string{}, r.Faults...)}, nil
	case ctx.Err() != nil:
		return nil, err
	case errors.Is(err, fs.ErrNotExist):
		return nil, &inputError{fmt.Errorf("%w; is this the folder of a prepared side?", err)}
	}
	return nil, &inputError{err}
}

// putFolder puts a result in place that was made elsewhere.
func putFolder(dir string, analysis bool, fill func(work string) error) error {
	return pipeline.PutFolder(dir, analysis, fill)
}

// checkFolder says whether putFolder would take dir, and if it is for a file
// that no result wrote, which.
func checkFolder(dir string, analysis bool) (file string, err error) {
	err = pipeline.CheckFolder(dir, analysis)
	if f, is := errors.AsType[*pipeline.FolderError](err); is {
		file = f.File
	}
	return file, err
}

// isEngineInput reports whether an error of the pipeline is one the user can
// mend.
func isEngineInput(err error) bool { return isType[*pipeline.FolderError](err) }
