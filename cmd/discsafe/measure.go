package main

import (
	"context"
	"encoding/json"
	"fmt"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

// measured is one entry of the JSON list.
type measured struct {
	File        string              `json:"file"`
	Measurement *report.Measurement `json:"measurement,omitempty"`
	Error       *failure            `json:"error,omitempty"`
}

func (a *app) measureCommand() *cobra.Command {
	var discID, roomName string
	c := &cobra.Command{
		Use:   "measure FILE...",
		Short: "Measure files and the groove they would cut, untreated; writes nothing",
		Long: `measure reads each file and prints its meters and the groove it would cut,
untreated, alone on a side. A file that cannot be read does not stop the others.
With --json it prints a list with one entry for each file.`,
		Example: "  discsafe measure mix.wav --disc 7in-45 --json",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return &usageError{msg: "discsafe measure wants at least one file"}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			disc, err := groove.LookupDisc(discID)
			if err != nil {
				return err
			}
			room, err := roomByName(roomName)
			if err != nil {
				return err
			}
			return a.measureAll(cmd.Context(), args, disc, room)
		},
	}
	c.Flags().StringVar(&discID, "disc", groove.DefaultDiscID, "disc format")
	c.Flags().StringVar(&roomName, "room", sideplan.GenericRoom, "generic, or the path of a room file")
	a.jsonFlag(c)
	return c
}

func roomByName(name string) (groove.Room, error) {
	if name == sideplan.GenericRoom {
		return sideplan.DefaultRoom(), nil
	}
	return sideplan.LoadRoom(name)
}

func (a *app) measureAll(ctx context.Context, files []string, disc groove.Disc, room groove.Room) error {
	list := make([]measured, 0, len(files))
	var worst error
	for _, file := range files {
		m, err := a.measureOne(ctx, file, disc, room)
		entry := measured{File: file, Measurement: m}
		if err != nil {
			if ctx.Err() != nil {
				return err
			}
			f := failureOf(err)
			entry.Error = &f
			fmt.Fprintf(a.stderr, "discsafe: %s\n", f.Message)
			if worst == nil || !isInput(err) {
				worst = err
			}
		} else if !a.json {
			a.printMeasurement(m)
		}
		list = append(list, entry)
	}
	if a.json {
		a.printJSON(list)
	}
	if worst == nil {
		return nil
	}
	return &printedError{worst}
}

// printedError is an error that has been told already.
type printedError struct{ err error }

func (e *printedError) Error() string { return e.err.Error() }
func (e *printedError) Unwrap() error { return e.err }

func (a *app) measureOne(ctx context.Context, file string, disc groove.Disc, room groove.Room) (*report.Measurement, error) {
	view := a.newProgress()
	defer view.done()
	return a.engine.Measure(ctx, file, disc, room, workOptions{Version: readBuild().Version, Progress: view.show})
}

func (a *app) printMeasurement(m *report.Measurement) {
	w, g := a.stdout, m.Reading.Groove
	fmt.Fprintf(w, "file            %s (%s, %d Hz, %d bit, %s)\n", m.File.Name, m.File.Container, m.File.SampleRate, m.File.BitDepth, audio.Timecode(m.Reading.LengthS))
	printVerdict(w, m.Verdict, roomName(m.Room))
	fmt.Fprintf(w, "loudness        %s LUFS, range %s LU, true peak %s dBTP\n", text(m.Reading.IntegratedLUFS, 1), text(m.Reading.LoudnessRangeLU, 1), text(m.Reading.MaxTruePeakDBTP, 1))
	fmt.Fprintf(w, "stereo          correlation %s, side to mid %s dB\n", text(m.Reading.Correlation, 2), text(m.Reading.SideToMidDB, 1))
	fmt.Fprintf(w, "groove          at %+.1f dB on %s: lateral %s um, vertical %s um, width %s um, curvature %s and slope %s of the limit\n",
		m.Cut.LevelDB, m.Disc.ID, text(g.LateralPeakUM, 1), text(g.VerticalPeakUM, 1), text(g.MinWidthUM, 1), text(g.CurvatureRatioMax, 2), text(g.SlopeRatioMax, 2))
	fmt.Fprintf(w, "land            %s of %s mm\n\n", text(m.Land.PlannedMM, 1), text(m.Land.AvailableMM, 1))
}

// roomName reads the name out of a room profile in a report.
func roomName(raw json.RawMessage) string {
	var r struct {
		Name string `json:"name"`
	}
	if err := json.Unmarshal(raw, &r); err != nil || r.Name == "" {
		return "no name"
	}
	return r.Name
}
