package access

import (
	"context"
	"errors"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// What Lookup and Revoke answer, for errors.Is. Any other error means that the
// store could not be asked, and that nobody may come in on its account.
var (
	ErrUnknown = errors.New("no such token")
	ErrExpired = errors.New("token has expired or was revoked")
)

// storePause is when to try again after the store could not be asked.
const storePause = 5 * time.Second

// Problem turns an error of this package into what a client may see: a problem
// stays what it is, the cause of a failed store stays in the log.
func Problem(err error) *v1.Problem {
	var p *v1.Problem
	switch {
	case err == nil:
		return nil
	case errors.As(err, &p):
		return p
	case errors.Is(err, ErrUnknown):
		return v1.NewProblem(v1.Unauthorized, "this token is not known here")
	case errors.Is(err, ErrExpired):
		return v1.NewProblem(v1.TokenExpired, "")
	case errors.Is(err, context.Canceled):
		return v1.NewProblem(v1.Unavailable, "the request was given up").After(storePause)
	case errors.Is(err, store.ErrFull):
		return v1.NewProblem(v1.DiskFull, "").After(storePause)
	}
	return v1.NewProblem(v1.Unavailable, "tokens cannot be looked up").After(storePause)
}

// Kinds of what Observe is told: label values, so a fixed list.
const (
	SignedIn        = "signed-in"         // a session began
	SignedOut       = "signed-out"        // a session was ended by its owner
	SignInRefused   = "sign-in-refused"   // by POST /v1/session, for its token
	SignInThrottled = "sign-in-throttled" // too many refused before, or too many sessions
	NoCredentials   = "no-credentials"
	TokenUnknown    = "token-unknown" // also a session that is not known
	TokenExpired    = "token-expired" // also revoked
	TokenInURL      = "token-in-url"
	BadCredentials  = "bad-credentials" // a header that cannot be understood
	Forbidden       = "forbidden"
	CrossSite       = "cross-site"
	WrongHost       = "wrong-host"
	RateLimited     = "rate-limited"
	StoreFailed     = "store-failed"
	Panicked        = "panicked"
)
