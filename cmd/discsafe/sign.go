package main

import (
	"fmt"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"

	"github.com/spf13/cobra"
)

// jobsSignCommand is an engineer's decision on a prepared side.
func (a *app) jobsSignCommand() *cobra.Command {
	var d v1.Decision
	var approve, back, reopen bool
	c := a.onJob(&cobra.Command{
		Use:   "sign ID --approve|--return|--reopen --name NAME",
		Short: "Approve a prepared side, return it with a note, or reopen it",
		Long: `sign adds an engineer's decision to the history of a side. It is about the
result as it stands when the command looks: --manifest names the one you listened
to, and another is refused. An approval locks job and files until it is reopened.
Returning needs a --note that says what to change, reopening one that says why;
so does approving a side whose verdict is blocked.`,
		Example: "  discsafe jobs sign 7y... --approve --name 'Ada Lind'\n  discsafe jobs sign 7y... --return --name 'Ada Lind' --note 'less treble in the last track'",
		PreRunE: func(*cobra.Command, []string) error {
			d.Decision = map[[3]bool]string{{true, false, false}: "approve", {false, true, false}: "return", {false, false, true}: "reopen"}[[3]bool{approve, back, reopen}]
			switch {
			case d.Decision == "":
				return &usageError{msg: "give one of --approve, --return and --reopen"}
			case d.Name == "":
				return &usageError{msg: "--name is missing: whoever decides gives a name"}
			}
			return nil
		},
	}, func(cmd *cobra.Command, cl *client.Client, id string) error {
		if d.Manifest == "" {
			is, err := cl.Signoff(cmd.Context(), id)
			if err != nil {
				return err
			}
			d.Manifest = is.Manifest
		}
		out, err := cl.Sign(cmd.Context(), id, d)
		if err != nil {
			return err
		}
		a.printSignoff(id, &out)
		return nil
	})
	fs := c.Flags()
	fs.BoolVar(&approve, "approve", false, "the side may be cut from these files")
	fs.BoolVar(&back, "return", false, "back to the studio")
	fs.BoolVar(&reopen, "reopen", false, "take an approval or a return back")
	fs.StringVar(&d.Name, "name", "", "the engineer's name")
	fs.StringVar(&d.Note, "note", "", "what to change, or why; --approve needs none unless the verdict is blocked")
	fs.StringVar(&d.Manifest, "manifest", "", "SHA-256 of the manifest.json that was looked at; left out: of the result as it is")
	return c
}

func (a *app) jobsSignoffCommand() *cobra.Command {
	return a.onJob(&cobra.Command{
		Use:   "signoff ID",
		Short: "Show where the sign-off of a side stands, with its history",
		Long:  "signoff prints the standing, what an approval locks, and every decision.",
	}, func(cmd *cobra.Command, cl *client.Client, id string) error {
		is, err := cl.Signoff(cmd.Context(), id)
		if err != nil {
			return err
		}
		a.printSignoff(id, &is)
		return nil
	})
}

func (a *app) jobsRevisionsCommand() *cobra.Command {
	return a.onJob(&cobra.Command{
		Use:   "revisions ID",
		Short: "List a job and all that take each other's place, the first one first",
		Long:  "revisions prints the number of each revision, whose sign-off stands how, and the line of jobs list.",
	}, func(cmd *cobra.Command, cl *client.Client, id string) error {
		jobs, err := cl.Revisions(cmd.Context(), id)
		if err != nil {
			return err
		}
		if a.json {
			a.printJSON(v1.Revisions{Jobs: jobs})
			return nil
		}
		for i := range jobs {
			standing := "-"
			if s := jobs[i].Signoff; s != nil {
				standing = s.State
			}
			fmt.Fprintf(a.stdout, "%3d  %-8s  ", max(jobs[i].Revision, 1), standing)
			printJobLine(a.stdout, &jobs[i])
		}
		return nil
	})
}

func (a *app) printSignoff(id string, s *v1.Signoff) {
	if a.json {
		a.printJSON(s)
		return
	}
	w := a.stdout
	fmt.Fprintf(w, "%s  %s  verdict %s\n  manifest.json %s\n", id, s.State, s.Verdict, s.Manifest)
	for _, e := range s.History {
		fmt.Fprintf(w, "  %s  %-7s  %s", e.At.Local().Format(time.DateTime), e.Decision, e.Name)
		if e.Note != "" {
			fmt.Fprintf(w, ": %s", e.Note)
		}
		fmt.Fprintln(w)
	}
}
