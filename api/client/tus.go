package client

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"
	"time"

	"discsafe/api/v1"
)

const (
	tusVersion = "1.0.0"
	maxBegins  = 4 // of one upload: expired or lost ones are begun anew
)

// tusUpload is one upload by the tus protocol 1.0 (https://tus.io/protocols/resumable-upload).
type tusUpload struct {
	c     *Client
	s     Source
	t     *teller
	print string

	id     string // empty: not begun
	at     int64  // the service's offset; -1: to be asked
	asked  bool   // at was learned by asking, not in answer to the bytes
	begins int
	best   int64 // highest offset of this id
	good   time.Time
	mix    *v1.Mix // when all is done
}

// tus sends a file in chunks and returns what the service then knows of it.
func (c *Client) tus(ctx context.Context, s Source, t *teller) (v1.Mix, error) {
	u := &tusUpload{c: c, s: s, t: t, print: c.fingerprint(s), good: c.o.Now()}
	if c.o.State != nil {
		id, err := c.o.State.Load(u.print)
		if err != nil {
			return v1.Mix{}, fmt.Errorf("state of the upload: %w", err)
		}
		if id != "" && named("upload", id) == nil {
			u.id, u.at = id, -1
		}
	}
	for fails := 0; ; {
		before := u.best
		err := u.step(ctx)
		if u.best > before {
			fails = 0
		}
		switch {
		case err == nil && u.mix != nil:
			return *u.mix, nil
		case err == nil:
			continue
		case ctx.Err() != nil:
			return v1.Mix{}, err
		case !u.mend(err):
			if s := statusOf(err); s != 0 && s != http.StatusUnauthorized && s != http.StatusForbidden {
				// What was sent is no good, or not wanted; none of it is of use later.
				err = errors.Join(err, u.note(""))
			}
			return v1.Mix{}, err
		}
		fails++
		if idle := c.o.Now().Sub(u.good); idle+waitOf(err) > c.o.GiveUp {
			return v1.Mix{}, fmt.Errorf("no progress for %v: %w", idle.Round(time.Second), err)
		}
		if err := c.pause(ctx, fails, err); err != nil {
			return v1.Mix{}, err
		}
	}
}

// step does the one thing that is next.
func (u *tusUpload) step(ctx context.Context) error {
	switch {
	case u.id == "":
		return u.begin(ctx)
	case u.at < 0:
		return u.ask(ctx)
	case u.at == u.s.Size:
		return u.finish(ctx)
	}
	return u.patch(ctx)
}

// finish asks what became of the file. When the answer to the last bytes was
// lost the service may still be at it, or may have been killed over it.
func (u *tusUpload) finish(ctx context.Context) error {
	_, err := u.c.again(ctx, func() error {
		m, err := u.c.Mix(ctx, u.s.SHA256)
		if err == nil {
			u.mix = &m
		}
		if u.asked && statusOf(err) == http.StatusNotFound {
			return fmt.Errorf("all is sent and nothing is there yet: %w: %w", errUnfinished, err)
		}
		return err
	})
	if err != nil {
		return err
	}
	return u.note("")
}

// mend changes course after an error and reports whether there is one.
func (u *tusUpload) mend(err error) bool {
	switch s := statusOf(err); {
	case u.id != "" && (s == http.StatusNotFound || s == http.StatusGone):
		// Expired, or the service lost it.
		u.id, u.at, u.best = "", 0, 0
		return u.begins < maxBegins
	case s == http.StatusConflict:
		u.at = -1
		return u.id != ""
	case again(err):
		if u.id != "" {
			u.at = -1
		}
		return true
	}
	return false
}

func (u *tusUpload) begin(ctx context.Context) error {
	meta := []string{"sha256 " + base64.StdEncoding.EncodeToString([]byte(u.s.SHA256))}
	if u.s.Name != "" {
		meta = append(meta, "filename "+base64.StdEncoding.EncodeToString([]byte(u.s.Name)))
	}
	if u.c.o.Studio != "" {
		meta = append(meta, "studio "+base64.StdEncoding.EncodeToString([]byte(u.c.o.Studio)))
	}
	q := call{method: http.MethodPost, url: u.c.url(u.c.whose(), "uploads"), header: http.Header{
		"Tus-Resumable":   {tusVersion},
		"Upload-Length":   {strconv.FormatInt(u.s.Size, 10)},
		"Upload-Metadata": {strings.Join(meta, ",")},
	}}
	// An upload whose answer is lost stays behind empty; the service sweeps it.
	return u.c.try(ctx, q, func(r *http.Response) error {
		id, err := uploadID(r.Header.Get("Location"))
		if r.StatusCode != http.StatusCreated || err != nil {
			return u.c.strange(r, nil, "not the beginning of an upload", err)
		}
		if err := u.note(id); err != nil {
			return err
		}
		u.begins++
		u.id, u.at, u.best, u.asked = id, 0, 0, false
		u.t.tell(0)
		return nil
	})
}

// uploadID takes only the last part of a Location. Behind a proxy the rest may
// name another scheme, host or prefix, where the token must not go.
func uploadID(location string) (string, error) {
	l, err := url.Parse(location)
	if err != nil {
		return "", errors.New("the Location header is no address")
	}
	id := path.Base(l.Path)
	if id == "/" || location == "" {
		return "", errors.New("there is no Location header")
	}
	return id, named("upload", id)
}

func (u *tusUpload) url() string { return u.c.url(u.c.whose(), "uploads", u.id) }

// ask learns where the upload stands.
func (u *tusUpload) ask(ctx context.Context) error {
	q := call{method: http.MethodHead, url: u.url(), header: http.Header{"Tus-Resumable": {tusVersion}}}
	return u.c.try(ctx, q, func(r *http.Response) error {
		if l := r.Header.Get("Upload-Length"); l != "" && l != strconv.FormatInt(u.s.Size, 10) {
			return u.c.strange(r, nil, fmt.Sprintf("an upload of %.30q bytes, not of %d", l, u.s.Size), nil)
		}
		u.asked = true
		return u.stands(r, 0)
	})
}

// stands takes the offset of an answer.
func (u *tusUpload) stands(r *http.Response, least int64) error {
	n, err := strconv.ParseInt(r.Header.Get("Upload-Offset"), 10, 64)
	if err != nil || n < least || n > u.s.Size {
		return u.c.strange(r, nil, fmt.Sprintf("Upload-Offset %.30q; want %d to %d", r.Header.Get("Upload-Offset"), least, u.s.Size), nil)
	}
	u.at = n
	if n > u.best {
		u.best, u.good = n, u.c.o.Now()
	}
	u.t.tell(n)
	return nil
}

// patch sends one chunk.
func (u *tusUpload) patch(ctx context.Context) error {
	c, from := u.c, u.at
	n := min(c.o.ChunkBytes, u.s.Size-from)
	ctx, dog := watch(ctx, c.o.Idle)
	defer dog.end()
	resp, err := c.send(ctx, call{method: http.MethodPatch, url: u.url(), size: n,
		header: http.Header{
			"Tus-Resumable": {tusVersion},
			"Upload-Offset": {strconv.FormatInt(from, 10)},
			"Content-Type":  {"application/offset+octet-stream"},
		},
		body: func() io.Reader {
			at := from
			return &aliveReader{r: io.NewSectionReader(u.s.ReaderAt, from, n), dog: dog, d: c.o.Idle, left: n, last: storeTime,
				n: func(n int) { at += int64(n); u.t.tell(at) }}
		}})
	if err != nil {
		return cause(ctx, err)
	}
	defer drain(resp.Body)
	u.asked = false
	return u.stands(resp, from+1)
}

// note keeps the upload's identifier for another process; empty forgets it.
func (u *tusUpload) note(id string) error {
	if u.c.o.State == nil {
		return nil
	}
	if err := u.c.o.State.Save(u.print, id); err != nil {
		return fmt.Errorf("state of the upload: %w", err)
	}
	return nil
}

// fingerprint names an upload: these bytes, to this service, for this studio.
// The token is no part of it, for a new one may go on where an old one expired.
func (c *Client) fingerprint(s Source) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%s\n%s\n%s\n%d\n", c.base, c.o.Studio, s.SHA256, s.Name, s.Size)
	return hex.EncodeToString(h.Sum(nil))
}
