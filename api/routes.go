package api

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"

	"github.com/danielgtaylor/huma/v2"
)

// need is what a route asks of its caller: a permission, or one of the two below.
type need string

const (
	public   need = "public"    // anybody, also without a token
	signedIn need = "signed-in" // whoever has an identity
)

// permissionKey is the extension of every operation in the OpenAPI document
// that carries its need.
const permissionKey = "x-permission"

func (n need) valid() bool {
	return n == public || n == signedIn || slices.Contains(access.Permissions(), access.Permission(n))
}

// routes is the table of all routes, the router's and the document's alike. A
// pattern reaches the router only through HandleFunc, which refuses what add
// has not entered with a need. So there is no route without one.
type routes struct {
	mux    *http.ServeMux
	needs  map[string]need // by "METHOD /path"
	doc    *huma.OpenAPI
	faults []error
}

func newRoutes(doc *huma.OpenAPI) *routes {
	return &routes{mux: http.NewServeMux(), needs: map[string]need{}, doc: doc}
}

// add enters an operation and returns it with what every one has: the need,
// security, and the form of errors.
func (t *routes) add(n need, op huma.Operation, errs ...v1.Code) huma.Operation {
	pattern := op.Method + " " + op.Path
	if !n.valid() {
		t.faults = append(t.faults, fmt.Errorf("route %s needs %q, which is no permission", pattern, n))
		return op
	}
	if _, twice := t.needs[pattern]; twice {
		t.faults = append(t.faults, fmt.Errorf("route %s is there twice", pattern))
	}
	t.needs[pattern] = n
	ext := map[string]any{permissionKey: string(n)}
	maps.Copy(ext, op.Extensions)
	op.Extensions = ext
	// Bodies are paced by the server as a whole, see pace.
	op.BodyReadTimeout = -1
	op.Security = []map[string][]string{{"bearer": {}}, {"session": {}}, {}}
	if n == public {
		op.Security = []map[string][]string{{}}
	} else {
		op.Security = op.Security[:2]
		errs = append(errs, v1.Unauthorized, v1.Forbidden, v1.TooMany)
	}
	if op.Responses == nil {
		op.Responses = map[string]*huma.Response{}
	}
	byStatus := map[int][]string{}
	for _, c := range errs {
		s := v1.Kinds()[c].Status
		if !slices.Contains(byStatus[s], string(c)) {
			byStatus[s] = append(byStatus[s], string(c))
		}
	}
	for s, codes := range byStatus {
		slices.Sort(codes)
		op.Responses[strconv.Itoa(s)] = t.problem(strings.Join(codes, ", "))
	}
	op.Responses["default"] = t.problem("Any other problem")
	return op
}

func (t *routes) problem(text string) *huma.Response {
	return &huma.Response{Description: text, Content: map[string]*huma.MediaType{
		v1.ProblemType: {Schema: &huma.Schema{Ref: "#/components/schemas/Problem"}}}}
}

// plain registers a handler that huma has no part in.
func (t *routes) plain(n need, op huma.Operation, h http.HandlerFunc, errs ...v1.Code) {
	op = t.add(n, op, errs...)
	t.doc.AddOperation(&op)
	t.HandleFunc(op.Method+" "+op.Path, h)
}

// HandleFunc is how every route, huma's too, reaches the router.
func (t *routes) HandleFunc(pattern string, h func(http.ResponseWriter, *http.Request)) {
	n, ok := t.needs[pattern]
	if !ok {
		t.faults = append(t.faults, fmt.Errorf("route %s has no permission", pattern))
		return
	}
	t.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		if n.admit(w, r) {
			h(w, r)
		}
	})
}

func (n need) admit(w http.ResponseWriter, r *http.Request) bool {
	switch n {
	case public:
		return true
	case signedIn:
		if _, ok := access.From(r.Context()); !ok {
			access.Refuse(w, r, v1.NewProblem(v1.Unauthorized, ""))
			return false
		}
		return true
	}
	_, ok := access.Require(w, r, access.Permission(n))
	return ok
}

// err is what is wrong with the table.
func (t *routes) err() error { return errors.Join(t.faults...) }

// ServeHTTP answers, also what no route matches: always with a problem.
func (t *routes) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h, pattern := t.mux.Handler(r)
	if pattern != "" {
		t.mux.ServeHTTP(w, r)
		return
	}
	if _, ok := access.From(r.Context()); !ok {
		access.Refuse(w, r, v1.NewProblem(v1.Unauthorized, ""))
		return
	}
	// The router's own answer tells a method it does not know from a path it
	// does not know.
	probe := &probe{header: http.Header{}}
	h.ServeHTTP(probe, r)
	if probe.status == http.StatusMethodNotAllowed {
		w.Header().Set("Allow", probe.header.Get("Allow"))
		access.Refuse(w, r, v1.NewProblem(v1.MethodRefused, "known here: "+probe.header.Get("Allow")))
		return
	}
	access.Refuse(w, r, v1.NewProblem(v1.NotFound, "no such address"))
}

// probe takes an answer and keeps its head.
type probe struct {
	header http.Header
	status int
}

func (p *probe) Header() http.Header         { return p.header }
func (p *probe) Write(b []byte) (int, error) { return len(b), nil }
func (p *probe) WriteHeader(status int)      { p.status = status }
