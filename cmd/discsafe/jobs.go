package main

import (
	"fmt"
	"io"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"

	"github.com/spf13/cobra"
)

func (a *app) jobsCommand() *cobra.Command {
	return group("jobs", "Look at the jobs of a service; stop, retry, delete or sign them off",
		a.jobsListCommand(), a.jobsShowCommand(), a.jobsFetchCommand(),
		a.jobAction("cancel", "Stop a job", func(cmd *cobra.Command, cl *client.Client, id string) (*v1.Job, error) {
			return cl.Cancel(cmd.Context(), id)
		}),
		a.jobAction("retry", "Put a job that failed, was cancelled or is dead back to the start",
			func(cmd *cobra.Command, cl *client.Client, id string) (*v1.Job, error) {
				return cl.Retry(cmd.Context(), id)
			}),
		a.jobAction("delete", "Delete a job that has ended, and its files",
			func(cmd *cobra.Command, cl *client.Client, id string) (*v1.Job, error) {
				return nil, cl.Delete(cmd.Context(), id)
			}),
		a.jobsSignCommand(), a.jobsSignoffCommand(), a.jobsRevisionsCommand(),
	)
}

func (a *app) jobsListCommand() *cobra.Command {
	var remote remoteFlags
	var q client.Query
	var from, to string
	most := 50
	c := &cobra.Command{
		Use:   "list",
		Short: "List jobs, newest first",
		Long:  "list prints identifier, state, verdict or progress, time accepted, studio, side and title." + remoteHelp,
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if q.From, err = dayOf("--from", from); err != nil {
				return err
			}
			if q.To, err = dayOf("--to", to); err != nil {
				return err
			}
			cl, err := remote.open(cmd, a.waits)
			if err != nil {
				return err
			}
			defer cl.Close()
			jobs := []v1.Job{}
			q.Limit = min(most, 500)
			for j, err := range cl.Jobs(cmd.Context(), q) {
				if err != nil {
					return remoteError(err, "")
				}
				if len(jobs) == most {
					break
				}
				jobs = append(jobs, j)
			}
			if a.json {
				a.printJSON(v1.Jobs{Jobs: jobs})
				return nil
			}
			for i := range jobs {
				printJobLine(a.stdout, &jobs[i])
			}
			return nil
		},
	}
	remote.add(c)
	fs := c.Flags()
	fs.StringSliceVar(&q.States, "state", nil, "only these: accepted, running, done, failed, cancelled, dead")
	fs.StringVar(&q.Studio, "studio", "", "only of this studio")
	fs.StringVar(&q.Lane, "lane", "", "only of this lane: express or bulk")
	fs.StringVar(&q.Kind, "kind", "", "only of this kind: prepare, analyse or arrange")
	fs.StringVar(&q.Verdict, "verdict", "", "only done with this verdict: ready, attention or blocked")
	fs.StringVar(&q.Signoff, "signoff", "", "only prepared sides whose sign-off stands so: open, approved or returned")
	fs.StringVar(&from, "from", "", "only accepted at or after this: a date, or a time such as 2026-01-31T18:00:00Z")
	fs.StringVar(&to, "to", "", "only accepted before this")
	fs.StringVar(&q.Text, "text", "", "only with this in identifier, title, side or catalogue number")
	fs.IntVar(&most, "limit", most, "at most so many")
	a.jsonFlag(c)
	return c
}

// dayOf reads a date, which begins here, or a time; empty is no bound.
func dayOf(flag, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, s, time.Local); err == nil {
		return t, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return t, &usageError{msg: flag + " " + s + ": want a date such as 2026-01-31, or a time such as 2026-01-31T18:00:00Z"}
	}
	return t, nil
}

func printJobLine(w io.Writer, j *v1.Job) {
	how := j.Verdict
	switch {
	case how == "":
		how = percentOf(j)
	case j.Predicted():
		how += " (predicted)" // nothing was written, so nothing is proven
	}
	fmt.Fprintf(w, "%s  %-9s  %-21s  %s  %-12s  %s  %s\n", j.ID, j.State, how, j.Accepted.Local().Format(time.DateTime), j.Studio, j.Side, j.Title)
}

func (a *app) jobsShowCommand() *cobra.Command {
	return a.jobAction("show", "Show one job", func(cmd *cobra.Command, cl *client.Client, id string) (*v1.Job, error) {
		return cl.Job(cmd.Context(), id)
	})
}

func (a *app) jobsFetchCommand() *cobra.Command {
	var out string
	c := a.onJob(&cobra.Command{
		Use:   "fetch ID --out DIR",
		Short: "Wait for a job and fetch its result",
		Long:  "fetch follows a job to its end and puts its files into a folder, like submit --out.",
		PreRunE: func(*cobra.Command, []string) error {
			if out == "" {
				return &usageError{msg: "--out is missing: name the folder for the result"}
			}
			return checkResultFolder(out, false)
		},
	}, func(cmd *cobra.Command, cl *client.Client, id string) error {
		job, err := a.follow(cmd.Context(), cl, &v1.Job{ID: id})
		if err != nil {
			return err
		}
		return a.told(job, a.conclude(cmd.Context(), cl, job, out, ""))
	})
	c.Flags().StringVarP(&out, "out", "o", "", "folder for the result; new, empty, or holding a former result")
	return c
}

// jobAction makes a command that does something to one job and prints it.
func (a *app) jobAction(name, short string, do func(*cobra.Command, *client.Client, string) (*v1.Job, error)) *cobra.Command {
	return a.onJob(&cobra.Command{Use: name + " ID", Short: short, Long: short + "."}, func(cmd *cobra.Command, cl *client.Client, id string) error {
		job, err := do(cmd, cl, id)
		if err != nil {
			return err
		}
		switch {
		case job == nil && a.json:
			a.printJSON(struct {
				ID      string `json:"id"`
				Deleted bool   `json:"deleted"`
			}{id, true})
		case job == nil:
			fmt.Fprintf(a.stdout, "%s deleted\n", id)
		case a.json:
			a.printJSON(job)
		default:
			printJob(a.stdout, job)
		}
		return nil
	})
}

// onJob makes c a command about one job at a service. What is wrong with its
// flags belongs into c.PreRunE, so that it is told before anybody is called.
func (a *app) onJob(c *cobra.Command, do func(cmd *cobra.Command, cl *client.Client, id string) error) *cobra.Command {
	var remote remoteFlags
	c.Long += remoteHelp
	c.Args = oneArg("the identifier of a job")
	c.RunE = func(cmd *cobra.Command, args []string) error {
		cl, err := remote.open(cmd, a.waits)
		if err != nil {
			return err
		}
		defer cl.Close()
		return remoteError(do(cmd, cl, args[0]), "")
	}
	remote.add(c)
	a.jsonFlag(c)
	return c
}

// printJob prints what a person asks first, then the history.
func printJob(w io.Writer, j *v1.Job) {
	printJobLine(w, j)
	if r := j.Reason; r != nil {
		fmt.Fprintf(w, "  %s: %s\n", r.Code, r.Text)
		if r.Hint != "" {
			fmt.Fprintf(w, "  what to do: %s\n", r.Hint)
		}
		for _, f := range r.Faults {
			fmt.Fprintf(w, "  %s:%d:%d: %s: %s\n", f.File, f.Line, f.Column, f.Path, f.Detail)
		}
	}
	if s := j.Signoff; s != nil && s.State != "open" {
		fmt.Fprintf(w, "  sign-off: %s by %s", s.State, s.Name)
		if s.Note != "" {
			fmt.Fprintf(w, ": %s", s.Note)
		}
		fmt.Fprintln(w)
	}
	for _, e := range j.History {
		fmt.Fprintf(w, "  %s  %-9s  attempt %d  %s\n", e.At.Local().Format(time.DateTime), e.To, e.Attempt, e.Code)
	}
	for _, f := range j.Files {
		fmt.Fprintf(w, "  %s  %d bytes\n", f.Name, f.Bytes)
	}
}
