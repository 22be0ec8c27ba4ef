package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"discsafe/api/v1"
)

const (
	maxAnswer  = 32 << 20 // of JSON; a page of jobs with long histories is far below
	maxProblem = 1 << 20
	maxStart   = 160 // of an answer that is not ours, to be shown
)

// AnswerError tells of an answer that is not the service's own: a proxy's
// page, JSON cut short, a redirect. The service's own errors are *v1.Problem.
type AnswerError struct {
	Method, URL string
	Status      int
	Type        string // Content-Type
	What        string // what is wrong
	Start       string // how the body begins, on one line
	Err         error  // what reading or decoding said; may be nil

	cut   bool          // the body ended early
	after time.Duration // Retry-After
}

// Error says where, what, and how the answer begins.
func (e *AnswerError) Error() string {
	s := fmt.Sprintf("%s %s: status %d: %s", e.Method, e.URL, e.Status, e.What)
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Start != "" {
		s += fmt.Sprintf("; the answer begins %q", e.Start)
	}
	return s
}

// Unwrap is what reading or decoding said.
func (e *AnswerError) Unwrap() error { return e.Err }

// HashError tells of bytes that are not those announced. Nothing was kept.
type HashError struct {
	Name      string
	Want, Got string // SHA-256, hexadecimal
}

// Error says which file and which hashes.
func (e *HashError) Error() string {
	return fmt.Sprintf("%s: SHA-256 is %s, want %s; fetch it again", e.Name, e.Got, e.Want)
}

// strange makes an AnswerError of an answer whose body has been read to start.
func (c *Client) strange(r *http.Response, start []byte, what string, err error) *AnswerError {
	e := &AnswerError{Method: r.Request.Method, URL: r.Request.URL.Redacted(), Status: r.StatusCode,
		Type: r.Header.Get("Content-Type"), What: what, Err: err, after: c.retryAfter(r.Header)}
	if len(start) > maxStart {
		start = start[:maxStart]
	}
	e.Start = strings.Join(strings.Fields(strings.ToValidUTF8(string(start), "?")), " ")
	return e
}

// failed turns an answer that is no success into an error: *v1.Problem if the
// service wrote it, else *AnswerError. It reads and closes the body.
func (c *Client) failed(r *http.Response) error {
	defer drain(r.Body)
	if r.StatusCode >= 300 && r.StatusCode < 400 {
		return c.strange(r, nil, fmt.Sprintf("redirects to %.200q; if that is the service, give it as the server", r.Header.Get("Location")), nil)
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, maxProblem))
	if mediaType(r) == v1.ProblemType && err == nil {
		p := &v1.Problem{}
		if err = json.Unmarshal(body, p); err == nil {
			// The line is what happened; a body may say anything.
			p.Status = r.StatusCode
			def(&p.Code, fmt.Sprintf("http-%d", r.StatusCode))
			def(&p.Title, http.StatusText(r.StatusCode))
			if a := c.retryAfter(r.Header); a > 0 {
				p.After(a)
			}
			return p
		}
	}
	if r.Request.Method == http.MethodHead && r.Header.Get("Content-Type") == "" || mediaType(r) == v1.ProblemType && len(body) == 0 {
		// An answer to HEAD has no body by its nature.
		p := &v1.Problem{Status: r.StatusCode, Title: http.StatusText(r.StatusCode), Code: fmt.Sprintf("http-%d", r.StatusCode)}
		if a := c.retryAfter(r.Header); a > 0 {
			p.After(a)
		}
		return p
	}
	return c.strange(r, body, "not this service's answer", err)
}

// decode reads JSON of a bounded size into v.
func (c *Client) decode(r *http.Response, v any) error {
	if m := mediaType(r); m != "application/json" && !strings.HasSuffix(m, "+json") {
		start, _ := io.ReadAll(io.LimitReader(r.Body, maxStart)) // only to be shown
		return c.strange(r, start, "not JSON, so not this service's answer", nil)
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, maxAnswer+1))
	if err != nil {
		e := c.strange(r, nil, "the answer broke off", err)
		e.cut = true
		return e
	}
	if len(body) > maxAnswer {
		return c.strange(r, nil, fmt.Sprintf("the answer is longer than %d bytes", maxAnswer), nil)
	}
	if err := json.Unmarshal(body, v); err != nil {
		e := c.strange(r, body, "the answer is not the JSON expected", err)
		syntax, ok := errors.AsType[*json.SyntaxError](err)
		e.cut = ok && syntax.Offset >= int64(len(body))
		return e
	}
	return nil
}

func mediaType(r *http.Response) string {
	m, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return ""
	}
	return m
}

// retryAfter reads Retry-After, seconds or a date (RFC 9110, 10.2.3); 0 if
// there is none that can be read.
func (c *Client) retryAfter(h http.Header) time.Duration {
	s := h.Get("Retry-After")
	if n, err := strconv.ParseUint(s, 10, 31); err == nil {
		return time.Duration(n) * time.Second
	}
	if t, err := http.ParseTime(s); err == nil {
		return max(0, t.Sub(c.o.Now()))
	}
	return 0
}

// statusOf is the status an error tells of, 0 if none.
func statusOf(err error) int {
	if p, ok := errors.AsType[*v1.Problem](err); ok {
		return p.Status
	}
	if a, ok := errors.AsType[*AnswerError](err); ok {
		return a.Status
	}
	return 0
}

// waitOf is how long an error asks to wait, 0 if it does not.
func waitOf(err error) time.Duration {
	if p, ok := errors.AsType[*v1.Problem](err); ok {
		return time.Duration(min(max(0, p.RetryAfter), 1<<30)) * time.Second
	}
	if a, ok := errors.AsType[*AnswerError](err); ok {
		return a.after
	}
	return 0
}
