package access

import (
	"context"
	"net/http"
	"time"

	v1 "discsafe/api/v1"
)

// Permission is what a route needs.
type Permission string

// Permissions.
const (
	Submit       Permission = "submit"   // hand in mixes, check plans, submit
	Read         Permission = "read"     // jobs, lists, events, plans, files of reports
	Listen       Permission = "listen"   // sound: mixes, premasters, differences, as traced
	Manage       Permission = "manage"   // cancel, retry, delete
	SignOff      Permission = "sign-off" // say that a side may be cut
	Operate      Permission = "operate"  // state of the service, pause, queue, dead letters
	ManageTokens Permission = "tokens"   // issue, list, revoke
)

// Permissions lists all of them.
func Permissions() []Permission {
	return []Permission{Submit, Read, Listen, Manage, SignOff, Operate, ManageTokens}
}

// LocalStudio is the studio of everybody where there is no sign-in.
const LocalStudio = "local"

// Identity is who asks. The zero Identity may do nothing and sees nothing.
type Identity struct {
	TokenID string // public part of the token; "" without sign-in
	Name    string
	Role    string // one of v1's roles
	Studio  string // of role studio, and LocalStudio without sign-in
	Expires time.Time
	Cookie  bool // signed in by a session's cookie
	All     bool // no sign-in: everything is allowed
}

// May says whether the identity has a permission.
func (id Identity) May(p Permission) bool {
	switch p {
	case Submit, Read, Listen, Manage, SignOff, Operate, ManageTokens:
	default:
		return false
	}
	if id.All {
		return true
	}
	switch id.Role {
	case v1.RoleStudio:
		return id.Studio != "" && (p == Submit || p == Read || p == Listen || p == Manage)
	case v1.RoleEngineer:
		return p == Submit || p == Read || p == Listen || p == Manage || p == SignOff
	case v1.RoleOperator:
		return p == Submit || p == Read || p == Manage || p == Operate || p == ManageTokens
	}
	return false
}

// Sees says whether things of a studio exist for the identity. What it does not
// see must be answered like what does not exist.
func (id Identity) Sees(studio string) bool {
	if id.All {
		return true
	}
	switch id.Role {
	case v1.RoleStudio:
		return id.Studio != "" && id.Studio == studio
	case v1.RoleEngineer, v1.RoleOperator:
		return true
	}
	return false
}

// Open is the identity of everybody where there is no sign-in.
func Open() Identity {
	return Identity{Name: LocalStudio, Role: v1.RoleOperator, Studio: LocalStudio, All: true}
}

// Me is the identity as its owner may see it.
func Me(id Identity) v1.Me {
	return v1.Me{Role: id.Role, Studio: id.Studio, Name: id.Name, TokenID: id.TokenID, Expires: id.Expires, SignIn: !id.All}
}

type identityKey struct{}

// With puts an identity into a context.
func With(ctx context.Context, id Identity) context.Context {
	return context.WithValue(ctx, identityKey{}, id)
}

// From returns the identity that Gate.Wrap or With put there.
func From(ctx context.Context) (Identity, bool) {
	id, ok := ctx.Value(identityKey{}).(Identity)
	return id, ok
}

// Require returns the identity if it has the permission. If not, it has answered
// the request with a problem, and the caller returns.
func Require(w http.ResponseWriter, r *http.Request, p Permission) (Identity, bool) {
	id, problem := Allow(r.Context(), p)
	if problem != nil {
		Refuse(w, r, problem)
		return Identity{}, false
	}
	return id, true
}

// Allow is Require for handlers that return their problems.
func Allow(ctx context.Context, p Permission) (Identity, *v1.Problem) {
	id, ok := From(ctx)
	switch {
	case !ok:
		return Identity{}, v1.NewProblem(v1.Unauthorized, "")
	case !id.May(p):
		observe(ctx, Forbidden)
		return Identity{}, v1.NewProblem(v1.Forbidden, "role "+id.Role+" lacks the permission "+string(p))
	}
	return id, nil
}

// Refuse answers with a problem that carries the request's id.
func Refuse(w http.ResponseWriter, r *http.Request, p *v1.Problem) {
	q := *p
	if q.Request == "" {
		q.Request = RequestID(r.Context())
	}
	q.Write(w)
}
