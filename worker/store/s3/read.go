package s3

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/s3"

	"discsafe/worker/store"
)

// Stat implements store.Store.
func (s *Store) Stat(ctx context.Context, key string) (store.Info, error) {
	if err := store.CheckKey(key); err != nil {
		return store.Info{}, s.fault(ctx, "stat", key, err)
	}
	f, err := s.settle(ctx, key, "")
	if err == nil && !f.there {
		err = &store.Error{Kind: store.ErrNotFound}
	}
	if err != nil {
		return store.Info{}, s.fault(ctx, "stat", key, err)
	}
	return describe(key, f), nil
}

func describe(key string, f found) store.Info {
	info := store.Info{Key: key, Size: f.size, Modified: f.modified}
	if f.size <= store.MaxRecordBytes {
		info.Version = store.Version(f.etag)
	}
	return info
}

// Open implements store.Store. A record is read at once, in one request. A big
// object is streamed from where it is read; a jump costs a request, so does each
// ReadAt.
func (s *Store) Open(ctx context.Context, key string) (store.Object, error) {
	o, err := s.open(ctx, key)
	if err != nil {
		return nil, s.fault(ctx, "open", key, err)
	}
	return o, nil
}

func (s *Store) open(ctx context.Context, key string) (store.Object, error) {
	if err := store.CheckKey(key); err != nil {
		return nil, err
	}
	body, f, err := s.get(ctx, key, 0, -1, "")
	if err != nil {
		return nil, err
	}
	o := &object{ctx: ctx, s: s, info: describe(key, f), etag: f.etag, body: body}
	if o.info.Size > store.MaxRecordBytes {
		return o, nil
	}
	data := make([]byte, o.info.Size)
	_, err = io.ReadFull(o, data)
	if err := errors.Join(err, o.Close()); err != nil {
		return nil, err
	}
	return store.Held(ctx, o.info, data), nil
}

// get asks for length bytes from off, -1: to the end. With an etag only if the
// object still has it.
func (s *Store) get(ctx context.Context, key string, off, length int64, etag string) (*stream, found, error) {
	in := &s3.GetObjectInput{Bucket: s.bucket(), Key: s.name(key)}
	ranged := off > 0 || length >= 0
	switch {
	case length >= 0:
		in.Range = aws.String(fmt.Sprintf("bytes=%d-%d", off, off+length-1))
	case off > 0:
		in.Range = aws.String(fmt.Sprintf("bytes=%d-", off))
	}
	if etag != "" {
		in.IfMatch = aws.String(etag)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	b := &stream{limit: s.opt.StallTimeout, cancel: cancel}
	b.watch = time.AfterFunc(s.opt.RequestTimeout, func() { cancel(errStalled) })
	out, err := s.client.GetObject(ctx, in)
	b.watch.Stop()
	if err != nil {
		cancel(nil)
		if status(err) == http.StatusPreconditionFailed {
			err = &store.Error{Kind: store.ErrConflict, Err: errors.New("replaced while it was read")}
		}
		return nil, found{}, err
	}
	b.body = out.Body
	fault := ""
	if out.ContentLength == nil {
		fault = "an answer without a length"
	} else if want := fmt.Sprintf("bytes %d-", off); ranged && !strings.HasPrefix(aws.ToString(out.ContentRange), want) {
		fault = fmt.Sprintf("asked for %s, got range %q", *in.Range, aws.ToString(out.ContentRange))
	}
	if fault != "" {
		return nil, found{}, errors.Join(errors.New(fault), b.Close())
	}
	return b, found{there: true, etag: aws.ToString(out.ETag), size: *out.ContentLength, modified: aws.ToTime(out.LastModified)}, nil
}

var errStalled = errors.New("no byte came in time")

// stream is a body that is given up when nothing comes for limit.
type stream struct {
	body   io.ReadCloser
	limit  time.Duration
	watch  *time.Timer
	cancel context.CancelCauseFunc
}

func (b *stream) Read(p []byte) (int, error) {
	b.watch.Reset(b.limit)
	n, err := b.body.Read(p)
	b.watch.Stop()
	return n, err
}

func (b *stream) Close() error {
	b.watch.Stop()
	b.cancel(nil)
	_ = b.body.Close() // of a body given up on: says only that
	return nil
}

// object is a big object, or a record while it is fetched.
type object struct {
	ctx  context.Context
	s    *Store
	info store.Info
	etag string
	pos  int64

	body   *stream // nil: none open
	at     int64   // where body stands
	closed bool
}

func (o *object) Info() store.Info { return o.info }

func (o *object) fault(err error) error { return o.s.fault(o.ctx, "read", o.info.Key, err) }

// skipBytes is how far a jump forward is read over rather than asked for anew.
const skipBytes = 128 << 10

func (o *object) Read(p []byte) (int, error) {
	if o.closed {
		return 0, o.fault(errClosed)
	}
	if len(p) == 0 {
		return 0, nil
	}
	for try := 0; ; try++ {
		if err := o.ctx.Err(); err != nil {
			return 0, o.fault(err)
		}
		if o.pos >= o.info.Size {
			return 0, io.EOF
		}
		n, err := o.readOnce(p)
		if n > 0 {
			return n, nil // an error is met again at the next call
		}
		var final *store.Error
		if errors.As(err, &final) || status(err) >= 400 && status(err) < 500 || try+1 >= o.s.opt.MaxAttempts {
			return 0, o.fault(err)
		}
		if err := o.s.pause(o.ctx, try); err != nil {
			return 0, o.fault(err)
		}
	}
}

// readOnce reads from the body, opening one at the position if there is none.
func (o *object) readOnce(p []byte) (int, error) {
	if ahead := o.pos - o.at; o.body != nil && ahead != 0 {
		if ahead < 0 || ahead > skipBytes {
			o.drop()
		} else if _, err := io.CopyN(io.Discard, o.body, ahead); err != nil {
			o.drop()
		} else {
			o.at = o.pos
		}
	}
	if o.body == nil {
		body, _, err := o.s.get(o.ctx, o.info.Key, o.pos, -1, o.etag)
		if err != nil {
			return 0, err
		}
		o.body, o.at = body, o.pos
	}
	p = p[:min(int64(len(p)), o.info.Size-o.pos)]
	n, err := o.body.Read(p)
	o.pos += int64(n)
	o.at = o.pos
	if err != nil {
		o.drop()
		if err == io.EOF && o.pos < o.info.Size {
			err = io.ErrUnexpectedEOF
		}
	}
	return n, err
}

func (o *object) drop() {
	_ = o.body.Close()
	o.body = nil
}

// ReadAt asks for just these bytes.
func (o *object) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, o.fault(&local{fmt.Errorf("offset %d", off)})
	}
	if len(p) == 0 {
		return 0, nil
	}
	want := p[:max(0, min(int64(len(p)), o.info.Size-off))]
	total := 0
	for try := 0; total < len(want); try++ {
		n, err := o.readRange(want[total:], off+int64(total))
		total += n
		if n > 0 {
			try = 0
		}
		if err == nil {
			continue
		}
		var final *store.Error
		if errors.As(err, &final) || status(err) >= 400 && status(err) < 500 || try+1 >= o.s.opt.MaxAttempts || o.ctx.Err() != nil {
			return total, o.fault(err)
		}
		if err := o.s.pause(o.ctx, try); err != nil {
			return total, o.fault(err)
		}
	}
	if total < len(p) {
		return total, io.EOF
	}
	return total, nil
}

func (o *object) readRange(p []byte, off int64) (int, error) {
	body, _, err := o.s.get(o.ctx, o.info.Key, off, int64(len(p)), o.etag)
	if err != nil {
		return 0, err
	}
	n, err := store.Fill(body, p)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return n, errors.Join(err, body.Close())
}

func (o *object) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekStart:
	case io.SeekCurrent:
		offset += o.pos
	case io.SeekEnd:
		offset += o.info.Size
	default:
		return 0, o.fault(&local{fmt.Errorf("seek from %d", whence)})
	}
	if offset < 0 {
		return 0, o.fault(&local{fmt.Errorf("seek to offset %d", offset)})
	}
	o.pos = offset
	return offset, nil
}

var errClosed = &store.Error{Err: errors.New("closed")}

func (o *object) Close() error {
	o.closed = true
	if o.body != nil {
		o.drop()
	}
	return nil
}

// List implements store.Store.
func (s *Store) List(ctx context.Context, prefix, after string, limit int) ([]store.Info, error) {
	infos, err := s.list(ctx, prefix, after, limit)
	return infos, s.fault(ctx, "list", prefix, err)
}

// pageKeys is the most the protocol gives in one answer.
const pageKeys = 1000

func (s *Store) list(ctx context.Context, prefix, after string, limit int) ([]store.Info, error) {
	if err := store.CheckPrefix(prefix); err != nil {
		return nil, err
	}
	if limit < 1 {
		return nil, &local{fmt.Errorf("limit %d is below 1", limit)}
	}
	in := &s3.ListObjectsV2Input{Bucket: s.bucket()}
	if p := s.opt.Prefix + prefix; p != "" {
		in.Prefix = aws.String(p)
	}
	if after != "" {
		in.StartAfter = aws.String(s.opt.Prefix + startAfter(after))
	}
	var infos []store.Info
	for {
		in.MaxKeys = aws.Int32(int32(min(pageKeys, limit-len(infos))))
		out, err := s.listPage(ctx, in)
		if err != nil {
			return nil, err
		}
		for _, o := range out.Contents {
			key := strings.TrimPrefix(aws.ToString(o.Key), s.opt.Prefix)
			if store.CheckKey(key) != nil || key <= after { // nobody's
				continue
			}
			infos = append(infos, store.Info{Key: key, Size: aws.ToInt64(o.Size), Modified: aws.ToTime(o.LastModified)})
		}
		if len(infos) >= limit || !aws.ToBool(out.IsTruncated) {
			return infos, nil
		}
		in.ContinuationToken = out.NextContinuationToken
	}
}

func (s *Store) listPage(ctx context.Context, in *s3.ListObjectsV2Input) (*s3.ListObjectsV2Output, error) {
	ctx, cancel := s.limited(ctx)
	defer cancel()
	return s.client.ListObjectsV2(ctx, in)
}

// startAfter is a string of bytes that every server takes, with the same keys
// before and after it as after has: a cursor may come from anywhere.
func startAfter(after string) string {
	after = after[:min(len(after), store.MaxKeyBytes)]
	for i := range len(after) {
		switch c := after[i]; {
		case c <= ' ':
			return after[:i]
		case c > '~':
			return after[:i] + "~"
		}
	}
	return after
}
