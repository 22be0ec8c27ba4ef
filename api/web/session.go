package web

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"

	"discsafe/api/access"
	"discsafe/api/v1"
)

type signInView struct {
	Action string
	Fault  string
	Hint   string
}

func (p *Pages) signInPage(w http.ResponseWriter, r *http.Request) {
	next := safeNext(r.URL.Query().Get("next"))
	if id, ok := access.From(r.Context()); ok && id.All {
		seeOther(w, r, next) // nobody signs in here
		return
	}
	f := frame{Title: "Sign in", Body: signInView{Action: signInAction(next)}}
	if r.URL.Query().Has("out") {
		f.Notice = "You are signed out."
	}
	p.show(w, r, http.StatusOK, "signin", f)
}

func signInAction(next string) string { return "/signin?next=" + url.QueryEscape(next) }

// faults of a sign-in, beside its field.
var signInFaults = map[v1.Code]signInView{
	v1.Unauthorized: {Fault: "This access token is not known here.", Hint: "Check that all of it was copied, without spaces."},
	v1.TokenExpired: {Fault: "This access token is no longer valid.", Hint: "Ask whoever runs the service for a new one."},
	v1.BadRequest:   {Fault: "The access token is missing."},
	v1.TooLarge:     {Fault: "This is far too long for an access token."},
	v1.TooMany:      {Fault: "Too many tries.", Hint: "Wait a minute, then try again."},
	v1.Unavailable:  {Fault: "Access tokens cannot be looked up just now.", Hint: "Wait a moment, then try again."},
}

func (p *Pages) signIn(w http.ResponseWriter, r *http.Request) {
	next := safeNext(r.URL.Query().Get("next"))
	a := p.session(w, r)
	if a.status < 300 {
		seeOther(w, r, next)
		return
	}
	pr := a.problem()
	v, ok := signInFaults[v1.Code(pr.Code)]
	if !ok {
		p.problem(w, r, pr)
		return
	}
	v.Action = signInAction(next)
	p.show(w, r, pr.Status, "signin", frame{Title: "Sign in: not yet", Body: v})
}

func (p *Pages) signOut(w http.ResponseWriter, r *http.Request) {
	end := r.Clone(r.Context())
	end.Method = http.MethodDelete // as the gate ends a session; a form can only POST
	if a := p.session(w, end); a.status >= 300 {
		p.problem(w, r, a.problem())
		return
	}
	seeOther(w, r, "/signin?out")
}

// session asks the gate and hands the cookie on, not the answer.
func (p *Pages) session(w http.ResponseWriter, r *http.Request) *aside {
	a := &aside{ResponseWriter: w, header: http.Header{}, status: http.StatusOK}
	p.o.Session(a, r)
	for _, c := range a.header.Values("Set-Cookie") {
		w.Header().Add("Set-Cookie", c)
	}
	if s := a.header.Get("Retry-After"); s != "" {
		w.Header().Set("Retry-After", s)
	}
	return a
}

// aside takes an answer that the browser is not to see.
type aside struct {
	http.ResponseWriter
	header http.Header
	status int
	body   bytes.Buffer
}

// Unwrap is for http.ResponseController: the gate bounds the time of the body.
func (a *aside) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// Header implements http.ResponseWriter.
func (a *aside) Header() http.Header { return a.header }

// WriteHeader implements http.ResponseWriter.
func (a *aside) WriteHeader(status int) { a.status = status }

// Write implements http.ResponseWriter.
func (a *aside) Write(b []byte) (int, error) { return a.body.Write(b) }

func (a *aside) problem() *v1.Problem {
	pr := v1.NewProblem(v1.Internal, "")
	// What cannot be read stays a failure of the service.
	_ = json.Unmarshal(a.body.Bytes(), pr)
	return pr
}
