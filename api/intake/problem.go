package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"syscall"
	"time"

	"discsafe/api/access"
	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// When to come again.
const (
	fullPause  = 60 * time.Second
	storePause = 10 * time.Second
	busyPause  = 2 * time.Second
)

// problem turns an error into what the sender is told. What is nobody's business
// outside is logged and answered as internal.
func (in *Intake) problem(ctx context.Context, err error) *v1.Problem {
	var p *v1.Problem
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, store.ErrFull), errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return full("no space left")
	case errors.Is(err, os.ErrDeadlineExceeded):
		return slow()
	case errors.Is(err, io.ErrUnexpectedEOF):
		return v1.NewProblem(v1.BadRequest, "the body ended early")
	case errors.Is(err, store.ErrUnavailable), store.Transient(err):
		in.log.WarnContext(ctx, "the store did not take or tell a mix", "error", err)
		return v1.NewProblem(v1.Unavailable, "the store cannot be reached").After(storePause)
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return v1.NewProblem(v1.Unavailable, "broken off").After(busyPause)
	}
	in.log.ErrorContext(ctx, "intake failed", "error", err)
	return v1.NewProblem(v1.Internal, "")
}

func full(detail string) *v1.Problem { return v1.NewProblem(v1.DiskFull, detail).After(fullPause) }

func slow() *v1.Problem {
	return v1.NewProblem(v1.Timeout, "the body came too slowly or stopped coming")
}

func tooLarge(limit int64) *v1.Problem {
	return v1.NewProblem(v1.TooLarge, fmt.Sprintf("at most %d bytes are taken", limit))
}

func hashDiffers(want, got string) *v1.Problem {
	return v1.NewProblem(v1.HashDiffers, fmt.Sprintf("announced %s, received %s", want, got))
}

// invalid is one fault of a request.
func invalid(path, detail, hint string) *v1.Problem {
	p := v1.NewProblem(v1.Invalid, path+": "+detail)
	p.Faults = []v1.Fault{{Path: path, Code: string(v1.Invalid), Detail: detail, Hint: hint}}
	return p
}

// refuse answers a request with a problem.
func (in *Intake) refuse(w http.ResponseWriter, r *http.Request, err error) {
	p := in.problem(r.Context(), err)
	if r.Method != http.MethodGet && r.Method != http.MethodHead { // a question, whether a mix is there, is no upload
		in.observe(p.Code)
	}
	if p.Status == http.StatusRequestTimeout || p.Status == http.StatusRequestEntityTooLarge {
		w.Header().Set("Connection", "close") // the rest of the body is not waited for
	}
	access.Refuse(w, r, p)
}

// studio is for whom the request hands in or asks: that of the token, or for
// those who see several, of the query.
func studioOf(r *http.Request, id access.Identity) (string, *v1.Problem) {
	s := r.URL.Query().Get("studio")
	if s == "" {
		s = id.Studio
	}
	return checkStudio(s, id)
}

func checkStudio(s string, id access.Identity) (string, *v1.Problem) {
	switch {
	case s == "":
		return "", invalid("studio", "this token belongs to no studio", "say for whom: ?studio=NAME")
	case !studioForm.MatchString(s):
		return "", invalid("studio", "not a name of a studio", "lower-case letters, digits, - and _, at most 64")
	case !id.Sees(s):
		return "", v1.NewProblem(v1.Forbidden, "a studio hands in for itself only")
	}
	return s, nil
}
