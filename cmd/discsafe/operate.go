package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"

	"github.com/spf13/cobra"
)

const operateHelp = `

It needs an operator's token.` + remoteHelp

func (a *app) operateCommand() *cobra.Command {
	return group("operate", "Look after a running service: pause intake, drain a worker, requeue dead jobs",
		a.operateStatusCommand(), a.operatePauseCommand(), a.operateResumeCommand(),
		a.operateWorkersCommand(), a.operateDrainCommand(), a.operateUndrainCommand(),
		a.operateDeadCommand(), a.operateRequeueCommand())
}

// operate makes a command that speaks to a service.
func (a *app) operate(c *cobra.Command, run func(ctx context.Context, cl *client.Client, args []string) error) *cobra.Command {
	var remote remoteFlags
	c.Long += operateHelp
	if c.Args == nil {
		c.Args = cobra.NoArgs
	}
	c.RunE = func(cmd *cobra.Command, args []string) error {
		cl, err := remote.open(cmd, a.waits)
		if err != nil {
			return err
		}
		defer cl.Close()
		return remoteError(run(cmd.Context(), cl, args), "")
	}
	remote.add(c)
	a.jsonFlag(c)
	return c
}

func (a *app) operateStatusCommand() *cobra.Command {
	return a.operate(&cobra.Command{
		Use: "status", Short: "How the service stands",
		Long: "status prints whether intake is open, what waits and runs, the broker, the disk\nand the workers of the process that answers.",
	}, func(ctx context.Context, cl *client.Client, _ []string) error {
		s, err := cl.Status(ctx)
		if err != nil {
			return err
		}
		if a.json {
			a.printJSON(s)
			return nil
		}
		printStatus(a.stdout, &s)
		return nil
	})
}

func printStatus(w io.Writer, s *v1.Status) {
	fmt.Fprintf(w, "process   %s, version %s\n", s.Instance, s.Version)
	if s.Intake.Paused {
		fmt.Fprintf(w, "intake    paused by %s since %s", s.Intake.By, s.Intake.Since.Local().Format(time.DateTime))
		if s.Intake.Why != "" {
			fmt.Fprintf(w, ": %s", s.Intake.Why)
		}
		fmt.Fprintln(w)
	} else {
		fmt.Fprintln(w, "intake    open")
	}
	fmt.Fprintf(w, "jobs      %d of at most %d have not ended: %d wait, %d run, %d show no life; the oldest waits for %.0f s\n",
		s.Jobs.Open, s.Jobs.Most, s.Jobs.Waiting, s.Jobs.Running, s.Jobs.Lost, s.Jobs.OldestS)
	if s.Queue == nil {
		fmt.Fprintln(w, "broker    does not answer")
	} else {
		fmt.Fprintf(w, "broker    %d waiting, %d in hands, %d dead letters\n", s.Queue.Waiting, s.Queue.InFlight, s.Queue.Dead)
	}
	if s.Disk != nil {
		fmt.Fprintf(w, "disk      %.1f GB free in the store, at least %.1f GB are kept free\n", float64(s.Disk.FreeBytes)/1e9, float64(s.Disk.LeastBytes)/1e9)
	}
	for _, k := range s.Workers {
		fmt.Fprintf(w, "worker    %s: %d of %d slots busy\n", k.Name, len(k.Running), k.Slots)
	}
}

func (a *app) operatePauseCommand() *cobra.Command {
	var why string
	c := a.operate(&cobra.Command{
		Use: "pause", Short: "Take no new mixes and jobs",
		Long:    "pause stops the intake of all processes within seconds; jobs that wait or run go on.",
		Example: "  discsafe operate pause --why 'a disk is changed until noon'",
	}, func(ctx context.Context, cl *client.Client, _ []string) error {
		if err := cl.Pause(ctx, why); err != nil {
			return err
		}
		return a.operated(map[string]bool{"paused": true}, "the intake is paused")
	})
	c.Flags().StringVar(&why, "why", "", "told to everybody who is refused")
	return c
}

func (a *app) operateResumeCommand() *cobra.Command {
	return a.operate(&cobra.Command{Use: "resume", Short: "Take mixes and jobs again", Long: "resume opens the intake of all processes within seconds."},
		func(ctx context.Context, cl *client.Client, _ []string) error {
			if err := cl.Resume(ctx); err != nil {
				return err
			}
			return a.operated(map[string]bool{"paused": false}, "the intake is open")
		})
}

// operated says what was done.
func (a *app) operated(v any, text string) error {
	if a.json {
		a.printJSON(v)
		return nil
	}
	fmt.Fprintln(a.stdout, text)
	return nil
}

func (a *app) operateWorkersCommand() *cobra.Command {
	return a.operate(&cobra.Command{Use: "workers", Short: "List the workers of all processes",
		Long: "workers prints name, state, jobs under way of slots, and version of each worker that\nhas told of itself in the last 45 seconds, or fell silent within the hour."},
		func(ctx context.Context, cl *client.Client, _ []string) error {
			all, err := cl.Workers(ctx)
			if err != nil {
				return err
			}
			if a.json {
				a.printJSON(v1.Workers{Workers: append([]v1.Member{}, all...)})
				return nil
			}
			for i := range all {
				m := &all[i]
				fmt.Fprintf(a.stdout, "%-24s  %-8s  %d/%d  %s", m.Name, m.State(), m.Running, m.Slots, m.Version)
				if m.Trouble != "" {
					fmt.Fprintf(a.stdout, "  %s", m.Trouble)
				}
				fmt.Fprintln(a.stdout)
			}
			return nil
		})
}

// drainPoll is how often a drain that is waited for is looked at.
const drainPoll = time.Second

func (a *app) operateDrainCommand() *cobra.Command {
	var wait bool
	c := a.operate(&cobra.Command{
		Use: "drain WORKER", Short: "Let a worker end its jobs and take no more", Args: oneArg("the name of a worker, as 'discsafe operate workers' lists it"),
		Long:    "drain asks one worker to take no more jobs; those under way go on. It obeys within\nseconds, and counts as drained when it holds no job, after a quarter of a minute at the\nearliest. A drained worker's process can be ended without handing anything back; a new\nprocess takes jobs from the start.",
		Example: "  discsafe operate drain rack2-1f00c0de --wait",
	}, func(ctx context.Context, cl *client.Client, args []string) error {
		if err := cl.Drain(ctx, args[0]); err != nil {
			return err
		}
		for wait {
			all, err := cl.Workers(ctx)
			if err != nil {
				return err
			}
			left := false
			for i := range all {
				left = left || all[i].Name == args[0] && !all[i].Silent && all[i].State() != v1.MemberDrained
			}
			if !left {
				return a.operated(map[string]any{"worker": args[0], "drained": true}, args[0]+" is drained")
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(drainPoll):
			}
		}
		return a.operated(map[string]any{"worker": args[0], "asked": true}, args[0]+" was asked to take no more jobs")
	})
	c.Flags().BoolVar(&wait, "wait", false, "until it is drained, or gone")
	return c
}

func (a *app) operateUndrainCommand() *cobra.Command {
	return a.operate(&cobra.Command{Use: "undrain WORKER", Short: "Let a drained worker take jobs again", Args: oneArg("the name of a worker, as 'discsafe operate workers' lists it"),
		Long: "undrain takes back what drain asked for."},
		func(ctx context.Context, cl *client.Client, args []string) error {
			if err := cl.Undrain(ctx, args[0]); err != nil {
				return err
			}
			return a.operated(map[string]any{"worker": args[0], "asked": false}, args[0]+" was asked to take jobs again")
		})
}

func (a *app) operateDeadCommand() *cobra.Command {
	return a.operate(&cobra.Command{Use: "dead", Short: "List dead letters, oldest first",
		Long: "dead prints job, state now, deliveries and reason of each message that the broker\ngave up."},
		func(ctx context.Context, cl *client.Client, _ []string) error {
			letters := []v1.DeadLetter{}
			for l, err := range cl.DeadLetters(ctx) {
				if err != nil {
					return err
				}
				letters = append(letters, l)
			}
			if a.json {
				a.printJSON(v1.DeadLetters{Letters: letters})
				return nil
			}
			for _, l := range letters {
				fmt.Fprintf(a.stdout, "%-26s  %-9s  %d  %s  %s\n", l.JobID, l.State, l.Deliveries, l.At.Local().Format(time.DateTime), l.Reason)
			}
			return nil
		})
}

func (a *app) operateRequeueCommand() *cobra.Command {
	var all bool
	count := -1
	c := a.operate(&cobra.Command{
		Use: "requeue ID | --all [--count N]", Short: "Put a dead job, or all of them, back to the start",
		Long: `requeue tries a dead job again. With --all it counts the jobs that are dead and
changes nothing; with the number that it counted as --count it puts all of them
back, unless there are more or fewer by then.`,
		Example: "  discsafe operate requeue 7a2b3c\n  discsafe operate requeue --all\n  discsafe operate requeue --all --count 12",
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case all && len(args) > 0:
				return &usageError{msg: "want an identifier or --all, not both"}
			case !all && len(args) != 1:
				return &usageError{msg: "want the identifier of one job, or --all"}
			case !all && count >= 0:
				return &usageError{msg: "--count goes with --all"}
			}
			return nil
		},
	}, func(ctx context.Context, cl *client.Client, args []string) error {
		if !all {
			j, err := cl.Requeue(ctx, args[0])
			if err != nil {
				return err
			}
			return a.operated(j, j.ID+" is back at the start")
		}
		in := v1.Bulk{Do: "retry", Filter: v1.BulkFilter{State: []string{"dead"}}, Preview: count < 0}
		if count >= 0 {
			in.Count = &count
		}
		out, err := cl.Bulk(ctx, in)
		if err != nil {
			return err
		}
		if in.Preview {
			if out.Count == 0 {
				return a.operated(out, "no job is dead")
			}
			return a.operated(out, fmt.Sprintf("dead jobs: %d; to put them back: discsafe operate requeue --all --count %d", out.Count, out.Count))
		}
		for _, r := range out.Refused {
			fmt.Fprintf(a.stderr, "%s: %s\n", r.ID, r.Detail)
		}
		return a.operated(out, fmt.Sprintf("back at the start: %d of %d jobs", out.Done, out.Count))
	})
	c.Flags().BoolVar(&all, "all", false, "all jobs that are dead")
	c.Flags().IntVar(&count, "count", -1, "as many as --all alone counted; does it")
	return c
}
