package access

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
	"discsafe/worker/store/mem"
)

// A clock is set by hand.
type clock struct{ ns atomic.Int64 }

func newClock() *clock {
	c := &clock{}
	c.ns.Store(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC).UnixNano())
	return c
}

func (c *clock) now() time.Time          { return time.Unix(0, c.ns.Load()).UTC() }
func (c *clock) advance(d time.Duration) { c.ns.Add(int64(d)) }

// A shelf is a store that counts what is opened and fails at will.
type shelf struct {
	*mem.Store
	opened atomic.Int64
	fail   atomic.Pointer[error]
}

func newShelf() *shelf {
	s := &shelf{}
	s.Store = mem.New(mem.Options{Fault: func(step, _ string) error {
		if step == "open" {
			s.opened.Add(1)
		}
		if err := s.fail.Load(); err != nil {
			return *err
		}
		return nil
	}})
	return s
}

func (s *shelf) breakDown(kind error) {
	var err error = &store.Error{Kind: kind}
	s.fail.Store(&err)
}

func (s *shelf) mend() { s.fail.Store(nil) }

// A journal collects log lines.
type journal struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (j *journal) Write(b []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.buf.Write(b)
}

func (j *journal) text() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.buf.String()
}

func (j *journal) lines(t *testing.T) []map[string]any {
	t.Helper()
	var out []map[string]any
	for line := range strings.Lines(j.text()) {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("log line %q: %v", line, err)
		}
		out = append(out, m)
	}
	return out
}

// A house is a gate with all around it. Its routes: /v1/ needs Read, /v1/me too,
// and answers the identity; /v1/session; everything public answers "public".
type house struct {
	*testing.T
	clock   *clock
	shelf   *shelf
	tokens  *Tokens
	gate    *Gate
	handler http.Handler
	journal *journal
	mu      sync.Mutex
	kinds   map[string]int
}

func build(t *testing.T, change func(*GateOptions)) *house {
	h := &house{T: t, clock: newClock(), shelf: newShelf(), journal: &journal{}, kinds: map[string]int{}}
	h.tokens = NewTokens(h.shelf, h.clock.now)
	opt := GateOptions{
		Tokens: h.tokens, Now: h.clock.now,
		Log: slog.New(slog.NewJSONHandler(h.journal, nil)),
		Observe: func(kind string) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.kinds[kind]++
		},
	}
	if change != nil {
		change(&opt)
	}
	h.gate = NewGate(opt)
	mux := http.NewServeMux()
	mux.HandleFunc("/v1/session", h.gate.Session)
	mux.HandleFunc("/v1/", func(w http.ResponseWriter, r *http.Request) {
		id, ok := Require(w, r, Read)
		if ok {
			_ = json.NewEncoder(w).Encode(id)
		}
	})
	mux.HandleFunc("/v1/tokens", func(w http.ResponseWriter, r *http.Request) {
		if _, ok := Require(w, r, ManageTokens); ok {
			w.WriteHeader(http.StatusNoContent)
		}
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "public") })
	h.handler = h.gate.Wrap(mux)
	return h
}

func (h *house) observed(kind string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.kinds[kind]
}

func (h *house) issue(role, studio string, days float64) v1.IssuedToken {
	h.Helper()
	tok, err := h.tokens.Issue(context.Background(), v1.NewToken{Name: "somebody", Role: role, Studio: studio, DaysFor: days})
	if err != nil {
		h.Fatal(err)
	}
	return tok
}

type with func(*http.Request)

func bearerOf(secret string) with { return header("Authorization", "Bearer "+secret) }

func header(name, value string) with {
	return func(r *http.Request) { r.Header.Add(name, value) }
}

func from(addr string) with { return func(r *http.Request) { r.RemoteAddr = addr } }

func host(name string) with { return func(r *http.Request) { r.Host = name } }

func (h *house) ask(method, target, body string, changes ...with) *httptest.ResponseRecorder {
	h.Helper()
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	for _, c := range changes {
		c(r)
	}
	w := httptest.NewRecorder()
	h.handler.ServeHTTP(w, r)
	return w
}

// wants checks status and code of an answer.
func (h *house) wants(w *httptest.ResponseRecorder, status int, code v1.Code) *v1.Problem {
	h.Helper()
	if w.Code != status {
		h.Fatalf("status %d, want %d: %s", w.Code, status, w.Body)
	}
	if code == "" {
		return nil
	}
	if ct := w.Header().Get("Content-Type"); ct != v1.ProblemType {
		h.Fatalf("content type %q, want %q", ct, v1.ProblemType)
	}
	var p v1.Problem
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
		h.Fatalf("%s: %v", w.Body, err)
	}
	if p.Code != string(code) || p.Status != status {
		h.Fatalf("problem %s of status %d, want %s of %d", p.Code, p.Status, code, status)
	}
	if p.Request == "" || p.Request != w.Header().Get(RequestIDHeader) {
		h.Fatalf("problem names request %q, header %q", p.Request, w.Header().Get(RequestIDHeader))
	}
	return &p
}

// signIn begins a session and returns its cookie.
func (h *house) signIn(secret string, changes ...with) *http.Cookie {
	h.Helper()
	w := h.ask("POST", "/v1/session", `{"token":"`+secret+`"}`, append(changes, header("Content-Type", "application/json"))...)
	h.wants(w, http.StatusOK, "")
	cookies := w.Result().Cookies()
	if len(cookies) != 1 {
		h.Fatalf("%d cookies, want one", len(cookies))
	}
	return cookies[0]
}

func cookieOf(c *http.Cookie) with { return header("Cookie", c.Name+"="+c.Value) }
