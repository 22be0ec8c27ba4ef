package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
)

func TestSignInAndOut(t *testing.T) {
	h := newHouse(t)
	checkPage(t, h.want(h.get("nobody", "/signin"), http.StatusOK))
	h.who["new"] = h.browser()
	for name, c := range map[string]struct {
		token  string
		status int
		says   string
	}{
		"wrong":   {h.secret["a"][:len(h.secret["a"])-1] + "!", http.StatusUnauthorized, "not known here"},
		"empty":   {"", http.StatusUnauthorized, "not known here"},
		"hostile": {`"><script>`, http.StatusUnauthorized, "not known here"},
		"huge":    {strings.Repeat("x", 5000), http.StatusRequestEntityTooLarge, "far too long"},
	} {
		p := h.want(h.post("new", "/signin", url.Values{"token": {c.token}}), c.status)
		checkPage(t, p)
		if !strings.Contains(p.body, c.says) || !strings.Contains(p.body, `aria-invalid="true"`) || len(p.Cookies()) != 0 || c.token != "" && strings.Contains(p.body, c.token) {
			t.Errorf("%s: %v %s", name, p.Cookies(), p.body)
		}
	}
	p := h.want(h.send("new", http.MethodPost, "/signin", url.Values{"token": {h.secret["a"]}}, "Sec-Fetch-Site", "cross-site"), http.StatusForbidden)
	if checkPage(t, p); len(p.Cookies()) != 0 {
		t.Error("signed in from another site")
	}
	p = h.want(h.post("new", "/signin?next=%2Fjobs%3Fstate%3Ddone", url.Values{"token": {h.secret["a"]}}), http.StatusSeeOther)
	if c := p.Cookies(); p.Header.Get("Location") != "/jobs?state=done" || len(c) != 1 || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || p.body != "" {
		t.Errorf("%v %v %q", p.Header, c, p.body)
	}
	if p = h.want(h.get("new", "/jobs"), http.StatusOK); !strings.Contains(p.body, "studio a") || !strings.Contains(p.body, `action="/signout"`) {
		t.Error("it is not said who is signed in")
	}
	if p = h.want(h.post("new", "/signout", nil), http.StatusSeeOther); p.Header.Get("Location") != "/signin?out" {
		t.Errorf("leads to %s", p.Header.Get("Location"))
	}
	h.want(h.get("new", "/jobs"), http.StatusSeeOther)
	if p = h.get("new", "/signin?out"); !strings.Contains(p.body, "You are signed out.") {
		t.Error("not told")
	}
}

// Where a sign-in leads is never another site.
func TestNextStaysHere(t *testing.T) {
	h := newHouse(t)
	for _, next := range []string{"//evil.example", "https://evil.example", "/jobs//evil.example", "/jobs/..//evil.example", `/jobs\evil`, "/jobsx", "/v1/session", "/jobs\r\nSet-Cookie: a=b", "javascript:alert(1)"} {
		p := h.want(h.post("a", "/signin?next="+url.QueryEscape(next), url.Values{"token": {h.secret["a"]}}), http.StatusSeeOther)
		if got := p.Header.Get("Location"); got != "/jobs" {
			t.Errorf("%q leads to %q", next, got)
		}
	}
}

func TestProblemsForWhomTheyAre(t *testing.T) {
	h := newHouse(t)
	for _, c := range []struct {
		who, path, accept, kind string
		status                  int
	}{
		{"a", "/nowhere", "text/html", "text/html; charset=utf-8", 404},
		{"a", "/nowhere", "application/json", "application/problem+json", 404},
		{"a", "/assets/none.css", "text/html", "text/html; charset=utf-8", 404},
		{"a", "/v1/jobs/none", "text/html", "application/problem+json", 404},
		{"nobody", "/v1/jobs", "text/html", "application/problem+json", 401},
		{"nobody", "/nowhere", "text/html", "text/html; charset=utf-8", 303},
		{"nobody", "/", "*/*", "text/html; charset=utf-8", 303},
		{"a", "/", "*/*", "text/html; charset=utf-8", 303},
	} {
		p := h.get(c.who, c.path, "Accept", c.accept)
		if p.StatusCode != c.status || p.Header.Get("Content-Type") != c.kind {
			t.Errorf("%+v: %d %s", c, p.StatusCode, p.Header.Get("Content-Type"))
		}
	}
	// A link in a mail: the cookie comes only with what this site's page asks for.
	p := h.get("nobody", "/jobs/x?did=cancel", "Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate")
	checkPage(t, h.want(p, http.StatusOK))
	if !strings.Contains(p.body, `content="0; url=/jobs/x?did=cancel"`) {
		t.Errorf("%s", p.body)
	}
}
