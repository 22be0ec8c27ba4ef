package dir

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path"
	"sync"
	"syscall"

	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// Put implements store.Store.
func (s *Store) Put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	info, err := s.put(ctx, key, r)
	return info, fault("put", key, err)
}

func (s *Store) put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	if err := store.CheckKey(key); err != nil {
		return store.Info{}, err
	}
	// Not to read a whole mix only to refuse it; publish decides.
	if err := s.taken(key); err != nil {
		return store.Info{}, err
	}
	t, err := s.newTemp(key)
	if err != nil {
		return store.Info{}, err
	}
	defer t.discard()
	size, sum, err := s.fill(ctx, t, r)
	if err != nil {
		return store.Info{}, err
	}
	if err := s.publish(ctx, key, t); err != nil {
		return store.Info{}, err
	}
	return store.Info{Key: key, Size: size, SHA256: sum}, nil
}

// PutIfAbsent implements store.Store.
func (s *Store) PutIfAbsent(ctx context.Context, key string, data []byte) error {
	return fault("put-if-absent", key, s.putRecord(ctx, key, data))
}

func (s *Store) putRecord(ctx context.Context, key string, data []byte) error {
	if err := checkRecord(key, data); err != nil {
		return err
	}
	return s.create(ctx, key, data)
}

// create makes a small file that must not be there.
func (s *Store) create(ctx context.Context, name string, data []byte) error {
	t, err := s.newTemp(name)
	if err != nil {
		return err
	}
	defer t.discard()
	if err := s.write(ctx, t, data); err != nil {
		return err
	}
	return s.publish(ctx, name, t)
}

// Swap implements store.Store.
func (s *Store) Swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	v, err := s.swap(ctx, key, old, data)
	return v, fault("swap", key, err)
}

func (s *Store) swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	if old == "" {
		err := s.putRecord(ctx, key, data)
		if errors.Is(err, store.ErrExists) {
			return "", &store.Error{Kind: store.ErrConflict, Err: errors.New("it exists and was expected not to")}
		}
		return versionOr("", data, err)
	}
	if err := checkRecord(key, data); err != nil {
		return "", err
	}
	release, err := s.lock(ctx, key)
	if err != nil {
		return "", err
	}
	defer release()
	now, err := s.stat(ctx, key)
	if errors.Is(err, store.ErrNotFound) {
		return "", &store.Error{Kind: store.ErrConflict, Err: errors.New("it is gone")}
	}
	if err != nil {
		return "", err
	}
	if now.Version != old {
		return "", &store.Error{Kind: store.ErrConflict}
	}
	t, err := s.newTemp(key)
	if err != nil {
		return "", err
	}
	defer t.discard()
	if err := s.write(ctx, t, data); err != nil {
		return "", err
	}
	if err := s.step("rename", key); err != nil {
		return "", err
	}
	if err := s.root.Rename(t.name, key); err != nil {
		return "", err
	}
	t.moved = true
	return versionOr("", data, s.syncDir(path.Dir(key)))
}

func versionOr(none store.Version, data []byte, err error) (store.Version, error) {
	if err != nil {
		return none, err
	}
	return version(data), nil
}

// Delete implements store.Store.
func (s *Store) Delete(ctx context.Context, key string) error {
	return fault("delete", key, s.remove(ctx, key))
}

func (s *Store) remove(ctx context.Context, key string) error {
	if err := store.CheckKey(key); err != nil {
		return err
	}
	release, err := s.lock(ctx, key)
	if err != nil {
		return err
	}
	defer release()
	info, err := s.root.Lstat(key)
	if absent(err) || err == nil && !info.Mode().IsRegular() {
		return nil
	}
	if err != nil {
		return err
	}
	if err := s.step("remove", key); err != nil {
		return err
	}
	if err := s.root.Remove(key); err != nil && !absent(err) {
		return err
	}
	if err := s.syncDir(path.Dir(key)); err != nil {
		return err
	}
	for d := path.Dir(key); d != "." && s.removeEmpty(d); d = path.Dir(d) {
	}
	return nil
}

// removeEmpty removes a folder that has become empty, and says whether. If not,
// it holds something else or stays empty: no harm. Not with Root.Remove, which
// would take a file as well, should one have come in the folder's place.
func (s *Store) removeEmpty(name string) bool {
	above, err := s.root.Open(path.Dir(name))
	if err != nil {
		return false
	}
	defer above.Close()
	return rmdirAt(above, path.Base(name)) == nil
}

func checkRecord(key string, data []byte) error {
	if err := store.CheckKey(key); err != nil {
		return err
	}
	if len(data) > store.MaxRecordBytes {
		return &store.Error{Kind: store.ErrTooLarge, Err: fmt.Errorf("%d bytes, at most %d", len(data), store.MaxRecordBytes)}
	}
	return nil
}

// temp is an unfinished file, locked while its writer lives.
type temp struct {
	s     *Store
	key   string // what it will be
	name  string
	f     *os.File
	moved bool
}

func (s *Store) newTemp(key string) (*temp, error) {
	for range manyTries {
		if err := s.step("create", key); err != nil {
			return nil, err
		}
		name := tempName()
		f, err := s.root.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, fileMode)
		if err != nil {
			return nil, err
		}
		t := &temp{s: s, key: key, name: name, f: f}
		ours, err := t.claim()
		if err != nil {
			t.discard()
			return nil, err
		}
		if ours {
			return t, nil
		}
		f.Close() // a sweep came between; the name is gone or about to go
	}
	return nil, errors.New("temporary files are swept away as fast as they are made")
}

// claim locks the file and says whether its name still is there.
func (t *temp) claim() (bool, error) {
	ok, err := volume.TryLock(t.f)
	if err != nil || !ok {
		return false, err
	}
	return t.is(t.name)
}

// is says whether name is this very file.
func (t *temp) is(name string) (bool, error) {
	there, err := t.s.root.Lstat(name)
	if absent(err) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	here, err := t.f.Stat()
	if err != nil {
		return false, err
	}
	return os.SameFile(there, here), nil
}

// discard removes the temporary name and lets go of the file. It reports
// nothing: what it cannot remove is found by Sweep, and the object, if there is
// one, has a name of its own.
func (t *temp) discard() {
	if !t.moved && t.s.step("remove-temp", t.key) == nil {
		_ = t.s.root.Remove(t.name)
	}
	_ = t.f.Close() // synced before, if it matters
}

const (
	copyBytes  = 256 << 10
	checkSpace = 64 << 20 // bytes between two looks at the free space
)

var buffers = sync.Pool{New: func() any { b := make([]byte, copyBytes); return &b }}

// fill streams r into the file and syncs it.
func (s *Store) fill(ctx context.Context, t *temp, r io.Reader) (size int64, sum string, err error) {
	buf := buffers.Get().(*[]byte)
	defer buffers.Put(buf)
	h := sha256.New()
	for look := int64(0); ; {
		if err := ctx.Err(); err != nil {
			return 0, "", err
		}
		if size >= look {
			if err := s.room(ctx); err != nil {
				return 0, "", err
			}
			look = size + checkSpace
		}
		n, rerr := store.Fill(r, *buf)
		if n > 0 {
			if err := t.add((*buf)[:n], h); err != nil {
				return 0, "", err
			}
			size += int64(n)
		}
		if rerr == io.EOF {
			break
		}
		if rerr != nil {
			return 0, "", &store.SourceError{After: size, Err: rerr}
		}
	}
	if err := s.syncTemp(t); err != nil {
		return 0, "", err
	}
	return size, hex.EncodeToString(h.Sum(nil)), nil
}

func (t *temp) add(p []byte, h hash.Hash) error {
	h.Write(p)
	if err := t.s.step("write", t.key); err != nil {
		return err
	}
	_, err := t.f.Write(p)
	return err
}

// write puts a record into the file and syncs it. Records may use the reserve.
func (s *Store) write(ctx context.Context, t *temp, data []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := s.step("write", t.key); err != nil {
		return err
	}
	if _, err := io.Copy(t.f, bytes.NewReader(data)); err != nil {
		return err
	}
	return s.syncTemp(t)
}

func (s *Store) syncTemp(t *temp) error {
	if err := s.step("sync", t.key); err != nil {
		return err
	}
	return t.f.Sync()
}

func (s *Store) room(ctx context.Context) error {
	if s.opt.ReserveBytes <= 0 {
		return nil
	}
	if n, known := s.Free(ctx); known && n == 0 {
		return &store.Error{Kind: store.ErrFull, Err: fmt.Errorf("the last %d bytes are kept for records", s.opt.ReserveBytes), Hint: "free space on the store's volume"}
	}
	return nil
}

// manyTries is how often one tries against others who undo what was done. Each
// try is lost only if they come within microseconds.
const manyTries = 100

var errRemoved = errors.New("its folder is removed as fast as it is made")

// publish gives the file its name, unless something has it, and syncs the
// folders above.
func (s *Store) publish(ctx context.Context, key string, t *temp) error {
	for range manyTries {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := s.step("link", key)
		if err == nil {
			err = s.root.Link(t.name, key)
		}
		switch {
		case err == nil:
			return s.syncAbove(key)
		case errors.Is(err, fs.ErrExist):
			// A network file system may answer this to the repetition of a link
			// that it has made.
			if ours, ierr := t.is(key); ierr != nil {
				return errors.Join(err, ierr)
			} else if ours {
				return s.syncAbove(key)
			}
			if err := s.taken(key); err != nil {
				return err
			}
			// Round again: what was there has gone.
		case errors.Is(err, syscall.ENOTDIR):
			return folderAndFile(err)
		case errors.Is(err, fs.ErrNotExist):
			if err := s.makeAbove(key); err != nil {
				return err
			}
			// Round again; a Delete may remove the folder while it is empty.
		case errors.Is(err, errors.ErrUnsupported), errors.Is(err, syscall.EPERM), errors.Is(err, syscall.EMLINK):
			return s.moveIn(ctx, key, t)
		default:
			return err
		}
	}
	return errRemoved
}

func (s *Store) makeAbove(key string) error {
	if err := s.step("mkdir", key); err != nil {
		return err
	}
	err := s.root.MkdirAll(path.Dir(key), dirMode)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // a Delete removed one on the way; the caller tries again
	}
	if errors.Is(err, fs.ErrExist) {
		// No folder has the name; or one had it, which a Delete removed before MkdirAll
		// looked what it is. Then the caller tries again.
		if info, lerr := s.root.Lstat(path.Dir(key)); absent(lerr) || lerr == nil && info.IsDir() {
			return nil
		}
		return folderAndFile(err)
	}
	if errors.Is(err, syscall.ENOTDIR) {
		return folderAndFile(err)
	}
	return err
}

// moveIn publishes where the file system has no hard links. Looking and renaming
// are two steps, so all who do it hold the lock.
func (s *Store) moveIn(ctx context.Context, key string, t *temp) error {
	release, err := s.lock(ctx, key)
	if err != nil {
		return err
	}
	defer release()
	if err := s.taken(key); err != nil {
		return err
	}
	if err := s.step("rename", key); err != nil {
		return err
	}
	for range manyTries {
		err := s.root.Rename(t.name, key)
		if err == nil {
			t.moved = true
			return s.syncAbove(key)
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if err := s.makeAbove(key); err != nil {
			return err
		}
	}
	return errRemoved
}

// taken returns nil if nothing has the name, and otherwise why it cannot be had:
// because of an object, which is made durable first, since the caller will act on
// its being there; or because of a folder, or of an object in place of one.
func (s *Store) taken(key string) error {
	info, err := s.root.Lstat(key)
	switch {
	case errors.Is(err, syscall.ENOTDIR), err == nil && info.IsDir():
		return folderAndFile(err)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	}
	if err := s.syncAbove(key); err != nil {
		return err
	}
	return &store.Error{Kind: store.ErrExists}
}

func folderAndFile(err error) error {
	return &store.Error{Kind: store.ErrKey, Err: err, Hint: "a key cannot be the folder of another"}
}

// syncAbove syncs every folder from that of key up. All of them, because another
// process may have made one and not have synced it yet.
func (s *Store) syncAbove(key string) error {
	for d := path.Dir(key); ; d = path.Dir(d) {
		if err := s.syncDir(d); err != nil {
			return err
		}
		if d == "." {
			return nil
		}
	}
}

func (s *Store) syncDir(name string) error {
	if err := s.step("sync-dir", name); err != nil {
		return err
	}
	d, err := s.root.Open(name)
	if absent(err) {
		return nil // deleted since, with what we put there
	}
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
