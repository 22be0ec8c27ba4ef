package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"
)

func (a *app) checkCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "check DIR",
		Short: "Verify a prepared side: files against the manifest, figures measured again",
		Long: `check reads every file that the manifest names, compares sizes and SHA-256,
measures the premaster again and compares with the report. It changes nothing.
Exit code 2 means that something does not match.`,
		Args: oneArg("the folder of a prepared side"),
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := a.engine.Check(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			if a.json {
				a.printJSON(r)
			} else {
				done := "verified"
				if len(r.Faults) > 0 {
					done = "looked at"
				}
				fmt.Fprintf(a.stdout, "%s: %d files %s, %d figures measured again\n", args[0], r.Files, done, r.Measures)
				for _, f := range r.Faults {
					fmt.Fprintf(a.stdout, "  %s\n", f)
				}
			}
			if n := len(r.Faults); n > 0 {
				faults := fmt.Sprintf("%d faults", n)
				if n == 1 {
					faults = "1 fault"
				}
				fmt.Fprintf(a.stderr, "discsafe: %s does not match: %s\n", args[0], faults)
				return &printedError{&inputError{errors.New(faults)}}
			}
			if !a.json {
				fmt.Fprintln(a.stdout, "all is as it was written")
			}
			return nil
		},
	}
	a.jsonFlag(c)
	return c
}
