// Package dir is the store driver on a folder: one file for each object, under
// the name of its key. Several processes may share the folder, also over a
// network file system that keeps flock and hard links (NFS 4 does).
//
// Enter at Open. How bytes get in, in write.go: a temporary file is written and
// synced, linked to its name (a link never overwrites) or, in Swap, renamed over
// the old one, and the folders above are synced. A file that has a name is never
// written to again.
//
// What is not an object lies in the folder .discsafe: tmp (unfinished files,
// each locked by its living writer, so Sweep needs no clock), lock (for Swap and
// Delete, shared out by a hash of the key) and format (tells a store from a
// folder where a volume should have been mounted).
//
// Names are resolved by os.Root: no key and no planted link leads out.
package dir

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"syscall"
	"time"

	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// Control folder and what is in it.
const (
	control    = ".discsafe"
	tempDir    = control + "/tmp"
	lockDir    = control + "/lock"
	formatFile = control + "/format"
	format     = "discsafe store 1\n"
)

const (
	dirMode  = 0o750 // unreleased music: nothing for others
	fileMode = 0o640
)

// lockShares is how many locks the keys share. Part of the format: processes
// must agree.
const lockShares = 64

// Options of a store on a folder.
type Options struct {
	// Create makes the folder a store if it is none yet. Without it such a folder
	// is refused, since a volume that is not mounted looks like an empty store.
	Create bool
	// ReserveBytes is space that Put leaves free, so that records can still be
	// written when mixes and results have filled the rest.
	ReserveBytes int64
	// Fault is for tests.
	Fault store.Fault
}

// Store is a folder. Make one with Open.
type Store struct {
	root  *os.Root
	opt   Options
	gates [lockShares]chan struct{} // one goroutine of this process at each lock
}

var (
	_ store.Store   = (*Store)(nil)
	_ store.Sweeper = (*Store)(nil)
)

// Open opens the store in folder.
func Open(folder string, opt Options) (*Store, error) {
	fail := func(err error, hint string) error {
		return &store.Error{Op: "open store in", Key: folder, Err: err, Hint: hint}
	}
	if !volume.Locks {
		return nil, fail(errors.ErrUnsupported, "this system has no flock: use an object store")
	}
	if opt.Create {
		if err := os.MkdirAll(folder, dirMode); err != nil {
			return nil, fail(err, "check the path and its permissions")
		}
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		if pe, ok := errors.AsType[*fs.PathError](err); ok {
			err = pe.Err // the path is named already
		}
		return nil, fail(err, "check the path, and whether the volume is mounted")
	}
	s := &Store{root: root, opt: opt}
	for i := range s.gates {
		s.gates[i] = make(chan struct{}, 1)
	}
	if err := s.checkFormat(folder); err != nil {
		hint := "is the volume mounted? a new store must be created"
		if !errors.Is(err, fs.ErrNotExist) {
			hint = "check permissions and free space"
		}
		return nil, errors.Join(fail(err, hint), root.Close())
	}
	return s, nil
}

// Close releases the folder. Open objects stay readable.
func (s *Store) Close() error { return s.root.Close() }

// checkFormat reads the mark of a store, or makes it.
func (s *Store) checkFormat(folder string) error {
	mark, err := s.root.ReadFile(formatFile)
	switch {
	case err == nil && string(mark) != format:
		return fmt.Errorf("%s says %.40q, this version knows %q", formatFile, mark, format)
	case err == nil:
		return nil
	case !errors.Is(err, fs.ErrNotExist) || !s.opt.Create:
		return err
	}
	for _, d := range []string{tempDir, lockDir} {
		if err := s.root.MkdirAll(d, dirMode); err != nil {
			return err
		}
	}
	ctx := context.Background()
	if err := s.create(ctx, formatFile, []byte(format)); err != nil && !errors.Is(err, store.ErrExists) {
		return err // another process may have made it just now
	}
	return syncOS(filepath.Dir(filepath.Clean(folder)))
}

// syncOS syncs a folder outside the root.
func syncOS(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func (s *Store) step(name, key string) error {
	if s.opt.Fault == nil {
		return nil
	}
	return s.opt.Fault(name, key)
}

// fault makes the error of a method, with the kind the cause tells.
func fault(op, key string, err error) error {
	if err == nil {
		return nil
	}
	e := &store.Error{Op: op, Key: key}
	var inner *store.Error
	var source *store.SourceError
	switch {
	case errors.As(err, &source): // its causes are not ours
	case errors.As(err, &inner):
		*e = *inner
		e.Op, e.Key = op, key
		return e
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		e.Kind, e.Hint = store.ErrFull, "free space on the store's volume"
	case errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission):
		e.Kind, e.Hint = store.ErrRefused, "see how the store's volume is mounted, and who owns its folders"
	}
	e.Err = err
	return e
}

// absent says that nothing has this name: not there, or a part of the path is a
// file.
func absent(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR)
}

// lock keeps everybody else from changing what shares a lock with key, in this
// process and others, until release is called.
func (s *Store) lock(ctx context.Context, key string) (release func(), err error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	h := fnv.New32a()
	_, _ = io.WriteString(h, key) // never fails
	n := h.Sum32() % lockShares
	gate := s.gates[n]
	select {
	case gate <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() {
		if err != nil {
			<-gate
		}
	}()
	if err := s.step("lock", key); err != nil {
		return nil, err
	}
	f, err := s.root.OpenFile(fmt.Sprintf("%s/%02d", lockDir, n), os.O_RDWR|os.O_CREATE, fileMode)
	if err != nil {
		return nil, err
	}
	// Asking again and again, because a goroutine blocked in flock could not be
	// cancelled. Locks are held for milliseconds.
	for wait := time.Millisecond; ; wait = min(2*wait, 16*time.Millisecond) {
		ok, err := volume.TryLock(f)
		if err != nil {
			return nil, errors.Join(err, f.Close())
		}
		if ok {
			break
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return nil, errors.Join(ctx.Err(), f.Close())
		}
	}
	return func() {
		f.Close() // releases; nothing was written
		<-gate
	}, nil
}

// Free returns the free space of the volume less the reserve.
func (s *Store) Free(ctx context.Context) (int64, bool) {
	if ctx.Err() != nil {
		return 0, false
	}
	d, err := s.root.Open(".")
	if err != nil {
		return 0, false
	}
	defer d.Close()
	n, ok := volume.FreeAt(d)
	return max(0, n-s.opt.ReserveBytes), ok
}

// Sweep removes the temporary files whose writers have died.
func (s *Store) Sweep(ctx context.Context) (store.Swept, error) {
	var swept store.Swept
	if err := s.step("list", tempDir); err != nil {
		return swept, fault("sweep", "", err)
	}
	entries, err := fs.ReadDir(s.root.FS(), tempDir)
	if err != nil {
		return swept, fault("sweep", "", err)
	}
	for _, e := range entries {
		if err := ctx.Err(); err != nil {
			return swept, fault("sweep", "", err)
		}
		n, ok, err := s.sweepOne(path.Join(tempDir, e.Name()))
		if err != nil {
			return swept, fault("sweep", e.Name(), err)
		}
		if ok {
			swept.Removed++
			swept.Bytes += n
		}
	}
	return swept, nil
}

func (s *Store) sweepOne(name string) (size int64, removed bool, err error) {
	info, err := s.root.Lstat(name)
	if absent(err) || err == nil && !info.Mode().IsRegular() {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, err
	}
	f, err := s.root.OpenFile(name, os.O_RDWR, 0)
	if absent(err) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, err
	}
	defer f.Close()
	dead, err := volume.TryLock(f)
	if err != nil || !dead {
		return 0, false, err
	}
	if err := s.step("remove-temp", name); err != nil {
		return 0, false, err
	}
	if err := s.root.Remove(name); err != nil && !absent(err) {
		return 0, false, err
	}
	return info.Size(), true, nil
}

// tempName is a name nobody else uses.
func tempName() string { return tempDir + "/" + rand.Text() }
