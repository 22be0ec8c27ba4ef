package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"discsafe/pipeline"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"github.com/spf13/cobra"
)

func (a *app) roomFitCommand() *cobra.Command {
	var roomPath, sheetPath, out string
	c := &cobra.Command{
		Use:   "fit READINGS --out NEW.yaml",
		Short: "Fit a room to what was read of a test cut, or to past cuts",
		Long: `fit reads what the microscope and the ruler showed of a test cut (see 'discsafe
tones') and how past cuts ended, and writes the room profile that explains it
best. It says how sure each figure is, which reading is out of line, and which
figure these readings cannot tell.

READINGS is YAML or JSON:

    sheet: test-cut/tones-sheet.json
    readings: [{id: S1-width, value: 61}, {id: L3-swing, value: 36}]
    cuts: [{name: harbour A, start_mm: 146.3, planned_end_mm: 62.0, planned_pitch_um: 110, end_mm: 61.6}]
    ramps: [{from_um: 90, to_um: 250, seconds: 0.4}]

or a CSV file of id,value with the sheet named by --sheet. Read each blank twice:
a single slip then stands out.`,
		Example: "  discsafe room fit readings.yaml --room room.yaml --out room-fitted.yaml",
		Args:    oneArg("a file of readings"),
		RunE: func(_ *cobra.Command, args []string) error {
			if out == "" {
				return &usageError{msg: "--out is missing: name the new room file"}
			}
			if _, err := os.Lstat(out); err == nil {
				return &inputError{fmt.Errorf("%s exists already; name a new file", out)}
			}
			room, err := roomByName(roomPath)
			if err != nil {
				return err
			}
			readings, err := loadReadings(args[0])
			if err != nil {
				return err
			}
			if sheetPath == "" && readings.Sheet != "" {
				sheetPath = filepath.FromSlash(readings.Sheet)
				if !filepath.IsAbs(sheetPath) {
					sheetPath = filepath.Join(filepath.Dir(args[0]), sheetPath)
				}
			}
			expected, err := loadExpectations(sheetPath, room)
			if err != nil {
				return err
			}
			fitted, err := roomfit.FitRoom(args[0], room, readings, expected)
			if err != nil {
				return err
			}
			if err := writeNew(out, fitted.Text()); err != nil {
				return err
			}
			if a.json {
				a.printJSON(fitted)
				return nil
			}
			return a.printFit(fitted.Result, out)
		},
	}
	c.Flags().StringVar(&roomPath, "room", sideplan.GenericRoom, "profile that the test was made for: generic, or the path of a room file")
	c.Flags().StringVar(&sheetPath, "sheet", "", "tones-sheet.json of the test cut, if the readings do not name it")
	c.Flags().StringVarP(&out, "out", "o", "", "new room file")
	a.jsonFlag(c)
	return c
}

func loadReadings(path string) (*roomfit.Readings, error) {
	data, err := readBounded(path)
	if err != nil {
		return nil, err
	}
	if strings.EqualFold(filepath.Ext(path), ".csv") {
		return roomfit.ParseCSV(path, data)
	}
	return roomfit.Parse(path, data)
}

// loadExpectations reads the sheet; none when no path is given.
func loadExpectations(path string, room groove.Room) ([]roomfit.Expectation, error) {
	if path == "" {
		return nil, nil
	}
	data, err := readBounded(path)
	if err != nil {
		return nil, err
	}
	out, err := pipeline.RoomExpectations(path, data, room)
	if err != nil {
		return nil, &inputError{err}
	}
	return out, nil
}

// readBounded reads a small file whole: a wrong path must not fill the memory.
func readBounded(path string) (_ []byte, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, &inputError{err}
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	data, err := io.ReadAll(io.LimitReader(f, spec.MaxBytes+1))
	if err != nil {
		return nil, &inputError{fmt.Errorf("reading %s: %w", path, err)}
	}
	if len(data) > spec.MaxBytes {
		return nil, &inputError{fmt.Errorf("%s is larger than %d bytes; is this the right file?", path, spec.MaxBytes)}
	}
	return data, nil
}

// writeNew writes a file that must not exist yet.
func writeNew(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return &inputError{fmt.Errorf("%s exists already; name a new file", path)}
	}
	if err != nil {
		return &inputError{err}
	}
	_, err = f.WriteString(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	return nil
}

func (a *app) printFit(res *roomfit.Result, out string) error {
	w := a.stdout
	fmt.Fprintf(w, "fitted          %d readings against the profile of %s\n\n", len(res.Readings), res.Room)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "parameter\tvalue\tbetween\tand\tunit\tremark")
	num := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return fmt.Sprintf("%.3f", *v)
	}
	for _, p := range res.Parameters {
		remark := p.Why
		if !p.Told {
			remark = "not told: " + p.Why
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\n", p.ID, num(p.Value), num(p.Low), num(p.High), dash(p.Unit), dash(remark))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "\nIntervals hold for all parameters together, %g %%.\n", 100*res.Level)
	for _, j := range res.Readings {
		if j.OutOfLine {
			fmt.Fprintf(w, "out of line     %s\n", j)
		}
	}
	fmt.Fprintf(w, "written         %s\n", out)
	return nil
}
