package intake

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/tus/tusd/v2/pkg/filestore"
	"github.com/tus/tusd/v2/pkg/handler"

	v1 "discsafe/api/v1"
)

// tusFiles keeps uploads in files, a folder for each studio.
type tusFiles struct{ in *Intake }

func (t tusFiles) at(studio string) filestore.FileStore {
	s := filestore.New(t.in.uploadDir(studio))
	s.DirModePerm, s.FileModePerm = dirMode, fileMode
	return s
}

// NewUpload implements handler.DataStore.
func (t tusFiles) NewUpload(ctx context.Context, info handler.FileInfo) (handler.Upload, error) {
	c := callOf(ctx)
	u, err := t.create(ctx, c, info)
	if err != nil {
		c.problem = err
	}
	return u, err
}

func (t tusFiles) create(ctx context.Context, c *call, info handler.FileInfo) (handler.Upload, error) {
	in := t.in
	var kept int64
	if in.limits.PerStudioBytes > 0 {
		var err error
		if kept, err = in.kept(ctx, c.studio); err != nil {
			return nil, err
		}
	}
	in.creating.Lock()
	defer in.creating.Unlock()
	n, announced, err := in.openUploads(c.studio)
	if err != nil {
		return nil, err
	}
	if limit := in.limits.PerStudioUploads; limit > 0 && n >= limit {
		p := v1.NewProblem(v1.TooMany, fmt.Sprintf("%d uploads of this studio are under way", limit)).After(fullPause)
		p.Hint = "finish or delete one first"
		return nil, p
	}
	if quota := in.limits.PerStudioBytes; quota > 0 && kept+announced+info.Size > quota {
		return nil, overQuota(quota)
	}
	u, err := t.at(c.studio).NewUpload(ctx, info)
	if err != nil {
		return nil, errors.Join(err, in.removeUpload(c.studio, info.ID))
	}
	c.created, c.expires = true, in.now().Add(in.limits.UploadTTL)
	return &tusUpload{u, in, c.studio, info.ID}, nil
}

// GetUpload implements handler.DataStore. That the upload is there, and the
// sender's, has been seen before; it may have ended while the lock was waited
// for.
func (t tusFiles) GetUpload(ctx context.Context, id string) (handler.Upload, error) {
	c := callOf(ctx)
	if _, err := t.in.readUpload(c.studio, id); errors.Is(err, errNoUpload) {
		return nil, handler.ErrNotFound
	}
	u, err := t.at(c.studio).GetUpload(ctx, id)
	if err != nil {
		if !errors.Is(err, handler.ErrNotFound) {
			c.problem = err
		}
		return nil, err
	}
	return &tusUpload{u, t.in, c.studio, id}, nil
}

// AsTerminatableUpload implements handler.TerminaterDataStore.
func (t tusFiles) AsTerminatableUpload(u handler.Upload) handler.TerminatableUpload {
	return u.(*tusUpload)
}

type tusUpload struct {
	handler.Upload
	in         *Intake
	studio, id string
}

// WriteChunk appends, and makes durable what it will say was written: the tus
// file store does not.
func (u *tusUpload) WriteChunk(ctx context.Context, offset int64, src io.Reader) (int64, error) {
	c := callOf(ctx)
	n, err := u.Upload.WriteChunk(ctx, offset, src)
	if n > 0 {
		if serr := syncPath(u.in.bytesPath(u.studio, u.id)); err == nil {
			err = serr
		}
	}
	if err != nil {
		c.problem = err
	}
	c.expires = u.in.now().Add(u.in.limits.UploadTTL)
	return n, err
}

// Terminate deletes the upload.
func (u *tusUpload) Terminate(context.Context) error { return u.in.removeUpload(u.studio, u.id) }

// tusLocker locks uploads among requests and processes.
type tusLocker struct{ in *Intake }

// NewLock implements handler.Locker.
func (t tusLocker) NewLock(id string) (handler.Lock, error) { return &tusLock{in: t.in, id: id}, nil }

type tusLock struct {
	in     *Intake
	id     string
	unlock func()
}

// Lock implements handler.Lock.
func (l *tusLock) Lock(ctx context.Context, release func()) error {
	studio, _ := studioOfUpload(l.id)
	unlock, err := l.in.lockUpload(ctx, studio, l.id, release)
	switch {
	case errors.Is(err, errNoUpload):
		return handler.ErrNotFound
	case errors.Is(err, errBusy):
		return handler.ErrLockTimeout
	case err != nil:
		if c := callOf(ctx); c != nil {
			c.problem = err
		}
		return err
	}
	l.unlock = unlock
	return nil
}

// Unlock implements handler.Lock.
func (l *tusLock) Unlock() error {
	l.unlock()
	return nil
}
