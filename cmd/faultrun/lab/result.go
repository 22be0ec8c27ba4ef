package lab

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"discsafe/api/v1"
	"discsafe/pipeline"
)

// checkResult holds a job that is done against I3 and I4: everything that the
// list of files promises is there, and says the same when measured again.
func (l *Lab) checkResult(ctx context.Context, a *API, j *Job, measure bool) error {
	names := make([]string, len(j.Final.Files))
	sums := map[string]string{}
	for i, f := range j.Final.Files {
		names[i], sums[f.Name] = f.Name, f.SHA256
	}
	if j.Kind == v1.Prepare {
		for _, want := range []string{"premaster.wav", "difference.wav", "report.json", "report.html", "cutting-sheet.html", "timeline.bin", "manifest.json"} {
			if !slices.Contains(names, want) {
				l.Bad("I3", "job %s is done without %s", j.ID, want)
			}
		}
		for name, want := range l.Sides[j.Side].Want {
			if got := sums[name]; got != want {
				l.Bad("I4", "job %s (side %d, attempt %d): %s has SHA-256 %s, the reference %s", j.ID, j.Side, j.Final.Attempt, name, got, want)
			}
		}
	}
	c, err := a.Client()
	if err != nil {
		return err
	}
	dir := filepath.Join(l.Dir, "got", j.ID)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	if err := c.DownloadAll(ctx, j.Final, dir); err != nil {
		l.Bad("I3", "job %s: its files cannot be fetched: %v", j.ID, err)
		return nil
	}
	// The client has held them against size and hash; so do we.
	for _, f := range j.Final.Files {
		sum, err := hashFile(filepath.Join(dir, f.Name))
		if err != nil {
			return err
		}
		if st, err := os.Stat(filepath.Join(dir, f.Name)); err != nil || st.Size() != f.Bytes || sum != f.SHA256 {
			l.Bad("I3", "job %s: %s is not what was promised (%v)", j.ID, f.Name, err)
		}
	}
	if !measure || j.Kind != v1.Prepare {
		return nil
	}
	r, err := pipeline.Check(ctx, dir)
	if err != nil {
		l.Bad("I3", "job %s cannot be checked: %v", j.ID, err)
		return nil
	}
	for _, f := range r.Faults {
		l.Bad("I3", "job %s: %s", j.ID, f)
	}
	if r.Files == 0 || r.Measures == 0 {
		return fmt.Errorf("the check of job %s looked at nothing", j.ID)
	}
	return nil
}
