package main

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"syscall"

	"discsafe/pipeline/arrange"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/worker"

	"github.com/spf13/cobra"
)

// runJobCommand is the process a worker starts for one job. It is not for
// people: it reads a task on standard input and tells progress and outcome on
// standard output, one JSON object a line.
func (a *app) runJobCommand() *cobra.Command {
	return &cobra.Command{
		Use:    worker.RunJob,
		Short:  "Do one job for a worker: task on standard input, progress on standard output",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			// A service manager signals every process of the worker; the worker alone decides what becomes of the job,
			// and says so by closing the input.
			signal.Ignore(os.Interrupt, syscall.SIGTERM)
			if worker.Child(context.WithoutCancel(cmd.Context()), os.Stdin, a.stdout, a.runTask) != 0 {
				return errors.New("the worker does not listen any more")
			}
			return nil
		},
	}
}

// runTask prepares or analyses the side of a task, or arranges its release. The
// plan comes from a stranger, so its names are kept within its folder.
func (a *app) runTask(ctx context.Context, t worker.Task, told func(worker.Pass)) (worker.Made, error) {
	if t.Arranges() {
		return arrangeTask(ctx, t, told)
	}
	plan, err := sideplan.LoadConfined(t.Plan)
	if err != nil {
		return worker.Made{}, err
	}
	poison(plan) // in builds for the fault runner only
	version := readBuild().Version
	r, err := a.engine.Prepare(ctx, plan, workOptions{OutDir: t.Out, Version: version, Analyse: t.Analyses(), AsTraced: t.AsTraced, Progress: func(p progress) {
		told(worker.Pass{Name: p.Pass, Number: p.PassNumber, Of: p.Passes, Fraction: p.Fraction, RealTime: p.RealTime})
	}})
	if err != nil {
		return worker.Made{}, err
	}
	return worker.Made{Verdict: string(r.Verdict.State), Version: version}, nil
}

// arrangeTask divides the release of a task. One that holds at no level has a
// result that says so, and is blocked.
func arrangeTask(ctx context.Context, t worker.Task, told func(worker.Pass)) (worker.Made, error) {
	release, err := arrange.LoadConfined(t.Plan)
	if err != nil {
		return worker.Made{}, err
	}
	made := worker.Made{Verdict: string(report.Ready), Version: readBuild().Version}
	err = putFolder(t.Out, true, func(work string) error {
		res, err := arrange.Run(ctx, release, work, arrange.RunOptions{Version: made.Version, Progress: func(pass string, number, of int, fraction float64) {
			told(worker.Pass{Name: pass, Number: number, Of: of, Fraction: fraction})
		}})
		if err == nil && !res.Best[0].Holds {
			made.Verdict = string(report.Blocked)
		}
		return err
	})
	if err != nil {
		return worker.Made{}, err
	}
	return made, nil
}
