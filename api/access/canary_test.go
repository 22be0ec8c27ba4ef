package access

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// A secret goes out once: the token in what Issue returns, the session in its
// Set-Cookie. Wherever clients put it, it comes back in no answer, and is in no
// log and no record.
func TestSecretsAppearOnce(t *testing.T) {
	canary := regexp.MustCompile(SecretPattern)
	h := build(t, nil)
	tok := h.issue(v1.RoleOperator, "", 0)
	session := h.signIn(tok.Secret)
	wrong := newSecret(TokenPrefix)
	asForm := header("Content-Type", "application/x-www-form-urlencoded")
	n := 0
	check := func(w *httptest.ResponseRecorder) {
		t.Helper()
		n++
		h.clock.advance(time.Second)
		var all bytes.Buffer
		_ = w.Header().Write(&all)
		all.Write(w.Body.Bytes())
		if found := canary.FindString(all.String()); found != "" {
			t.Errorf("answer %d, status %d, holds %s", n, w.Code, found)
		}
	}
	for _, s := range []string{tok.Secret, wrong, session.Value} {
		for _, method := range []string{"GET", "POST", "DELETE", "BREW"} {
			check(h.ask(method, "/v1/me", "", bearerOf(s)))
			check(h.ask(method, "/v1/me", "", header("Authorization", s)))
			check(h.ask(method, "/v1/me", "", bearerOf(s), bearerOf(s)))
			check(h.ask(method, "/v1/me?q="+s, ""))
			check(h.ask(method, "/v1/"+s, ""))
			check(h.ask(method, "/"+strings.Replace(s, "_", "%5f", 1), "", bearerOf(tok.Secret)))
			check(h.ask(method, "/v1/me", "", header(RequestIDHeader, s), header("Traceparent", s), header("Referer", "http://x/"+s), header("User-Agent", s)))
			check(h.ask(method, "/v1/me", "", header("Cookie", "other="+s+"; discsafe="+s+"x")))
			check(h.ask(method, "/v1/me", s))
		}
		check(h.ask("POST", "/v1/session", s, asJSON))
		check(h.ask("POST", "/v1/session", `{"token":["`+s+`"]}`, asJSON))
		check(h.ask("POST", "/v1/session", `{"token":"x`+s+`"}`, asJSON))
		check(h.ask("POST", "/v1/session", "token="+s+"&token="+s, asForm))
		check(h.ask("POST", "/v1/session", s, header("Content-Type", s)))
		check(h.ask(s, "/v1/me", "", bearerOf(tok.Secret)))
	}
	check(h.ask("POST", "/v1/session", `{"token":"`+wrong+`"}`, asJSON))
	check(h.ask("DELETE", "/v1/session", "", cookieOf(session)))
	check(h.ask("GET", "/v1/me", "", cookieOf(session)))
	h.shelf.breakDown(store.ErrUnavailable)
	h.clock.advance(time.Hour)
	check(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)))
	check(h.ask("POST", "/v1/session", `{"token":"`+tok.Secret+`"}`, asJSON))
	h.shelf.mend()

	if found := canary.FindString(h.journal.text()); found != "" {
		t.Errorf("the log holds %s", found)
	}
	if strings.Contains(h.journal.text(), tok.Secret[4:]) {
		t.Error("the log holds the secret without its prefix")
	}
	if got := len(h.journal.lines(t)); got < n {
		t.Errorf("%d log lines for %d requests: the canary saw too little", got, n)
	}
	for info, err := range store.All(context.Background(), h.shelf, "") {
		if err != nil {
			t.Fatal(err)
		}
		o, err := h.shelf.Open(context.Background(), info.Key)
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(o)
		if err != nil || canary.Match(data) || canary.MatchString(info.Key) {
			t.Errorf("record %s: %s, %v", info.Key, data, err)
		}
	}
	// The canary does sing.
	if !canary.MatchString("x" + tok.Secret + "y") {
		t.Error("the canary finds nothing")
	}
}

func BenchmarkWrap(b *testing.B) {
	tokens := NewTokens(newShelf(), nil)
	tok, err := tokens.Issue(context.Background(), v1.NewToken{Name: "n", Role: v1.RoleEngineer})
	if err != nil {
		b.Fatal(err)
	}
	g := NewGate(GateOptions{Tokens: tokens, Rate: -1})
	handler := g.Wrap(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, ok := Require(w, r, Read); !ok {
			b.Fatal("refused")
		}
	}))
	r := httptest.NewRequest("GET", "/v1/jobs?limit=10", nil)
	r.Header.Set("Authorization", "Bearer "+tok.Secret)
	b.ReportAllocs()
	for b.Loop() {
		handler.ServeHTTP(httptest.NewRecorder(), r)
	}
}
