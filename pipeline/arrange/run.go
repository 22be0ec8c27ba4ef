package arrange

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"discsafe/pipeline/report"
)

// RunOptions say how Run runs.
type RunOptions struct {
	TempDir  string                                              // for envelopes; empty takes the system's
	Version  string                                              // of the program, for recipe and page
	Progress func(pass string, number, of int, fraction float64) // may be nil
}

// PassNames lists what Run tells as its passes, in order.
func PassNames() []string {
	return []string{"measuring the tracks", "searching divisions", "planning the best in full"}
}

// Run measures a release, searches, plans the best in full, and writes what it
// found into the folder dir, which must be there: arrangement.json and its page,
// a side plan for each side of the best five, which name their files as the
// release does, and last the manifest. A release that holds at no level gives a
// result too, whose entries do not hold, and no side plans. Errors: those of
// Measure and Search, and what writing meets.
func Run(ctx context.Context, r *Release, dir string, opt RunOptions) (_ *Result, err error) {
	passes := PassNames()
	tell := func(n int, fraction float64) {
		if opt.Progress != nil {
			opt.Progress(passes[n], n+1, len(passes), fraction)
		}
	}
	album, err := Measure(ctx, r, Options{TempDir: opt.TempDir, Progress: func(track, of int, fraction float64) {
		tell(0, (float64(track-1)+fraction)/float64(of))
	}})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, album.Close()) }()
	tell(1, 0)
	res, err := album.Search(ctx)
	if _, none := errors.AsType[*NoLevelError](err); err != nil && !none {
		return nil, err
	}
	tell(1, 1)
	if res.Best[0].Holds {
		tell(2, 0)
		if err := album.Confirm(ctx, &res.Best[0]); err != nil {
			return nil, err
		}
		tell(2, 1)
	}
	res.Tool = &report.Tool{Name: "discsafe", Version: opt.Version}
	return res, r.writeResult(dir, res)
}

// PlanName is the file of a side plan in a result folder.
func PlanName(rank int, side string) string {
	return fmt.Sprintf("rank-%d-side-%s.yaml", rank, strings.ToLower(side))
}

// writeResult fills a folder with the files of a result.
func (r *Release) writeResult(dir string, res *Result) error {
	m := &report.Manifest{Schema: report.ManifestSchema, Tool: *res.Tool}
	var err error
	if m.RecipeSHA256, err = report.RecipeHash(res.Tool.Version, r, r.Room.Room); err != nil {
		return err
	}
	if m.Inputs, err = r.inputs(); err != nil {
		return err
	}
	write := func(name string, fill func(io.Writer) error) error {
		h, err := writeFile(dir, name, fill)
		m.Outputs = append(m.Outputs, h)
		return err
	}
	for i := range res.Best {
		e := &res.Best[i]
		for k := range e.Sides {
			if !e.Holds {
				break
			}
			text, err := r.plan(e.Sides[k], asNamed)
			if err != nil {
				return err
			}
			e.Sides[k].Plan = PlanName(e.Rank, e.Sides[k].Side)
			if err := write(e.Sides[k].Plan, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
				return err
			}
		}
	}
	if err := write(report.ArrangementName, res.Write); err != nil {
		return err
	}
	if err := write(report.ArrangementPageName, func(w io.Writer) error { return report.WriteArrangementHTML(w, res) }); err != nil {
		return err
	}
	_, err = writeFile(dir, report.ManifestName, m.Write)
	return err
}

// inputs describes every mix once, and the room file if there is one.
func (r *Release) inputs() ([]report.FileHash, error) {
	var out []report.FileHash
	seen := map[string]bool{}
	add := func(name, path string) error {
		if path == "" || seen[path] {
			return nil
		}
		seen[path] = true
		f, err := os.Open(path)
		if err != nil {
			return fmt.Errorf("hashing: %w", err)
		}
		h, err := report.HashOf(name, f)
		out = append(out, h)
		return errors.Join(err, f.Close())
	}
	for i, t := range r.Tracks {
		if err := add(t.File, t.Path); err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
	}
	return out, add(r.Room.File, r.Room.Path)
}

// writeFile makes one file whole, synced, and describes it.
func writeFile(dir, name string, fill func(io.Writer) error) (h report.FileHash, err error) {
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return h, fmt.Errorf("writing %s: %w", name, err)
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = fmt.Errorf("writing %s: %w", name, err)
		}
	}()
	if err := errors.Join(fill(f), f.Sync()); err != nil {
		return h, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return h, err
	}
	return report.HashOf(name, f)
}
