package api

import (
	"bytes"
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/worker/job"
	"discsafe/worker/store"

	"github.com/danielgtaylor/huma/v2"
)

type none struct{}

type body[T any] struct{ Body T }

// registerFixed registers what does not depend on jobs.
func (s *Server) registerFixed() {
	t, doc := s.routes, s.routes.doc
	healthz := op(http.MethodGet, "/healthz", "healthz", "service", "Whether the process lives", "")
	healthz.Responses = map[string]*huma.Response{"200": {Description: "It does", Content: jsonOf[v1.Health](doc)}}
	t.plain(public, healthz, func(w http.ResponseWriter, r *http.Request) {
		write(w, http.StatusOK, v1.Health{Ready: true})
	})
	readyz := op(http.MethodGet, "/readyz", "readyz", "service", "Whether requests can be served", "The store and, where there is one, the broker answer.")
	readyz.Responses = map[string]*huma.Response{"200": {Description: "Ready", Content: jsonOf[v1.Health](doc)}, "503": {Description: "Not ready", Content: jsonOf[v1.Health](doc)}}
	t.plain(public, readyz, s.readyz)

	file := op(http.MethodGet, "/openapi.json", "openapi", "service", "This document", "")
	file.Responses = map[string]*huma.Response{"200": {Description: "OpenAPI 3.1", Content: map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: "object"}}}}}
	t.plain(public, file, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(s.document) // a client that has gone cannot be told so
	})

	m := op(http.MethodGet, "/metrics", "metrics", "service", "Figures for Prometheus", "Names begin with discsafe_. Absent where they are shown on an address of their own.")
	m.Responses = map[string]*huma.Response{"200": {Description: "Exposition format", Content: map[string]*huma.MediaType{"text/plain": {Schema: text("")}}}}
	figures := func(w http.ResponseWriter, r *http.Request) {
		access.Refuse(w, r, v1.NewProblem(v1.NotFound, "figures are not shown here"))
	}
	if s.o.Metrics != nil {
		figures = s.o.Metrics.Handler().ServeHTTP
	}
	t.plain(need(access.Operate), m, figures, v1.NotFound)

	huma.Register(s.huma, t.add(public, op(http.MethodGet, "/v1/problems", "problems", "service", "What the codes of problems mean", "The type of a problem points here.")),
		func(context.Context, *none) (*body[v1.Problems], error) { return &body[v1.Problems]{problems()}, nil })
	huma.Register(s.huma, t.add(signedIn, op(http.MethodGet, "/v1/reasons", "reasons", "jobs", "What the reason codes of jobs mean", "")),
		func(context.Context, *none) (*body[v1.Reasons], error) { return &body[v1.Reasons]{reasons()}, nil })

	schemas := op(http.MethodGet, "/v1/schemas/{name}", "schema", "plans", "JSON Schema of a plan, a room or a report", "")
	schemas.Parameters = []*huma.Param{inPath("name", oneOf("Which", "plan", "room", "report"))}
	schemas.Responses = map[string]*huma.Response{"200": {Description: "JSON Schema, draft 2020-12", Content: map[string]*huma.MediaType{"application/schema+json": {Schema: &huma.Schema{Type: "object"}}}}}
	t.plain(signedIn, schemas, s.schema, v1.NotFound)
}

func problems() v1.Problems {
	out := v1.Problems{Problems: []v1.ProblemInfo{}}
	for c, k := range v1.Kinds() {
		out.Problems = append(out.Problems, v1.ProblemInfo{Code: string(c), Status: k.Status, Title: k.Title, Hint: k.Hint})
	}
	slices.SortFunc(out.Problems, func(a, b v1.ProblemInfo) int { return strings.Compare(a.Code, b.Code) })
	return out
}

func reasons() v1.Reasons {
	out := v1.Reasons{Reasons: []v1.ReasonInfo{}}
	for _, c := range job.Codes() {
		out.Reasons = append(out.Reasons, v1.ReasonInfo{Code: string(c.Code), Kind: string(c.Kind), Text: c.Text, Hint: c.Hint})
	}
	return out
}

func (s *Server) schema(w http.ResponseWriter, r *http.Request) {
	var data []byte
	var err error
	switch r.PathValue("name") {
	case "plan":
		data, err = sideplan.PlanSchema()
	case "room":
		data, err = sideplan.RoomSchema()
	case "report":
		var b bytes.Buffer
		err = report.WriteJSONSchema(&b)
		data = b.Bytes()
	default:
		access.Refuse(w, r, v1.NewProblem(v1.NotFound, "want plan, room or report"))
		return
	}
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/schema+json")
	_, _ = w.Write(data) // a client that has gone cannot be told so
}

// readyTimeout bounds how long a balancer waits for the answer.
const readyTimeout = 2 * time.Second

func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), readyTimeout)
	defer cancel()
	h := v1.Health{Ready: true, Version: s.o.Version}
	if err := s.ready(ctx); err != nil {
		// Why is for operators, who read the log; the path is open to everybody.
		s.o.Log.WarnContext(ctx, "not ready", "error", err)
		h.Ready, h.Why = false, "store or broker does not answer"
		w.Header().Set("Retry-After", "5")
		write(w, http.StatusServiceUnavailable, h)
		return
	}
	select {
	case <-s.closing:
		h.Ready, h.Why = false, "shutting down"
		write(w, http.StatusServiceUnavailable, h)
	default:
		write(w, http.StatusOK, h)
	}
}

func (s *Server) ready(ctx context.Context) error {
	if _, _, err := store.Read(ctx, s.o.Store, pauseKey); err != nil && !isNotFound(err) {
		return err
	}
	if s.o.Ready != nil {
		return s.o.Ready(ctx)
	}
	return nil
}
