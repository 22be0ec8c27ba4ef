package main

import (
	"fmt"

	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

func (a *app) planCommand() *cobra.Command {
	schema := &cobra.Command{
		Use: "schema", Short: "Print the JSON Schema of side plans", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.printBytes(sideplan.PlanSchema()) },
	}
	doc := &cobra.Command{
		Use: "doc", Short: "Print every field of plan and room: meaning, unit, range, default, source", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			_, err := fmt.Fprint(a.stdout, sideplan.Doc())
			return err
		},
	}
	return group("plan", "Write, check and document side plans", a.planNewCommand(), a.planCheckCommand(), doc, schema)
}

func (a *app) planCheckCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "check PLAN",
		Short: "Validate a plan, its room and the presence of its tracks; reads no sound",
		Args:  oneArg("a side plan"),
		RunE: func(_ *cobra.Command, args []string) error {
			p, err := sideplan.Load(args[0])
			if err != nil {
				return err
			}
			if a.json {
				norm, err := p.Normalized()
				if err != nil {
					return err
				}
				_, err = fmt.Fprintln(a.stdout, string(norm))
				return err
			}
			level := "the highest that fits"
			if !p.Level.Fit {
				level = fmt.Sprintf("%+g dB", p.Level.DB)
			}
			fmt.Fprintf(a.stdout, "%s: side %s, %d tracks on %s, level %s, room %q: no fault found\n",
				args[0], p.Side, len(p.Tracks), p.Disc.ID, level, p.Room.Name)
			return nil
		},
	}
	c.Flags().BoolVar(&a.json, "json", false, "print the plan with every default filled")
	return c
}

// printBytes prints what a generator made.
func (a *app) printBytes(data []byte, err error) error {
	if err != nil {
		return err
	}
	_, err = a.stdout.Write(data)
	return err
}
