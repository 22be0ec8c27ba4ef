package s3_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"discsafe/worker/store"
	"discsafe/worker/store/s3"
	"discsafe/worker/store/storetest"
)

const part = 5 << 20

func options(f *fake) s3.Options {
	return s3.Options{
		Bucket: bucket, Endpoint: f.url, Region: "test-1", PathStyle: true, AccessKeyID: "id", SecretAccessKey: "hush-hush",
		PartBytes: part, MaxAttempts: 3, MaxBackoff: time.Millisecond,
	}
}

func open(t *testing.T, opt s3.Options) *s3.Store {
	t.Helper()
	s, err := s3.Open(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// tripper fails requests before they are sent.
type tripper struct {
	fault atomic.Pointer[store.Fault]
	under http.RoundTripper
}

func (tr *tripper) Do(r *http.Request) (*http.Response, error) {
	if f := tr.fault.Load(); f != nil && *f != nil {
		step := r.Method
		for _, q := range []string{"uploads", "uploadId", "partNumber", "list-type"} {
			if r.URL.Query().Has(q) {
				step += " " + q
			}
		}
		if err := (*f)(step, r.URL.Path); err != nil {
			return nil, err
		}
	}
	return tr.under.RoundTrip(r)
}

func newTripper(t *testing.T) *tripper {
	under := http.DefaultTransport.(*http.Transport).Clone()
	under.MaxIdleConnsPerHost = 100
	t.Cleanup(under.CloseIdleConnections)
	return &tripper{under: under}
}

func TestSuite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Subject {
		f, tr := newFake(t), newTripper(t)
		opt := options(f)
		opt.Prefix, opt.HTTPClient, opt.MaxAttempts = "disc/safe/", tr, 1
		opt.Now = func() time.Time { return time.Now().Add(48 * time.Hour) }
		return storetest.Subject{
			Store:     open(t, opt),
			Another:   func() store.Store { return open(t, opt) },
			SetFault:  func(f store.Fault) { tr.fault.Store(&f) },
			Leftovers: f.openUploads,
			PutBytes:  5 * part, // two sent, one read, others waiting for the collector
			PartBytes: part,
		}
	})
}

func TestBucketInHostName(t *testing.T) {
	f, tr := newFake(t), newTripper(t)
	f.domain = "objects.test"
	addr := strings.TrimPrefix(f.url, "http://")
	tr.under.(*http.Transport).DialContext = func(ctx context.Context, network, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, network, addr)
	}
	opt := options(f)
	opt.HTTPClient, opt.PathStyle, opt.Endpoint = tr, false, "http://objects.test"
	s := open(t, opt)
	if err := s.PutIfAbsent(t.Context(), "a/b", []byte("x")); err != nil {
		t.Fatal(err)
	}
	if _, ok := f.objects["a/b"]; !ok {
		t.Error("the object is not where the protocol says")
	}
}

// A server that ignores what keeps results from being overwritten is refused,
// and the trial leaves nothing there.
func TestServerThatIgnoresConditions(t *testing.T) {
	for _, header := range []string{"PUT If-None-Match", "PUT If-Match", "POST If-None-Match", "GET Range"} {
		f := newFake(t)
		f.ignores[header] = true
		_, err := s3.Open(t.Context(), options(f))
		if err == nil {
			t.Errorf("a server that ignores %s was taken", header)
		} else if !strings.Contains(err.Error(), strings.Fields(header)[1]) && header != "GET Range" {
			t.Errorf("ignoring %s is told as: %v", header, err)
		}
		if len(f.objects) != 0 || f.openUploads() != 0 {
			t.Errorf("%s: the trial left %d objects, %d uploads", header, len(f.objects), f.openUploads())
		}
	}
}

// A write whose answer was lost is repeated by the library and meets itself.
// That is success, not a conflict.
func TestLostAnswers(t *testing.T) {
	big := bytes.Repeat([]byte("0123456789"), part/5+3)
	for _, c := range []struct {
		name  string
		loses func(r *http.Request) bool
		do    func(s *s3.Store) error
		want  []byte
	}{
		{"record", isPut, func(s *s3.Store) error { return s.PutIfAbsent(t.Context(), "k", []byte("x")) }, []byte("x")},
		{"put", isPut, func(s *s3.Store) error {
			_, err := s.Put(t.Context(), "k", strings.NewReader("x"))
			return err
		}, []byte("x")},
		{"swap of new", isPut, func(s *s3.Store) error {
			v, err := s.Swap(t.Context(), "k", "", []byte("x"))
			return errors.Join(err, mustSwap(s, v))
		}, []byte("swapped")},
		{"part", isPut, func(s *s3.Store) error {
			_, err := s.Put(t.Context(), "k", bytes.NewReader(big))
			return err
		}, big},
		{"completion", func(r *http.Request) bool { return r.Method == http.MethodPost && r.URL.Query().Has("uploadId") }, func(s *s3.Store) error {
			_, err := s.Put(t.Context(), "k", bytes.NewReader(big))
			return err
		}, big},
	} {
		for _, times := range []int64{1, 3} { // 3: every attempt of the library
			f := newFake(t)
			s := open(t, options(f))
			var lost atomic.Int64
			f.loseAnswer = func(r *http.Request) bool { return c.loses(r) && lost.Add(1) <= times }
			if err := c.do(s); err != nil {
				t.Errorf("%s, %d lost: %v", c.name, times, err)
			}
			if lost.Load() == 0 {
				t.Errorf("%s: no answer was lost", c.name)
			}
			got := readAll(t, s, "k")
			if !bytes.Equal(got, c.want) {
				t.Errorf("%s, %d lost: %d bytes there, want %d", c.name, times, len(got), len(c.want))
			}
			if n := f.openUploads(); n != 0 {
				t.Errorf("%s: %d uploads left", c.name, n)
			}
		}
	}
}

func isPut(r *http.Request) bool { return r.Method == http.MethodPut }

func mustSwap(s *s3.Store, v store.Version) error {
	_, err := s.Swap(context.Background(), "k", v, []byte("swapped"))
	return err
}

func readAll(t *testing.T, s store.Store, key string) []byte {
	t.Helper()
	o, err := s.Open(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	data, err := io.ReadAll(o)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// 409 means that somebody else writes the same key just now.
func TestConflictUnderWay(t *testing.T) {
	f := newFake(t)
	s := open(t, options(f))
	var left atomic.Int64
	f.refuse = func(r *http.Request) (int, string) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead && left.Add(-1) >= 0 {
			return http.StatusConflict, "ConditionalRequestConflict"
		}
		return 0, ""
	}
	left.Store(2)
	v, err := s.Swap(t.Context(), "k", "", []byte("1"))
	if err != nil {
		t.Errorf("the other gave up: %v", err)
	}
	left.Store(2)
	if _, err = s.Swap(t.Context(), "k", v, []byte("2")); err != nil {
		t.Errorf("the other gave up: %v", err)
	}
	left.Store(1)
	if _, err = s.Swap(t.Context(), "k", v, []byte("3")); !errors.Is(err, store.ErrConflict) {
		t.Errorf("the other won: %v", err)
	}
	left.Store(1)
	if err = s.PutIfAbsent(t.Context(), "k", nil); !errors.Is(err, store.ErrExists) {
		t.Errorf("the other won: %v", err)
	}
	left.Store(1 << 30)
	if err = s.PutIfAbsent(t.Context(), "k2", nil); !errors.Is(err, store.ErrExists) {
		t.Errorf("the other never ends: %v", err)
	}
}

// A line that breaks while reading is taken up where it broke; if it never gets
// on, that is told.
func TestBrokenLines(t *testing.T) {
	f := newFake(t)
	s := open(t, options(f))
	big := bytes.Repeat([]byte("0123456789abcdef!"), 200_000)
	if _, err := s.Put(t.Context(), "big", bytes.NewReader(big)); err != nil {
		t.Fatal(err)
	}
	if err := s.PutIfAbsent(t.Context(), "record", big[:900_000]); err != nil {
		t.Fatal(err)
	}
	var cuts atomic.Int64
	f.cutBody = func(*http.Request) int64 { cuts.Add(1); return 300_001 }
	if got := readAll(t, s, "big"); !bytes.Equal(got, big) {
		t.Errorf("read %d bytes, not what was written", len(got))
	}
	if got := readAll(t, s, "record"); !bytes.Equal(got, big[:900_000]) {
		t.Errorf("read a record of %d bytes, not what was written", len(got))
	}
	if cuts.Load() < 10 {
		t.Errorf("only %d lines broke", cuts.Load())
	}
	o, err := s.Open(t.Context(), "big")
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	at := make([]byte, 1_000_000)
	if _, err := o.ReadAt(at, 77); err != nil || !bytes.Equal(at, big[77:1_000_077]) {
		t.Errorf("read at: %v", err)
	}
	f.cutBody = func(*http.Request) int64 { return 0 }
	if _, err := io.Copy(io.Discard, o); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("a line that never carries a byte: %v", err)
	}
	if _, err := o.ReadAt(at, 77); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("read at on such a line: %v", err)
	}
}

func TestStalledLine(t *testing.T) {
	f := newFake(t)
	opt := options(f)
	opt.StallTimeout, opt.MaxAttempts = 250*time.Millisecond, 2
	s := open(t, opt)
	if err := s.PutIfAbsent(t.Context(), "k", []byte("x")); err != nil {
		t.Fatal(err)
	}
	end := make(chan struct{})
	defer close(end)
	f.cutBody = func(r *http.Request) int64 {
		select { // headers are out, no byte follows
		case <-r.Context().Done():
		case <-end:
		}
		return 0
	}
	if _, err := s.Open(t.Context(), "k"); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("opened over a line that stalls: %v", err)
	}
}

func TestNoAnswer(t *testing.T) {
	f := newFake(t)
	opt := options(f)
	opt.RequestTimeout, opt.MaxAttempts = 200*time.Millisecond, 2
	var silent atomic.Bool
	end := make(chan struct{})
	f.refuse = func(r *http.Request) (int, string) {
		if silent.Load() {
			select {
			case <-r.Context().Done():
			case <-end:
			}
		}
		return 0, ""
	}
	s := open(t, opt)
	silent.Store(true)
	defer close(end)
	for what, do := range map[string]func() error{
		"put":  func() error { _, err := s.Put(t.Context(), "k", strings.NewReader("x")); return err },
		"open": func() error { _, err := s.Open(t.Context(), "k"); return err },
		"stat": func() error { _, err := s.Stat(t.Context(), "k"); return err },
		"list": func() error { _, err := s.List(t.Context(), "", "", 1); return err },
	} {
		if err := do(); !errors.Is(err, store.ErrUnavailable) {
			t.Errorf("%s with a server that does not answer: %v", what, err)
		}
	}
}

func TestKindsOfErrors(t *testing.T) {
	for _, c := range []struct {
		status int
		code   string
		kind   error
		hint   string
	}{
		{http.StatusInternalServerError, "InternalError", store.ErrUnavailable, ""},
		{http.StatusServiceUnavailable, "SlowDown", store.ErrUnavailable, ""},
		{http.StatusInsufficientStorage, "XMinioStorageFull", store.ErrFull, "free space"},
		{http.StatusForbidden, "AccessDenied", store.ErrRefused, "credentials"},
		{http.StatusNotFound, "NoSuchBucket", nil, "bucket must be made"},
	} {
		f := newFake(t)
		s := open(t, options(f))
		f.refuse = func(*http.Request) (int, string) { return c.status, c.code }
		_, perr := s.Put(t.Context(), "k", strings.NewReader("x"))
		_, oerr := s.Open(t.Context(), "k")
		_, _, swerr := func() (int, int, error) { _, err := s.Swap(t.Context(), "k", `"e"`, nil); return 0, 0, err }()
		for _, err := range []error{perr, oerr, swerr} {
			var e *store.Error
			if !errors.As(err, &e) || e.Kind != c.kind || !strings.Contains(err.Error(), c.hint) || !strings.Contains(err.Error(), "k") {
				t.Errorf("%d %s: %v", c.status, c.code, err)
			}
			if c.kind == nil && (errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrConflict)) {
				t.Errorf("%d %s is taken for an answer about the key: %v", c.status, c.code, err)
			}
		}
	}
}

func TestNobodyThere(t *testing.T) {
	opt := options(newFake(t))
	opt.Endpoint = "http://127.0.0.1:1"
	if _, err := s3.Open(t.Context(), opt); !errors.Is(err, store.ErrUnavailable) || !store.Transient(err) {
		t.Errorf("opened a store at a closed port: %v", err)
	}
}

// Sweep takes the old uploads and trial objects, and only those.
func TestSweepByAge(t *testing.T) {
	f := newFake(t)
	opt := options(f)
	opt.Prefix = "p/"
	now := time.Now()
	opt.Now = func() time.Time { return now }
	s := open(t, opt)
	for i, age := range []time.Duration{30 * time.Hour, 25 * time.Hour, 26 * time.Hour, time.Hour} {
		f.uploads[fmt.Sprint("u", i)] = &openUpload{key: "p/a", begun: now.Add(-age)}
		f.objects[fmt.Sprint("p/.discsafe-probe/", i)] = object{modified: now.Add(-age), size: 5}
	}
	f.uploads["u9"] = &openUpload{key: "elsewhere/a", begun: now.Add(-30 * time.Hour)}
	got, err := s.Sweep(t.Context())
	if want := (store.Swept{Removed: 6, Bytes: 15}); err != nil || got != want {
		t.Errorf("swept %+v, %v; want %+v", got, err, want)
	}
	if len(f.uploads) != 2 || len(f.objects) != 1 {
		t.Errorf("%d uploads and %d objects left", len(f.uploads), len(f.objects))
	}
}

func TestOptionsRefused(t *testing.T) {
	f := newFake(t)
	for name, change := range map[string]func(*s3.Options){
		"no bucket":    func(o *s3.Options) { o.Bucket = "" },
		"prefix":       func(o *s3.Options) { o.Prefix = "a" },
		"climbing":     func(o *s3.Options) { o.Prefix = "../" },
		"half a key":   func(o *s3.Options) { o.SecretAccessKey = "" },
		"small parts":  func(o *s3.Options) { o.PartBytes = 1 << 20 },
		"negative":     func(o *s3.Options) { o.Uploads = -1 },
		"wrong bucket": func(o *s3.Options) { o.Bucket = "other" },
		"wrong key":    func(o *s3.Options) { o.AccessKeyID = "other" },
	} {
		opt := options(f)
		change(&opt)
		_, err := s3.Open(t.Context(), opt)
		if err == nil {
			t.Errorf("%s: opened", name)
		} else if strings.Contains(err.Error(), "hush") {
			t.Errorf("%s: the secret is in the error", name)
		}
	}
}

func TestSecretIsNotPrinted(t *testing.T) {
	opt := s3.Options{SecretAccessKey: "hush-hush", SessionToken: "hush-hush"}
	var log bytes.Buffer
	slog.New(slog.NewTextHandler(&log, nil)).Info("starting", "options", opt, "secret", opt.SecretAccessKey)
	slog.New(slog.NewJSONHandler(&log, nil)).Info("starting", "secret", opt.SecretAccessKey)
	text, err := json.Marshal(struct{ S s3.Secret }{opt.SecretAccessKey})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{fmt.Sprint(opt), fmt.Sprintf("%+v", opt), fmt.Sprintf("%#v", opt), fmt.Sprintf("%s %q", opt.SecretAccessKey, opt.SecretAccessKey), log.String(), string(text)} {
		if strings.Contains(s, "hush") {
			t.Errorf("printed: %s", s)
		}
	}
}

// Keys of others in the bucket, and cursors from anywhere, do no harm.
func TestForeignKeysAndCursors(t *testing.T) {
	f := newFake(t)
	s := open(t, options(f))
	for _, k := range []string{"Photos/1.JPG", "a/b", "a//c", ".discsafe-probe/x", "z"} {
		f.objects[k] = object{}
	}
	for _, c := range []struct{ after, want string }{
		{"", "a/b z"}, {"a/b", "z"}, {"a/b\x00", "z"}, {"a/b\xff", "z"}, {"a/\xff", "z"}, {"a/\n", "a/b z"}, {"\u00e9", ""}, {strings.Repeat("a", 5000), "z"},
		{"a/" + strings.Repeat("\xff", 5000), "z"},
	} {
		infos, err := s.List(t.Context(), "", c.after, 10)
		var got []string
		for _, i := range infos {
			got = append(got, i.Key)
		}
		if err != nil || strings.Join(got, " ") != c.want {
			t.Errorf("after %.20q: %v, %v; want %s", c.after, got, err, c.want)
		}
	}
}
