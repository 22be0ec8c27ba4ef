// Package mem is the store driver for tests: everything in memory, the answers
// of the other drivers, faults and a full medium at will.
//
// Its steps, for Options.Fault, have the names of those of dir. A fault at
// "sync-dir" comes after the object can be seen, as it does there.
package mem

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"discsafe/worker/store"
)

// Options of a store in memory.
type Options struct {
	// CapacityBytes is when it is full. 0: never, and Free does not know.
	CapacityBytes int64
	// Now gives Info.Modified. Without it that is always the zero time.
	Now func() time.Time
	// Fault may fail a step.
	Fault store.Fault
}

// Store is a store in memory. Make one with New.
type Store struct {
	opt Options

	mu      sync.Mutex
	objects map[string]entry
	used    int64
}

type entry struct {
	data     []byte // never written to again
	modified time.Time
}

var (
	_ store.Store   = (*Store)(nil)
	_ store.Sweeper = (*Store)(nil)
)

// New returns an empty store.
func New(opt Options) *Store {
	return &Store{opt: opt, objects: map[string]entry{}}
}

func fault(op, key string, err error) error {
	if err == nil {
		return nil
	}
	var inner *store.Error
	var source *store.SourceError
	if !errors.As(err, &source) && errors.As(err, &inner) {
		e := *inner
		e.Op, e.Key = op, key
		return &e
	}
	return &store.Error{Op: op, Key: key, Err: err}
}

func (s *Store) steps(key string, names ...string) error {
	if s.opt.Fault == nil {
		return nil
	}
	for _, n := range names {
		if err := s.opt.Fault(n, key); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) now() time.Time {
	if s.opt.Now == nil {
		return time.Time{}
	}
	return s.opt.Now()
}

// Put implements store.Store.
func (s *Store) Put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	info, err := s.put(ctx, key, r)
	return info, fault("put", key, err)
}

func (s *Store) put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	if err := store.CheckKey(key); err != nil {
		return store.Info{}, err
	}
	if err := s.steps(key, "create"); err != nil {
		return store.Info{}, err
	}
	var data []byte
	buf := make([]byte, 64<<10)
	for {
		if err := ctx.Err(); err != nil {
			return store.Info{}, err
		}
		n, rerr := store.Fill(r, buf)
		data = append(data, buf[:n]...)
		if err := s.fits(int64(len(data))); err != nil {
			return store.Info{}, err
		}
		if err := s.steps(key, "write"); err != nil {
			return store.Info{}, err
		}
		if rerr == io.EOF {
			break
		}
		if rerr != nil {
			return store.Info{}, &store.SourceError{After: int64(len(data)), Err: rerr}
		}
	}
	if err := s.add(key, data); err != nil {
		return store.Info{}, err
	}
	return store.Info{Key: key, Size: int64(len(data)), SHA256: digest(data)}, nil
}

// fits says whether n more bytes can be held.
func (s *Store) fits(n int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fitsLocked(n)
}

func (s *Store) fitsLocked(n int64) error {
	if s.opt.CapacityBytes > 0 && s.used+n > s.opt.CapacityBytes {
		return &store.Error{Kind: store.ErrFull, Err: fmt.Errorf("%d bytes beside %d, of %d", n, s.used, s.opt.CapacityBytes)}
	}
	return nil
}

// add makes an object that must not exist; s keeps data.
func (s *Store) add(key string, data []byte) error {
	if err := s.steps(key, "sync", "link"); err != nil {
		return err
	}
	if err := s.insert(key, data); err != nil {
		return err
	}
	return s.steps(key, "sync-dir")
}

func (s *Store) insert(key string, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.objects[key]; ok {
		return &store.Error{Kind: store.ErrExists}
	}
	for other := range s.objects {
		if strings.HasPrefix(other, key+"/") || strings.HasPrefix(key, other+"/") {
			return &store.Error{Kind: store.ErrKey, Err: fmt.Errorf("there is %q", other), Hint: "a key cannot be the folder of another"}
		}
	}
	if err := s.fitsLocked(int64(len(data))); err != nil {
		return err
	}
	s.objects[key] = entry{data, s.now()}
	s.used += int64(len(data))
	return nil
}

func checkRecord(ctx context.Context, key string, data []byte) error {
	if err := store.CheckKey(key); err != nil {
		return err
	}
	if len(data) > store.MaxRecordBytes {
		return &store.Error{Kind: store.ErrTooLarge, Err: fmt.Errorf("%d bytes, at most %d", len(data), store.MaxRecordBytes)}
	}
	return ctx.Err()
}

// PutIfAbsent implements store.Store.
func (s *Store) PutIfAbsent(ctx context.Context, key string, data []byte) error {
	return fault("put-if-absent", key, s.putRecord(ctx, key, data))
}

func (s *Store) putRecord(ctx context.Context, key string, data []byte) error {
	if err := checkRecord(ctx, key, data); err != nil {
		return err
	}
	if err := s.steps(key, "create", "write"); err != nil {
		return err
	}
	return s.add(key, slices.Clone(data))
}

// Swap implements store.Store.
func (s *Store) Swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	if err := s.swap(ctx, key, old, data); err != nil {
		return "", fault("swap", key, err)
	}
	return store.Version(digest(data)), nil
}

func (s *Store) swap(ctx context.Context, key string, old store.Version, data []byte) error {
	if old == "" {
		err := s.putRecord(ctx, key, data)
		if errors.Is(err, store.ErrExists) {
			return &store.Error{Kind: store.ErrConflict, Err: errors.New("it exists and was expected not to")}
		}
		return err
	}
	if err := checkRecord(ctx, key, data); err != nil {
		return err
	}
	if err := s.steps(key, "lock", "create", "write", "sync", "rename"); err != nil {
		return err
	}
	if err := s.replace(key, old, slices.Clone(data)); err != nil {
		return err
	}
	return s.steps(key, "sync-dir")
}

func (s *Store) replace(key string, old store.Version, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	now, ok := s.objects[key]
	if !ok {
		return &store.Error{Kind: store.ErrConflict, Err: errors.New("it is gone")}
	}
	if now.version() != old {
		return &store.Error{Kind: store.ErrConflict}
	}
	grows := int64(len(data) - len(now.data))
	if err := s.fitsLocked(grows); err != nil {
		return err
	}
	s.used += grows
	s.objects[key] = entry{data, s.now()}
	return nil
}

// Open implements store.Store.
func (s *Store) Open(ctx context.Context, key string) (store.Object, error) {
	e, err := s.find(ctx, key)
	if err != nil {
		return nil, fault("open", key, err)
	}
	return store.Held(ctx, e.info(key), e.data), nil
}

// Stat implements store.Store.
func (s *Store) Stat(ctx context.Context, key string) (store.Info, error) {
	e, err := s.find(ctx, key)
	if err != nil {
		return store.Info{}, fault("stat", key, err)
	}
	return e.info(key), nil
}

func (s *Store) find(ctx context.Context, key string) (entry, error) {
	if err := store.CheckKey(key); err != nil {
		return entry{}, err
	}
	if err := ctx.Err(); err != nil {
		return entry{}, err
	}
	if err := s.steps(key, "open"); err != nil {
		return entry{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.objects[key]
	if !ok {
		return entry{}, &store.Error{Kind: store.ErrNotFound}
	}
	return e, nil
}

func (e entry) info(key string) store.Info {
	return store.Info{Key: key, Size: int64(len(e.data)), Version: e.version(), Modified: e.modified}
}

func (e entry) version() store.Version {
	if len(e.data) > store.MaxRecordBytes {
		return ""
	}
	return store.Version(digest(e.data))
}

func digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// List implements store.Store.
func (s *Store) List(ctx context.Context, prefix, after string, limit int) ([]store.Info, error) {
	err := store.CheckPrefix(prefix)
	if err == nil && limit < 1 {
		err = fmt.Errorf("limit %d is below 1", limit)
	}
	if err == nil {
		err = ctx.Err()
	}
	if err == nil {
		err = s.steps(prefix, "list")
	}
	if err != nil {
		return nil, fault("list", prefix, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var found []store.Info
	for key, e := range s.objects {
		if strings.HasPrefix(key, prefix) && key > after {
			found = append(found, store.Info{Key: key, Size: int64(len(e.data)), Modified: e.modified})
		}
	}
	slices.SortFunc(found, func(a, b store.Info) int { return strings.Compare(a.Key, b.Key) })
	return found[:min(limit, len(found))], nil
}

// Delete implements store.Store.
func (s *Store) Delete(ctx context.Context, key string) error {
	err := store.CheckKey(key)
	if err == nil {
		err = ctx.Err()
	}
	if err == nil {
		err = s.steps(key, "lock", "remove")
	}
	if err != nil {
		return fault("delete", key, err)
	}
	s.mu.Lock()
	e, ok := s.objects[key]
	delete(s.objects, key)
	s.used -= int64(len(e.data))
	s.mu.Unlock()
	if !ok {
		return nil
	}
	return fault("delete", key, s.steps(key, "sync-dir"))
}

// Free implements store.Store.
func (s *Store) Free(context.Context) (int64, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return max(0, s.opt.CapacityBytes-s.used), s.opt.CapacityBytes > 0
}

// Sweep finds nothing: a write that fails leaves nothing here.
func (s *Store) Sweep(context.Context) (store.Swept, error) { return store.Swept{}, nil }
