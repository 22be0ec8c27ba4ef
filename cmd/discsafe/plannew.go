package main

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

func (a *app) planNewCommand() *cobra.Command {
	var side, disc string
	c := &cobra.Command{
		Use:     "new MIX...",
		Short:   "Print a side plan for the mixes, in the order given",
		Example: "  discsafe plan new mixes/*.wav --side A > side-a.yaml",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return &usageError{msg: "discsafe plan new wants at least one mix"}
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			if _, err := groove.LookupDisc(disc); err != nil {
				return err
			}
			text := starter(side, disc, args)
			if _, err := sideplan.Parse("plan for "+side, []byte(text)); err != nil {
				return err // for instance a side name that is too long
			}
			_, err := fmt.Fprint(a.stdout, text)
			return err
		},
	}
	c.Flags().StringVar(&side, "side", "A", "which side of the release")
	c.Flags().StringVar(&disc, "disc", groove.DefaultDiscID, "disc format")
	return c
}

var trackNumber = regexp.MustCompile(`^[0-9]{1,2}[-_. ]+`)

// starter is the text of a plan; what is left out has a default.
func starter(side, disc string, mixes []string) string {
	var b strings.Builder
	b.WriteString("# Side plan. 'discsafe plan doc' lists every field; what is left out has a default.\n")
	fmt.Fprintf(&b, "side: %s\ntitle: \"\"\nartist: \"\"\ncatalogue: \"\"\ndisc: %s\n", strconv.Quote(side), disc)
	b.WriteString("level: fit      # or a number of dB re the room's reference\n")
	b.WriteString("room: generic   # or the path of a room file: 'discsafe room new'\ntracks:\n")
	for i, m := range mixes {
		name := filepath.Base(m)
		title := strings.TrimSuffix(name, filepath.Ext(name))
		title = strings.ReplaceAll(trackNumber.ReplaceAllString(title, ""), "_", " ")
		fmt.Fprintf(&b, "  - file: %s\n    title: %s\n", strconv.Quote(filepath.ToSlash(m)), strconv.Quote(title))
		if i > 0 {
			b.WriteString("    gap_s: 2    # silence before the track\n")
		}
	}
	return b.String()
}
