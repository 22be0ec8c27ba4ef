package s3

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"

	"discsafe/worker/store"
)

// writeID is the metadata field with the random name of a write.
const writeID = "discsafe-write"

// condition of a write: match "" means that nothing may be there.
type condition struct{ match string }

func (c condition) headers() (ifMatch, ifNoneMatch *string) {
	if c.match == "" {
		return nil, aws.String("*")
	}
	return aws.String(c.match), nil
}

// refusal is what a write answers whose condition does not hold.
func (c condition) refusal() error {
	if c.match == "" {
		return &store.Error{Kind: store.ErrExists}
	}
	return &store.Error{Kind: store.ErrConflict}
}

// Put implements store.Store.
func (s *Store) Put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	info, err := s.put(ctx, key, r)
	return info, s.fault(ctx, "put", key, err)
}

func (s *Store) put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	if err := store.CheckKey(key); err != nil {
		return store.Info{}, err
	}
	if err := ctx.Err(); err != nil {
		return store.Info{}, err
	}
	buf := s.parts.Get().(*[]byte)
	n, rerr := store.Fill(r, *buf)
	if rerr != nil && rerr != io.EOF {
		s.parts.Put(buf)
		return store.Info{}, &store.SourceError{After: int64(n), Err: rerr}
	}
	if rerr == nil {
		return s.putParts(ctx, key, r, buf)
	}
	data := (*buf)[:n]
	if _, err := s.write(ctx, key, data, condition{}); err != nil {
		return store.Info{}, err // the buffer may still be read from: left to the collector
	}
	sum := sha256.Sum256(data)
	s.parts.Put(buf)
	return store.Info{Key: key, Size: int64(n), SHA256: hex.EncodeToString(sum[:])}, nil
}

// PutIfAbsent implements store.Store.
func (s *Store) PutIfAbsent(ctx context.Context, key string, data []byte) error {
	_, err := s.writeRecord(ctx, key, data, condition{})
	return s.fault(ctx, "put-if-absent", key, err)
}

// Swap implements store.Store.
func (s *Store) Swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	etag, err := s.writeRecord(ctx, key, data, condition{string(old)})
	if errors.Is(err, store.ErrExists) {
		err = &store.Error{Kind: store.ErrConflict, Err: errors.New("it exists and was expected not to")}
	}
	return store.Version(etag), s.fault(ctx, "swap", key, err)
}

func (s *Store) writeRecord(ctx context.Context, key string, data []byte, cond condition) (string, error) {
	if err := store.CheckKey(key); err != nil {
		return "", err
	}
	if len(data) > store.MaxRecordBytes {
		return "", &store.Error{Kind: store.ErrTooLarge, Err: fmt.Errorf("%d bytes, at most %d", len(data), store.MaxRecordBytes)}
	}
	return s.write(ctx, key, bytes.Clone(data), cond)
}

// write puts an object in one request if the condition holds, and returns its
// ETag. It keeps data.
func (s *Store) write(ctx context.Context, key string, data []byte, cond condition) (string, error) {
	id := rand.Text()
	for try := 0; ; try++ {
		etag, err := s.putObject(ctx, key, data, cond, id)
		if err == nil {
			return etag, nil
		}
		if folderClash(err) {
			return "", &store.Error{Kind: store.ErrKey, Err: err}
		}
		refused, again := verdict(err, cond)
		if !refused && !doubtful(err) || ctx.Err() != nil {
			return "", err
		}
		found, serr := s.settle(ctx, key, id)
		switch {
		case serr != nil:
			return "", errors.Join(err, serr)
		case found.ours:
			return found.etag, nil
		case again && try+1 < s.opt.MaxAttempts && (!found.there && cond.match == "" || found.there && found.etag == cond.match):
			// Somebody else was writing the same key, and did not finish.
			if err := s.pause(ctx, try); err != nil {
				return "", err
			}
		case refused:
			return "", cond.refusal()
		default:
			return "", err
		}
	}
}

// verdict says whether a write was refused for its condition, and whether that
// may be because of another write under way (409).
func verdict(err error, cond condition) (refused, again bool) {
	switch status(err) {
	case http.StatusPreconditionFailed:
		return true, false
	case http.StatusConflict:
		return true, true
	case http.StatusNotFound: // If-Match on what is gone
		return cond.match != "" && code(err) != "NoSuchBucket", false
	}
	return false, false
}

// folderClash says that the key is the folder of another, or below one: servers
// that keep objects as files tell it by a 409 of their own.
func folderClash(err error) bool {
	switch code(err) {
	case "ObjectParentIsFile", "ExistingObjectIsDirectory":
		return true
	}
	return false
}

// doubtful says that a write may have happened in spite of the error.
func doubtful(err error) bool {
	st := status(err)
	return st == 0 || st >= 500
}

func (s *Store) putObject(ctx context.Context, key string, data []byte, cond condition, id string) (string, error) {
	ctx, cancel := s.limited(ctx)
	defer cancel()
	in := &s3.PutObjectInput{
		Bucket: s.bucket(), Key: s.name(key), Body: bytes.NewReader(data),
		ContentLength: aws.Int64(int64(len(data))), Metadata: map[string]string{writeID: id},
	}
	in.IfMatch, in.IfNoneMatch = cond.headers()
	out, err := s.client.PutObject(ctx, in)
	if err != nil {
		return "", err
	}
	return aws.ToString(out.ETag), nil
}

// found is what lies under a key.
type found struct {
	there, ours bool
	etag        string
	size        int64
	modified    time.Time
}

// settle looks whether what lies under a key was written by the write called id.
func (s *Store) settle(ctx context.Context, key, id string) (found, error) {
	ctx, cancel := s.limited(ctx)
	defer cancel()
	out, err := s.client.HeadObject(ctx, &s3.HeadObjectInput{Bucket: s.bucket(), Key: s.name(key)})
	if status(err) == http.StatusNotFound {
		return found{}, nil
	}
	if err != nil {
		return found{}, err
	}
	return found{
		there: true, ours: id != "" && out.Metadata[writeID] == id, etag: aws.ToString(out.ETag),
		size: aws.ToInt64(out.ContentLength), modified: aws.ToTime(out.LastModified),
	}, nil
}

// Delete implements store.Store.
func (s *Store) Delete(ctx context.Context, key string) error {
	if err := store.CheckKey(key); err != nil {
		return s.fault(ctx, "delete", key, err)
	}
	return s.fault(ctx, "delete", key, s.remove(ctx, key))
}

func (s *Store) remove(ctx context.Context, key string) error {
	ctx, cancel := s.limited(ctx)
	defer cancel()
	_, err := s.client.DeleteObject(ctx, &s3.DeleteObjectInput{Bucket: s.bucket(), Key: s.name(key)})
	if status(err) == http.StatusNotFound && code(err) != "NoSuchBucket" {
		return nil
	}
	return err
}
