package access

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"net/http"
	"strings"
)

// RequestIDHeader carries the request's id in answers, and from trusted proxies.
const RequestIDHeader = "X-Request-Id"

// RequestID returns the id of the request, as in the log and in problems, or "".
func RequestID(ctx context.Context) string {
	if st := stateFrom(ctx); st != nil {
		return st.requestID
	}
	return ""
}

// Trace is the place of a request in a trace, as W3C Trace Context has it.
type Trace struct {
	ID      string // 32 hex digits
	Parent  string // span that called, 16 hex digits; "" if the trace begins here
	Span    string // this request, 16 hex digits
	Sampled bool
}

// String is the traceparent header for what the request causes; "" of the zero
// Trace.
func (t Trace) String() string {
	if t.ID == "" {
		return ""
	}
	flags := "00"
	if t.Sampled {
		flags = "01"
	}
	return "00-" + t.ID + "-" + t.Span + "-" + flags
}

// TraceFrom returns the trace of the request, or the zero Trace.
func TraceFrom(ctx context.Context) Trace {
	if st := stateFrom(ctx); st != nil {
		return st.trace
	}
	return Trace{}
}

// traceOf continues the trace a request came with, or begins one.
func traceOf(h http.Header) Trace {
	t := Trace{Span: randomHex(8)}
	if v := h.Values("Traceparent"); len(v) == 1 {
		if id, parent, sampled, ok := parseTraceparent(v[0]); ok {
			t.ID, t.Parent, t.Sampled = id, parent, sampled
			return t
		}
	}
	t.ID = randomHex(16)
	return t
}

// parseTraceparent reads version-id-parent-flags (W3C Trace Context, 3.2).
// Versions above 00 may have more after a dash; ff is none.
func parseTraceparent(s string) (id, parent string, sampled, ok bool) {
	const n = 55 // 2+1+32+1+16+1+2
	if len(s) < n || len(s) > 512 || s[2] != '-' || s[35] != '-' || s[52] != '-' {
		return "", "", false, false
	}
	version, id, parent, flags := s[:2], s[3:35], s[36:52], s[53:n]
	if !lowerHex(version) || !lowerHex(id) || !lowerHex(parent) || !lowerHex(flags) || version == "ff" {
		return "", "", false, false
	}
	if len(s) > n && (version == "00" || s[n] != '-') {
		return "", "", false, false
	}
	if strings.Trim(id, "0") == "" || strings.Trim(parent, "0") == "" {
		return "", "", false, false
	}
	b, err := hex.DecodeString(flags)
	return id, parent, err == nil && b[0]&1 == 1, err == nil
}

func lowerHex(s string) bool {
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

func randomHex(n int) string {
	b := make([]byte, n)
	rand.Read(b) //nolint:errcheck // documented never to return an error
	return hex.EncodeToString(b)
}

// requestIDOf takes over a trusted proxy's id, so that both logs can be read
// together, if it is well formed; everybody else gets a new one.
func requestIDOf(r *http.Request, proxied bool) string {
	if v := r.Header.Values(RequestIDHeader); proxied && len(v) == 1 && requestIDForm(v[0]) {
		return v[0]
	}
	return randomHex(12)
}

func requestIDForm(s string) bool {
	if len(s) < 8 || len(s) > 64 || likely.MatchString(s) {
		return false
	}
	for _, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '_', c == '.':
		default:
			return false
		}
	}
	return true
}
