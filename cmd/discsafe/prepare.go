package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

func (a *app) prepareCommand() *cobra.Command {
	var opt workOptions
	var compare bool
	c := &cobra.Command{
		Use:   "prepare PLAN --out DIR",
		Short: "Prepare one side: premaster, difference, report, cutting sheet",
		Long: `prepare reads a side plan, measures the mixes, decides level, land and
treatment together, writes the premaster and measures it again from the written
file. The folder holds premaster.wav, difference.wav, report.json, report.html,
cutting-sheet.html, timeline.bin and manifest.json, where treatment goes beyond
the plan's caps advice.txt too, or nothing at all.

With --analyse it stops after measuring and planning: the folder holds
report.json, report.html, timeline.bin and manifest.json. What the report then
says of treatment, groove and verdict is a prediction.`,
		Example: "  discsafe prepare side-a.yaml --out side-a\n  discsafe prepare side-a.yaml --out side-a-analysis --analyse",
		Args:    oneArg("a side plan"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if opt.OutDir == "" {
				return &usageError{msg: "--out is missing: name the folder for the result"}
			}
			if opt.Analyse && opt.AsTraced {
				return &usageError{msg: "--analyse writes no sound: leave out --as-traced"}
			}
			plan, err := sideplan.Load(args[0])
			if err != nil {
				return orRelease(err, args[0], "a release is divided by 'discsafe arrange' first")
			}
			plan.CompareSpeeds = plan.CompareSpeeds || compare
			r, err := a.prepare(cmd.Context(), plan, opt)
			if err != nil {
				return err
			}
			return a.showSide(r, opt.OutDir, "")
		},
	}
	c.Flags().StringVarP(&opt.OutDir, "out", "o", "", "folder for the result; new, empty, or holding a former result")
	c.Flags().BoolVar(&opt.Analyse, "analyse", false, "measure and plan only; write a report, no sound")
	c.Flags().BoolVar(&opt.AsTraced, "as-traced", false, "also write as-traced.wav: what a playback stylus of the room's design tip would deliver")
	c.Flags().BoolVar(&compare, "compare-speeds", false, "also plan the side for the other speed of its disc, as compare_speeds in the plan")
	c.Flags().IntVar(&opt.BlockFrames, "block-frames", 0, "frames per block; the result does not depend on it")
	if err := c.Flags().MarkHidden("block-frames"); err != nil {
		panic("discsafe: " + err.Error()) // the flag was added on the line above
	}
	a.jsonFlag(c)
	return c
}

// prepare runs the engine with progress shown.
func (a *app) prepare(ctx context.Context, plan *sideplan.Plan, opt workOptions) (*report.Report, error) {
	if opt.BlockFrames < 0 || opt.BlockFrames > 1<<20 {
		return nil, &usageError{msg: fmt.Sprintf("--block-frames %d: want 1 to %d, or 0 for the default", opt.BlockFrames, 1<<20)}
	}
	if err := checkOut(opt.OutDir, report.ManifestName); err != nil {
		return nil, err
	}
	view := a.newProgress()
	defer view.done()
	opt.Version = readBuild().Version
	opt.Progress = view.show
	return a.engine.Prepare(ctx, plan, opt)
}

// checkOut refuses a folder that holds something else: only a new folder, an
// empty one, or one that holds the file called mark may be written to.
func checkOut(dir, mark string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return &inputError{fmt.Errorf("--out %s cannot be used: %w", dir, err)}
	case len(entries) == 0:
		return nil
	}
	if info, err := os.Lstat(filepath.Join(dir, mark)); err == nil && info.Mode().IsRegular() {
		return nil
	}
	return &inputError{fmt.Errorf("--out %s holds files that are not a former result (no %s); name a new folder", dir, mark)}
}

// oneArg wants exactly one argument and says which.
func oneArg(what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != 1 {
			return &usageError{msg: fmt.Sprintf("%s wants %s, got %d arguments", cmd.CommandPath(), what, len(args))}
		}
		return nil
	}
}

func verdictError(v report.Verdict) error {
	if v.State == report.Blocked {
		return blockedError{}
	}
	return nil
}
