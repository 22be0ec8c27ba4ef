package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"hash"
	"io"
	"net/http"
	"os"
	"sync"
	"time"

	v1 "discsafe/api/v1"
)

// roomEvery is how many bytes come between two looks at the free space.
const roomEvery = 8 << 20

// paced reads the body of a request and gives up when it comes too slowly: later
// than the average rate allows, or after a silence. It moves the read deadline
// of the connection, so a sender that stops is cut off while Read waits. The
// clock is that of the connection, not Options.Now.
type paced struct {
	src   io.ReadCloser
	conn  *http.ResponseController
	rate  int64
	grace time.Duration
	start time.Time
	n     int64
	err   error

	mu     sync.Mutex // between Read and interrupt
	closed bool       // interrupted, or nothing more will be read
}

func (in *Intake) paced(w http.ResponseWriter, r *http.Request) *paced {
	return &paced{src: r.Body, conn: http.NewResponseController(w), rate: in.limits.MinRate, grace: in.limits.Grace}
}

func (b *paced) Read(p []byte) (int, error) {
	if b.err != nil {
		return 0, b.err
	}
	now := time.Now()
	if b.start.IsZero() {
		b.start = now
	}
	// Bytes that came fast buy no silence later.
	deadline := now.Add(b.grace)
	if b.rate > 0 {
		due := b.start.Add(b.grace + time.Duration(float64(b.n)/float64(b.rate)*float64(time.Second)))
		if due.Before(deadline) {
			deadline = due
		}
	}
	b.deadline(deadline)
	n, err := b.src.Read(p)
	b.n += int64(n)
	if err != nil {
		if errors.Is(err, os.ErrDeadlineExceeded) {
			err = slow()
		} else {
			// The server goes on watching the connection; no deadline of ours may
			// end that while the store is still writing.
			b.deadline(time.Time{})
		}
		b.mu.Lock()
		b.closed = true
		b.mu.Unlock()
		b.err = err
	}
	return n, err
}

func (b *paced) deadline(t time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.closed {
		// Writers without deadlines (tests, wrappers) have none to move.
		_ = b.conn.SetReadDeadline(t)
	}
}

// interrupt ends a Read that waits. A body that was read to its end is left
// alone, and its connection too.
func (b *paced) interrupt() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return nil
	}
	b.closed = true
	return b.conn.SetReadDeadline(time.Now())
}

func (b *paced) Close() error { return b.src.Close() }

// cut hands on at most limit bytes and ends with a problem where there are more,
// or where the free space falls below the watermark.
type cut struct {
	in    *Intake
	ctx   context.Context
	src   io.Reader
	limit int64
	over  *v1.Problem // instead of the plain one
	n     int64
	look  int64
	err   error
}

func (in *Intake) cut(ctx context.Context, src io.Reader, limit int64) *cut {
	return &cut{in: in, ctx: ctx, src: src, limit: limit, look: roomEvery}
}

func (c *cut) Read(p []byte) (int, error) {
	if c.err != nil {
		return 0, c.err
	}
	if len(p) == 0 {
		return 0, nil
	}
	if left := c.limit - c.n; int64(len(p)) > left+1 {
		p = p[:left+1]
	}
	n, err := c.src.Read(p)
	c.n += int64(n)
	if c.n > c.limit {
		n -= int(c.n - c.limit)
		if c.err = c.over; c.over == nil {
			c.err = tooLarge(c.limit)
		}
		return n, c.err
	}
	if err == nil && c.n >= c.look {
		c.look = c.n + roomEvery
		if p := c.in.room(c.ctx, 0); p != nil {
			err = p
		}
	}
	c.err = err
	return n, err
}

// verified ends with a problem instead of io.EOF unless the hash is the one that
// was announced, so that a store that copies from it keeps nothing.
type verified struct {
	src  io.Reader
	want string
	h    hash.Hash
}

func verify(src io.Reader, want string) *verified {
	return &verified{src: src, want: want, h: sha256.New()}
}

func (v *verified) Read(p []byte) (int, error) {
	n, err := v.src.Read(p)
	v.h.Write(p[:n])
	if err == io.EOF {
		if got := hex.EncodeToString(v.h.Sum(nil)); got != v.want {
			return n, hashDiffers(v.want, got)
		}
	}
	return n, err
}
