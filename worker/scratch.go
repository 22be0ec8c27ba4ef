package worker

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"syscall"

	"discsafe/worker/job"
	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// scratch is a worker's own folder below one that workers share. A lock file
// beside it is held as long as the worker lives; a folder whose lock is free
// belonged to a worker that was killed, and is removed by the next that starts.
type scratch struct {
	dir  string
	lock *os.File
}

// scratchPrefix begins every name that sweeping may touch.
const (
	scratchPrefix = "discsafe-worker-"
	lockSuffix    = ".lock"
)

// openScratch makes a folder in base and sweeps what the dead have left there.
func openScratch(base string) (_ *scratch, swept int, err error) {
	if base, err = filepath.Abs(base); err != nil {
		return nil, 0, fmt.Errorf("scratch folder: %w", err)
	}
	if err := os.MkdirAll(base, 0o700); err != nil {
		return nil, 0, fmt.Errorf("scratch folder: %w", err)
	}
	if swept, err = sweepScratch(base); err != nil {
		return nil, swept, err
	}
	for range 100 {
		f, err := os.CreateTemp(base, scratchPrefix+"*"+lockSuffix)
		if err != nil {
			return nil, swept, fmt.Errorf("scratch folder: %w", err)
		}
		held, err := lockOf(f)
		if err == nil && held {
			dir := strings.TrimSuffix(f.Name(), lockSuffix)
			if err = os.Mkdir(dir, 0o700); err == nil {
				return &scratch{dir: dir, lock: f}, swept, nil
			}
		}
		if err := errors.Join(err, f.Close()); err != nil {
			return nil, swept, fmt.Errorf("scratch folder: %w", err)
		}
		// A sweeper looked at the lock between its making and its taking: another name.
	}
	return nil, swept, errors.New("scratch folder: no lock could be taken")
}

// lockOf takes the lock of a file unless another has it, and makes sure that it
// still is the file of that name.
func lockOf(f *os.File) (bool, error) {
	held, err := volume.TryLock(f)
	if err != nil || !held {
		return false, err
	}
	mine, err := f.Stat()
	if err != nil {
		return false, err
	}
	named, err := os.Stat(f.Name())
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil && os.SameFile(mine, named), err
}

func sweepScratch(base string) (int, error) {
	if !volume.Locks {
		return 0, nil
	}
	entries, err := os.ReadDir(base)
	if err != nil {
		return 0, fmt.Errorf("sweeping the scratch folder: %w", err)
	}
	n := 0
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), scratchPrefix) {
			continue
		}
		at := filepath.Join(base, e.Name())
		removed, err := false, error(nil)
		if name, is := strings.CutSuffix(at, lockSuffix); is {
			removed, err = sweepLock(at, name)
		} else if _, lerr := os.Lstat(at + lockSuffix); errors.Is(lerr, fs.ErrNotExist) {
			// A folder is made after its lock and removed before it: without one, a sweep broke off.
			removed, err = true, os.RemoveAll(at)
		}
		if err != nil {
			return n, fmt.Errorf("sweeping the scratch folder: %w", err)
		}
		if removed {
			n++
		}
	}
	return n, nil
}

// sweepLock removes a folder and its lock if nobody holds that.
func sweepLock(lock, dir string) (removed bool, err error) {
	f, err := os.OpenFile(lock, os.O_RDWR, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	held, err := lockOf(f)
	if err != nil || !held {
		return false, err
	}
	if err := os.RemoveAll(dir); err != nil {
		return false, err
	}
	return true, os.Remove(lock)
}

// close removes the folder and gives up the lock.
func (s *scratch) close() error {
	err := os.RemoveAll(s.dir)
	if err == nil {
		err = os.Remove(s.lock.Name())
	}
	return errors.Join(err, s.lock.Close())
}

// room makes the folder of one attempt.
func (s *scratch) room(id string, attempt int) (string, error) {
	dir := filepath.Join(s.dir, fmt.Sprintf("%s-%d", id, attempt))
	// One from before can only be of an attempt that this process gave up.
	if err := os.RemoveAll(dir); err != nil {
		return "", err
	}
	return dir, os.MkdirAll(filepath.Join(dir, inputDir), 0o700)
}

// Folders of an attempt.
const (
	inputDir  = "in"
	outputDir = "out"
)

// inputError is an input that is not, or no longer, what was accepted.
type inputError struct {
	code job.Code
	text string
}

func (e *inputError) Error() string { return e.text }

// bring copies plan and mixes from the store into dir, each held against size
// and SHA-256 noted when the job was accepted. told is given the share done.
// Errors: *inputError, the store's, the file system's.
func bring(ctx context.Context, s store.Store, q *job.Request, dir string, told func(share float64)) (err error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	total, done := max(1, q.Bytes()), int64(0)
	for _, in := range append([]job.Input{q.Plan}, q.Inputs...) {
		if d := path.Dir(in.Name); d != "." {
			if err := root.MkdirAll(filepath.FromSlash(d), 0o700); err != nil {
				return clash(err, in)
			}
		}
		if err := bringOne(ctx, s, root, in, func(n int64) { told(float64(done+n) / float64(total)) }); err != nil {
			return err
		}
		done += in.Bytes
	}
	return nil
}

func bringOne(ctx context.Context, s store.Store, root *os.Root, in job.Input, told func(int64)) (err error) {
	src, err := s.Open(ctx, in.Key)
	if errors.Is(err, store.ErrNotFound) {
		return &inputError{job.CodeInputMissing, in.Name + "."}
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	if size := src.Info().Size; size != in.Bytes {
		return &inputError{job.CodeInputDamaged, fmt.Sprintf("%s has %d bytes, %d were uploaded.", in.Name, size, in.Bytes)}
	}
	dst, err := root.OpenFile(filepath.FromSlash(in.Name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return clash(err, in)
	}
	defer func() { err = errors.Join(err, dst.Close()) }()
	h := sha256.New()
	r := &counted{ctx: ctx, r: io.LimitReader(src, in.Bytes), told: told}
	n, err := io.Copy(io.MultiWriter(dst, h), r)
	if err != nil {
		return fmt.Errorf("bringing %s: %w", in.Name, err)
	}
	if got := hex.EncodeToString(h.Sum(nil)); n != in.Bytes || got != in.SHA256 {
		return &inputError{job.CodeInputDamaged, fmt.Sprintf("%s has SHA-256 %s, uploaded was %s.", in.Name, got, in.SHA256)}
	}
	return nil
}

// clash tells two inputs that want the same place, one as a file and one as a
// folder, from trouble with the disk.
func clash(err error, in job.Input) error {
	if errors.Is(err, fs.ErrExist) || errors.Is(err, syscall.ENOTDIR) || errors.Is(err, syscall.ENAMETOOLONG) {
		return &inputError{job.CodePlan, fmt.Sprintf("The name %q cannot stand beside the other names of the job.", in.Name)}
	}
	return fmt.Errorf("bringing %s: %w", in.Name, err)
}

// counted is a reader that ends with its context and tells how far it is.
type counted struct {
	ctx  context.Context
	r    io.Reader
	n    int64
	told func(int64)
}

func (c *counted) Read(p []byte) (int, error) {
	if c.ctx.Err() != nil {
		return 0, context.Cause(c.ctx)
	}
	n, err := c.r.Read(p)
	c.n += int64(n)
	c.told(c.n)
	return n, err
}
