package client

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"sync"

	"discsafe/api/v1"
)

var isSHA256 = regexp.MustCompile(`^[0-9a-f]{64}$`)

// Source is a mix or room file to be handed in. It must not change meanwhile.
type Source struct {
	Name string // for people; the service knows it by its hash
	io.ReaderAt
	Size   int64
	SHA256 string // if it is known already; empty: Upload computes it
}

// Upload hands in a file, unless the service has its bytes already. Small
// files go in one request, others in chunks; what breaks off goes on where it
// stood, with Options.State also in another process. progress, which may be
// nil, is told how much of the whole is there; it may step back when a chunk
// broke off. Calls of it never overlap.
func (c *Client) Upload(ctx context.Context, s Source, progress func(sent, total int64)) (v1.Mix, error) {
	if s.ReaderAt == nil || s.Size < 0 {
		return v1.Mix{}, fmt.Errorf("upload %s: nothing to read", s.Name)
	}
	if s.SHA256 == "" {
		sha, err := hashOf(ctx, io.NewSectionReader(s.ReaderAt, 0, s.Size), s.Size)
		if err != nil {
			return v1.Mix{}, fmt.Errorf("upload %s: %w", s.Name, err)
		}
		s.SHA256 = sha
	} else if !isSHA256.MatchString(s.SHA256) {
		return v1.Mix{}, fmt.Errorf("upload %s: SHA-256 %.80q: want 64 lower-case hexadecimal digits", s.Name, s.SHA256)
	}
	t := &teller{fn: progress, total: s.Size}
	defer t.end()
	there, err := c.has(ctx, s.SHA256)
	switch {
	case err != nil:
	case there:
		t.tell(s.Size)
		var m v1.Mix
		if m, err = c.Mix(ctx, s.SHA256); err == nil {
			return m, nil
		}
	case s.Size < c.o.SmallBytes:
		var m v1.Mix
		if m, err = c.put(ctx, s, t); err == nil {
			t.tell(s.Size)
			return m, nil
		}
	default:
		var m v1.Mix
		if m, err = c.tus(ctx, s, t); err == nil {
			return m, nil
		}
	}
	return v1.Mix{}, fmt.Errorf("upload %s: %w", s.Name, err)
}

// UploadFile hands in the file at path.
func (c *Client) UploadFile(ctx context.Context, path string, progress func(sent, total int64)) (v1.Mix, error) {
	f, err := os.Open(path)
	if err != nil {
		return v1.Mix{}, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return v1.Mix{}, err
	}
	if !st.Mode().IsRegular() {
		return v1.Mix{}, fmt.Errorf("upload %s: not a file", path)
	}
	return c.Upload(ctx, Source{Name: filepath.Base(path), ReaderAt: f, Size: st.Size()}, progress)
}

// Mix tells of a file handed in before.
func (c *Client) Mix(ctx context.Context, sha string) (v1.Mix, error) {
	m, err := get[v1.Mix](ctx, c, c.whose(), "mixes", sha)
	if err == nil && m.SHA256 != sha {
		err = fmt.Errorf("mix %s: the service tells of %.64q", sha, m.SHA256)
	}
	return m, err
}

func (c *Client) whose() url.Values {
	if c.o.Studio == "" {
		return nil
	}
	return url.Values{"studio": {c.o.Studio}}
}

func (c *Client) has(ctx context.Context, sha string) (bool, error) {
	_, _, _, err := c.ask(ctx, call{method: http.MethodHead, url: c.url(c.whose(), "mixes", sha)}, nil, nil)
	if s := statusOf(err); s == http.StatusNotFound || s == http.StatusGone {
		return false, nil
	}
	return err == nil, err
}

// put sends a file in one request. It may be repeated: the address is the hash.
func (c *Client) put(ctx context.Context, s Source, t *teller) (v1.Mix, error) {
	q := c.whose()
	if s.Name != "" {
		if q == nil {
			q = url.Values{}
		}
		q.Set("name", s.Name)
	}
	u := c.url(q, "mixes", s.SHA256)
	var m v1.Mix
	_, err := c.again(ctx, func() error {
		ctx, dog := watch(ctx, c.o.Idle)
		defer dog.end()
		resp, err := c.send(ctx, call{method: http.MethodPut, url: u, size: s.Size,
			header: http.Header{"Content-Type": {"application/octet-stream"}},
			body: func() io.Reader {
				at := int64(0)
				return &aliveReader{r: io.NewSectionReader(s.ReaderAt, 0, s.Size), dog: dog, d: c.o.Idle, left: s.Size, last: storeTime,
					n: func(n int) { at += int64(n); t.tell(at) }}
			}})
		if err != nil {
			return cause(ctx, err)
		}
		defer drain(resp.Body)
		return cause(ctx, c.decode(resp, &m))
	})
	if err == nil && m.SHA256 != s.SHA256 {
		err = fmt.Errorf("the service tells of %.64q in answer to %s", m.SHA256, s.SHA256)
	}
	return m, err
}

// hashOf is the SHA-256 of exactly size bytes.
func hashOf(ctx context.Context, r io.Reader, size int64) (string, error) {
	h := sha256.New()
	n, err := io.CopyBuffer(h, ctxReader{ctx, r}, make([]byte, 1<<20))
	if err != nil {
		return "", err
	}
	if n != size {
		return "", fmt.Errorf("holds %d bytes, not %d; does somebody write to it?", n, size)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (c ctxReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}

// teller passes progress on. After the end it is silent, though a transport
// may still hold the reader that feeds it.
type teller struct {
	mu    sync.Mutex
	fn    func(sent, total int64)
	total int64
	last  int64
	begun bool
}

func (t *teller) tell(at int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.fn != nil && (!t.begun || at != t.last) {
		t.begun, t.last = true, at
		t.fn(at, t.total)
	}
}

func (t *teller) end() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.fn = nil
}

// SidePlan is a side to be submitted from files of this machine.
type SidePlan struct {
	Path     string    // of the plan
	Names    []string  // the mixes and the room file as the plan names them, relative to its folder
	Submit   v1.Submit // everything but Plan and Files
	Key      string    // idempotency key; empty: one of its own
	Progress func(name string, sent, total int64)
}

const maxPlan = 262144 // bytes, as v1.Submit says

// PlanFiles hands in the files of a plan and returns the submission that names
// them. It does not read what the plan says.
func (c *Client) PlanFiles(ctx context.Context, p SidePlan) (v1.Submit, error) {
	s := p.Submit
	f, err := os.Open(p.Path)
	if err != nil {
		return s, err
	}
	text, err := io.ReadAll(io.LimitReader(f, maxPlan+1))
	_ = f.Close() // only read
	if err != nil {
		return s, err
	}
	if len(text) > maxPlan {
		return s, fmt.Errorf("plan %s: longer than %d bytes", p.Path, maxPlan)
	}
	s.Plan, s.Files = string(text), []v1.Use{}
	done := map[string]bool{}
	for _, name := range p.Names {
		if name == "" {
			return s, errors.New("plan " + p.Path + ": a file without a name")
		}
		if done[name] {
			continue
		}
		done[name] = true
		path := filepath.FromSlash(name)
		if !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(p.Path), path)
		}
		var progress func(sent, total int64)
		if p.Progress != nil {
			progress = func(sent, total int64) { p.Progress(name, sent, total) }
		}
		m, err := c.UploadFile(ctx, path, progress)
		if err != nil {
			return s, err
		}
		s.Files = append(s.Files, v1.Use{Name: name, SHA256: m.SHA256})
	}
	return s, nil
}

// SubmitPlan hands in the files of a plan and submits it, see Submit.
func (c *Client) SubmitPlan(ctx context.Context, p SidePlan) (job *v1.Job, replayed bool, err error) {
	s, err := c.PlanFiles(ctx, p)
	if err != nil {
		return nil, false, err
	}
	return c.Submit(ctx, s, p.Key)
}
