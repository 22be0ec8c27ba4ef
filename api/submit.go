package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"regexp"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"

	"github.com/danielgtaylor/huma/v2"
)

// planToCheck is the body of POST /v1/plans/check: that of a submission, of which
// only the plan is needed.
type planToCheck struct {
	Plan     string   `json:"plan" maxLength:"262144" doc:"The side plan or the release, YAML or JSON text"`
	Files    []v1.Use `json:"files,omitempty" maxItems:"200" doc:"If given, mixes and room are checked too"`
	Studio   string   `json:"studio,omitempty" maxLength:"64"`
	Kind     string   `json:"kind,omitempty" enum:"prepare,analyse,arrange"`
	Lane     string   `json:"lane,omitempty" enum:"express,bulk"`
	AsTraced bool     `json:"as_traced,omitempty"`
	Hook     *v1.Hook `json:"hook,omitempty"`
}

func (s *Server) registerSubmit() {
	t, doc := s.routes, s.routes.doc
	submit := need(access.Submit)
	o := op(http.MethodPost, "/v1/jobs", "submit", "jobs", "Submit a side, or a release to be arranged", `As JSON, with mixes handed in before; or as a form, with the mixes themselves.
Accepted means stored: when the answer is there, the job will end in one of its ends.
With an Idempotency-Key the same request again gives the same job, for 7 days.`)
	o.Parameters = []*huma.Param{
		inHeader("Idempotency-Key", &huma.Schema{Type: "string", MaxLength: new(maxKey), Description: "Chosen by the client, unlike any other of the studio's"}),
		inHeader("Traceparent", text("W3C trace context; passed on to the worker")),
	}
	o.RequestBody = formOf("", map[string]*huma.Schema{
		"plan": fileField("The side plan or the release; as a field or as a file"), "kind": oneOf("", job.Kinds()...), "studio": text("For engineers and operators: for whom; before the files"), "lane": oneOf("", job.Express, job.Bulk),
		"as_traced": {Type: "boolean"}, "revises": text("An earlier job whose place this one takes"), "hook_url": text("Told when the job ends"), "hook_secret": text("Key of the hook's signature"), "hook_decisions": {Type: "boolean"},
		"file": fileField("A mix or the room file, under its file name; may come often. A part of another name stands under that name"),
	})
	o.RequestBody.Content["application/json"] = &huma.MediaType{Schema: schemaOf[v1.Submit](doc)}
	h := map[string]string{"Location": "Of the job", "ETag": "Its revision"}
	o.Responses = map[string]*huma.Response{
		"201": {Description: "Accepted", Content: jsonOf[v1.Job](doc), Headers: headers(h)},
		"200": {Description: "Accepted before, under this key", Content: jsonOf[v1.Job](doc), Headers: headers(map[string]string{"Location": "Of the job", "ETag": "Its revision", "Idempotency-Replayed": "true"})},
	}
	t.plain(submit, o, s.submit, v1.BadRequest, v1.Timeout, v1.KeyReused, v1.Conflict, v1.Gone, v1.TooLarge, v1.MediaType, v1.Invalid, v1.BadPlan, v1.BadSound,
		v1.TooLong, v1.MixMissing, v1.HashDiffers, v1.HookRefused, v1.BacklogFull, v1.DiskFull, v1.Paused, v1.Unavailable)

	huma.Register(s.huma, t.add(submit, op(http.MethodPost, "/v1/plans/check", "checkPlan", "plans", "Check a plan without making a job",
		"The answer is 200 also for a plan with faults. With files, mixes and room file are looked at too."), v1.BadRequest, v1.Invalid, v1.TooLarge, v1.MediaType, v1.Unavailable), s.checkPlan)
}

const maxKey = 255 // bytes of an idempotency key

// studioForm is what a studio may be called.
var studioForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,63}$`)

// studioFor is for whom a caller may submit.
func studioFor(id access.Identity, asked string) (string, *v1.Problem) {
	switch {
	case asked == "" && id.Studio != "":
		return id.Studio, nil
	case asked == "":
		return "", invalid("studio", "role "+id.Role+" must say for which studio")
	case !studioForm.MatchString(asked):
		return "", invalid("studio", "want lower-case letters, digits, - and _, at most 64")
	case !id.Sees(asked):
		return "", v1.NewProblem(v1.Forbidden, "this token submits for its own studio only")
	}
	return asked, nil
}

func (s *Server) submit(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	id, _ := access.From(ctx)
	key, p := keyOf(r)
	if p != nil {
		access.Refuse(w, r, p)
		return
	}
	// A repeat of what was accepted is answered whatever the state of intake:
	// whoever lost the answer must be able to learn of the job.
	closed := s.intake.job(ctx)
	if closed != nil && (key == "" || id.Studio != "" && !s.known(ctx, id.Studio, key)) {
		s.turnAway(w, r, closed)
		return
	}
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	var in v1.Submit
	var studio string
	var err error
	switch kind {
	case "application/json", "":
		if in, err = s.readJSON(w, r); err == nil {
			if studio, p = studioFor(id, in.Studio); p != nil {
				err = p
			}
		}
	case "multipart/form-data":
		in, studio, err = s.readForm(w, r, id)
	default:
		err = v1.NewProblem(v1.MediaType, "send application/json or multipart/form-data")
	}
	if err != nil {
		s.turnAway(w, r, err)
		return
	}
	if closed != nil && !s.known(ctx, studio, key) {
		s.turnAway(w, r, closed)
		return
	}
	rec, replayed, err := s.accept(ctx, id, studio, key, traceOf(r), in)
	if err != nil {
		s.turnAway(w, r, err)
		return
	}
	out := s.answerJob(rec, id)
	w.Header().Set("Location", "/v1/jobs/"+rec.ID)
	w.Header().Set("ETag", out.ETag)
	if replayed {
		w.Header().Set("Idempotency-Replayed", "true")
		write(w, http.StatusOK, out.Body)
		return
	}
	write(w, http.StatusCreated, out.Body)
}

// known says whether a studio's idempotency key has made a job. A store that does
// not answer knows nothing: then intake decides.
func (s *Server) known(ctx context.Context, studio, key string) bool {
	made, err := s.o.Ledger.Keyed(ctx, studio, key)
	return err == nil && made
}

func keyOf(r *http.Request) (string, *v1.Problem) {
	keys := r.Header.Values("Idempotency-Key")
	if len(keys) > 1 {
		return "", v1.NewProblem(v1.BadRequest, "Idempotency-Key is there twice")
	}
	if len(keys) == 0 {
		return "", nil
	}
	if keys[0] == "" || len(keys[0]) > maxKey {
		return "", v1.NewProblem(v1.BadRequest, fmt.Sprintf("Idempotency-Key: want 1 to %d bytes", maxKey))
	}
	return keys[0], nil
}

// traceOf is the trace context that goes with the job.
func traceOf(r *http.Request) string {
	if t := access.TraceFrom(r.Context()).String(); t != "" {
		return t
	}
	if t := r.Header.Get("Traceparent"); traceForm.MatchString(t) {
		return t
	}
	return ""
}

var traceForm = regexp.MustCompile(`^00-[0-9a-f]{32}-[0-9a-f]{16}-[0-9a-f]{2}$`)

// accept makes a job of a submission.
func (s *Server) accept(ctx context.Context, id access.Identity, studio, key, trace string, in v1.Submit) (*job.Record, bool, error) {
	if in.Hook != nil {
		if s.o.Hooks == nil {
			return nil, false, v1.NewProblem(v1.HookRefused, "this service tells nobody")
		}
		if p := s.o.Hooks.Check(ctx, *in.Hook); p != nil {
			return nil, false, p
		}
	}
	e, err := s.examine(ctx, studio, in.Kind, in.Plan, in.Files, false)
	if err != nil {
		return nil, false, err
	}
	plan, err := s.keepPlan(ctx, studio, e)
	if err != nil {
		return nil, false, err
	}
	req := job.Request{
		Kind: in.Kind, Studio: studio, Lane: in.Lane, Title: cut(e.plan.Title), Side: cut(e.plan.Side), Catalogue: cut(e.plan.Catalogue),
		Plan: plan, Inputs: e.inputs, LengthS: e.lengthS, AsTraced: in.AsTraced, Hook: hookSum(in.Hook), Trace: trace, By: cut(id.Name),
	}
	if in.Revises != "" {
		if err := s.revise(ctx, &req, in.Revises, key); err != nil {
			return nil, false, err
		}
	}
	rec, replayed, err := s.o.Ledger.Submit(ctx, key, req)
	if err != nil {
		return nil, false, err
	}
	// Also for a replay: the first try may have broken off here.
	if in.Hook != nil {
		if err := s.o.Hooks.Add(ctx, rec.ID, *in.Hook); err != nil {
			return nil, false, err
		}
	}
	if !replayed {
		s.intake.submitted()
		s.watcher.saw(rec)
	}
	if rec.State == job.Accepted {
		s.ring(ctx, rec)
	}
	return rec, replayed, nil
}

// revise makes a request one that takes the place of an earlier job.
func (s *Server) revise(ctx context.Context, req *job.Request, earlier, key string) error {
	err := s.o.Ledger.Revise(ctx, req, earlier)
	if !errors.Is(err, job.ErrUnknown) {
		return err
	}
	// A request that is repeated gives the same job also if the earlier one was
	// deleted meanwhile.
	if key != "" {
		made, err := s.o.Ledger.Keyed(ctx, req.Studio, key)
		if err != nil {
			return err
		}
		if made {
			req.Revises = earlier
			return nil
		}
	}
	return invalid("revises", "the studio has no such job")
}

// hookSum tells one hook from another without keeping it.
func hookSum(h *v1.Hook) string {
	if h == nil {
		return ""
	}
	text := h.URL + "\x00" + h.Secret
	if h.Decisions {
		text += "\x00decisions"
	}
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// maxText is what a record takes of a title, in bytes.
const maxText = 300

// cut shortens a text to what lists show.
func cut(s string) string {
	if len(s) <= maxText {
		return s
	}
	return strings.ToValidUTF8(s[:maxText], "")
}

// readJSON reads a submission, held against its schema.
func (s *Server) readJSON(w http.ResponseWriter, r *http.Request) (v1.Submit, error) {
	var in v1.Submit
	data, err := io.ReadAll(http.MaxBytesReader(w, r.Body, s.limits.BodyBytes))
	if err != nil {
		return in, broken(err)
	}
	return s.parseSubmit(data)
}

func (s *Server) parseSubmit(data []byte) (v1.Submit, error) {
	var in v1.Submit
	var any any
	if err := json.Unmarshal(data, &any); err != nil {
		return in, v1.NewProblem(v1.BadRequest, "the body is not JSON: "+err.Error())
	}
	reg := s.routes.doc.Components.Schemas
	schema := reg.Schema(reflect.TypeFor[v1.Submit](), true, "")
	res := &huma.ValidateResult{}
	huma.Validate(reg, schema, huma.NewPathBuffer(nil, 0), huma.ModeWriteToServer, any, res)
	if len(res.Errors) > 0 {
		var details []*huma.ErrorDetail
		for _, err := range res.Errors {
			if d, ok := err.(huma.ErrorDetailer); ok {
				details = append(details, d.ErrorDetail())
			}
		}
		p := v1.NewProblem(v1.Invalid, countFaults(len(res.Errors)))
		p.Faults = faultsOf(details)
		return in, p
	}
	if err := json.Unmarshal(data, &in); err != nil {
		return in, v1.NewProblem(v1.BadRequest, "the body is not a submission: "+err.Error())
	}
	return in, nil
}

// broken is a body that did not arrive whole.
func broken(err error) error {
	if timedOut(err) || strings.Contains(err.Error(), "too large") {
		return err
	}
	return v1.NewProblem(v1.BadRequest, "the body did not arrive whole")
}

func (s *Server) checkPlan(ctx context.Context, in *body[planToCheck]) (*body[v1.PlanCheck], error) {
	id, _ := access.From(ctx)
	alone := len(in.Body.Files) == 0
	studio := ""
	if !alone {
		var p *v1.Problem
		if studio, p = studioFor(id, in.Body.Studio); p != nil {
			return nil, p
		}
	}
	out := v1.PlanCheck{}
	e, err := s.examine(ctx, studio, in.Body.Kind, in.Body.Plan, in.Body.Files, alone)
	if err != nil {
		p := s.problem(ctx, err)
		if p.Status != http.StatusUnprocessableEntity {
			return nil, p
		}
		if out.Faults = p.Faults; len(out.Faults) == 0 {
			out.Faults = []v1.Fault{{Code: p.Code, Detail: p.Detail, Hint: p.Hint}}
		}
		return &body[v1.PlanCheck]{out}, nil
	}
	out.OK, out.LengthS = true, e.lengthS
	if out.Plan, err = e.normal(); err != nil {
		return nil, s.problem(ctx, err)
	}
	return &body[v1.PlanCheck]{out}, nil
}
