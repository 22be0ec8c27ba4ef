package main

import (
	"fmt"
	"text/tabwriter"

	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"github.com/spf13/cobra"
)

func (a *app) roomCommand() *cobra.Command {
	schema := &cobra.Command{
		Use: "schema", Short: "Print the JSON Schema of rooms", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.printBytes(sideplan.RoomSchema()) },
	}
	return group("room", "Show and write room profiles", a.roomShowCommand(), a.roomNewCommand(), a.roomFitCommand(), schema)
}

func (a *app) roomShowCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "show [ROOM]",
		Short: "Print the figures of a room: generic, or a room file",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return &usageError{msg: "discsafe room show wants at most one room"}
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			name := sideplan.GenericRoom
			if len(args) == 1 {
				name = args[0]
			}
			room, err := roomByName(name)
			if err != nil {
				return err
			}
			if a.json {
				a.printJSON(room)
				return nil
			}
			tw := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
			fmt.Fprintln(tw, "field\tvalue\tunit\tset by\tsource of range and default")
			for _, v := range spec.Values(room) {
				value, by := v.Text, "default"
				if value == "" {
					value = "-"
				}
				if v.Text != v.Default {
					by = "room"
				}
				fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\n", v.Path, value, dash(v.Unit), by, dash(v.Source))
			}
			return tw.Flush()
		},
	}
	a.jsonFlag(c)
	return c
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

const roomHead = `# Room profile: what discsafe must be told about the cutting room.
# The figures below are defaults. Whatever says "ask the room" depends on the
# machine: have the room confirm it before anything is cut.
`

func (a *app) roomNewCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "new [FILE]",
		Short: "Write a room file with every field, its default and its meaning",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return &usageError{msg: "discsafe room new wants at most one file"}
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			text := roomHead + spec.Template(sideplan.DefaultRoom())
			if len(args) == 0 {
				_, err := fmt.Fprint(a.stdout, text)
				return err
			}
			if err := writeNew(args[0], text); err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "wrote %s; fill it in with the room\n", args[0])
			return nil
		},
	}
}
