package worker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"discsafe/pipeline/report"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

// resultError is an output folder that does not hold what its manifest says.
type resultError struct {
	text string
	err  error
}

func (e *resultError) Error() string { return e.text }
func (e *resultError) Unwrap() error { return e.err }

// keepResult puts the files of an output folder into the store, each held
// against the manifest by the hash the store computed while writing, and
// describes them. Errors: *resultError, the store's.
func keepResult(ctx context.Context, s store.Store, h *job.Hold, dir string, told func(share float64)) (_ job.Result, err error) {
	var res job.Result
	root, err := os.OpenRoot(dir)
	if err != nil {
		return res, &resultError{"There is no output folder.", err}
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	m, manifest, err := readManifest(root)
	if err != nil {
		return res, &resultError{"The manifest cannot be read: " + err.Error() + ".", err}
	}
	res.Recipe, res.Version = m.RecipeSHA256, m.Tool.Version
	total, done := manifest.Bytes, int64(0)
	for _, f := range m.Outputs {
		total += f.Bytes
	}
	for _, f := range append(m.Outputs, manifest) {
		out, err := keepFile(ctx, s, root, h, f, func(n int64) { told(float64(done+n) / float64(max(1, total))) })
		if err != nil {
			return res, err
		}
		res.Files = append(res.Files, out)
		done += f.Bytes
	}
	return res, nil
}

// readManifest reads the manifest and describes the file itself, which it
// does not list.
func readManifest(root *os.Root) (*report.Manifest, report.FileHash, error) {
	f, err := root.Open(report.ManifestName)
	if err != nil {
		return nil, report.FileHash{}, err
	}
	defer f.Close()
	m, err := report.ReadManifest(f)
	if err != nil {
		return nil, report.FileHash{}, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, report.FileHash{}, err
	}
	self, err := report.HashOf(report.ManifestName, f)
	return m, self, err
}

func keepFile(ctx context.Context, s store.Store, root *os.Root, h *job.Hold, f report.FileHash, told func(int64)) (_ job.Output, err error) {
	out := job.Output{Name: f.Name, Key: job.ResultKey(h.ID, h.Attempt, f.Name), Bytes: f.Bytes, SHA256: f.SHA256}
	src, err := root.Open(filepath.FromSlash(f.Name))
	if err != nil {
		return out, &resultError{f.Name + " cannot be opened: " + err.Error() + ".", err}
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	if info, err := src.Stat(); err != nil || !info.Mode().IsRegular() {
		return out, &resultError{f.Name + " is not a regular file.", err}
	}
	info, err := s.Put(ctx, out.Key, &counted{ctx: ctx, r: src, told: told})
	if errors.Is(err, store.ErrExists) {
		// An earlier try of this very attempt, whose answer was lost: whole or not at all.
		if err = store.Verify(ctx, s, out.Key, f.Bytes, f.SHA256); !errors.Is(err, store.ErrDamaged) {
			return out, err
		}
		return out, errors.Join(&resultError{"What the store holds of " + f.Name + " is not what was written.", err}, s.Delete(ctx, out.Key))
	}
	if err != nil {
		if pe, is := errors.AsType[*fs.PathError](err); is && pe.Path == src.Name() {
			return out, &resultError{f.Name + " cannot be read: " + pe.Err.Error() + ".", err}
		}
		return out, err
	}
	if info.Size != f.Bytes || info.SHA256 != f.SHA256 {
		return out, errors.Join(&resultError{text: fmt.Sprintf("%s has %d bytes and SHA-256 %s, its manifest says %d and %s.", f.Name, info.Size, info.SHA256, f.Bytes, f.SHA256)}, s.Delete(ctx, out.Key))
	}
	return out, nil
}
