package dir

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"discsafe/worker/store"
)

// Open implements store.Store. A record is read at once; a big object keeps its
// file open.
func (s *Store) Open(ctx context.Context, key string) (store.Object, error) {
	o, err := s.open(ctx, key)
	if err != nil {
		return nil, fault("open", key, err)
	}
	return o, nil
}

// Stat implements store.Store. The version of a record costs reading it.
func (s *Store) Stat(ctx context.Context, key string) (store.Info, error) {
	info, err := s.stat(ctx, key)
	return info, fault("stat", key, err)
}

func (s *Store) stat(ctx context.Context, key string) (store.Info, error) {
	o, err := s.open(ctx, key)
	if err != nil {
		return store.Info{}, err
	}
	return o.Info(), o.Close()
}

func (s *Store) open(ctx context.Context, key string) (store.Object, error) {
	if err := store.CheckKey(key); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := s.step("open", key); err != nil {
		return nil, err
	}
	// Looking first, because opening what is no file could wait for ever.
	switch there, err := s.root.Lstat(key); {
	case absent(err):
		return nil, &store.Error{Kind: store.ErrNotFound}
	case err != nil:
		return nil, err
	case !there.Mode().IsRegular():
		return nil, &store.Error{Kind: store.ErrNotFound, Err: fmt.Errorf("there is a %s, not a file", kind(there.Mode()))}
	}
	f, err := s.root.Open(key)
	if absent(err) {
		return nil, &store.Error{Kind: store.ErrNotFound}
	}
	if err != nil {
		return nil, err
	}
	o, err := s.opened(ctx, key, f)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return o, nil
}

func kind(m os.FileMode) string {
	if m.IsDir() {
		return "folder"
	}
	return "special file or link"
}

func (s *Store) opened(ctx context.Context, key string, f *os.File) (store.Object, error) {
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !st.Mode().IsRegular() {
		return nil, &store.Error{Kind: store.ErrNotFound, Err: fmt.Errorf("there is a %s, not a file", kind(st.Mode()))}
	}
	info := store.Info{Key: key, Size: st.Size(), Modified: st.ModTime()}
	if info.Size > store.MaxRecordBytes {
		return &object{ctx: ctx, s: s, info: info, f: f}, nil
	}
	if err := s.step("read", key); err != nil {
		return nil, err
	}
	data := make([]byte, info.Size)
	if _, err := io.ReadFull(f, data); err != nil {
		if short(err) {
			return nil, shorter(info)
		}
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	info.Version = version(data)
	return store.Held(ctx, info, data), nil
}

func version(data []byte) store.Version {
	sum := sha256.Sum256(data)
	return store.Version(hex.EncodeToString(sum[:]))
}

func short(err error) bool { return err == io.EOF || err == io.ErrUnexpectedEOF }

func shorter(info store.Info) error {
	return &store.Error{Op: "read", Key: info.Key, Kind: store.ErrDamaged, Err: fmt.Errorf("the file has become shorter than %d bytes", info.Size)}
}

// object is a big object: its open file. What is deleted stays readable.
type object struct {
	ctx  context.Context
	s    *Store
	info store.Info
	f    *os.File
	pos  int64
}

func (o *object) Info() store.Info { return o.info }

func (o *object) ready() error {
	if err := o.ctx.Err(); err != nil {
		return fault("read", o.info.Key, err)
	}
	return fault("read", o.info.Key, o.s.step("read", o.info.Key))
}

func (o *object) Read(p []byte) (int, error) {
	n, err := o.ReadAt(p, o.pos)
	o.pos += int64(n)
	if n > 0 {
		err = nil // told at the next call, if it stays
	}
	return n, err
}

func (o *object) ReadAt(p []byte, off int64) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if err := o.ready(); err != nil {
		return 0, err
	}
	if off < 0 {
		return 0, fault("read", o.info.Key, fmt.Errorf("offset %d", off))
	}
	if off >= o.info.Size {
		return 0, io.EOF
	}
	n, err := o.f.ReadAt(p[:min(int64(len(p)), o.info.Size-off)], off)
	switch {
	case err == io.EOF && off+int64(n) < o.info.Size:
		return n, shorter(o.info)
	case err != nil && err != io.EOF:
		return n, fault("read", o.info.Key, err)
	case n < len(p):
		return n, io.EOF
	}
	return n, nil
}

func (o *object) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekStart:
	case io.SeekCurrent:
		offset += o.pos
	case io.SeekEnd:
		offset += o.info.Size
	default:
		return 0, fault("seek", o.info.Key, fmt.Errorf("whence %d", whence))
	}
	if offset < 0 {
		return 0, fault("seek", o.info.Key, fmt.Errorf("offset %d", offset))
	}
	o.pos = offset
	return offset, nil
}

func (o *object) Close() error { return fault("close", o.info.Key, o.f.Close()) }

// List implements store.Store. Each call reads the folders it passes through, so
// a page costs as much as its folders have entries.
func (s *Store) List(ctx context.Context, prefix, after string, limit int) ([]store.Info, error) {
	if err := store.CheckPrefix(prefix); err != nil {
		return nil, fault("list", prefix, err)
	}
	if limit < 1 {
		return nil, fault("list", prefix, fmt.Errorf("limit %d is below 1", limit))
	}
	l := lister{ctx: ctx, s: s, prefix: prefix, after: after, limit: limit}
	err := l.folder(prefix[:strings.LastIndexByte(prefix, '/')+1])
	if err != nil {
		return nil, fault("list", prefix, err)
	}
	return l.found, nil
}

type lister struct {
	ctx           context.Context
	s             *Store
	prefix, after string
	limit         int
	found         []store.Info
}

// folder lists what is in one folder, named with its final slash, and below.
func (l *lister) folder(folder string) error {
	entries, err := l.entries(folder)
	if err != nil {
		return err
	}
	for _, full := range entries {
		if len(l.found) == l.limit {
			return nil
		}
		if strings.HasSuffix(full, "/") {
			if err := l.folder(full); err != nil {
				return err
			}
			continue
		}
		st, err := l.s.root.Lstat(full)
		if absent(err) || err == nil && !st.Mode().IsRegular() {
			continue
		}
		if err != nil {
			return err
		}
		l.found = append(l.found, store.Info{Key: full, Size: st.Size(), Modified: st.ModTime()})
	}
	return nil
}

// entries returns keys, and folders with a slash at the end, that may hold what
// is looked for. With the slash they sort as the keys below do: "a-b" comes
// before "a/b".
func (l *lister) entries(folder string) ([]string, error) {
	if err := l.ctx.Err(); err != nil {
		return nil, err
	}
	if err := l.s.step("list", folder); err != nil {
		return nil, err
	}
	d, err := l.s.root.Open(cmp.Or(strings.TrimSuffix(folder, "/"), "."))
	if absent(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer d.Close()
	if st, err := d.Stat(); err != nil || !st.IsDir() {
		return nil, err
	}
	var names []string
	for {
		batch, err := d.ReadDir(1024)
		for _, e := range batch {
			full := folder + e.Name()
			if store.CheckKey(full) != nil { // ours, or nobody's
				continue
			}
			switch {
			case e.IsDir():
				full += "/"
				below := strings.HasPrefix(full, l.prefix) || strings.HasPrefix(l.prefix, full)
				if below && (l.after < full || strings.HasPrefix(l.after, full)) {
					names = append(names, full)
				}
			case e.Type().IsRegular() && strings.HasPrefix(full, l.prefix) && full > l.after:
				names = append(names, full)
			}
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			if absent(err) {
				break
			}
			return nil, err
		}
	}
	slices.Sort(names)
	return names, nil
}
