package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"discsafe/api/client"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
)

// fetch brings the files of a job into out, whole or not at all: into a hidden
// folder beside it, which then takes its place.
func (a *app) fetch(ctx context.Context, cl *client.Client, job *v1.Job, out string) (err error) {
	if err := checkResultFolder(out); err != nil { // again: the job took its time
		return err
	}
	abs, err := filepath.Abs(out)
	if err != nil {
		return err
	}
	if real, err := filepath.EvalSymlinks(abs); err == nil {
		abs = real // where a link points, not over the link
	}
	if err := os.MkdirAll(filepath.Dir(abs), 0o777); err != nil {
		return &inputError{fmt.Errorf("--out %s: %w", out, err)}
	}
	work, err := os.MkdirTemp(filepath.Dir(abs), "."+filepath.Base(abs)+".partial-")
	if err != nil {
		return &inputError{fmt.Errorf("--out %s: cannot write beside it: %w", out, err)}
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	if err := os.Chmod(work, 0o755); err != nil {
		return err
	}
	if err := cl.DownloadAll(ctx, job, work); err != nil {
		return err
	}
	return putInPlace(work, abs)
}

// putInPlace renames a folder over another. Whoever stops in between finds the
// former result under the name work.old.
func putInPlace(work, dir string) error {
	aside := work + ".old"
	err := os.Rename(dir, aside)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Rename(work, dir); err != nil {
		return errors.Join(err, os.Rename(aside, dir))
	}
	return errors.Join(syncFolder(dir), syncFolder(filepath.Dir(dir)), os.RemoveAll(aside))
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// checkResultFolder refuses a folder that holds anything but a former result,
// since all of it will be replaced.
func checkResultFolder(dir string) error {
	if err := checkOut(dir, report.ManifestName); err != nil {
		return err
	}
	f, err := os.Open(filepath.Join(dir, report.ManifestName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil // new or empty
	}
	if err != nil {
		return &inputError{err}
	}
	defer f.Close()
	m, err := report.ReadManifest(f)
	if err != nil {
		return &inputError{fmt.Errorf("--out %s holds a manifest that cannot be read: %w; name a new folder", dir, err)}
	}
	ours := map[string]bool{report.ManifestName: true}
	for _, o := range m.Outputs {
		ours[o.Name] = true
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return &inputError{err}
	}
	for _, e := range entries {
		if !ours[e.Name()] {
			return &inputError{fmt.Errorf("--out %s holds %s, which is not of a former result; name a new folder", dir, e.Name())}
		}
	}
	return nil
}
