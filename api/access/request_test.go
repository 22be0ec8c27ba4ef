package access

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	v1 "discsafe/api/v1"
)

func TestSecurityHeaders(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleEngineer, "", 0)
	want := map[string]string{
		"Content-Security-Policy":      "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
		"X-Content-Type-Options":       "nosniff",
		"X-Frame-Options":              "DENY",
		"Referrer-Policy":              "no-referrer",
		"Cross-Origin-Opener-Policy":   "same-origin",
		"Cross-Origin-Resource-Policy": "same-origin",
		"Cache-Control":                "no-store",
		"Access-Control-Allow-Origin":  "", // nobody else's page may read
		"Strict-Transport-Security":    "",
	}
	for name, w := range map[string]*httptest.ResponseRecorder{
		"answer":  h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)),
		"refusal": h.ask("GET", "/v1/me", ""),
		"probe":   h.ask("GET", "/healthz", ""),
		"public":  h.ask("GET", "/openapi.json", ""),
		"token":   h.ask("GET", "/?"+tok.Secret, ""),
	} {
		got := map[string]string{}
		for k := range want {
			got[k] = w.Header().Get(k)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

func TestPagesMayHaveTheirOwnHeaders(t *testing.T) {
	h := build(t, nil)
	h.handler = h.gate.Wrap(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'self'")
		w.Header().Set("Cache-Control", "private, max-age=60")
	}))
	w := h.ask("GET", "/openapi.json", "")
	if w.Header().Get("Content-Security-Policy") != "default-src 'self'" || w.Header().Get("Cache-Control") != "private, max-age=60" {
		t.Error(w.Header())
	}
}

func TestPanicBecomesAProblem(t *testing.T) {
	secret := newSecret(TokenPrefix)
	h := build(t, nil)
	h.handler = h.gate.Wrap(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Disposition", "attachment")
		w.Header().Set("Content-Length", "5")
		panic(fmt.Errorf("index out of range in %s", secret))
	}))
	for _, target := range []string{"/openapi.json", "/healthz"} {
		w := h.ask("GET", target, "")
		p := h.wants(w, 500, v1.Internal)
		if strings.Contains(w.Body.String(), "index") || w.Header().Get("Content-Disposition") != "" || w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%+v, %v", p, w.Header())
		}
	}
	lines := h.journal.lines(t)
	if len(lines) != 2 { // once for each
		t.Fatalf("%d lines in the log", len(lines))
	}
	for _, l := range lines {
		stack, _ := l["stack"].(string)
		if l["level"] != "ERROR" || l["panic"] != "index out of range in dsk_REMOVED" || !strings.Contains(stack, "request_test.go") || l["request"] == "" {
			t.Errorf("%v", l)
		}
	}
	if h.observed(Panicked) != 2 {
		t.Error(h.kinds)
	}
}

// Half an answer must not look like a whole one: the connection breaks.
func TestPanicAfterTheAnswerBegan(t *testing.T) {
	for name, v := range map[string]any{"panic": "oh", "abort": http.ErrAbortHandler} {
		h := build(t, nil)
		h.handler = h.gate.Wrap(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			_, _ = io.WriteString(w, "half")
			_ = http.NewResponseController(w).Flush()
			panic(v)
		}))
		s := httptest.NewServer(h.handler)
		res, err := http.Get(s.URL + "/openapi.json")
		if err != nil {
			t.Fatal(err)
		}
		if data, err := io.ReadAll(res.Body); err == nil {
			t.Errorf("%s: %q looks whole", name, data)
		}
		res.Body.Close()
		s.Close() // waits for the handler
		lines := h.journal.lines(t)
		if len(lines) != 1 || lines[0]["aborted"] != true || (lines[0]["panic"] != nil) != (name == "panic") {
			t.Errorf("%s: %v", name, lines)
		}
	}
}

func TestAccessLog(t *testing.T) {
	type served struct {
		route, method string
		status        int
		took          time.Duration
	}
	var told []served
	h := build(t, func(o *GateOptions) {
		o.Served = func(route, method string, status int, took time.Duration) {
			told = append(told, served{route, method, status, took})
		}
	})
	tok := h.issue(v1.RoleEngineer, "", 0)
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/jobs/{id}", func(w http.ResponseWriter, r *http.Request) {
		h.clock.advance(1500 * time.Microsecond)
		if TraceFrom(r.Context()).ID == "" || ClientFrom(r.Context()).Addr.String() != "192.0.2.1" {
			t.Error("context without trace or client")
		}
		_, _ = io.WriteString(w, "12345")
	})
	mux.HandleFunc("/healthz", func(http.ResponseWriter, *http.Request) {})
	mux.HandleFunc("/readyz", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(503) })
	h.handler = h.gate.Wrap(mux)

	h.ask("GET", "/healthz", "")
	w := h.ask("GET", "/v1/jobs/abc?cursor=private", "", bearerOf(tok.Secret), header("Traceparent", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"))
	h.ask("BREW", "/v1/"+strings.Repeat("x", 5000), "")
	h.ask("GET", "/readyz", "")

	lines := h.journal.lines(t)
	if len(lines) != 3 {
		t.Fatalf("%d lines, want one each but for the healthy probe", len(lines))
	}
	delete(lines[0], "time")
	want := map[string]any{
		"level": "INFO", "msg": "request", "method": "GET", "route": "GET /v1/jobs/{id}", "path": "/v1/jobs/abc", "status": 200.0, "bytes": 5.0, "ms": 1.5,
		"request": w.Header().Get(RequestIDHeader), "trace": "4bf92f3577b34da6a3ce929d0e0e4736", "client": "192.0.2.1", "token": tok.ID,
	}
	if d := cmp.Diff(want, lines[0]); d != "" {
		t.Error(d)
	}
	if path, _ := lines[1]["path"].(string); len(path) > maxLogged+3 || lines[1]["refused"] != NoCredentials || lines[1]["token"] != nil {
		t.Errorf("%v", lines[1])
	}
	if lines[2]["level"] != "WARN" || lines[2]["status"] != 503.0 {
		t.Errorf("%v", lines[2])
	}
	if d := cmp.Diff([]served{{"GET /v1/jobs/{id}", "GET", 200, 1500 * time.Microsecond}, {"", "other", 401, 0}}, told, cmp.AllowUnexported(served{})); d != "" {
		t.Error(d)
	}
}

// Streams, deadlines and the short way from file to socket must still be there.
func TestWriterKeepsWhatTheServerGives(t *testing.T) {
	h := build(t, nil)
	release := make(chan struct{})
	h.handler = h.gate.Wrap(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if _, ok := w.(http.Flusher); !ok {
			t.Error("no Flusher")
		}
		if _, ok := w.(io.ReaderFrom); !ok {
			t.Error("no ReaderFrom")
		}
		rc := http.NewResponseController(w)
		if err := errors.Join(rc.SetWriteDeadline(time.Now().Add(time.Minute)), rc.SetReadDeadline(time.Now().Add(time.Minute))); err != nil {
			t.Error(err)
		}
		_, _ = io.WriteString(w, "first\n")
		if err := rc.Flush(); err != nil {
			t.Error(err)
		}
		<-release
		_, _ = io.Copy(w, io.LimitReader(strings.NewReader("second\n"), 100)) // which knows no WriteTo
	}))
	s := httptest.NewServer(h.handler)
	defer s.Close()
	res, err := http.Get(s.URL + "/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	in := bufio.NewReader(res.Body)
	if line, err := in.ReadString('\n'); line != "first\n" || err != nil { // before the handler is through
		t.Fatal(line, err)
	}
	close(release)
	if line, err := in.ReadString('\n'); line != "second\n" || err != nil {
		t.Fatal(line, err)
	}
	s.Close()
	if l := h.journal.lines(t); len(l) != 1 || l[0]["bytes"] != 13.0 {
		t.Errorf("%v", l)
	}
}

func TestWriterNotesTheFirstFinalStatus(t *testing.T) {
	w := &writer{ResponseWriter: httptest.NewRecorder()}
	w.WriteHeader(http.StatusEarlyHints)
	if w.status != 0 {
		t.Errorf("status %d after early hints", w.status)
	}
	w.WriteHeader(http.StatusAccepted)
	_, _ = w.Write(nil)
	if w.status != http.StatusAccepted {
		t.Errorf("status %d", w.status)
	}
}

// A sign-in whose body never ends holds its connection for signInTime only.
func TestSignInBodyHasADeadline(t *testing.T) {
	h := build(t, nil)
	r := httptest.NewRequest("POST", "/v1/session", strings.NewReader("{"))
	w := &dated{ResponseRecorder: httptest.NewRecorder()}
	before := time.Now()
	h.handler.ServeHTTP(w, r)
	if d := w.deadline.Sub(before); d < signInTime || d > signInTime+time.Minute {
		t.Errorf("deadline after %s", d)
	}
}

type dated struct {
	*httptest.ResponseRecorder
	deadline time.Time
}

func (d *dated) SetReadDeadline(t time.Time) error {
	d.deadline = t
	return nil
}

func TestSignInThatBreaksOff(t *testing.T) {
	h := build(t, nil)
	s := httptest.NewServer(h.handler)
	defer s.Close()
	c, err := net.Dial("tcp", s.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "POST /v1/session HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{")
	if err := c.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusRequestTimeout {
		t.Errorf("status %d", res.StatusCode)
	}
}
