package client

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"time"

	"discsafe/api/v1"
)

// call is one question to the service.
type call struct {
	method string
	url    string
	header http.Header
	body   func() io.Reader // fresh for every try; nil: none
	size   int64            // of the body
	once   bool             // doing it twice would do harm, so it is tried again only if it surely was not done
	time   time.Duration    // for one try, 0: answerTime, negative: as long as the caller's context
}

// send tries once. An answer that is no success becomes an error. The caller
// closes the body.
func (c *Client) send(ctx context.Context, q call) (*http.Response, error) {
	var body io.Reader
	if q.body != nil {
		body = q.body()
	}
	req, err := http.NewRequestWithContext(ctx, q.method, q.url, body)
	if err != nil {
		return nil, err
	}
	for k, v := range q.header {
		req.Header[k] = v
	}
	if q.body != nil {
		req.ContentLength = q.size
		if q.size == 0 {
			req.Body = http.NoBody
		}
		req.GetBody = func() (io.ReadCloser, error) { return io.NopCloser(q.body()), nil }
	}
	req.Header.Set("User-Agent", c.o.UserAgent)
	if c.o.Token != "" {
		req.Header.Set("Authorization", "Bearer "+c.o.Token)
	}
	if req.Header.Get("Accept") == "" {
		req.Header.Set("Accept", "application/json, "+v1.ProblemType)
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, err
	}
	if resp.StatusCode < 200 || resp.StatusCode > 299 {
		return nil, c.failed(resp)
	}
	return resp, nil
}

// do sends, and again while that is safe and promises anything; use reads the
// answer and closes nothing. tries counts from 1.
func (c *Client) do(ctx context.Context, q call, use func(r *http.Response) error) (tries int, err error) {
	return c.repeat(ctx, func() error { return c.try(ctx, q, use) }, func(err error) bool { return !q.once || undone(err) })
}

// again tries what may be done any number of times.
func (c *Client) again(ctx context.Context, try func() error) (tries int, err error) {
	return c.repeat(ctx, try, func(error) bool { return true })
}

func (c *Client) repeat(ctx context.Context, try func() error, safe func(error) bool) (tries int, err error) {
	for tries = 1; ; tries++ {
		if err = try(); err == nil {
			return tries, nil
		}
		if ctx.Err() != nil || tries > c.o.Retries || !again(err) || !safe(err) || waitOf(err) > longWait {
			return tries, err
		}
		if err := c.pause(ctx, tries, err); err != nil {
			return tries, err
		}
	}
}

func (c *Client) try(ctx context.Context, q call, use func(r *http.Response) error) error {
	if q.time >= 0 {
		def(&q.time, answerTime)
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, q.time)
		defer cancel()
	}
	resp, err := c.send(ctx, q)
	if err != nil {
		return err
	}
	defer drain(resp.Body)
	return use(resp)
}

// pause waits before try n+1: as long as the service asks, else twice as long
// each time, from half a second to half a minute, less up to half by chance so
// that many clients do not come back together.
func (c *Client) pause(ctx context.Context, n int, why error) error {
	d := min(30*time.Second, 500*time.Millisecond<<min(n-1, 10))
	d -= rand.N(d/2 + 1)
	if w := waitOf(why); w > 0 {
		d = w + rand.N(w/8+1)
		if c.o.Waits != nil {
			c.o.Waits(d, why)
		}
	}
	c.log.DebugContext(ctx, "trying again", "after", d, "try", n+1, "because", why)
	if err := c.o.Sleep(ctx, d); err != nil {
		return fmt.Errorf("%w; the last try said: %w", err, why)
	}
	return nil
}

// again reports whether another try may end better.
func again(err error) bool {
	if errors.Is(err, errUnfinished) {
		return true
	}
	switch statusOf(err) {
	case 0:
	case http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests, http.StatusLocked,
		http.StatusInternalServerError, http.StatusBadGateway, http.StatusServiceUnavailable,
		http.StatusGatewayTimeout, http.StatusInsufficientStorage:
		return true
	default:
		a, ok := errors.AsType[*AnswerError](err)
		return ok && a.cut
	}
	// A certificate or a name does not get better by asking again.
	if dns, ok := errors.AsType[*net.DNSError](err); ok && dns.IsNotFound {
		return false
	}
	for _, as := range []func() bool{
		is[*tls.CertificateVerificationError](err), is[tls.RecordHeaderError](err), is[tls.AlertError](err),
		is[x509.UnknownAuthorityError](err), is[x509.HostnameError](err), is[x509.CertificateInvalidError](err),
	} {
		if as() {
			return false
		}
	}
	// Any other error of *url.Error is the line's; others are the caller's.
	_, line := errors.AsType[*url.Error](err)
	return line || errors.Is(err, errStalled) || errors.Is(err, errBroke)
}

func is[E error](err error) func() bool {
	return func() bool { _, ok := errors.AsType[E](err); return ok }
}

// undone reports whether the service surely did nothing: it was never reached,
// or turned the question away unread.
func undone(err error) bool {
	return Unreached(err) || statusOf(err) == http.StatusTooManyRequests
}

// Unreached reports whether an error says that nothing answers at an address.
func Unreached(err error) bool {
	op, ok := errors.AsType[*net.OpError](err)
	return ok && op.Op == "dial"
}

// ask sends in as JSON, unless it is nil, and reads the answer into out,
// unless that is nil.
func (c *Client) ask(ctx context.Context, q call, in, out any) (tries int, header http.Header, status int, err error) {
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			return 0, nil, 0, err
		}
		q.body, q.size = func() io.Reader { return bytes.NewReader(text) }, int64(len(text))
		if q.header == nil {
			q.header = http.Header{}
		}
		q.header.Set("Content-Type", "application/json")
	}
	tries, err = c.do(ctx, q, func(r *http.Response) error {
		header, status = r.Header, r.StatusCode
		if out == nil {
			return nil
		}
		return c.decode(r, out)
	})
	return tries, header, status, err
}

func get[T any](ctx context.Context, c *Client, query url.Values, parts ...string) (T, error) {
	var out T
	_, _, _, err := c.ask(ctx, call{method: http.MethodGet, url: c.url(query, parts...)}, nil, &out)
	if err != nil {
		// A half-decoded answer is not one.
		var none T
		return none, err
	}
	return out, nil
}
