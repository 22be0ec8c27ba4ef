package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"mime"
	"net/http"
	"net/url"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
)

// problemView is a problem in words for people.
type problemView struct {
	Title, Text, Detail, Hint, Request string
	RetryS                             int
}

// spoken replaces what the problems of the API tell programs.
var spoken = map[v1.Code]problemView{
	v1.Unauthorized: {Title: "Please sign in", Text: "This page is for those who are signed in."},
	v1.TokenExpired: {Title: "Please sign in again", Text: "Your session is over, or your access token is no longer valid."},
	v1.Forbidden:    {Title: "This is not yours to do", Text: "Your access token does not allow this page.", Hint: "Ask whoever runs the service if you need it."},
	v1.CrossSite:    {Title: "This came from another site", Text: "Another site's page sent this, so nothing was done.", Hint: "Open the page here and do it again."},
	v1.NotFound:     {Title: "Not found", Text: "There is nothing at this address.", Hint: "Check the address, or look for the job in the list."},
	v1.Gone:         {Title: "Deleted", Text: "It was here and has been deleted.", Hint: "Submit it again if you need it."},
	v1.WrongState:   {Title: "The job has moved on", Text: "In the state the job is in now, this cannot be done.", Hint: "Look at the job again."},
	v1.Conflict:     {Title: "Somebody was quicker", Text: "Somebody changed the job at the same time. Nothing was done.", Hint: "Look at the job again."},
	v1.TooMany:      {Title: "Too many requests", Text: "Too much was asked of the service in a short time.", Hint: "Wait a little, then reload."},
	v1.BacklogFull:  {Title: "Too many jobs wait", Text: "The service takes no more jobs for now.", Hint: "Try again later."},
	v1.Paused:       {Title: "No new jobs for now", Text: "The operator has paused the intake.", Hint: "Try again later."},
	v1.DiskFull:     {Title: "No room", Text: "The service has no room left for new jobs.", Hint: "Try again later, or tell the operator."},
	v1.Unavailable:  {Title: "The service is not available", Text: "The service cannot reach its data. Your jobs are safe.", Hint: "Wait a moment, then reload."},
	v1.Internal:     {Title: "The service failed", Text: "Something went wrong here that is not your fault.", Hint: "Tell the operator the number of the request below."},
}

func viewOf(p *v1.Problem) problemView {
	v, ok := spoken[v1.Code(p.Code)]
	if !ok {
		v = problemView{Title: p.Title, Text: p.Detail, Hint: p.Hint}
	}
	v.Request, v.RetryS = p.Request, p.RetryAfter
	// Why it was paused, and which state a job is in, are for people too.
	if c := v1.Code(p.Code); c == v1.Paused || c == v1.WrongState || c == v1.Gone {
		v.Detail = p.Detail
	}
	return v
}

// fail answers with the page of an error.
func (p *Pages) fail(w http.ResponseWriter, r *http.Request, err error) {
	pr, ok := errors.AsType[*v1.Problem](err)
	if !ok {
		p.o.Log.ErrorContext(r.Context(), "page failed", "request", access.RequestID(r.Context()), "error", err)
		pr = v1.NewProblem(v1.Internal, "")
	}
	q := *pr
	if q.Request == "" {
		q.Request = access.RequestID(r.Context())
	}
	p.problem(w, r, &q)
}

func (p *Pages) missing(w http.ResponseWriter, r *http.Request) {
	p.fail(w, r, v1.NewProblem(v1.NotFound, ""))
}

func (p *Pages) problem(w http.ResponseWriter, r *http.Request, pr *v1.Problem) {
	v := viewOf(pr)
	p.show(w, r, pr.Status, "problem", frame{Title: v.Title, Who: whoOf(r.Context()), Body: v})
}

// Around gives browsers a page where next answers a problem: it stands outside
// the gate, whose refusals it turns into the sign-in page. Programs get the
// problem as it is, and so does everybody below /v1/.
func (p *Pages) Around(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !wantsPage(r) {
			next.ServeHTTP(w, r)
			return
		}
		v := &veil{ResponseWriter: w}
		next.ServeHTTP(v, r)
		if !v.held {
			return
		}
		pr := v1.NewProblem(v1.Internal, "")
		// What cannot be read stays a failure of the service.
		_ = json.Unmarshal(v.body.Bytes(), pr)
		w.Header().Del("WWW-Authenticate")
		w.Header().Del("Content-Length")
		if pr.Status != http.StatusUnauthorized {
			p.problem(w, r, pr)
			return
		}
		next := safeNext(r.URL.RequestURI())
		if r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Site") == "cross-site" {
			// A link in a mail: the browser keeps the session's cookie to itself until
			// a page of this site asks for it.
			p.show(w, r, http.StatusOK, "onward", frame{Title: "One moment", Onward: next})
			return
		}
		seeOther(w, r, "/signin?next="+url.QueryEscape(next))
	})
}

func wantsPage(r *http.Request) bool {
	path := r.URL.Path
	for _, own := range []string{"/", "/signin", "/signout", "/jobs"} {
		if path == own {
			return true
		}
	}
	if strings.HasPrefix(path, "/jobs/") {
		return true
	}
	if path == "/v1" || strings.HasPrefix(path, "/v1/") {
		return false
	}
	for part := range strings.SplitSeq(r.Header.Get("Accept"), ",") {
		if kind, _, err := mime.ParseMediaType(part); err == nil && kind == "text/html" {
			return true
		}
	}
	return false
}

// veil holds a problem back and lets everything else through.
type veil struct {
	http.ResponseWriter
	begun, held bool
	body        bytes.Buffer
}

// Unwrap is for http.ResponseController.
func (v *veil) Unwrap() http.ResponseWriter { return v.ResponseWriter }

// WriteHeader implements http.ResponseWriter.
func (v *veil) WriteHeader(status int) {
	if v.begun {
		return
	}
	if status >= 200 {
		v.begun = true
		v.held = v.Header().Get("Content-Type") == v1.ProblemType
	}
	if !v.held {
		v.ResponseWriter.WriteHeader(status)
	}
}

// Write implements http.ResponseWriter.
func (v *veil) Write(b []byte) (int, error) {
	if !v.begun {
		v.WriteHeader(http.StatusOK)
	}
	if v.held {
		return v.body.Write(b)
	}
	return v.ResponseWriter.Write(b)
}
