package s3_test

import (
	"crypto/md5"
	"crypto/sha256"
	"encoding/hex"
	"encoding/xml"
	"errors"
	"fmt"
	"hash"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// fake speaks as much of the S3 protocol as the driver uses, from its public
// description: conditional writes, parts, ranges, lists. Content lies in files,
// so that it does not count as memory of the driver.
type fake struct {
	t      *testing.T
	url    string
	bucket string
	domain string // not "": the bucket is in the host name
	folder string

	mu      sync.Mutex
	objects map[string]object
	uploads map[string]*openUpload
	serial  int

	// What goes wrong, if set. They are called without the lock.
	refuse     func(r *http.Request) (status int, code string) // before anything happens
	loseAnswer func(r *http.Request) bool                      // after it happened
	cutBody    func(r *http.Request) int64                     // bytes sent before the line breaks, -1: all
	ignores    map[string]bool                                 // headers of conditions, by "PUT If-Match" and the like
}

type object struct {
	file, etag string
	size       int64
	meta       http.Header
	modified   time.Time
}

type openUpload struct {
	key   string
	parts map[int]object
	meta  http.Header
	begun time.Time
}

const bucket = "sides"

func newFake(t *testing.T) *fake {
	f := &fake{t: t, bucket: bucket, folder: t.TempDir(), objects: map[string]object{}, uploads: map[string]*openUpload{}, ignores: map[string]bool{}}
	srv := httptest.NewServer(f)
	t.Cleanup(srv.Close)
	f.url = srv.URL
	return f
}

func (f *fake) openUploads() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.uploads)
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if f.refuse != nil {
		if st, code := f.refuse(r); st != 0 {
			fail(w, st, code)
			return
		}
	}
	if f.loseAnswer != nil && f.loseAnswer(r) {
		f.serve(httptest.NewRecorder(), r)
		panic(http.ErrAbortHandler)
	}
	f.serve(w, r)
}

func fail(w http.ResponseWriter, status int, code string) {
	w.Header().Set("Content-Type", "application/xml")
	w.WriteHeader(status)
	fmt.Fprintf(w, "<Error><Code>%s</Code><Message>%s</Message></Error>", code, code)
}

func (f *fake) serve(w http.ResponseWriter, r *http.Request) {
	if !strings.HasPrefix(r.Header.Get("Authorization"), "AWS4-HMAC-SHA256 Credential=id/") {
		fail(w, http.StatusForbidden, "AccessDenied")
		return
	}
	path := strings.TrimPrefix(r.URL.Path, "/")
	b, key, _ := strings.Cut(path, "/")
	if f.domain != "" {
		host, _, _ := strings.Cut(r.Host, ":")
		b, key = strings.TrimSuffix(host, "."+f.domain), path
	}
	if b != f.bucket {
		fail(w, http.StatusNotFound, "NoSuchBucket")
		return
	}
	q := r.URL.Query()
	id := q.Get("uploadId")
	switch {
	case key == "" && q.Get("list-type") == "2":
		f.list(w, q)
	case key == "" && q.Has("uploads"):
		f.listUploads(w, q)
	case r.Method == http.MethodPost && q.Has("uploads"):
		f.begin(w, r, key)
	case r.Method == http.MethodPut && id != "":
		f.putPart(w, r, id, q.Get("partNumber"))
	case r.Method == http.MethodPost && id != "":
		f.complete(w, r, key, id)
	case r.Method == http.MethodDelete && id != "":
		f.abort(w, id)
	case r.Method == http.MethodPut:
		f.put(w, r, key)
	case r.Method == http.MethodGet, r.Method == http.MethodHead:
		f.get(w, r, key)
	case r.Method == http.MethodDelete:
		f.mu.Lock()
		delete(f.objects, key)
		f.mu.Unlock()
		w.WriteHeader(http.StatusNoContent)
	default:
		fail(w, http.StatusNotImplemented, "NotImplemented")
	}
}

// keep writes a body into a file and holds it against the hash that was signed.
func (f *fake) keep(r *http.Request) (object, error) {
	f.mu.Lock()
	f.serial++
	name := filepath.Join(f.folder, strconv.Itoa(f.serial))
	f.mu.Unlock()
	file, err := os.Create(name)
	if err != nil {
		return object{}, err
	}
	sum, sha := md5.New(), sha256.New()
	n, err := io.Copy(io.MultiWriter(file, sum, sha), r.Body)
	if err := errors.Join(err, file.Close()); err != nil {
		return object{}, err
	}
	if got := hex.EncodeToString(sha.Sum(nil)); got != r.Header.Get("X-Amz-Content-Sha256") {
		return object{}, fmt.Errorf("body has SHA-256 %s, signed was %s", got, r.Header.Get("X-Amz-Content-Sha256"))
	}
	return object{file: name, etag: tag(sum), size: n, meta: metaOf(r), modified: time.Now()}, nil
}

func tag(h hash.Hash) string { return `"` + hex.EncodeToString(h.Sum(nil)) + `"` }

func metaOf(r *http.Request) http.Header {
	meta := http.Header{}
	for k, v := range r.Header {
		if strings.HasPrefix(k, "X-Amz-Meta-") {
			meta[k] = v
		}
	}
	return meta
}

// refused says whether a condition of a write does not hold. With the lock.
func (f *fake) refused(w http.ResponseWriter, r *http.Request, key string) bool {
	o, there := f.objects[key]
	if r.Header.Get("If-None-Match") == "*" && there && !f.ignores[r.Method+" If-None-Match"] {
		fail(w, http.StatusPreconditionFailed, "PreconditionFailed")
		return true
	}
	if m := r.Header.Get("If-Match"); m != "" && !f.ignores[r.Method+" If-Match"] {
		if !there {
			fail(w, http.StatusNotFound, "NoSuchKey")
			return true
		}
		if m != o.etag {
			fail(w, http.StatusPreconditionFailed, "PreconditionFailed")
			return true
		}
	}
	return false
}

func (f *fake) put(w http.ResponseWriter, r *http.Request, key string) {
	o, err := f.keep(r)
	if err != nil {
		fail(w, http.StatusBadRequest, "BadDigest")
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refused(w, r, key) {
		return
	}
	f.objects[key] = o
	w.Header().Set("ETag", o.etag)
}

func (f *fake) begin(w http.ResponseWriter, r *http.Request, key string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.serial++
	id := "upload-" + strconv.Itoa(f.serial)
	f.uploads[id] = &openUpload{key: key, parts: map[int]object{}, meta: metaOf(r), begun: time.Now()}
	answer(w, struct {
		XMLName  xml.Name `xml:"InitiateMultipartUploadResult"`
		UploadId string
	}{UploadId: id})
}

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/xml")
	_ = xml.NewEncoder(w).Encode(v)
}

func (f *fake) putPart(w http.ResponseWriter, r *http.Request, id, number string) {
	o, err := f.keep(r)
	n, nerr := strconv.Atoi(number)
	if err != nil || nerr != nil {
		fail(w, http.StatusBadRequest, "BadDigest")
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	u := f.uploads[id]
	if u == nil {
		fail(w, http.StatusNotFound, "NoSuchUpload")
		return
	}
	u.parts[n] = o
	w.Header().Set("ETag", o.etag)
}

func (f *fake) complete(w http.ResponseWriter, r *http.Request, key, id string) {
	var asked struct {
		Part []struct {
			PartNumber int
			ETag       string
		}
	}
	if err := xml.NewDecoder(r.Body).Decode(&asked); err != nil {
		fail(w, http.StatusBadRequest, "MalformedXML")
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	u := f.uploads[id]
	if u == nil || u.key != key {
		fail(w, http.StatusNotFound, "NoSuchUpload")
		return
	}
	if f.refused(w, r, key) {
		return
	}
	f.serial++
	o := object{file: filepath.Join(f.folder, strconv.Itoa(f.serial)), meta: u.meta, modified: time.Now()}
	file, err := os.Create(o.file)
	if err != nil {
		f.t.Error(err)
		return
	}
	defer file.Close()
	sum, before := md5.New(), 0
	for i, p := range asked.Part {
		part, ok := u.parts[p.PartNumber]
		if !ok || part.etag != p.ETag || p.PartNumber <= before {
			fail(w, http.StatusBadRequest, "InvalidPart")
			return
		}
		if part.size < 5<<20 && i+1 < len(asked.Part) {
			fail(w, http.StatusBadRequest, "EntityTooSmall")
			return
		}
		before = p.PartNumber
		from, err := os.Open(part.file)
		if err != nil {
			f.t.Error(err)
			return
		}
		n, err := io.Copy(io.MultiWriter(file, sum), from)
		if err := errors.Join(err, from.Close(), os.Remove(part.file)); err != nil {
			f.t.Error(err)
		}
		o.size += n
	}
	o.etag = strings.TrimSuffix(tag(sum), `"`) + "-" + strconv.Itoa(len(asked.Part)) + `"`
	f.objects[key] = o
	delete(f.uploads, id)
	answer(w, struct {
		XMLName xml.Name `xml:"CompleteMultipartUploadResult"`
		ETag    string
	}{ETag: o.etag})
}

func (f *fake) abort(w http.ResponseWriter, id string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.uploads[id] == nil {
		fail(w, http.StatusNotFound, "NoSuchUpload")
		return
	}
	delete(f.uploads, id)
	w.WriteHeader(http.StatusNoContent)
}

func (f *fake) get(w http.ResponseWriter, r *http.Request, key string) {
	f.mu.Lock()
	o, there := f.objects[key]
	f.mu.Unlock()
	if !there {
		fail(w, http.StatusNotFound, "NoSuchKey")
		return
	}
	if m := r.Header.Get("If-Match"); m != "" && m != o.etag {
		fail(w, http.StatusPreconditionFailed, "PreconditionFailed")
		return
	}
	file, err := os.Open(o.file)
	if err != nil {
		f.t.Error(err)
		return
	}
	defer file.Close()
	for k, v := range o.meta {
		w.Header()[k] = v
	}
	w.Header().Set("ETag", o.etag)
	w.Header().Set("Last-Modified", o.modified.UTC().Format(http.TimeFormat))
	first, last, status := int64(0), o.size-1, http.StatusOK
	if h := r.Header.Get("Range"); h != "" && !f.ignores["GET Range"] {
		a, b, _ := strings.Cut(strings.TrimPrefix(h, "bytes="), "-")
		first, _ = strconv.ParseInt(a, 10, 64)
		if n, err := strconv.ParseInt(b, 10, 64); err == nil {
			last = min(last, n)
		}
		if first >= o.size {
			fail(w, http.StatusRequestedRangeNotSatisfiable, "InvalidRange")
			return
		}
		status = http.StatusPartialContent
		w.Header().Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", first, last, o.size))
	}
	n := last - first + 1
	w.Header().Set("Content-Length", strconv.FormatInt(n, 10))
	w.WriteHeader(status)
	if r.Method == http.MethodHead {
		return
	}
	cut := int64(-1)
	if f.cutBody != nil {
		_ = http.NewResponseController(w).Flush() // or the headers would wait for the body
		cut = f.cutBody(r)
	}
	if cut >= 0 {
		n = min(n, cut)
	}
	_, err = io.Copy(w, io.NewSectionReader(file, first, n))
	if cut >= 0 || err != nil {
		panic(http.ErrAbortHandler)
	}
}

func (f *fake) list(w http.ResponseWriter, q url.Values) {
	type content struct {
		Key, LastModified string
		Size              int64
	}
	var out struct {
		XMLName               xml.Name `xml:"ListBucketResult"`
		IsTruncated           bool
		NextContinuationToken string `xml:",omitempty"`
		Contents              []content
	}
	most, err := strconv.Atoi(q.Get("max-keys"))
	if err != nil || most > 1000 {
		most = 1000
	}
	most = min(most, 10) // few, so that the driver must ask on
	after := max(q.Get("start-after"), q.Get("continuation-token"))
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, k := range slices.Sorted(maps.Keys(f.objects)) {
		if !strings.HasPrefix(k, q.Get("prefix")) || k <= after {
			continue
		}
		if len(out.Contents) == most {
			out.IsTruncated, out.NextContinuationToken = true, out.Contents[most-1].Key
			break
		}
		out.Contents = append(out.Contents, content{k, f.objects[k].modified.UTC().Format(time.RFC3339), f.objects[k].size})
	}
	answer(w, out)
}

func (f *fake) listUploads(w http.ResponseWriter, q url.Values) {
	type upload struct{ Key, UploadId, Initiated string }
	var out struct {
		XMLName            xml.Name `xml:"ListMultipartUploadsResult"`
		IsTruncated        bool
		NextKeyMarker      string
		NextUploadIdMarker string
		Upload             []upload
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(f.uploads)) {
		if u := f.uploads[id]; strings.HasPrefix(u.key, q.Get("prefix")) && id > q.Get("upload-id-marker") {
			if len(out.Upload) == 2 {
				out.IsTruncated = true
				break
			}
			out.Upload = append(out.Upload, upload{u.key, id, u.begun.UTC().Format(time.RFC3339)})
			out.NextKeyMarker, out.NextUploadIdMarker = u.key, id
		}
	}
	answer(w, out)
}
