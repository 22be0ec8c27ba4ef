package access

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"time"

	v1 "discsafe/api/v1"
)

// state is what the gate knows of a request.
type state struct {
	gate      *Gate
	begun     time.Time
	requestID string
	trace     Trace
	client    Client
	probe     bool
	hidePath  bool // it carries a secret

	inner   *http.Request // as handed on; the mux notes its pattern there
	tokenID string
	still   func(context.Context) (Identity, error)
	refused string // kind
	err     error  // what the store said
}

type stateKey struct{}

func stateFrom(ctx context.Context) *state {
	st, _ := ctx.Value(stateKey{}).(*state)
	return st
}

func observe(ctx context.Context, kind string) {
	if st := stateFrom(ctx); st != nil {
		st.refused = kind
		st.gate.observe(kind)
	}
}

// Still says whether the identity that a request came in with would still be let
// in: nil, ErrUnknown, ErrExpired, or the store's error. Answers that last, such
// as streams of events, ask it at least every RevokedWithin; it is cheap.
func Still(ctx context.Context) error {
	st := stateFrom(ctx)
	if st == nil || st.still == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, lookupTime)
	defer cancel()
	_, err := st.still(ctx)
	return err
}

// begin finds out about a request what does not depend on who asks.
func (g *Gate) begin(r *http.Request) (*http.Request, *state) {
	o := g.proxies.origin(r)
	st := &state{
		gate: g, begun: g.opt.Now(), client: o.client, probe: isProbe(r.Method, r.URL.Path),
		requestID: requestIDOf(r, o.proxied), trace: traceOf(r.Header),
	}
	st.client.Secure = st.client.Secure || g.opt.Secure
	r = r.WithContext(context.WithValue(r.Context(), stateKey{}, st))
	if o.host != "" {
		r.Host = o.host
	}
	return r, st
}

// stateOf is for handlers of the gate that may stand outside Wrap.
func (g *Gate) stateOf(r *http.Request) *state {
	if st := stateFrom(r.Context()); st != nil {
		return st
	}
	_, st := g.begin(r)
	return st
}

// apiPolicy lets a browser do nothing with an answer of the API but show it.
// There is no sandbox in it: with Cross-Origin-Opener-Policy that would make
// browsers refuse to open the answer at all.
const apiPolicy = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// setHeaders sets what every answer carries. Handlers may set others: a page its
// own policy, a file that may be kept its Cache-Control.
func (g *Gate) setHeaders(h http.Header, st *state) {
	h.Set(RequestIDHeader, st.requestID)
	h.Set("Content-Security-Policy", apiPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY") // for browsers without frame-ancestors
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if st.client.Secure {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

// finish recovers from a panic and writes the log, once for each request.
func (g *Gate) finish(w *writer, r *http.Request, st *state) {
	v := recover()
	var attrs []slog.Attr
	abort := v == http.ErrAbortHandler //nolint:errorlint // a panic's value, compared as net/http does
	if v != nil && !abort {
		g.observe(Panicked)
		attrs = append(attrs, slog.String("panic", Scrub(fmt.Sprint(v))), slog.String("stack", Scrub(string(debug.Stack()))))
		if w.status == 0 {
			// Whatever the handler meant to send with its answer does not belong to this.
			clear(w.Header())
			g.setHeaders(w.Header(), st)
			Refuse(w, r, v1.NewProblem(v1.Internal, ""))
		} else {
			abort = true // half an answer must not look like a whole one
		}
	}
	if !abort {
		w.begun()
	}
	g.log(w, r, st, abort, v != nil && v != http.ErrAbortHandler, attrs) //nolint:errorlint // as above
	if abort {
		panic(http.ErrAbortHandler)
	}
}

const maxLogged = 200 // bytes of what a client chose

func (g *Gate) log(w *writer, r *http.Request, st *state, aborted, panicked bool, attrs []slog.Attr) {
	if st.probe && w.status < http.StatusInternalServerError && !panicked {
		return
	}
	took := g.opt.Now().Sub(st.begun)
	route := ""
	if st.inner != nil {
		route = st.inner.Pattern
	}
	if g.opt.Served != nil && !st.probe {
		g.opt.Served(route, knownMethod(r.Method), w.status, took)
	}
	level := slog.LevelInfo
	switch {
	case panicked:
		level = slog.LevelError
	case w.status >= http.StatusInternalServerError:
		level = slog.LevelWarn
	}
	line := []slog.Attr{
		slog.String("method", cut(Scrub(r.Method))),
		slog.String("route", route),
	}
	if !st.hidePath {
		line = append(line, slog.String("path", cut(Scrub(r.URL.Path))))
	}
	line = append(line,
		slog.Int("status", w.status),
		slog.Int64("bytes", w.bytes),
		slog.Float64("ms", float64(took.Microseconds())/1000),
		slog.String("request", st.requestID),
		slog.String("trace", st.trace.ID),
		slog.String("client", st.client.Addr.String()),
	)
	if st.tokenID != "" {
		line = append(line, slog.String("token", st.tokenID))
	}
	if st.refused != "" {
		line = append(line, slog.String("refused", st.refused))
	}
	if aborted {
		line = append(line, slog.Bool("aborted", true))
	}
	if st.err != nil {
		line = append(line, slog.String("error", Scrub(st.err.Error())))
	}
	// The request's context may be over; a handler may not care.
	g.opt.Log.LogAttrs(context.WithoutCancel(r.Context()), level, "request", append(line, attrs...)...)
}

func cut(s string) string {
	if len(s) > maxLogged {
		return s[:maxLogged] + "..."
	}
	return s
}

// knownMethod keeps labels of metrics few.
func knownMethod(m string) string {
	switch m {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return m
	}
	return "other"
}
