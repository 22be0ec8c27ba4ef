package access

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

var asJSON = header("Content-Type", "application/json")

func TestSessionBeginsAndEnds(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleStudio, "north", 0)
	w := h.ask("POST", "/v1/session", `{"token":"`+tok.Secret+`"}`, asJSON)
	h.wants(w, 200, "")
	var me v1.Me
	if err := json.Unmarshal(w.Body.Bytes(), &me); err != nil {
		t.Fatal(err)
	}
	if want := (v1.Me{Role: v1.RoleStudio, Studio: "north", Name: "somebody", TokenID: tok.ID, Expires: h.clock.now().Add(SessionLife), SignIn: true}); me != want {
		t.Errorf("%+v, want %+v", me, want)
	}
	c := w.Result().Cookies()[0]
	if c.Name != "discsafe" || !c.HttpOnly || c.Secure || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.MaxAge != 12*3600 {
		t.Errorf("%+v", c)
	}
	if !wellFormed(sessionPrefix, c.Value) || bytes.Contains(w.Body.Bytes(), []byte(c.Value[4:])) {
		t.Errorf("the secret must be in the cookie only: %s", w.Body)
	}
	w = h.ask("GET", "/v1/me", "", cookieOf(c))
	h.wants(w, 200, "")
	var id Identity
	if err := json.Unmarshal(w.Body.Bytes(), &id); err != nil || !id.Cookie || id.Studio != "north" || id.TokenID != tok.ID {
		t.Errorf("%+v, %v", id, err)
	}
	w = h.ask("DELETE", "/v1/session", "", cookieOf(c))
	h.wants(w, 204, "")
	if gone := w.Result().Cookies(); len(gone) != 1 || gone[0].MaxAge >= 0 || gone[0].Value != "" {
		t.Errorf("%v", gone)
	}
	w = h.ask("GET", "/v1/me", "", cookieOf(c))
	h.wants(w, 401, v1.Unauthorized)
	if gone := w.Result().Cookies(); len(gone) != 1 || gone[0].MaxAge >= 0 {
		t.Errorf("the browser keeps a dead cookie: %v", gone)
	}
	h.wants(h.ask("DELETE", "/v1/session", "", cookieOf(c)), 401, v1.Unauthorized)
	h.wants(h.ask("DELETE", "/v1/session", "", bearerOf(tok.Secret)), 400, v1.BadRequest)
	w = h.ask("PUT", "/v1/session", "", bearerOf(tok.Secret))
	h.wants(w, 405, v1.MethodRefused)
	if w.Header().Get("Allow") != "POST, DELETE" {
		t.Error(w.Header())
	}
}

func TestSessionBodies(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleEngineer, "", 0)
	form := header("Content-Type", "application/x-www-form-urlencoded")
	for name, c := range map[string]struct {
		body   string
		with   with
		status int
		code   v1.Code
	}{
		"JSON":               {`{"token":"` + tok.Secret + `"}`, asJSON, 200, ""},
		"JSON with charset":  {`{"token":"` + tok.Secret + `"}`, header("Content-Type", "application/json; charset=utf-8"), 200, ""},
		"form":               {url.Values{"token": {tok.Secret}}.Encode(), form, 200, ""},
		"form, token twice":  {"token=a&token=b", form, 400, v1.BadRequest},
		"form without token": {"x=y", form, 400, v1.BadRequest},
		"no JSON":            {"{", asJSON, 400, v1.BadRequest},
		"token is a number":  {`{"token":1}`, asJSON, 400, v1.BadRequest},
		"no token":           {`{}`, asJSON, 401, v1.Unauthorized},
		"no body":            {"", asJSON, 400, v1.BadRequest},
		"no type":            {`{"token":"` + tok.Secret + `"}`, header("X-None", ""), 415, v1.MediaType},
		"text":               {`{"token":"` + tok.Secret + `"}`, header("Content-Type", "text/plain"), 415, v1.MediaType},
		"multipart":          {"", header("Content-Type", "multipart/form-data; boundary=x"), 415, v1.MediaType},
		"too large":          {`{"token":"` + strings.Repeat("x", 5000) + `"}`, asJSON, 413, v1.TooLarge},
		"huge token":         {`{"token":"` + strings.Repeat("x", 4000) + `"}`, asJSON, 401, v1.Unauthorized},
		"wrong":              {`{"token":"` + newSecret(TokenPrefix) + `"}`, asJSON, 401, v1.Unauthorized},
		"session as token":   {`{"token":"` + newSecret(sessionPrefix) + `"}`, asJSON, 401, v1.Unauthorized},
	} {
		t.Run(name, func(t *testing.T) {
			h.T = t
			w := h.ask("POST", "/v1/session", c.body, c.with)
			h.wants(w, c.status, c.code)
			if c.status != 200 && len(w.Result().Cookies()) != 0 {
				t.Error("sets a cookie")
			}
		})
		h.clock.advance(time.Second)
	}
}

func TestSessionDiesWithItsToken(t *testing.T) {
	for name, c := range map[string]struct {
		days  float64
		after time.Duration
		do    func(h *house, tok v1.IssuedToken) error
		live  bool
	}{
		"lives":         {0, SessionLife - time.Second, func(*house, v1.IssuedToken) error { return nil }, true},
		"over":          {0, SessionLife, func(*house, v1.IssuedToken) error { return nil }, false},
		"token expires": {0.25, 6 * time.Hour, func(*house, v1.IssuedToken) error { return nil }, false},
		"token revoked": {0, 0, func(h *house, tok v1.IssuedToken) error { return h.tokens.Revoke(context.Background(), tok.ID) }, false},
		"revoked apart": {0, RevokedWithin, func(h *house, tok v1.IssuedToken) error {
			return NewTokens(h.shelf, h.clock.now).Revoke(context.Background(), tok.ID)
		}, false},
		"record deleted": {0, RevokedWithin, func(h *house, tok v1.IssuedToken) error {
			return h.shelf.Delete(context.Background(), "token/"+digestOf(tok.Secret).hex())
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			h := build(t, nil)
			tok := h.issue(v1.RoleOperator, "", c.days)
			cookie := h.signIn(tok.Secret)
			h.wants(h.ask("GET", "/v1/me", "", cookieOf(cookie)), 200, "")
			if err := c.do(h, tok); err != nil {
				t.Fatal(err)
			}
			h.clock.advance(c.after)
			n, err := h.gate.SweepSessions(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			if c.live {
				h.wants(h.ask("GET", "/v1/me", "", cookieOf(cookie)), 200, "")
			} else if w := h.ask("GET", "/v1/me", "", cookieOf(cookie)); w.Code != 401 {
				t.Errorf("status %d", w.Code)
			}
			if (n == 0) != c.live {
				t.Errorf("swept %d", n)
			}
			left := 0
			for _, err := range store.All(context.Background(), h.shelf, "session/") {
				if err != nil {
					t.Fatal(err)
				}
				left++
			}
			if (left == 1) != c.live {
				t.Errorf("%d records left", left)
			}
		})
	}
}

func TestSweepGoesOnAfterADamagedRecord(t *testing.T) {
	h := build(t, nil)
	ctx := context.Background()
	tok := h.issue(v1.RoleOperator, "", 0)
	h.signIn(tok.Secret)
	h.signIn(tok.Secret)
	bad := "session/" + strings.Repeat("0", 64)
	if err := h.shelf.PutIfAbsent(ctx, bad, []byte("{")); err != nil {
		t.Fatal(err)
	}
	h.clock.advance(SessionLife)
	n, err := h.gate.SweepSessions(ctx)
	if n != 2 || err == nil || !strings.Contains(err.Error(), bad) {
		t.Errorf("%d, %v", n, err)
	}
	h.shelf.breakDown(store.ErrUnavailable)
	if _, err := h.gate.SweepSessions(ctx); err == nil {
		t.Error("no error though the store is down")
	}
}

func TestSecureSession(t *testing.T) {
	proxy := netip.MustParsePrefix("192.0.2.0/24") // where httptest's requests come from
	https := header("X-Forwarded-Proto", "https")
	for name, c := range map[string]struct {
		change func(*GateOptions)
		target string // https:// stands for TLS here
		with   []with
		secure bool
	}{
		"plain":                {func(*GateOptions) {}, "", nil, false},
		"said by anybody":      {func(*GateOptions) {}, "", []with{https}, false},
		"said by proxy":        {func(o *GateOptions) { o.TrustedProxies = []netip.Prefix{proxy} }, "", []with{https}, true},
		"proxy says otherwise": {func(o *GateOptions) { o.TrustedProxies = []netip.Prefix{proxy} }, "", []with{header("X-Forwarded-Proto", "https, http")}, false},
		"TLS here":             {func(*GateOptions) {}, "https://example.com", nil, true},
		"by option":            {func(o *GateOptions) { o.Secure = true }, "", nil, true},
	} {
		t.Run(name, func(t *testing.T) {
			h := build(t, c.change)
			tok := h.issue(v1.RoleOperator, "", 0)
			w := h.ask("POST", c.target+"/v1/session", `{"token":"`+tok.Secret+`"}`, append(c.with, asJSON)...)
			h.wants(w, 200, "")
			got := w.Result().Cookies()[0]
			if got.Secure != c.secure || strings.HasPrefix(got.Name, "__Host-") != c.secure {
				t.Errorf("%s, secure %v", got.Name, got.Secure)
			}
			if hsts := w.Header().Get("Strict-Transport-Security") != ""; hsts != c.secure {
				t.Errorf("HSTS %v", hsts)
			}
			h.wants(h.ask("GET", c.target+"/v1/me", "", append(c.with, cookieOf(got))...), 200, "")
			// Under the name of the other kind of connection it is no cookie.
			wrong := "__Host-discsafe"
			if c.secure {
				wrong = "discsafe"
			}
			h.wants(h.ask("GET", c.target+"/v1/me", "", append(c.with, header("Cookie", wrong+"="+got.Value))...), 401, v1.Unauthorized)
		})
	}
}

func TestCookiesAndOtherSites(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleOperator, "", 0)
	c := h.signIn(tok.Secret)
	cross := header("Sec-Fetch-Site", "cross-site")
	for name, x := range map[string]struct {
		method string
		with   []with
		status int
		code   v1.Code
	}{
		"read":                      {"GET", []with{cookieOf(c)}, 200, ""},
		"own page posts":            {"POST", []with{cookieOf(c), header("Sec-Fetch-Site", "same-origin")}, 200, ""},
		"own page, old browser":     {"POST", []with{cookieOf(c), header("Origin", "http://example.com")}, 200, ""},
		"other site posts":          {"POST", []with{cookieOf(c), cross}, 403, v1.CrossSite},
		"other site deletes":        {"DELETE", []with{cookieOf(c), cross}, 403, v1.CrossSite},
		"other site reads":          {"GET", []with{cookieOf(c), cross}, 403, v1.CrossSite},
		"sister site posts":         {"POST", []with{cookieOf(c), header("Sec-Fetch-Site", "same-site")}, 403, v1.CrossSite},
		"other site, old browser":   {"POST", []with{cookieOf(c), header("Origin", "http://elsewhere.example")}, 403, v1.CrossSite},
		"token from another site":   {"POST", []with{bearerOf(tok.Secret), cross}, 200, ""},
		"token goes before cookie":  {"POST", []with{bearerOf(tok.Secret), cookieOf(c), cross}, 200, ""},
		"bad token, good cookie":    {"GET", []with{bearerOf(newSecret(TokenPrefix)), cookieOf(c)}, 401, v1.Unauthorized},
		"two cookies":               {"GET", []with{cookieOf(c), header("Cookie", "discsafe="+newSecret(sessionPrefix))}, 400, v1.BadRequest},
		"sign-in from another site": {"SIGN-IN", []with{cross}, 403, v1.CrossSite},
	} {
		t.Run(name, func(t *testing.T) {
			h.T = t
			if x.method == "SIGN-IN" {
				h.wants(h.ask("POST", "/v1/session", `{"token":"`+tok.Secret+`"}`, append(x.with, asJSON)...), x.status, x.code)
				return
			}
			h.wants(h.ask(x.method, "/v1/me", "", x.with...), x.status, x.code)
		})
		h.clock.advance(time.Second)
	}
}

func TestRefusedSignInsAreThrottled(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleOperator, "", 0)
	try := func(secret, addr string) *httptest.ResponseRecorder {
		// The rate of anonymous requests is another matter.
		h.clock.advance(100 * time.Millisecond)
		return h.ask("POST", "/v1/session", `{"token":"`+secret+`"}`, asJSON, from(addr+":99"))
	}
	for range 3 * refusedSignIns { // good ones do not count
		if w := try(tok.Secret, "198.51.100.1"); w.Code != 200 && w.Code != 429 || w.Code == 429 && !strings.Contains(w.Body.String(), "sessions") {
			t.Fatal(w.Body)
		}
	}
	for range refusedSignIns {
		h.wants(try(newSecret(TokenPrefix), "198.51.100.2"), 401, v1.Unauthorized)
	}
	opened := h.shelf.opened.Load()
	w := try(newSecret(TokenPrefix), "198.51.100.2")
	p := h.wants(w, 429, v1.TooMany)
	if p.RetryAfter < 25 || p.RetryAfter > 30 || w.Header().Get("Retry-After") == "" {
		t.Errorf("retry after %d s", p.RetryAfter)
	}
	if h.shelf.opened.Load() != opened {
		t.Error("a throttled sign-in reached the store")
	}
	h.wants(try(newSecret(TokenPrefix), "198.51.100.3"), 401, v1.Unauthorized) // another address
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret), from("198.51.100.2:99")), 200, "")
	h.clock.advance(time.Duration(p.RetryAfter) * time.Second)
	h.wants(try(newSecret(TokenPrefix), "198.51.100.2"), 401, v1.Unauthorized)
	h.wants(try(newSecret(TokenPrefix), "198.51.100.2"), 429, v1.TooMany)
	if h.observed(SignInThrottled) < 2 || h.observed(SignInRefused) == 0 {
		t.Error(h.kinds)
	}
}

func TestSessionsOfATokenAreLimited(t *testing.T) {
	h := build(t, nil)
	tok := h.issue(v1.RoleOperator, "", 0)
	begun := 0
	for range 2 * sessionsAtOnce {
		h.clock.advance(100 * time.Millisecond)
		if w := h.ask("POST", "/v1/session", `{"token":"`+tok.Secret+`"}`, asJSON); w.Code == 200 {
			begun++
		}
	}
	if begun < sessionsAtOnce || begun > sessionsAtOnce+1 {
		t.Errorf("%d sessions, want %d", begun, sessionsAtOnce)
	}
}

func TestSlowSignInBody(t *testing.T) {
	h := build(t, nil)
	r := httptest.NewRequest("POST", "/v1/session", io.MultiReader(strings.NewReader(`{"tok`), failing{}))
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	h.handler.ServeHTTP(w, r)
	h.wants(w, 408, v1.Timeout)
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

func FuzzCookie(f *testing.F) {
	good := newSecret(sessionPrefix)
	f.Add("discsafe=" + good)
	f.Add("discsafe=" + good + "; discsafe=" + good)
	f.Add("=;;discsafe")
	f.Add("__Host-discsafe=\"" + good + "\"")
	h := build(&testing.T{}, func(o *GateOptions) { o.Rate = -1 })
	f.Fuzz(func(t *testing.T, cookie string) {
		h.clock.advance(10 * time.Second) // rates are not the matter
		for _, target := range []string{"/v1/me", "https://example.com/v1/me"} {
			r := httptest.NewRequest("GET", target, nil)
			r.Header.Set("Cookie", cookie)
			w := httptest.NewRecorder()
			h.handler.ServeHTTP(w, r)
			if w.Code != 401 && w.Code != 400 {
				t.Fatalf("status %d for %q", w.Code, cookie)
			}
		}
	})
}

func FuzzAuthorization(f *testing.F) {
	good := newSecret(TokenPrefix)
	for _, s := range []string{"Bearer " + good, "bearer  " + good + " ", "Bearer", "", " ", "Basic x", "Bearer\t" + good} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		secret, ok := bearer(s)
		if !ok {
			return
		}
		if secret == "" || len(s) > maxCredentials || !strings.Contains(s, secret) || !strings.EqualFold(s[:6], "bearer") {
			t.Fatalf("%q gave %q", s, secret)
		}
	})
}
