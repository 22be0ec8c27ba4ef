package api

import (
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"

	"github.com/danielgtaylor/huma/v2"
)

// problem turns any error into what a client may see. What is nobody's
// business but the operator's goes to the log.
func (s *Server) problem(ctx context.Context, err error) *v1.Problem {
	if p, ok := errors.AsType[*v1.Problem](err); ok {
		return p
	}
	if p := problemOfJob(ctx, err); p != nil {
		return p
	}
	if e, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return v1.NewProblem(v1.TooLarge, "the body may have "+strconv.FormatInt(e.Limit, 10)+" bytes")
	}
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded) || timedOut(err):
		return v1.NewProblem(v1.Timeout, "")
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return v1.NewProblem(v1.Unavailable, "the request was given up").After(5 * time.Second)
	case errors.Is(err, store.ErrFull):
		s.o.Log.ErrorContext(ctx, "store is full", "request", access.RequestID(ctx), "error", err)
		return v1.NewProblem(v1.DiskFull, "").After(time.Minute)
	case store.Transient(err):
		s.o.Log.WarnContext(ctx, "store does not answer", "request", access.RequestID(ctx), "error", err)
		return v1.NewProblem(v1.Unavailable, "").After(5 * time.Second)
	}
	s.o.Log.ErrorContext(ctx, "request failed", "request", access.RequestID(ctx), "error", err)
	return v1.NewProblem(v1.Internal, "")
}

func timedOut(err error) bool {
	e, ok := errors.AsType[net.Error](err)
	return ok && e.Timeout()
}

func problemOfJob(ctx context.Context, err error) *v1.Problem {
	if e, ok := errors.AsType[*job.DeletedError](err); ok {
		if id, _ := access.From(ctx); id.Sees(e.Studio) {
			return v1.NewProblem(v1.Gone, e.Error())
		}
		return noJob()
	}
	if errors.Is(err, job.ErrUnknown) {
		return noJob()
	}
	if e, ok := errors.AsType[*job.StateError](err); ok {
		return v1.NewProblem(v1.WrongState, e.Error())
	}
	if e, ok := errors.AsType[*job.LockedError](err); ok {
		return v1.NewProblem(v1.Locked, e.Error())
	}
	if e, ok := errors.AsType[*job.ChangedError](err); ok {
		return v1.NewProblem(v1.Conflict, e.Error())
	}
	if e, ok := errors.AsType[*job.KeyError](err); ok {
		return v1.NewProblem(v1.KeyReused, e.Error())
	}
	if e, ok := errors.AsType[*job.RequestError](err); ok {
		p := v1.NewProblem(v1.Invalid, strings.Join(e.Faults, "; "))
		for _, f := range e.Faults {
			p.Faults = append(p.Faults, v1.Fault{Code: string(v1.Invalid), Detail: f})
		}
		return p
	}
	if errors.Is(err, job.ErrBusy) {
		return v1.NewProblem(v1.Conflict, "").After(time.Second)
	}
	return nil
}

// noJob is the answer for a job that does not exist and for one of another
// studio alike.
func noJob() *v1.Problem { return v1.NewProblem(v1.NotFound, "no such job") }

// refuse answers with an error.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, err error) {
	access.Refuse(w, r, s.problem(r.Context(), err))
}

// transform gives every error that huma writes the form of v1.Problem. It is
// the only hook: huma's NewError is a variable of its package, and setting that
// would change every other user of it in the process.
func (s *Server) transform(ctx huma.Context, _ string, v any) (any, error) {
	var p v1.Problem
	switch e := v.(type) {
	case *v1.Problem:
		p = *e
	case *huma.ErrorModel:
		p = *s.fromHuma(ctx.Context(), e)
	default:
		return v, nil
	}
	p.Request = access.RequestID(ctx.Context())
	ctx.SetHeader("Content-Type", v1.ProblemType)
	ctx.SetHeader("Cache-Control", "no-store")
	if p.RetryAfter > 0 {
		ctx.SetHeader("Retry-After", strconv.Itoa(p.RetryAfter))
	}
	if p.Status == http.StatusUnauthorized {
		ctx.SetHeader("WWW-Authenticate", `Bearer realm="discsafe"`)
	}
	return &p, nil
}

// fromHuma keeps what and where of huma's error, not the values it echoes:
// among them may be secrets.
func (s *Server) fromHuma(ctx context.Context, e *huma.ErrorModel) *v1.Problem {
	codes := map[int]v1.Code{400: v1.BadRequest, 406: v1.NotAcceptable, 408: v1.Timeout, 413: v1.TooLarge, 415: v1.MediaType, 422: v1.Invalid}
	c, ok := codes[e.Status]
	if !ok {
		s.o.Log.ErrorContext(ctx, "request failed", "request", access.RequestID(ctx), "status", e.Status, "detail", e.Detail)
		c = v1.Internal
	}
	p := v1.NewProblem(c, "")
	p.Status = e.Status
	if c == v1.Internal {
		return p
	}
	p.Detail = e.Detail
	p.Faults = faultsOf(e.Errors)
	if len(p.Faults) == 1 && c != v1.Invalid {
		p.Detail, p.Faults = p.Faults[0].Detail, nil
	}
	return p
}

func faultsOf(errs []*huma.ErrorDetail) []v1.Fault {
	var out []v1.Fault
	for _, d := range errs {
		if d == nil {
			continue
		}
		out = append(out, v1.Fault{Path: strings.TrimPrefix(d.Location, "body."), Code: string(v1.Invalid), Detail: d.Message})
		if len(out) == 100 {
			break
		}
	}
	return out
}
