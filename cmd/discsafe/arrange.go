package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"

	"discsafe/pipeline/arrange"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"github.com/spf13/cobra"
)

func (a *app) arrangeCommand() *cobra.Command {
	var (
		free, same, quick, fields bool
		sides                     int
		write                     string
	)
	c := &cobra.Command{
		Use:   "arrange RELEASE|PLAN",
		Short: "Divide a release over the sides of a disc, and order it if allowed",
		Long: `arrange measures the tracks of a release file, or of a side plan taken as one,
and finds where to turn the sides, and, where the order is free, which order puts
demanding treble outside. Compared in this order: least difference in cut level
between sides, greatest level, least worst curvature ratio. It prints the best
five and says whether the first is proven best.

A release file holds title, disc, room, cutting_speed, tracks (file, title, gap_s,
gain_db, hold), keep_order, sides, same_level, caps and output; 'discsafe arrange
--fields' lists them. With --write the best is written as side plans that
prepare takes. The last column of the table is the level that each side of the
best division reaches by a full plan, also where one level is asked of all sides;
--quick leaves it out.`,
		Example: "  discsafe arrange release.yaml\n  discsafe arrange release.yaml --free --same-level --write plans",
		Args: func(cmd *cobra.Command, args []string) error {
			if fields {
				return nil
			}
			return oneArg("a release file or a side plan")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if fields {
				_, err := fmt.Fprint(a.stdout, "# Release\n\n"+spec.Doc(arrange.Release{}))
				return err
			}
			r, err := arrange.Load(args[0])
			if err != nil {
				return err
			}
			r.KeepOrder = r.KeepOrder && !free
			r.SameLevel = r.SameLevel || same
			if cmd.Flags().Changed("sides") {
				if sides < 1 || sides > 6 || sides > len(r.Tracks) {
					return &usageError{msg: fmt.Sprintf("--sides %d: want 1 to %d", sides, min(6, len(r.Tracks)))}
				}
				r.Sides = sides
			}
			return a.arrange(cmd.Context(), r, quick, write)
		},
	}
	c.Flags().BoolVar(&free, "free", false, "let the order of tracks change")
	c.Flags().BoolVar(&same, "same-level", false, "cut all sides at one level")
	c.Flags().IntVar(&sides, "sides", 2, "number of sides")
	c.Flags().BoolVar(&quick, "quick", false, "leave out the full plan of the best division")
	c.Flags().StringVar(&write, "write", "", "folder for side plans of the best division")
	c.Flags().BoolVar(&fields, "fields", false, "print every field of a release file and end")
	a.jsonFlag(c)
	return c
}

// orRelease is err, why the file at path is no side plan; of one that would do as
// a release it says so, and what is done with a release.
func orRelease(err error, path, hint string) error {
	if _, no := arrange.Load(path); no != nil {
		return err
	}
	return &inputError{fmt.Errorf("%s: no side plan, as 'side' is missing (for instance side: A); %s", path, hint)}
}

func (a *app) arrange(ctx context.Context, r *arrange.Release, quick bool, write string) (err error) {
	view := a.newProgress()
	album, err := arrange.Measure(ctx, r, arrange.Options{Progress: func(track, of int, fraction float64) {
		view.show(progress{Pass: "measuring the tracks", PassNumber: 1, Passes: 1, Fraction: (float64(track-1) + fraction) / float64(of)})
	}})
	view.done()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, album.Close()) }()
	res, err := album.Search(ctx)
	if none, is := errors.AsType[*arrange.NoLevelError](err); is {
		if a.json {
			a.printJSON(res)
			fmt.Fprintf(a.stderr, "discsafe: %s\n", none.Error())
			return &printedError{&inputError{err}}
		}
		a.printArrangement(res)
		return &inputError{err}
	}
	if err != nil {
		return err
	}
	if !quick {
		if err := album.Confirm(ctx, &res.Best[0]); err != nil {
			return err
		}
	}
	var written []string
	if write != "" {
		if written, err = r.WritePlans(write, res.Best[0]); err != nil {
			return &inputError{err}
		}
	}
	if a.json {
		a.printJSON(res)
		return nil
	}
	a.printArrangement(res)
	for _, path := range written {
		fmt.Fprintf(a.stdout, "written         %s\n", path)
	}
	return nil
}

func (a *app) printArrangement(res *arrange.Result) {
	w := a.stdout
	best := res.Best[0]
	order := "order kept"
	if !res.KeepOrder {
		order = "order free"
	}
	title := ""
	if res.Title != "" {
		title = res.Title + ", "
	}
	fmt.Fprintf(w, "release         %s%d sides of %s, %s (%s)\n", title, res.Sides, res.Disc, order, res.Room)
	proof := "proven best"
	if !res.Proof.Optimal {
		proof = fmt.Sprintf("not proven best: no arrangement cuts all sides above %+.1f dB, %.1f dB more than found", *res.Proof.BoundLevelDB, *res.Proof.GapDB)
	}
	if res.CuttingSpeed == sideplan.SpeedHalf {
		fmt.Fprintf(w, "cutting speed   half\n")
	}
	fmt.Fprintf(w, "search          %s; %s\n", proof, res.Proof.Method)
	if best.Holds {
		fmt.Fprintf(w, "best            %.1f dB between sides, level %+.1f dB, curvature %.2f of the limit before treatment\n\n", best.DifferenceDB, best.LevelDB, best.CurvatureRatio)
	} else {
		fmt.Fprintf(w, "best            holds at no level\n\n")
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "rank\tside\tlevel dB\tlength\tends mm\tcurvature\tde-ess s\ttracks\tfull plan dB")
	for _, e := range res.Best {
		for k, s := range e.Sides {
			rank, planned := "", "-"
			if k == 0 {
				rank = fmt.Sprint(e.Rank)
			}
			if s.PlannedLevelDB != nil {
				planned = fmt.Sprintf("%+.1f", *s.PlannedLevelDB)
			}
			var numbers []string
			for _, t := range s.Tracks {
				numbers = append(numbers, fmt.Sprint(t.Number))
			}
			fmt.Fprintf(tw, "%s\t%s\t%+.1f\t%s\t%.1f\t%.2f\t%.1f\t%s\t%s\n", rank, s.Side, s.LevelDB, audio.Timecode(s.LengthS), s.EndRadiusMM, s.CurvatureRatio, s.DeEssS, strings.Join(numbers, " "), planned)
		}
	}
	if err := tw.Flush(); err != nil {
		fmt.Fprintf(a.stderr, "discsafe: %v\n", err)
	}
}
