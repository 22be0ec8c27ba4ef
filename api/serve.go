package api

import (
	"errors"
	"io"
	"net/http"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
)

// around is the outermost layer: it bounds size and time. The gate within it
// logs, counts, and turns panics into answers.
func (s *Server) around(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a := &answer{ResponseWriter: w, control: http.NewResponseController(w), every: s.limits.WriteTimeout}
		var body *paced
		if r.Body != nil && r.Body != http.NoBody {
			body = &paced{body: r.Body, control: a.control, idle: s.limits.BodyTimeout}
			copied := *r
			r = &copied
			r.Body = body
		}
		defer func() {
			a.patience()
			if body != nil && !body.ended && !body.failed {
				// The server reads on a little to keep the connection; not for long.
				_ = a.control.SetReadDeadline(time.Now().Add(unreadWait))
			}
		}()
		next.ServeHTTP(a, r)
	})
}

// short refuses addresses that nobody needs.
func short(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if len(r.URL.RawQuery) > maxQueryBytes || len(r.URL.Path) > maxPathBytes {
			access.Refuse(w, r, v1.NewProblem(v1.BadRequest, "the address is too long"))
			return
		}
		next.ServeHTTP(w, r)
	})
}

const (
	maxQueryBytes = 4 << 10
	maxPathBytes  = 2 << 10
	unreadWait    = 5 * time.Second
)

// answer is the way out of every request. A reader who takes nothing for a
// while loses the connection.
type answer struct {
	http.ResponseWriter
	control *http.ResponseController
	every   time.Duration
}

// Unwrap is for http.ResponseController.
func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// patience starts the wait for the reader anew. Not every connection knows deadlines.
func (a *answer) patience() { _ = a.control.SetWriteDeadline(time.Now().Add(a.every)) }

// WriteHeader implements http.ResponseWriter.
func (a *answer) WriteHeader(status int) {
	a.patience()
	a.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter.
func (a *answer) Write(p []byte) (int, error) {
	a.patience()
	return a.ResponseWriter.Write(p)
}

// paced is a body that must keep coming: something every idle, and after a
// minute at least slowest on the average.
type paced struct {
	body    io.ReadCloser
	control *http.ResponseController
	idle    time.Duration
	start   time.Time
	n       int64
	ended   bool
	failed  bool
}

// slowest is far below any line that can send a mix at all.
const slowest = 1 << 10 // bytes per second

// Read implements io.Reader.
func (p *paced) Read(b []byte) (int, error) {
	now := time.Now()
	if p.start.IsZero() {
		p.start = now
	}
	end := now.Add(p.idle)
	if due := p.start.Add(time.Minute + time.Duration(p.n/slowest)*time.Second); due.Before(end) {
		end = due
	}
	_ = p.control.SetReadDeadline(end) // not every connection knows deadlines
	n, err := p.body.Read(b)
	p.n += int64(n)
	switch {
	case errors.Is(err, io.EOF):
		// A deadline that passes while the handler works would take the client for gone.
		p.ended = true
		_ = p.control.SetReadDeadline(time.Time{})
	case err != nil:
		// The deadline stays: the server would read on before it answers.
		p.failed = true
	}
	return n, err
}

// Close implements io.Closer.
func (p *paced) Close() error { return p.body.Close() }
