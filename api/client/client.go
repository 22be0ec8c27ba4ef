package client

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"
)

// Defaults of Options.
const (
	DefaultRetries    = 5
	DefaultSmallBytes = 8 << 20
	DefaultChunkBytes = 16 << 20
	DefaultGiveUp     = 10 * time.Minute
	DefaultIdle       = 60 * time.Second
	DefaultPoll       = 2 * time.Second
)

const (
	answerTime = 2 * time.Minute // for one answer of JSON
	storeTime  = 5 * time.Minute // for the service to hash and sync what it was sent
	longWait   = 2 * time.Minute // a longer Retry-After is the caller's to wait out
)

// Options say which service to speak to, and how. Only Server is required.
type Options struct {
	Server         string // http(s)://host:port, perhaps with a path
	Token          string // empty: no sign-in
	Studio         string // engineers and operators: whose mixes Upload hands in; a studio's token says it itself
	AllowPlaintext bool   // send the token over plain http to other machines too

	HTTP      *http.Client // nil: one of its own. Redirects are never followed; a Timeout would cut off uploads and events
	UserAgent string       // empty: "discsafe-client"
	Log       *slog.Logger // nil: nothing is logged. Retries are logged at level debug

	Retries    int           // further tries of what may be tried again; 0: DefaultRetries, negative: none
	State      State         // where uploads under way are noted; nil: they cannot go on in another process
	SmallBytes int64         // files below are sent in one request; 0: DefaultSmallBytes, negative: none are
	ChunkBytes int64         // of one request of a resumable upload; 0: DefaultChunkBytes
	GiveUp     time.Duration // an upload, download or watch without progress for so long fails; 0: DefaultGiveUp
	Idle       time.Duration // a connection without a byte for so long is cut and made again; 0: DefaultIdle
	Poll       time.Duration // between looks at a job where events are not to be had; 0: DefaultPoll

	// Waits is told before a wait that the service asked for, with what it said; nil: nobody is.
	Waits func(d time.Duration, why error)

	Now   func() time.Time                                 // nil: time.Now
	Sleep func(ctx context.Context, d time.Duration) error // nil: a timer; returns early with the context's error
}

// Client speaks to one service. It may be used by many goroutines. Make one
// with New, and Close it.
type Client struct {
	o    Options
	base *url.URL // without a slash at the end
	http *http.Client
	own  bool // the transport is ours to close
	log  *slog.Logger
}

// New makes a client. It sends nothing yet. It refuses addresses that hold
// more than scheme, host and path, and a token that would cross a network in
// the clear.
func New(o Options) (*Client, error) {
	u, err := url.Parse(o.Server)
	switch {
	case err != nil:
		// The error of url.Parse repeats the address, and that may hold a password.
		return nil, errors.New("server: not an address; want http(s)://host:port")
	case u.User != nil:
		return nil, errors.New("server: the address holds a user or password; give the token apart")
	case u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		return nil, fmt.Errorf("server %q: want http(s)://host:port", o.Server)
	case u.RawQuery != "" || u.Fragment != "":
		return nil, fmt.Errorf("server %q: want an address without ? and #", u.Redacted())
	case strings.ContainsFunc(o.Token, func(r rune) bool { return r <= ' ' || r > '~' }):
		return nil, errors.New("token: holds blanks, line breaks or other characters that no token has")
	case o.Token != "" && u.Scheme == "http" && !o.AllowPlaintext && !loopback(u.Hostname()):
		return nil, fmt.Errorf("server %q: a token would cross the network in the clear; use https, or allow plain text in so many words", o.Server)
	}
	u.Path = strings.TrimRight(path.Clean("/"+u.Path), "/")
	u.RawPath = ""
	c := &Client{o: o, base: u, log: o.Log}
	o2 := &c.o
	def(&o2.UserAgent, "discsafe-client")
	def(&o2.Retries, DefaultRetries)
	o2.Retries = max(0, o2.Retries)
	def(&o2.SmallBytes, DefaultSmallBytes)
	def(&o2.ChunkBytes, DefaultChunkBytes)
	def(&o2.GiveUp, DefaultGiveUp)
	def(&o2.Idle, DefaultIdle)
	def(&o2.Poll, DefaultPoll)
	if o2.ChunkBytes < 1 || o2.GiveUp < 0 || o2.Idle < 0 || o2.Poll < 0 {
		return nil, errors.New("options: sizes and times must not be negative")
	}
	if o2.Now == nil {
		o2.Now = time.Now
	}
	if o2.Sleep == nil {
		o2.Sleep = sleep
	}
	if c.log == nil {
		c.log = slog.New(slog.DiscardHandler)
	}
	if o.HTTP != nil {
		h := *o.HTTP
		c.http = &h
	} else {
		t := &http.Transport{
			Proxy:                 http.ProxyFromEnvironment,
			DialContext:           (&net.Dialer{Timeout: 20 * time.Second, KeepAlive: 30 * time.Second}).DialContext,
			ForceAttemptHTTP2:     true,
			TLSHandshakeTimeout:   20 * time.Second,
			MaxIdleConnsPerHost:   8,
			IdleConnTimeout:       60 * time.Second,
			ExpectContinueTimeout: time.Second,
		}
		c.http, c.own = &http.Client{Transport: t}, true
	}
	// A redirect to another scheme or host would carry token or mix there.
	c.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return c, nil
}

// Close ends connections that lie idle. Calls under way go on.
func (c *Client) Close() {
	if c.own {
		c.http.CloseIdleConnections()
	}
}

// NewKey is an idempotency key that nobody else has.
func NewKey() string { return rand.Text() }

func def[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

func loopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// url is the address of /v1/PARTS, each part escaped.
func (c *Client) url(query url.Values, parts ...string) string {
	var b strings.Builder
	b.WriteString(c.base.String())
	b.WriteString("/v1")
	for _, p := range parts {
		b.WriteByte('/')
		b.WriteString(url.PathEscape(p))
	}
	if len(query) > 0 {
		b.WriteByte('?')
		b.WriteString(query.Encode())
	}
	return b.String()
}

// named refuses identifiers that would change which address is asked.
func named(what, id string) error {
	if id == "" || id == "." || id == ".." || len(id) > 1024 {
		return fmt.Errorf("%s %.40q: not an identifier", what, id)
	}
	return nil
}

// drain lets the connection be used again, unless too much is left.
func drain(r io.ReadCloser) {
	_, _ = io.CopyN(io.Discard, r, 64<<10) // what is lost is the connection, not the answer
	_ = r.Close()
}
