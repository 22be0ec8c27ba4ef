// Package s3 is the store driver on an object store that speaks the S3 protocol
// and honours conditional writes: If-None-Match and If-Match on PutObject,
// If-None-Match on CompleteMultipartUpload. One that silently ignores them would
// overwrite results, so Open tries them out and refuses it.
//
// Enter at Open. Records go in one request; big objects in parts, so that memory
// is PartBytes times a few. Every write carries a random name of its own in the
// metadata: when an answer is lost, or a repetition of ours meets what we have
// written ourselves, reading it back tells whether it was us (settle, in
// write.go). Bodies are signed with their SHA-256, so no damage on the way in is
// accepted; what is read is held against the manifest by whoever reads.
//
// A version is an ETag.
package s3

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/aws/retry"
	"github.com/aws/aws-sdk-go-v2/config"
	"github.com/aws/aws-sdk-go-v2/credentials"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/smithy-go"
	smithyhttp "github.com/aws/smithy-go/transport/http"

	"discsafe/worker/store"
)

// Limits of the protocol.
const (
	minPartBytes = 5 << 20
	maxParts     = 10_000
)

// Defaults of Options.
const (
	DefaultPartBytes      = 8 << 20 // objects up to 80 GB
	DefaultUploads        = 2
	DefaultMaxAttempts    = 5
	DefaultMaxBackoff     = 10 * time.Second
	DefaultRequestTimeout = 2 * time.Minute
	DefaultStallTimeout   = 30 * time.Second
	DefaultAbandonAfter   = 24 * time.Hour
)

// Secret is a string that is not printed.
type Secret string

func (Secret) String() string { return "[secret]" }

// GoString hides it from %#v.
func (Secret) GoString() string { return "[secret]" }

// MarshalText hides it from JSON, YAML and slog.
func (Secret) MarshalText() ([]byte, error) { return []byte("[secret]"), nil }

// Options of a store on an object store. Zero values mean the defaults.
type Options struct {
	Bucket string // must exist
	// Prefix of all keys in the bucket, "" or ending in "/".
	Prefix string
	// Endpoint as URL; "" is that of the region.
	Endpoint string
	Region   string // "" asks the environment, then us-east-1
	// PathStyle puts the bucket into the path, not into the host name.
	PathStyle bool
	// Credentials; without them those of the environment are taken.
	AccessKeyID     string
	SecretAccessKey Secret
	SessionToken    Secret

	PartBytes   int64 // of one part, at least 5 MiB
	Uploads     int   // parts of one Put that are under way at once
	MaxAttempts int   // of one request
	MaxBackoff  time.Duration
	// RequestTimeout bounds a request with its repetitions, but not the reading
	// of a body: that is bounded by StallTimeout without a byte.
	RequestTimeout time.Duration
	StallTimeout   time.Duration
	// AbandonAfter is the age from which Sweep takes an open upload for
	// abandoned, by Now (time.Now). It must exceed the longest upload.
	AbandonAfter time.Duration
	Now          func() time.Time
	// HTTPClient makes the requests; nil is the client of the library.
	HTTPClient aws.HTTPClient
}

// Store is an object store. Make one with Open.
type Store struct {
	opt    Options
	client *s3.Client
	parts  sync.Pool // *[]byte of PartBytes
}

var (
	_ store.Store   = (*Store)(nil)
	_ store.Sweeper = (*Store)(nil)
)

func (o Options) withDefaults() (Options, error) {
	if o.Bucket == "" {
		return o, errors.New("no bucket named")
	}
	if o.Prefix != "" {
		if err := store.CheckPrefix(o.Prefix); err != nil {
			return o, err
		}
		if !strings.HasSuffix(o.Prefix, "/") {
			return o, fmt.Errorf("prefix %q does not end in /", o.Prefix)
		}
	}
	if (o.AccessKeyID == "") != (o.SecretAccessKey == "") {
		return o, errors.New("access key id and secret access key: one is given without the other")
	}
	if o.PartBytes != 0 && o.PartBytes < minPartBytes {
		return o, fmt.Errorf("parts of %d bytes, at least %d are needed", o.PartBytes, minPartBytes)
	}
	if o.Uploads < 0 || o.MaxAttempts < 0 || o.MaxBackoff < 0 || o.RequestTimeout < 0 || o.StallTimeout < 0 || o.AbandonAfter < 0 {
		return o, errors.New("a negative option")
	}
	setDefault(&o.PartBytes, DefaultPartBytes)
	setDefault(&o.Uploads, DefaultUploads)
	setDefault(&o.MaxAttempts, DefaultMaxAttempts)
	setDefault(&o.MaxBackoff, DefaultMaxBackoff)
	setDefault(&o.RequestTimeout, DefaultRequestTimeout)
	setDefault(&o.StallTimeout, DefaultStallTimeout)
	setDefault(&o.AbandonAfter, DefaultAbandonAfter)
	if o.Now == nil {
		o.Now = time.Now
	}
	return o, nil
}

func setDefault[T comparable](v *T, def T) {
	var zero T
	if *v == zero {
		*v = def
	}
}

// Open connects to a bucket and tries out whether it honours what the store
// relies on. It writes and deletes an object of its own for that.
func Open(ctx context.Context, opt Options) (*Store, error) {
	where := "bucket " + opt.Bucket
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, &store.Error{Op: "open store in", Key: where, Err: err}
	}
	client, err := connect(ctx, opt)
	if err != nil {
		return nil, &store.Error{Op: "open store in", Key: where, Err: err, Hint: "check the settings of the environment"}
	}
	s := &Store{opt: opt, client: client}
	s.parts.New = func() any { b := make([]byte, opt.PartBytes); return &b }
	if err := s.probe(ctx); err != nil {
		return nil, s.fault(ctx, "open store in", where, err)
	}
	return s, nil
}

func connect(ctx context.Context, opt Options) (*s3.Client, error) {
	load := []func(*config.LoadOptions) error{config.WithDefaultRegion("us-east-1")}
	if opt.Region != "" {
		load = append(load, config.WithRegion(opt.Region))
	}
	if opt.AccessKeyID != "" {
		load = append(load, config.WithCredentialsProvider(credentials.NewStaticCredentialsProvider(
			opt.AccessKeyID, string(opt.SecretAccessKey), string(opt.SessionToken))))
	}
	cfg, err := config.LoadDefaultConfig(ctx, load...)
	if err != nil {
		return nil, err
	}
	return s3.NewFromConfig(cfg, func(o *s3.Options) {
		o.UsePathStyle = opt.PathStyle
		if opt.HTTPClient != nil {
			o.HTTPClient = opt.HTTPClient
		}
		if opt.Endpoint != "" {
			o.BaseEndpoint = aws.String(opt.Endpoint)
		}
		o.Retryer = retry.NewStandard(func(r *retry.StandardOptions) {
			r.MaxAttempts = opt.MaxAttempts
			r.MaxBackoff = opt.MaxBackoff
		})
		// Checksums in trailers are not understood everywhere; the signature
		// over the SHA-256 of the body is.
		o.RequestChecksumCalculation = aws.RequestChecksumCalculationWhenRequired
		o.ResponseChecksumValidation = aws.ResponseChecksumValidationWhenRequired
	}), nil
}

// name is the name of a key in the bucket.
func (s *Store) name(key string) *string { return aws.String(s.opt.Prefix + key) }

func (s *Store) bucket() *string { return aws.String(s.opt.Bucket) }

// limited bounds one request.
func (s *Store) limited(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, s.opt.RequestTimeout)
}

// status is the HTTP status in an error, 0 if no answer came.
func status(err error) int {
	var r *smithyhttp.ResponseError
	if errors.As(err, &r) && r.Response != nil && r.Response.Response != nil {
		return r.HTTPStatusCode()
	}
	return 0
}

// code is the protocol's name of an error, "" if it has none.
func code(err error) string {
	var a smithy.APIError
	if errors.As(err, &a) {
		return a.ErrorCode()
	}
	return ""
}

// fault makes the error of a method, with the kind the cause tells.
func (s *Store) fault(ctx context.Context, op, key string, err error) error {
	if err == nil {
		return nil
	}
	e := &store.Error{Op: op, Key: key}
	var inner *store.Error
	var source *store.SourceError
	if errors.As(err, &source) { // its causes are not ours
		e.Err = err
		return e
	}
	if errors.As(err, &inner) {
		*e = *inner
		e.Op, e.Key = op, key
		return e
	}
	e.Err = err
	if cause := ctx.Err(); cause != nil {
		if !errors.Is(err, cause) {
			e.Err = errors.Join(cause, err)
		}
		return e
	}
	var own *local
	if errors.As(err, &own) {
		e.Err = own.Err
		return e
	}
	switch st, c := status(err), code(err); {
	case c == "NoSuchBucket":
		e.Hint = "the bucket must be made first"
	case st == http.StatusNotFound:
		e.Kind = store.ErrNotFound
	case st == http.StatusInsufficientStorage, c == "XMinioStorageFull", c == "XMinioAdminBucketQuotaExceeded", c == "QuotaExceeded":
		e.Kind, e.Hint = store.ErrFull, "free space in the object store"
	case st == http.StatusUnauthorized, st == http.StatusForbidden:
		e.Kind, e.Hint = store.ErrRefused, "check the credentials, what they may do in the bucket, and the clock"
	case st == 0, st == http.StatusTooManyRequests, st >= 500:
		e.Kind = store.ErrUnavailable
	}
	return e
}

// local marks a cause that did not come from the object store.
type local struct{ Err error }

func (l *local) Error() string { return l.Err.Error() }
func (l *local) Unwrap() error { return l.Err }

// Free knows nothing: the protocol does not tell.
func (s *Store) Free(context.Context) (int64, bool) { return 0, false }

// pause waits before try n, counted from 0, longer each time.
func (s *Store) pause(ctx context.Context, n int) error {
	select {
	case <-time.After(min(s.opt.MaxBackoff, 50*time.Millisecond<<min(n, 10))):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// probeDir is hidden from List, since no key begins with a dot.
const probeDir = ".discsafe-probe/"

func probeKey() string { return probeDir + rand.Text() }
