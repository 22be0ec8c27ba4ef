package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"discsafe/api/client"
	"discsafe/cmd/discsafe/scenario"
	"discsafe/cmd/discsafe/service"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

// defaultDemoDir is made in the current folder, where people look for it.
const defaultDemoDir = "discsafe-demo"

func (a *app) demoCommand() *cobra.Command {
	var dir string
	var asTraced bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "Make three invented tracks and have them prepared as a side",
		Long: `demo synthesises three short invented tracks and a side plan, starts the service
for as long as it takes, hands the side in, fetches the result, and says where
premaster and report are. Every stage has something to do.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			plan, err := a.makeScenario(cmd.Context(), dir)
			if err != nil {
				return err
			}
			out := filepath.Join(dir, "side")
			if err := checkResultFolder(out, false); err != nil {
				return err
			}
			a.say("preparing side %s, %d tracks, in %s", plan.Side, len(plan.Tracks), out)
			if err := a.demonstrate(cmd.Context(), plan, dir, out, asTraced); err != nil {
				return err
			}
			return a.showDemo(dir, out)
		},
	}
	c.Flags().StringVarP(&dir, "out", "o", defaultDemoDir, "folder to make; new, empty, or a former demonstration")
	c.Flags().BoolVar(&asTraced, "as-traced", false, "also make as-traced.wav: what a playback stylus of the room's design tip would deliver")
	a.jsonFlag(c)
	return c
}

// say tells what happens, where that is wanted.
func (a *app) say(format string, args ...any) {
	if !a.json {
		fmt.Fprintf(a.stderr, format+"\n", args...)
	}
}

// showDemo prints what came out.
func (a *app) showDemo(dir, out string) error {
	r, err := readResult(out, "report.json", report.Read)
	if err != nil {
		return err
	}
	return a.showSide(r, out, filepath.Join(dir, scenario.PlanName))
}

// demonstrate runs a whole service in this process, on a port of loopback that
// is free, and is its only client.
func (a *app) demonstrate(ctx context.Context, plan *sideplan.Plan, dir, out string, asTraced bool) (err error) {
	prog, err := program()
	if err != nil {
		return err
	}
	serviceMemory()
	limits := service.Defaults()
	limits.MinFree = 256 << 20 // the demonstration takes some 60 MiB
	limits.RetainDays = 1
	s, err := service.Open(ctx, service.Options{
		API: true, Worker: true, Version: readBuild().Version, Program: prog, Data: filepath.Join(dir, "service"),
		Bind: service.Bind{Addr: "127.0.0.1:0"}, Limits: limits, Slots: 1, Grace: time.Second,
		Log: slog.New(slog.NewTextHandler(a.stderr, &slog.HandlerOptions{Level: slog.LevelError})),
	})
	if err != nil {
		return err
	}
	serving, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(serving) }()
	defer func() {
		stop()
		if e := <-ended; err == nil {
			err = e
		}
	}()
	cl, err := client.New(client.Options{Server: s.URL(), UserAgent: "discsafe-demo"})
	if err != nil {
		return err
	}
	defer cl.Close()
	if err := forget(ctx, cl); err != nil {
		return err
	}
	job, err := a.handIn(ctx, cl, &submission{lane: "express", asTraced: asTraced}, planFiles(plan), plan.File)
	if err != nil {
		return remoteError(err, plan.File)
	}
	if job, err = a.follow(ctx, cl, job); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return remoteError(err, plan.File)
	}
	if job.State != "done" {
		return jobError(job, plan.File)
	}
	return a.fetch(ctx, cl, job, out)
}

// forget deletes what former demonstrations left, so that the folder does not
// grow from one to the next. The last one can be looked at with serve.
func forget(ctx context.Context, cl *client.Client) error {
	var ids []string
	for j, err := range cl.Jobs(ctx, client.Query{}) {
		if err != nil {
			return err
		}
		if j.Over() {
			ids = append(ids, j.ID)
		}
	}
	for _, id := range ids {
		if err := cl.Delete(ctx, id); err != nil {
			return err
		}
	}
	return nil
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
	a.say("synthesising three invented tracks in %s", dir)
	path, err := scenario.Write(ctx, dir)
	if err != nil {
		return nil, err
	}
	return sideplan.Load(path)
}
