package client

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"mime"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"

	"discsafe/api/v1"
)

const maxStarts = 4 // of one download, when what is there changes meanwhile

// Download fetches a file of a job's result to dst. It writes beside dst and
// renames when size and SHA-256 are those of f and the bytes are on the disk;
// after any error dst is as it was. What breaks off goes on where it stood. The
// address is made of id and name; Href is not followed, so that an answer
// cannot send the token elsewhere.
func (c *Client) Download(ctx context.Context, id string, f v1.File, dst string) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("download %s of job %s: %w", f.Name, id, err)
		}
	}()
	if err := errors.Join(named("job", id), named("file", f.Name)); err != nil {
		return err
	}
	if f.Bytes < 0 || !isSHA256.MatchString(f.SHA256) {
		return errors.New("size or SHA-256 is not known, so nothing could be verified")
	}
	dir, base := filepath.Split(dst)
	tmp := filepath.Join(dir, "."+base+"."+rand.Text()[:10]+".part")
	file, err := os.OpenFile(tmp, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o666)
	if err != nil {
		return err
	}
	d := &download{c: c, url: c.url(nil, "jobs", id, "files", f.Name), f: f, file: file, sum: sha256.New()}
	err = d.run(ctx)
	if err == nil {
		err = file.Sync()
	}
	err = errors.Join(err, file.Close())
	if err == nil {
		err = os.Rename(tmp, dst)
	}
	if err != nil {
		return errors.Join(err, os.Remove(tmp))
	}
	return syncDir(dir)
}

// syncDir makes a rename last. Windows cannot, and needs not.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	if dir == "" {
		dir = "."
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

type download struct {
	c    *Client
	url  string
	f    v1.File
	file *os.File
	sum  hash.Hash

	at     int64
	etag   string // strong; empty: none is known
	starts int
}

// diskError is one of this machine; asking again does not help.
type diskError struct{ error }

func (e diskError) Unwrap() error { return e.error }

func (d *download) run(ctx context.Context) error {
	good := d.c.o.Now()
	for fails := 0; ; {
		before := d.at
		err := d.fetch(ctx)
		if err == nil && d.at == d.f.Bytes {
			break
		}
		if err == nil {
			continue // begins anew
		}
		if d.at > before {
			good, fails = d.c.o.Now(), 0
		}
		fails++
		disk, ours := errors.AsType[diskError](err)
		switch {
		case ours:
			return disk.error
		case ctx.Err() != nil:
			return err
		case !again(err), fails > d.c.o.Retries, waitOf(err) > longWait, d.c.o.Now().Sub(good) > d.c.o.GiveUp:
			return err
		}
		if err := d.c.pause(ctx, fails, err); err != nil {
			return err
		}
	}
	if got := hex.EncodeToString(d.sum.Sum(nil)); got != d.f.SHA256 {
		return &HashError{Name: d.f.Name, Want: d.f.SHA256, Got: got}
	}
	return nil
}

// fetch asks for the rest and takes what comes.
func (d *download) fetch(parent context.Context) (err error) {
	ctx, dog := watch(parent, d.c.o.Idle)
	defer dog.end()
	defer func() { err = cause(ctx, err) }()
	if d.at > 0 && d.etag == "" {
		// Without a strong validator the rest might be another file's.
		if err := d.restart(); err != nil {
			return err
		}
	}
	h := http.Header{"Accept": {"*/*"}, "Accept-Encoding": {"identity"}}
	if d.at > 0 {
		h.Set("Range", fmt.Sprintf("bytes=%d-", d.at))
		h.Set("If-Range", d.etag)
	}
	resp, err := d.c.send(ctx, call{method: http.MethodGet, url: d.url, header: h})
	if statusOf(err) == http.StatusRequestedRangeNotSatisfiable && d.at > 0 {
		return d.restart()
	}
	if err != nil {
		return err
	}
	defer drain(resp.Body)
	if e := resp.Header.Get("Content-Encoding"); e != "" && !strings.EqualFold(e, "identity") {
		return d.c.strange(resp, nil, fmt.Sprintf("encoded as %.40q, which was not asked for", e), nil)
	}
	etag := strong(resp.Header.Get("ETag"))
	switch resp.StatusCode {
	case http.StatusOK:
		if d.at > 0 {
			if err := d.restart(); err != nil {
				return err
			}
		}
		d.etag = etag
	case http.StatusPartialContent:
		if want := fmt.Sprintf("bytes %d-%d/%d", d.at, d.f.Bytes-1, d.f.Bytes); d.at == 0 || resp.Header.Get("Content-Range") != want {
			return d.c.strange(resp, nil, fmt.Sprintf("Content-Range %.60q, want %q", resp.Header.Get("Content-Range"), want), nil)
		}
		if etag != "" && etag != d.etag {
			return d.restart()
		}
	default:
		return d.c.strange(resp, nil, "neither the file nor the rest of it", nil)
	}
	if n := resp.ContentLength; n >= 0 && n != d.f.Bytes-d.at {
		return d.c.strange(resp, nil, fmt.Sprintf("%d bytes come, want %d", n, d.f.Bytes-d.at), nil)
	}
	return d.take(&aliveReader{r: resp.Body, dog: dog, d: d.c.o.Idle})
}

// take writes what comes, and no more than is to come.
func (d *download) take(r io.Reader) error {
	buf := make([]byte, 256<<10)
	for {
		n, err := r.Read(buf)
		if d.at+int64(n) > d.f.Bytes {
			return fmt.Errorf("longer than the %d bytes announced", d.f.Bytes)
		}
		if _, werr := d.file.Write(buf[:n]); werr != nil {
			return diskError{werr}
		}
		_, _ = d.sum.Write(buf[:n]) // a hash.Hash never fails
		d.at += int64(n)
		switch {
		case errors.Is(err, io.EOF) && d.at == d.f.Bytes:
			return nil
		case errors.Is(err, io.EOF):
			return fmt.Errorf("%w after %d of %d bytes", errBroke, d.at, d.f.Bytes)
		case err != nil:
			return fmt.Errorf("%w after %d of %d bytes: %w", errBroke, d.at, d.f.Bytes, err)
		}
	}
}

// restart throws away what is there.
func (d *download) restart() error {
	d.starts++
	if d.starts >= maxStarts {
		return fmt.Errorf("what the service gives changed %d times; it is not the file announced", d.starts)
	}
	d.at, d.etag = 0, ""
	d.sum.Reset()
	if err := d.file.Truncate(0); err != nil {
		return diskError{err}
	}
	if _, err := d.file.Seek(0, io.SeekStart); err != nil {
		return diskError{err}
	}
	return nil
}

// strong is an entity tag that If-Range may carry (RFC 9110, 13.1.5).
func strong(etag string) string {
	if len(etag) >= 2 && strings.HasPrefix(etag, `"`) && strings.HasSuffix(etag, `"`) {
		return etag
	}
	return ""
}

// DownloadAll fetches every file of a job that is done into dir, which is made
// if it is not there. Files that are there already with the right bytes are
// left alone, so it may be called again after a break.
func (c *Client) DownloadAll(ctx context.Context, job *v1.Job, dir string) error {
	if len(job.Files) == 0 {
		return fmt.Errorf("job %s is %s and has no files", job.ID, job.State)
	}
	seen := map[string]bool{}
	for _, f := range job.Files {
		// The name comes from the other side and must stay within dir, on any system.
		if !filepath.IsLocal(f.Name) || strings.ContainsAny(f.Name, "/\\:\x00") || f.Name == "." {
			return fmt.Errorf("job %s: file name %.80q is not a plain one", job.ID, f.Name)
		}
		if k := strings.ToLower(f.Name); seen[k] {
			return fmt.Errorf("job %s: two files are called %s", job.ID, f.Name)
		} else {
			seen[k] = true
		}
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	for _, f := range job.Files {
		dst := filepath.Join(dir, f.Name)
		there, err := holds(ctx, dst, f)
		if err != nil {
			return err
		}
		if there {
			continue
		}
		if err := c.Download(ctx, job.ID, f, dst); err != nil {
			return err
		}
	}
	return nil
}

func holds(ctx context.Context, path string, f v1.File) (bool, error) {
	st, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && (!st.Mode().IsRegular() || st.Size() != f.Bytes) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	r, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer r.Close()
	sha, err := hashOf(ctx, r, f.Bytes)
	return sha == f.SHA256, err
}

// Excerpt copies a passage of a job's sound to w, as an audio file: which is
// before, after, difference or as-traced; from and to are seconds of the side.
// It is not begun again once bytes are in w.
func (c *Client) Excerpt(ctx context.Context, id, which string, fromS, toS float64, w io.Writer) (n int64, err error) {
	if err := errors.Join(named("job", id), named("sound", which)); err != nil {
		return 0, err
	}
	v := url.Values{"from_s": {strconv.FormatFloat(fromS, 'f', -1, 64)}, "to_s": {strconv.FormatFloat(toS, 'f', -1, 64)}}
	q := call{method: http.MethodGet, url: c.url(v, "jobs", id, "audio", which), header: http.Header{"Accept": {"audio/*, " + v1.ProblemType}}}
	_, err = c.again(ctx, func() error {
		ctx, dog := watch(ctx, max(c.o.Idle, answerTime)) // it is made before it comes
		defer dog.end()
		resp, err := c.send(ctx, q)
		if err != nil {
			return cause(ctx, err)
		}
		defer drain(resp.Body)
		if m, _, err := mime.ParseMediaType(resp.Header.Get("Content-Type")); err != nil || !strings.HasPrefix(m, "audio/") {
			return c.strange(resp, nil, "not sound, so not this service's answer", nil)
		}
		n, err = io.Copy(w, &aliveReader{r: resp.Body, dog: dog, d: c.o.Idle})
		if err = cause(ctx, err); err != nil && n > 0 {
			return fmt.Errorf("excerpt broke off after %d bytes: %s", n, err) // in words, so that it is not tried again
		}
		return err
	})
	return n, err
}

// Timeline reads a stretch of a side as curves, in bins bins.
func (c *Client) Timeline(ctx context.Context, id string, fromS, toS float64, bins int) (v1.Timeline, error) {
	seconds := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	q := url.Values{"from_s": {seconds(fromS)}, "to_s": {seconds(toS)}, "bins": {strconv.Itoa(bins)}}
	return get[v1.Timeline](ctx, c, q, "jobs", id, "timeline")
}
