package web_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/xml"
	"errors"
	"io"
	"maps"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/api"
	"discsafe/api/access"
	"discsafe/api/intake"
	"discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
	storemem "discsafe/worker/store/mem"
)

// house is the whole service but for its workers, which tests play themselves.
type house struct {
	t      *testing.T
	store  *storemem.Store
	ledger *job.Ledger
	srv    *httptest.Server
	secret map[string]string
	who    map[string]*http.Client // browsers by who, signed in by the form
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, store: storemem.New(storemem.Options{Now: time.Now}), secret: map[string]string{}, who: map[string]*http.Client{}}
	var err error
	if h.ledger, err = job.NewLedger(job.Config{Store: h.store, Now: time.Now}); err != nil {
		t.Fatal(err)
	}
	tokens := access.NewTokens(h.store, time.Now)
	gate := access.NewGate(access.GateOptions{Tokens: tokens, Rate: -1})
	in, err := intake.New(intake.Options{Store: h.store, Spool: filepath.Join(t.TempDir(), "spool")})
	if err != nil {
		t.Fatal(err)
	}
	s, err := api.New(api.Options{Ledger: h.ledger, Store: h.store, Intake: in, Gate: gate, Tokens: tokens})
	if err != nil {
		t.Fatal(err)
	}
	h.srv = httptest.NewServer(s.Handler())
	t.Cleanup(func() { s.Drain(); h.srv.Close() })
	h.who["nobody"] = h.browser()
	for who, n := range map[string]v1.NewToken{"a": {Name: "Studio <A>", Role: v1.RoleStudio, Studio: "a"}, "b": {Name: "studio b", Role: v1.RoleStudio, Studio: "b"},
		"engineer": {Name: "engineer", Role: v1.RoleEngineer}, "operator": {Name: "operator", Role: v1.RoleOperator}} {
		tok, err := tokens.Issue(t.Context(), n)
		if err != nil {
			t.Fatal(err)
		}
		h.secret[who], h.who[who] = tok.Secret, h.browser()
		h.want(h.post(who, "/signin?next=%2Fjobs", url.Values{"token": {tok.Secret}}), http.StatusSeeOther)
	}
	return h
}

func (h *house) browser() *http.Client {
	jar, err := cookiejar.New(nil)
	if err != nil {
		h.t.Fatal(err)
	}
	return &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// page is an answer read to its end.
type page struct {
	*http.Response
	body string
}

func (h *house) send(who, method, path string, form url.Values, header ...string) *page {
	h.t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r, err := http.NewRequestWithContext(h.t.Context(), method, h.srv.URL+path, body)
	if err != nil {
		h.t.Fatal(err)
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	return h.do(who, r, header...)
}

// do sends a request and reads the answer to its end; header pairs follow.
func (h *house) do(who string, r *http.Request, header ...string) *page {
	h.t.Helper()
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	res, err := h.who[who].Do(r)
	if err != nil {
		h.t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	return &page{res, string(data)}
}

func (h *house) get(who, path string, header ...string) *page {
	h.t.Helper()
	return h.send(who, http.MethodGet, path, nil, header...)
}

// post sends a form as a browser does from the service's own page.
func (h *house) post(who, path string, form url.Values) *page {
	h.t.Helper()
	if form == nil {
		form = url.Values{}
	}
	return h.send(who, http.MethodPost, path, form, "Origin", h.srv.URL, "Sec-Fetch-Site", "same-origin")
}

func (h *house) want(p *page, status int) *page {
	h.t.Helper()
	if p.StatusCode != status {
		h.t.Fatalf("%s %s: %d, want %d: %s", p.Request.Method, p.Request.URL, p.StatusCode, status, p.body)
	}
	return p
}

const planText = "side: A\ntitle: </pre><script>alert('plan')</script>\n"

func sum(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

func (h *house) submit(studio, title string, change func(*job.Request)) *job.Record {
	h.t.Helper()
	key := "blob/plan-" + sum([]byte(planText))
	if _, err := h.store.Put(h.t.Context(), key, strings.NewReader(planText)); err != nil && !errors.Is(err, store.ErrExists) {
		h.t.Fatal(err)
	}
	req := job.Request{Studio: studio, Lane: job.Express, Title: title, Side: "A", Catalogue: "R 1", LengthS: 1203, By: "somebody",
		Plan:   job.Input{Name: "plan.yaml", Key: key, Bytes: int64(len(planText)), SHA256: sum([]byte(planText))},
		Inputs: []job.Input{{Name: "a.wav", Key: "blob/a", Bytes: 123456789, SHA256: strings.Repeat("0", 64)}}}
	if change != nil {
		change(&req)
	}
	r, _, err := h.ledger.Submit(h.t.Context(), "", req)
	if err != nil {
		h.t.Fatal(err)
	}
	return r
}

func (h *house) claim(id string) *job.Hold {
	h.t.Helper()
	hold, err := h.ledger.Claim(h.t.Context(), id, job.Claimant{Worker: "w1", Version: "test", Token: "t" + id, Lease: time.Minute})
	if err != nil {
		h.t.Fatal(err)
	}
	return hold
}

func (h *house) work(id, verdict string) *job.Record {
	h.t.Helper()
	return h.finished(id, verdict, map[string]string{"premaster.wav": "bytes", "report.html": "bytes", "report.json": "bytes"})
}

// finished does a job, with those files as its result.
func (h *house) finished(id, verdict string, files map[string]string) *job.Record {
	h.t.Helper()
	hold := h.claim(id)
	res := job.Result{Attempt: hold.Attempt, Verdict: verdict, Version: "test", Recipe: strings.Repeat("0", 64)}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		data := files[name]
		out := job.Output{Name: name, Key: job.ResultKey(id, hold.Attempt, name), Bytes: int64(len(data)), SHA256: sum([]byte(data))}
		if _, err := h.store.Put(h.t.Context(), out.Key, strings.NewReader(data)); err != nil {
			h.t.Fatal(err)
		}
		res.Files = append(res.Files, out)
	}
	r, err := hold.Finish(h.t.Context(), res)
	if err != nil {
		h.t.Fatal(err)
	}
	return r
}

// element is a start tag with its attributes, the text directly after it and the
// names of what it stands in.
type element struct {
	name   string
	attrs  map[string]string
	inner  string
	within []string
}

// elements reads a page. The pages are written so that an XML reader with
// HTML's empty elements can follow; what it cannot follow is a fault of theirs.
func elements(t *testing.T, body string) []element {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader([]byte(body)))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	var out []element
	var open []string
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("%v in %s", err, body)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			e := element{tok.Name.Local, map[string]string{}, "", slices.Clone(open)}
			open = append(open, tok.Name.Local)
			for _, a := range tok.Attr {
				e.attrs[a.Name.Local] = a.Value
			}
			out = append(out, e)
		case xml.EndElement:
			if n := len(open); n == 0 || open[n-1] != tok.Name.Local {
				t.Fatalf("</%s> within %v", tok.Name.Local, open)
			}
			open = open[:len(open)-1]
		case xml.CharData:
			if n := len(out); n > 0 {
				out[n-1].inner += string(tok)
			}
		}
	}
}
