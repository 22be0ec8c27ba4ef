package access

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

func TestTokenCases(t *testing.T) {
	h := build(t, nil)
	good := h.issue(v1.RoleStudio, "north", 0)
	other := h.issue(v1.RoleEngineer, "", 0)
	expired := h.issue(v1.RoleOperator, "", 1)
	revoked := h.issue(v1.RoleOperator, "", 0)
	if err := h.tokens.Revoke(context.Background(), revoked.ID); err != nil {
		t.Fatal(err)
	}
	h.clock.advance(48 * time.Hour)
	for name, c := range map[string]struct {
		target string
		with   []with
		status int
		code   v1.Code
	}{
		"good":                   {"/v1/me", []with{bearerOf(good.Secret)}, 200, ""},
		"scheme in capitals":     {"/v1/me", []with{header("Authorization", "BEARER "+good.Secret)}, 200, ""},
		"more spaces":            {"/v1/me", []with{header("Authorization", "Bearer   "+good.Secret)}, 200, ""},
		"role lacks it":          {"/v1/tokens", []with{bearerOf(good.Secret)}, 403, v1.Forbidden},
		"none":                   {"/v1/me", nil, 401, v1.Unauthorized},
		"wrong":                  {"/v1/me", []with{bearerOf(newSecret(TokenPrefix))}, 401, v1.Unauthorized},
		"expired":                {"/v1/me", []with{bearerOf(expired.Secret)}, 401, v1.TokenExpired},
		"revoked":                {"/v1/me", []with{bearerOf(revoked.Secret)}, 401, v1.TokenExpired},
		"empty":                  {"/v1/me", []with{header("Authorization", "")}, 401, v1.Unauthorized},
		"empty token":            {"/v1/me", []with{header("Authorization", "Bearer ")}, 401, v1.Unauthorized},
		"huge":                   {"/v1/me", []with{bearerOf(strings.Repeat("x", 900_000))}, 401, v1.Unauthorized},
		"other scheme":           {"/v1/me", []with{header("Authorization", "Basic "+good.Secret)}, 401, v1.Unauthorized},
		"no scheme":              {"/v1/me", []with{header("Authorization", good.Secret)}, 401, v1.Unauthorized},
		"two headers":            {"/v1/me", []with{bearerOf(good.Secret), bearerOf(other.Secret)}, 400, v1.BadRequest},
		"two in one":             {"/v1/me", []with{header("Authorization", "Bearer "+good.Secret+", Bearer "+other.Secret)}, 401, v1.Unauthorized},
		"in the query":           {"/v1/me?token=" + good.Secret, nil, 400, v1.BadRequest},
		"in the query as well":   {"/v1/me?token=" + good.Secret, []with{bearerOf(good.Secret)}, 400, v1.BadRequest},
		"in the path":            {"/v1/" + good.Secret, nil, 400, v1.BadRequest},
		"in a probe":             {"/healthz?" + good.Secret, nil, 400, v1.BadRequest},
		"as a cookie":            {"/v1/me", []with{header("Cookie", "discsafe="+good.Secret)}, 401, v1.Unauthorized},
		"session as token":       {"/v1/me", []with{bearerOf(h.signIn(good.Secret).Value)}, 401, v1.Unauthorized},
		"own header":             {"/v1/me", []with{header("X-Api-Key", good.Secret)}, 401, v1.Unauthorized},
		"for a proxy":            {"/v1/me", []with{header("Proxy-Authorization", "Bearer "+good.Secret)}, 401, v1.Unauthorized},
		"not a known path":       {"/nowhere", nil, 401, v1.Unauthorized},
		"root":                   {"/", nil, 401, v1.Unauthorized},
		"health":                 {"/healthz", nil, 200, ""},
		"health below":           {"/healthz/", nil, 401, v1.Unauthorized},
		"climbs out of a public": {"/healthz/../v1/me", nil, 401, v1.Unauthorized},
		"doubled slash":          {"//healthz", nil, 401, v1.Unauthorized},
		"escaped slash":          {"/v1%2fme", nil, 401, v1.Unauthorized},
	} {
		t.Run(name, func(t *testing.T) {
			h.T = t
			// Each from an address of its own, so that none uses up another's rate.
			addr := func(r *http.Request) { r.RemoteAddr = "198.51.100." + string('1'+byte(len(name)%9)) + ":1000" }
			w := h.ask("GET", c.target, "", append(c.with, addr)...)
			p := h.wants(w, c.status, c.code)
			if c.code == v1.BadRequest && strings.Contains(name, "in the") && !strings.Contains(p.Hint, "Bearer") {
				t.Errorf("hint %q", p.Hint)
			}
			if c.status == 401 && w.Header().Get("WWW-Authenticate") == "" {
				t.Error("no WWW-Authenticate")
			}
		})
		h.clock.advance(time.Second)
	}
	if strings.Contains(h.journal.text(), good.Secret[10:]) {
		t.Error("the log holds the secret")
	}
}

func TestPublicPaths(t *testing.T) {
	h := build(t, func(o *GateOptions) {
		o.Public = append(DefaultPublic(), "/", "/static/", "POST /v1/hello", "no path", "/tail/ ")
	})
	for name, c := range map[string]struct {
		method, target string
		want           bool
	}{
		"root":               {"GET", "/", true},
		"head":               {"HEAD", "/openapi.json", true},
		"post to a page":     {"POST", "/openapi.json", false},
		"below":              {"GET", "/static/a/b.css", true},
		"folder":             {"GET", "/static/", true},
		"folder without end": {"GET", "/static", false},
		"neighbour":          {"GET", "/staticx", false},
		"climbing":           {"GET", "/static/../v1/jobs", false},
		"climbing, escaped":  {"GET", "/static/%2e%2e/v1/jobs", false},
		"dot":                {"GET", "/static/./a", false},
		"doubled":            {"GET", "/static//a", false},
		"with method":        {"POST", "/v1/hello", true},
		"its other method":   {"GET", "/v1/hello", false},
		"connect":            {"CONNECT", "/openapi.json", false},
		"other":              {"GET", "/v1/jobs", false},
	} {
		r := httptest.NewRequest(c.method, c.target, nil)
		if got := h.gate.public.has(r.Method, r.URL.Path); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
	h.wants(h.ask("GET", "/static/x", ""), 200, "")
	h.wants(h.ask("GET", "/v1/jobs", ""), 401, v1.Unauthorized)
}

func TestStoreDownAnswers503(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleOperator, "", 0)
	c := h.signIn(tok.Secret)
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)), 200, "")
	h.wants(h.ask("GET", "/v1/me", "", cookieOf(c)), 200, "")
	for _, kind := range []error{store.ErrUnavailable, store.ErrFull, store.ErrDamaged, nil, context.DeadlineExceeded} {
		h.shelf.breakDown(kind)
		h.clock.advance(believeYes)
		for name, w := range map[string]*httptest.ResponseRecorder{
			"token":        h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)),
			"session":      h.ask("GET", "/v1/me", "", cookieOf(c)),
			"wrong token":  h.ask("GET", "/v1/me", "", bearerOf(newSecret(TokenPrefix))),
			"sign-in":      h.ask("POST", "/v1/session", `{"token":"`+tok.Secret+`"}`, header("Content-Type", "application/json")),
			"wrong cookie": h.ask("GET", "/v1/me", "", header("Cookie", "discsafe="+newSecret(sessionPrefix))),
		} {
			if w.Code != 503 && (kind != store.ErrFull || w.Code != 507) { //nolint:errorlint // the very value from the list
				t.Errorf("%v, %s: status %d", kind, name, w.Code)
			}
			if w.Header().Get("Retry-After") == "" {
				t.Errorf("%v, %s: no Retry-After", kind, name)
			}
			if len(w.Result().Cookies()) != 0 {
				t.Errorf("%v, %s: sets a cookie", kind, name)
			}
		}
		h.wants(h.ask("GET", "/healthz", ""), 200, "")
	}
	h.shelf.mend()
	h.wants(h.ask("GET", "/v1/me", "", cookieOf(c)), 200, "")
	if h.observed(StoreFailed) == 0 || !strings.Contains(h.journal.text(), "store not reachable") {
		t.Error("neither observed nor logged")
	}
}

func TestGateWithoutTokensLetsNobodyIn(t *testing.T) {
	h := build(t, func(o *GateOptions) { o.Tokens = nil })
	s := newSecret(TokenPrefix)
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(s)), 401, v1.Unauthorized)
	h.wants(h.ask("GET", "/v1/me", "", header("Cookie", "discsafe="+newSecret(sessionPrefix))), 401, v1.Unauthorized)
	h.wants(h.ask("POST", "/v1/session", `{"token":"`+s+`"}`, header("Content-Type", "application/json")), 503, v1.Unavailable)
	if n, err := h.gate.SweepSessions(context.Background()); n != 0 || err != nil {
		t.Error(n, err)
	}
}

func always() bool { return true }

func TestOpenGate(t *testing.T) {
	local := []with{from("127.0.0.1:5000"), host("localhost:8080")}
	for name, c := range map[string]struct {
		method string
		with   []with
		code   v1.Code
	}{
		"script":                  {"GET", nil, ""},
		"script that posts":       {"POST", nil, ""},
		"IPv6":                    {"GET", []with{from("[::1]:5000"), host("[::1]:8080")}, ""},
		"number as name":          {"GET", []with{host("127.0.0.1:8080")}, ""},
		"own page":                {"POST", []with{header("Sec-Fetch-Site", "same-origin"), header("Origin", "http://localhost:8080")}, ""},
		"typed address":           {"GET", []with{header("Sec-Fetch-Site", "none")}, ""},
		"link on another site":    {"GET", []with{header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "document")}, ""},
		"frame on another site":   {"GET", []with{header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "iframe")}, v1.CrossSite},
		"picture on another site": {"GET", []with{header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "no-cors"), header("Sec-Fetch-Dest", "image")}, v1.CrossSite},
		"form on another site":    {"POST", []with{header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "document")}, v1.CrossSite},
		"other port":              {"POST", []with{header("Sec-Fetch-Site", "same-site")}, v1.CrossSite},
		"other port reads":        {"GET", []with{header("Sec-Fetch-Site", "same-site"), header("Sec-Fetch-Mode", "cors")}, v1.CrossSite},
		"old browser":             {"POST", []with{header("Origin", "https://elsewhere.example")}, v1.CrossSite},
		"old browser reads":       {"GET", []with{header("Origin", "https://elsewhere.example")}, v1.CrossSite},
		"origin null":             {"POST", []with{header("Origin", "null")}, v1.CrossSite},
		"name that rebinds":       {"GET", []with{host("elsewhere.example:8080")}, v1.Forbidden},
		"name with localhost":     {"GET", []with{host("localhost.elsewhere.example")}, v1.Forbidden},
		"no name":                 {"GET", []with{host("")}, v1.Forbidden},
		"other machine":           {"GET", []with{from("192.0.2.7:5000")}, v1.Forbidden},
		"unknown peer":            {"GET", []with{from("@")}, v1.Forbidden},
		"through a proxy":         {"GET", []with{header("X-Forwarded-For", "192.0.2.7")}, v1.Forbidden},
		"through an odd proxy":    {"GET", []with{header("Via", "1.1 front")}, v1.Forbidden},
		"proxy with a real IP":    {"GET", []with{header("X-Real-IP", "192.0.2.7")}, v1.Forbidden},
		"says it is local":        {"GET", []with{from("192.0.2.7:5000"), header("X-Forwarded-For", "127.0.0.1")}, v1.Forbidden},
	} {
		t.Run(name, func(t *testing.T) {
			h := build(t, func(o *GateOptions) { o.Open, o.Tokens = always, nil })
			w := h.ask(c.method, "/v1/me", "", append(append([]with{}, local...), c.with...)...)
			if c.code != "" {
				h.wants(w, 403, c.code)
				return
			}
			h.wants(w, 200, "")
			var id Identity
			if err := json.Unmarshal(w.Body.Bytes(), &id); err != nil || id != Open() {
				t.Errorf("%v %v", id, err)
			}
		})
	}
}

func TestOpenGateNeedsNoSession(t *testing.T) {
	h := build(t, func(o *GateOptions) { o.Open, o.Tokens = always, nil })
	local := []with{from("127.0.0.1:5000"), host("localhost:8080")}
	w := h.ask("POST", "/v1/session", `{}`, local...)
	h.wants(w, 200, "")
	var me v1.Me
	if err := json.Unmarshal(w.Body.Bytes(), &me); err != nil || me.SignIn || me.Role != v1.RoleOperator || len(w.Result().Cookies()) != 0 {
		t.Errorf("%+v, %v, %v", me, err, w.Result().Cookies())
	}
	h.wants(h.ask("DELETE", "/v1/session", "", local...), 204, "")
	for range 1000 { // open limits nothing
		h.wants(h.ask("GET", "/v1/me", "", local...), 200, "")
	}
}

func TestLoopbackHost(t *testing.T) {
	for host, want := range map[string]bool{
		"localhost": true, "LOCALHOST:1": true, "localhost.": true, "127.0.0.1": true, "127.9.9.9:80": true, "[::1]": true, "[::1]:80": true, "::1": true,
		"": false, "example.com": false, "localhost.example.com": false, "127.0.0.1.example.com": false, "10.0.0.1": false, "0.0.0.0:80": false,
		"[::]:80": false, "[::ffff:127.0.0.1]:80": true, "localhost:80:80": false, "2130706433": false, "localhost@evil.example": false,
	} {
		if got := loopbackHost(host); got != want {
			t.Errorf("%q: %v, want %v", host, got, want)
		}
	}
}

func TestStill(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleEngineer, "", 0)
	var during context.Context
	h.handler = h.gate.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		during = r.Context()
		if err := Still(during); err != nil {
			t.Error(err)
		}
		if err := h.tokens.Revoke(context.Background(), tok.ID); err != nil {
			t.Error(err)
		}
		if err := Still(during); err == nil {
			t.Error("a stream would go on")
		}
	}))
	h.ask("GET", "/v1/events", "", bearerOf(tok.Secret))
	if during == nil {
		t.Fatal("not reached")
	}
	if err := Still(context.Background()); err != nil {
		t.Error(err)
	}
}

// A stream that nobody signed in for ends once sign-in is asked for: it would
// show what has become private.
func TestStillAtAnOpenGate(t *testing.T) {
	shut := false
	h := build(t, func(o *GateOptions) { o.Open, o.Tokens = func() bool { return !shut }, nil })
	reached := false
	h.handler = h.gate.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		reached = true
		if err := Still(r.Context()); err != nil {
			t.Error(err)
		}
		shut = true
		if err := Still(r.Context()); !errors.Is(err, ErrExpired) {
			t.Errorf("a stream would go on: %v", err)
		}
	}))
	h.ask("GET", "/v1/events", "", from("127.0.0.1:5000"), host("localhost:8080"))
	if !reached {
		t.Fatal("not reached")
	}
}
