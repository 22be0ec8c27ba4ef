package intake

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	v1 "discsafe/api/v1"
	"discsafe/worker/volume"
)

// Take stores what r holds for a studio. If wantSHA is not "" the bytes must have
// that hash, and a mix that is here already is told without reading r. Every
// error is a *v1.Problem.
func (in *Intake) Take(ctx context.Context, studio, name string, r io.Reader, wantSHA string) (v1.Mix, error) {
	m, err := in.take(ctx, studio, name, r, wantSHA, -1)
	if err != nil {
		return v1.Mix{}, in.problem(ctx, err)
	}
	return m, nil
}

// Find describes a mix and renews the time it is kept for, so a job may be
// submitted with it. One that is not here is a problem of code mix-missing;
// every error is a *v1.Problem.
func (in *Intake) Find(ctx context.Context, studio, sha string) (v1.Mix, error) {
	if !studioForm.MatchString(studio) || !shaForm.MatchString(sha) {
		return v1.Mix{}, v1.NewProblem(v1.MixMissing, "no file with that hash was handed in")
	}
	m, ok, err := in.known(ctx, studio, sha, "")
	switch {
	case errors.Is(err, errDeleting):
		// It has expired; the sender must hand it in again anyway.
		return v1.Mix{}, v1.NewProblem(v1.MixMissing, "file "+sha+" has expired")
	case err != nil:
		return v1.Mix{}, in.problem(ctx, err)
	case !ok:
		return v1.Mix{}, v1.NewProblem(v1.MixMissing, "no file "+sha+" was handed in")
	}
	return m, nil
}

func (in *Intake) take(ctx context.Context, studio, name string, r io.Reader, want string, size int64) (v1.Mix, error) {
	name = cleanName(name)
	if !studioForm.MatchString(studio) {
		return v1.Mix{}, invalid("studio", "not a name of a studio", "")
	}
	if want != "" {
		if !shaForm.MatchString(want) {
			return v1.Mix{}, invalid("sha256", "not a SHA-256 in lower-case hex", "64 digits")
		}
		if m, ok, err := in.known(ctx, studio, want, name); err != nil || ok {
			if ok {
				in.observe("known")
			}
			return m, err
		}
	}
	body, done, err := in.admit(ctx, studio, size)
	if err != nil {
		return v1.Mix{}, err
	}
	defer done()
	body.src = r
	if want != "" {
		// The key is known, so the bytes go straight into the store.
		return in.keep(ctx, studio, want, name, verify(body, want), nil)
	}
	p, err := in.newPart()
	if err != nil {
		return v1.Mix{}, err
	}
	defer p.discard()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(p.File, h), contextReader{ctx, body})
	if err != nil {
		return v1.Mix{}, err
	}
	sha := hex.EncodeToString(h.Sum(nil))
	if m, ok, err := in.known(ctx, studio, sha, name); err != nil || ok {
		if ok {
			in.observe("known")
		}
		return m, err
	}
	return in.keep(ctx, studio, sha, name, io.NewSectionReader(p, 0, n), p)
}

// newPart makes a file that is locked as long as it is open, so a sweeper of any
// process sees whether its writer lives.
func (in *Intake) newPart() (*part, error) {
	for {
		f, err := os.OpenFile(filepath.Join(in.opt.Spool, partDir, randomID()), os.O_RDWR|os.O_CREATE|os.O_EXCL, fileMode)
		if err != nil {
			return nil, fmt.Errorf("spool: %w", err)
		}
		ok, err := volume.TryLock(f)
		if err == nil && ok && isAt(f, f.Name()) {
			return &part{f}, nil
		}
		// A sweeper came between making and locking: it has removed the file.
		if cerr := f.Close(); err != nil || cerr != nil {
			return nil, fmt.Errorf("spool: %w", errors.Join(err, cerr))
		}
	}
}

// isAt says whether an open file is still the one of that name.
func isAt(f *os.File, path string) bool {
	a, err := f.Stat()
	if err != nil {
		return false
	}
	b, err := os.Lstat(path)
	return err == nil && os.SameFile(a, b)
}

func randomID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}
