package web

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
)

// Service is what the pages show and do, for the identity in the context. Its
// errors are *v1.Problem; a job that the caller may not see is v1.NotFound.
type Service interface {
	Jobs(ctx context.Context, q Query) (v1.Jobs, error)
	Job(ctx context.Context, id string) (v1.Job, error)
	Plan(ctx context.Context, id string) (string, error)
	Cancel(ctx context.Context, id string) error
	Retry(ctx context.Context, id string) error
	Delete(ctx context.Context, id string) error
}

// Query picks jobs. Empty fields pick all.
type Query struct {
	State, Studio, Verdict, Kind, Signoff, Text string
	From, To                                    string // a date or a time, RFC 3339
	Cursor                                      string
	Limit                                       int
}

// Options say what the pages work with. Service and Session are required.
type Options struct {
	Service Service
	// Session begins and ends sessions, as access.Gate.Session does.
	Session http.HandlerFunc
	Now     func() time.Time // nil: time.Now
	Log     *slog.Logger     // nil: nothing is logged
}

// Needs of a page that are no permission, as the table of routes has them.
const (
	Public   = "public"
	SignedIn = "signed-in"
)

// Route is one page. Need is Public, SignedIn or an access.Permission.
type Route struct {
	Method, Path, Need string
	Handler            http.HandlerFunc
}

//go:embed templates assets
var files embed.FS

// Pages are all pages. Make them with New.
type Pages struct {
	o      Options
	sets   map[string]*template.Template
	assets map[string]asset
}

var pageNames = []string{"signin", "jobs", "job", "confirm", "problem", "onward", "audit", "submit", "presets", "groove", "signoff", "compare", "bulk", "operations", "operation", "runbook", "revise", "rooms", "testcut", "album", "arrangement"}

// sharedParts are files of parts that some pages have in common.
var sharedParts = map[string][]string{"submit": {"submitparts.html"}, "album": {"submitparts.html"}}

// New reads the templates and assets that are part of the program.
func New(o Options) (*Pages, error) {
	if o.Service == nil || o.Session == nil {
		return nil, errors.New("web: Service and Session are required")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	p := &Pages{o: o, sets: map[string]*template.Template{}}
	var err error
	if p.assets, err = readAssets(files); err != nil {
		return nil, err
	}
	funcs := template.FuncMap{"asset": p.href, "bytes": bytesWords, "length": lengthWords, "at": atFragment, "loop": loopFragment}
	dir, err := fs.Sub(files, "templates")
	if err != nil {
		return nil, fmt.Errorf("web: templates: %w", err)
	}
	for _, name := range pageNames {
		t, err := template.New("frame.html").Funcs(funcs).ParseFS(dir, append(slices.Clone(sharedParts[name]), "frame.html", name+".html")...)
		if err != nil {
			return nil, fmt.Errorf("web: page %s: %w", name, err)
		}
		p.sets[name] = t
	}
	return p, nil
}

// Routes lists every page.
func (p *Pages) Routes() []Route {
	read, manage := string(access.Read), string(access.Manage)
	out := []Route{
		{http.MethodGet, "/{$}", SignedIn, func(w http.ResponseWriter, r *http.Request) { seeOther(w, r, "/jobs") }},
		{http.MethodGet, "/signin", Public, p.signInPage},
		{http.MethodPost, "/signin", Public, p.signIn},
		{http.MethodPost, "/signout", SignedIn, p.signOut},
		{http.MethodGet, "/assets/{name}", Public, p.asset},
		{http.MethodGet, "/jobs", read, p.jobs},
		{http.MethodGet, "/jobs/{id}", read, p.job},
	}
	out = append(out, p.auditRoutes()...)
	out = append(out, p.grooveRoutes()...)
	out = append(out, p.submitRoutes()...)
	out = append(out, p.signoffRoutes()...)
	out = append(out, p.compareRoutes()...)
	out = append(out, p.bulkRoutes()...)
	out = append(out, p.operationsRoutes()...)
	out = append(out, p.reviseRoutes()...)
	out = append(out, p.roomsRoutes()...)
	out = append(out, p.albumRoutes()...)
	for _, a := range actions {
		out = append(out, Route{http.MethodGet, "/jobs/{id}/" + a.Do, manage, p.confirm(a)},
			Route{http.MethodPost, "/jobs/{id}/" + a.Do, manage, p.act(a)})
	}
	return out
}

// Policy is the Content-Security-Policy of every page.
const Policy = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

func setHeaders(h http.Header) {
	h.Set("Content-Security-Policy", Policy)
	// Not no-referrer: with it browsers send "Origin: null" with the pages' own
	// forms, and over plain HTTP the gate has nothing else to tell them by.
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
}

// frame is what every page has around its own part.
type frame struct {
	Title  string
	Here   string // part of the navigation that is open
	Who    *who   // nil: nobody is known
	Notice string
	Onward string // go on there at once
	Body   any
}

type who struct {
	Name, Role string
	SignOut    bool
	May        map[string]bool // permissions, for the navigation
}

func mayOf(id access.Identity) map[string]bool {
	out := map[string]bool{}
	for _, p := range access.Permissions() {
		out[string(p)] = id.May(p)
	}
	return out
}

func whoOf(ctx context.Context) *who {
	id, ok := access.From(ctx)
	if !ok {
		return nil
	}
	if id.All {
		return &who{Name: "Everybody at this machine", Role: "no sign-in", May: mayOf(id)}
	}
	w := &who{Name: id.Name, Role: id.Role, SignOut: id.Cookie, May: mayOf(id)}
	if id.Role == v1.RoleStudio {
		w.Role = "studio " + id.Studio
	}
	return w
}

// show answers with a page. It is made as a whole first, so that no half page
// goes out with a good status.
func (p *Pages) show(w http.ResponseWriter, r *http.Request, status int, page string, f frame) {
	var b bytes.Buffer
	if err := p.sets[page].Execute(&b, f); err != nil {
		p.o.Log.ErrorContext(r.Context(), "page cannot be made", "page", page, "request", access.RequestID(r.Context()), "error", err)
		access.Refuse(w, r, v1.NewProblem(v1.Internal, "")) // Around makes a page of it, or this problem stands
		return
	}
	setHeaders(w.Header())
	w.WriteHeader(status)
	if r.Method == http.MethodHead {
		return
	}
	// A reader who has gone cannot be told so.
	_, _ = w.Write(b.Bytes())
}

func seeOther(w http.ResponseWriter, r *http.Request, to string) {
	setHeaders(w.Header())
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// safeNext is where to go after sign-in: one of the pages, nothing else.
func safeNext(s string) string {
	path, _, _ := strings.Cut(s, "?")
	first, _, _ := strings.Cut(strings.TrimPrefix(path, "/"), "/")
	switch {
	case len(s) > 1000, !strings.HasPrefix(s, "/"), !slices.Contains([]string{"jobs", "submit", "album", "presets", "operations", "rooms"}, first),
		strings.Contains(path, ".."), strings.Contains(path, "//"):
		return "/jobs"
	}
	for _, c := range []byte(s) {
		if c <= ' ' || c >= 0x7f || c == '\\' {
			return "/jobs"
		}
	}
	return s
}
