package main

import (
	"context"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

// engine does the work. wire.go holds the real one; tests bring their own.
type engine interface {
	// Prepare makes one side in opt.OutDir, or its analysis, whole or not at all.
	Prepare(ctx context.Context, plan *sideplan.Plan, opt workOptions) (*report.Report, error)
	// Measure reads one file and writes nothing.
	Measure(ctx context.Context, path string, disc groove.Disc, room groove.Room, opt workOptions) (*report.Measurement, error)
	// Check verifies a folder that Prepare made. Damage is a result, not an
	// error; an error means the check could not be made.
	Check(ctx context.Context, dir string) (*checkResult, error)
}

// workOptions are what the command line says beyond the plan.
type workOptions struct {
	OutDir      string
	Version     string
	Analyse     bool // measure and plan only
	AsTraced    bool
	BlockFrames int // 0: the default
	Progress    func(progress)
}

// progress is how far the work is.
type progress struct {
	Pass       string  // name of the pass
	PassNumber int     // from 1
	Passes     int     // 0 when not known
	Fraction   float64 // of this pass, 0 to 1
	RealTime   float64 // programme time over time taken; 0 when not known
}

// checkResult is what a check found.
type checkResult struct {
	Files    int      `json:"files"`    // files verified against the manifest
	Measures int      `json:"measures"` // figures measured again
	Faults   []string `json:"faults"`   // what does not match, in words; empty when all is well
}
