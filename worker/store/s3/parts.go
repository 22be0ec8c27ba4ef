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
	"slices"
	"strings"
	"sync"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"

	"discsafe/worker/store"
)

// upload is a big object under way, in parts of equal size but the last: some
// servers insist on that.
type upload struct {
	s      *Store
	key    string
	id     *string
	ctx    context.Context // ends at the first part that fails
	cancel context.CancelCauseFunc
	slots  chan struct{}
	wg     sync.WaitGroup

	mu   sync.Mutex
	done []types.CompletedPart
}

// putParts uploads first, which is full, and what r still holds.
func (s *Store) putParts(ctx context.Context, key string, r io.Reader, first *[]byte) (store.Info, error) {
	// Not to send a whole mix only to see it refused; complete decides.
	switch there, err := s.settle(ctx, key, ""); {
	case err != nil:
		s.parts.Put(first)
		return store.Info{}, err
	case there.there:
		s.parts.Put(first)
		return store.Info{}, condition{}.refusal()
	}
	write := rand.Text()
	u, err := s.begin(ctx, key, write)
	if err != nil {
		s.parts.Put(first)
		return store.Info{}, err
	}
	size, sum, err := u.send(r, first)
	u.wg.Wait()
	if cause := context.Cause(u.ctx); cause != nil && ctx.Err() == nil {
		err = cause // the part that failed first, not what followed from it
	}
	u.cancel(nil)
	if err == nil {
		err = u.complete(ctx, write)
	}
	if err != nil {
		return store.Info{}, u.abort(ctx, err)
	}
	return store.Info{Key: key, Size: size, SHA256: sum}, nil
}

func (s *Store) begin(ctx context.Context, key, write string) (*upload, error) {
	rctx, cancel := s.limited(ctx)
	defer cancel()
	out, err := s.client.CreateMultipartUpload(rctx, &s3.CreateMultipartUploadInput{
		Bucket: s.bucket(), Key: s.name(key), Metadata: map[string]string{writeID: write},
	})
	if err != nil {
		return nil, err
	}
	u := &upload{s: s, key: key, id: out.UploadId, slots: make(chan struct{}, s.opt.Uploads)}
	u.ctx, u.cancel = context.WithCancelCause(ctx)
	return u, nil
}

// send reads r to its end, hands parts to goroutines and hashes on the way.
func (u *upload) send(r io.Reader, buf *[]byte) (size int64, sum string, err error) {
	h := sha256.New()
	n, ended := len(*buf), false
	for number := int32(1); n > 0; number++ {
		if number > maxParts {
			return 0, "", &store.Error{Kind: store.ErrTooLarge, Err: fmt.Errorf("more than %d parts of %d bytes", maxParts, u.s.opt.PartBytes), Hint: "set greater parts"}
		}
		h.Write((*buf)[:n])
		size += int64(n)
		select {
		case u.slots <- struct{}{}:
		case <-u.ctx.Done():
			return 0, "", u.ctx.Err()
		}
		part, data := buf, (*buf)[:n]
		u.wg.Go(func() {
			defer func() { <-u.slots }()
			if err := u.sendPart(number, data); err != nil {
				u.cancel(err)
				return // the buffer may still be read from: left to the collector
			}
			u.s.parts.Put(part)
		})
		if ended {
			break
		}
		buf = u.s.parts.Get().(*[]byte)
		n, err = store.Fill(r, *buf)
		if err != nil && err != io.EOF {
			return 0, "", &store.SourceError{After: size + int64(n), Err: err}
		}
		ended = err == io.EOF
	}
	return size, hex.EncodeToString(h.Sum(nil)), nil
}

func (u *upload) sendPart(number int32, data []byte) error {
	ctx, cancel := u.s.limited(u.ctx)
	defer cancel()
	out, err := u.s.client.UploadPart(ctx, &s3.UploadPartInput{
		Bucket: u.s.bucket(), Key: u.s.name(u.key), UploadId: u.id, PartNumber: aws.Int32(number),
		Body: bytes.NewReader(data), ContentLength: aws.Int64(int64(len(data))),
	})
	if err != nil {
		return err
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	u.done = append(u.done, types.CompletedPart{ETag: out.ETag, PartNumber: aws.Int32(number)})
	return nil
}

// complete makes the object appear unless something has its key. A refusal for a
// write of somebody else under way (409) is tried again: the parts stay.
func (u *upload) complete(ctx context.Context, write string) error {
	slices.SortFunc(u.done, func(a, b types.CompletedPart) int { return int(*a.PartNumber - *b.PartNumber) })
	for try := 0; ; try++ {
		err := u.completeOnce(ctx)
		if err == nil {
			return nil
		}
		if folderClash(err) {
			return &store.Error{Kind: store.ErrKey, Err: err}
		}
		refused, again := verdict(err, condition{})
		gone := status(err) == http.StatusNotFound // by a completion whose answer was lost
		if !refused && !gone && !doubtful(err) || ctx.Err() != nil {
			return err
		}
		found, serr := u.s.settle(ctx, u.key, write)
		switch {
		case serr != nil:
			return errors.Join(err, serr)
		case found.ours:
			return nil
		case again && !found.there && try+1 < u.s.opt.MaxAttempts:
			if err := u.s.pause(ctx, try); err != nil {
				return err
			}
		case refused || found.there:
			return condition{}.refusal()
		case gone:
			return &store.Error{Kind: store.ErrUnavailable, Err: err, Hint: "the upload was swept away: try again"}
		default:
			return err
		}
	}
}

func (u *upload) completeOnce(ctx context.Context) error {
	ctx, cancel := u.s.limited(ctx)
	defer cancel()
	_, err := u.s.client.CompleteMultipartUpload(ctx, &s3.CompleteMultipartUploadInput{
		Bucket: u.s.bucket(), Key: u.s.name(u.key), UploadId: u.id, IfNoneMatch: aws.String("*"),
		MultipartUpload: &types.CompletedMultipartUpload{Parts: u.done},
	})
	return err
}

// abort removes the parts, also after ctx has ended, and returns why, with the
// note that parts stay if they do.
func (u *upload) abort(ctx context.Context, why error) error {
	actx, cancel := u.s.limited(context.WithoutCancel(ctx))
	defer cancel()
	_, err := u.s.client.AbortMultipartUpload(actx, &s3.AbortMultipartUploadInput{Bucket: u.s.bucket(), Key: u.s.name(u.key), UploadId: u.id})
	if err == nil || status(err) == http.StatusNotFound {
		return why
	}
	return errors.Join(why, fmt.Errorf("parts of the upload stay until swept: %w", err))
}

// Sweep aborts uploads, and removes trial objects, older than AbandonAfter. Servers that list an
// upload only under its whole key hide them from it; there a lifecycle rule of
// the bucket must do it.
func (s *Store) Sweep(ctx context.Context) (store.Swept, error) {
	swept, err := s.sweep(ctx)
	return swept, s.fault(ctx, "sweep", s.opt.Prefix, err)
}

func (s *Store) sweep(ctx context.Context) (store.Swept, error) {
	var swept store.Swept
	before := s.opt.Now().Add(-s.opt.AbandonAfter)
	in := &s3.ListMultipartUploadsInput{Bucket: s.bucket()}
	if s.opt.Prefix != "" {
		in.Prefix = aws.String(s.opt.Prefix)
	}
	for {
		out, err := s.listUploads(ctx, in)
		if err != nil {
			return swept, err
		}
		for _, up := range out.Uploads {
			if up.Initiated == nil || !up.Initiated.Before(before) {
				continue
			}
			if err := s.abandon(ctx, up); err != nil {
				return swept, err
			}
			swept.Removed++
		}
		if !aws.ToBool(out.IsTruncated) {
			break
		}
		in.KeyMarker, in.UploadIdMarker = out.NextKeyMarker, out.NextUploadIdMarker
	}
	probes, err := s.listPage(ctx, &s3.ListObjectsV2Input{Bucket: s.bucket(), Prefix: s.name(probeDir)})
	if err != nil {
		return swept, err
	}
	for _, o := range probes.Contents {
		if !aws.ToTime(o.LastModified).Before(before) {
			continue
		}
		if err := s.remove(ctx, strings.TrimPrefix(aws.ToString(o.Key), s.opt.Prefix)); err != nil {
			return swept, err
		}
		swept.Removed++
		swept.Bytes += aws.ToInt64(o.Size)
	}
	return swept, nil
}

func (s *Store) listUploads(ctx context.Context, in *s3.ListMultipartUploadsInput) (*s3.ListMultipartUploadsOutput, error) {
	ctx, cancel := s.limited(ctx)
	defer cancel()
	return s.client.ListMultipartUploads(ctx, in)
}

func (s *Store) abandon(ctx context.Context, up types.MultipartUpload) error {
	ctx, cancel := s.limited(ctx)
	defer cancel()
	_, err := s.client.AbortMultipartUpload(ctx, &s3.AbortMultipartUploadInput{Bucket: s.bucket(), Key: up.Key, UploadId: up.UploadId})
	if status(err) == http.StatusNotFound {
		return nil
	}
	return err
}
