package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"discsafe/cmd/discsafe/scenario"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

// defaultDemoDir is made in the current folder, where people look for it.
const defaultDemoDir = "discsafe-demo"

func (a *app) demoCommand() *cobra.Command {
	var dir string
	var opt workOptions
	c := &cobra.Command{
		Use:   "demo",
		Short: "Make three invented tracks and prepare them as a side",
		Long: `demo synthesises three short invented tracks and a side plan, prepares the
side, and says where premaster and report are. Every stage has something to do.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			plan, err := a.makeScenario(cmd.Context(), dir)
			if err != nil {
				return err
			}
			opt.OutDir = filepath.Join(dir, "side")
			if !a.json {
				fmt.Fprintf(a.stderr, "preparing side %s, %d tracks, in %s\n", plan.Side, len(plan.Tracks), opt.OutDir)
			}
			r, err := a.prepare(cmd.Context(), plan, opt)
			if err != nil {
				return err
			}
			if a.json {
				if err := r.Write(a.stdout); err != nil {
					return fmt.Errorf("printing the report: %w", err)
				}
			} else {
				printSide(a.stdout, r)
				printDemoPlaces(a, dir, opt.OutDir, r)
			}
			return verdictError(r.Verdict)
		},
	}
	c.Flags().StringVarP(&dir, "out", "o", defaultDemoDir, "folder to make; new, empty, or a former demonstration")
	a.workFlags(c, &opt)
	a.jsonFlag(c)
	return c
}

// makeScenario writes the tracks and loads their plan. A folder that it made
// and could not fill is removed again.
func (a *app) makeScenario(ctx context.Context, dir string) (_ *sideplan.Plan, err error) {
	if dir == "" {
		return nil, &usageError{msg: "--out is empty: name a folder"}
	}
	if err := checkOut(dir, scenario.PlanName); err != nil {
		return nil, err
	}
	if _, statErr := os.Stat(dir); errors.Is(statErr, fs.ErrNotExist) {
		defer func() {
			if err != nil {
				err = errors.Join(err, os.RemoveAll(dir))
			}
		}()
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, &inputError{fmt.Errorf("--out %s cannot be made: %w", dir, err)}
	}
	if !a.json {
		fmt.Fprintf(a.stderr, "synthesising three invented tracks in %s\n", dir)
	}
	path, err := scenario.Write(ctx, dir)
	if err != nil {
		return nil, err
	}
	return sideplan.Load(path)
}

func printDemoPlaces(a *app, dir, out string, r *report.Report) {
	fmt.Fprintf(a.stdout, "side plan       %s\n", filepath.Join(dir, scenario.PlanName))
	printPlaces(a.stdout, out, r)
}
