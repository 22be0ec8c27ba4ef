package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/tones"

	"github.com/spf13/cobra"
)

func (a *app) tonesCommand() *cobra.Command {
	var discID, roomName, out string
	c := &cobra.Command{
		Use:   "tones --out DIR",
		Short: "Write a test cut for a room, and the sheet of what it should measure",
		Long: `tones writes tones.wav (24 bit), a test cut for the room: silent grooves, its
reference tone, low-frequency steps sideways and up and down, short treble steps
with pauses, each announced in Morse code. tones-sheet.html, .txt and .json say
where each part lies and how wide its groove should be, with blanks for what the
microscope shows; 'discsafe room fit' turns those readings into a room profile.

Cautions for head and ears stand on the sheet. Read them before cutting.`,
		Example: "  discsafe tones --room room.yaml --disc 12in-33 --out test-cut",
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return &usageError{msg: "discsafe tones wants no arguments; name the room with --room"}
			}
			return nil
		},
		RunE: func(*cobra.Command, []string) error {
			if out == "" {
				return &usageError{msg: "--out is missing: name the folder for the test cut"}
			}
			disc, err := groove.LookupDisc(discID)
			if err != nil {
				return err
			}
			room, err := roomByName(roomName)
			if err != nil {
				return err
			}
			if err := disc.WithRadii(room.Radius).Validate(); err != nil {
				return err
			}
			sheet, err := tones.Plan(disc, room)
			if err != nil {
				return &inputError{err}
			}
			if err := writeTones(out, sheet); err != nil {
				return err
			}
			if a.json {
				a.printJSON(sheet)
				return nil
			}
			fmt.Fprintf(a.stdout, "test cut        %s: %d parts, %d readings, radius %.2f to %.2f mm at a pitch of %g um\n", sheet.Room, len(sheet.Parts), len(sheet.Readings), sheet.StartMM, sheet.EndMM, sheet.PitchUM)
			for _, caution := range sheet.Cautions {
				fmt.Fprintf(a.stdout, "caution         %s\n", caution)
			}
			for _, name := range tones.Files() {
				fmt.Fprintf(a.stdout, "written         %s\n", filepath.Join(out, name))
			}
			return nil
		},
	}
	c.Flags().StringVar(&discID, "disc", groove.DefaultDiscID, "disc format")
	c.Flags().StringVar(&roomName, "room", sideplan.GenericRoom, "generic, or the path of a room file")
	c.Flags().StringVarP(&out, "out", "o", "", "folder for the test cut; new, empty, or holding a former one")
	a.jsonFlag(c)
	return c
}

// writeTones writes sound and sheets into a folder beside dir and moves it
// there when it is whole.
func writeTones(dir string, sheet *tones.Sheet) (err error) {
	if err := checkOut(dir, tones.JSONName); err != nil {
		return err
	}
	parent := filepath.Dir(filepath.Clean(dir))
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return &inputError{fmt.Errorf("--out %s cannot be used: %w", dir, err)}
	}
	work, err := os.MkdirTemp(parent, ".discsafe-tones-*")
	if err != nil {
		return &inputError{fmt.Errorf("--out %s cannot be used: %w", dir, err)}
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	for _, name := range tones.Files() {
		if err := writeSynced(filepath.Join(work, name), func(f *os.File) error {
			src, err := sheet.File(name)
			if err == nil {
				_, err = io.Copy(f, src)
			}
			return err
		}); err != nil {
			return fmt.Errorf("writing %s: %w", name, err)
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("writing the test cut: %w", err)
	}
	// The json goes last: a folder without it is no test cut.
	for _, name := range tones.Files() {
		if err := os.Rename(filepath.Join(work, name), filepath.Join(dir, name)); err != nil {
			return fmt.Errorf("writing the test cut: %w", err)
		}
	}
	return nil
}

// writeSynced writes a file and makes sure that it is on disk.
func writeSynced(path string, fill func(f *os.File) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(fill(f), f.Sync(), f.Close())
}
