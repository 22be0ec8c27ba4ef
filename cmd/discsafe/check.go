package main

import (
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
				fmt.Fprintf(a.stdout, "%s: %d files verified, %d figures measured again\n", args[0], r.Files, r.Measures)
				for _, f := range r.Faults {
					fmt.Fprintf(a.stdout, "  %s\n", f)
				}
			}
			if n := len(r.Faults); n > 0 {
				fmt.Fprintf(a.stderr, "discsafe: %s does not match: %d faults\n", args[0], n)
				return &printedError{&inputError{fmt.Errorf("%d faults", n)}}
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
