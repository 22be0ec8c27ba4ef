package api

import (
	"context"
	"net/http"

	"discsafe/api/access"
	"discsafe/api/v1"

	"github.com/danielgtaylor/huma/v2"
)

// signIn is the body of POST /v1/session, for the document: the gate reads it.
type signIn struct {
	Token string `json:"token" maxLength:"256"`
}

func (s *Server) registerAccess() {
	t, doc := s.routes, s.routes.doc
	in := op(http.MethodPost, "/v1/session", "signIn", "access", "Begin a browser's session", "The session's secret is in the cookie only. Requests that change something must come from the service's own pages.")
	in.RequestBody = &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
		"application/json":                  {Schema: schemaOf[signIn](doc)},
		"application/x-www-form-urlencoded": {Schema: schemaOf[signIn](doc)},
	}}
	in.Responses = map[string]*huma.Response{"200": {Description: "Signed in", Content: jsonOf[v1.Me](doc), Headers: headers(map[string]string{"Set-Cookie": "The session"})}}
	t.plain(public, in, s.o.Gate.Session, v1.BadRequest, v1.Unauthorized, v1.TokenExpired, v1.CrossSite, v1.TooLarge, v1.MediaType, v1.TooMany, v1.Unavailable)
	out := op(http.MethodDelete, "/v1/session", "signOut", "access", "End the session whose cookie was sent", "")
	out.Responses = map[string]*huma.Response{"204": {Description: "Signed out"}}
	t.plain(signedIn, out, s.o.Gate.Session, v1.CrossSite, v1.Unavailable)

	huma.Register(s.huma, t.add(signedIn, op(http.MethodGet, "/v1/me", "me", "access", "Who asks", "")), s.me)
	tokens := need(access.ManageTokens)
	huma.Register(s.huma, t.add(tokens, op(http.MethodGet, "/v1/tokens", "listTokens", "access", "All tokens, without their secrets", ""), v1.Unavailable), s.listTokens)
	issue := op(http.MethodPost, "/v1/tokens", "issueToken", "access", "Issue a token", "The secret is shown this once.")
	issue.DefaultStatus = http.StatusCreated
	huma.Register(s.huma, t.add(tokens, issue, v1.BadRequest, v1.Invalid, v1.TooLarge, v1.MediaType, v1.DiskFull, v1.Unavailable), s.issueToken)
	huma.Register(s.huma, t.add(tokens, op(http.MethodDelete, "/v1/tokens/{id}", "revokeToken", "access", "Revoke a token",
		"It is refused within seconds everywhere, and its sessions end."), v1.NotFound, v1.Unavailable), s.revokeToken)
}

func (s *Server) me(ctx context.Context, _ *none) (*body[v1.Me], error) {
	id, _ := access.From(ctx)
	return &body[v1.Me]{v1.Me{Role: id.Role, Studio: id.Studio, Name: id.Name, TokenID: id.TokenID, Expires: id.Expires, SignIn: !id.All}}, nil
}

func (s *Server) listTokens(ctx context.Context, _ *none) (*body[v1.Tokens], error) {
	list, err := s.o.Tokens.List(ctx)
	if err != nil {
		return nil, access.Problem(err)
	}
	if list == nil {
		list = []v1.Token{}
	}
	return &body[v1.Tokens]{v1.Tokens{Tokens: list}}, nil
}

func (s *Server) issueToken(ctx context.Context, in *body[v1.NewToken]) (*body[v1.IssuedToken], error) {
	t, err := s.o.Tokens.Issue(ctx, in.Body)
	if err != nil {
		return nil, access.Problem(err)
	}
	by, _ := access.From(ctx)
	s.o.Log.InfoContext(ctx, "token issued", "token", t.ID, "role", t.Role, "studio", t.Studio, "by", by.TokenID)
	return &body[v1.IssuedToken]{t}, nil
}

func (s *Server) revokeToken(ctx context.Context, in *struct {
	ID string `path:"id" doc:"Public part of the token"`
}) (*none, error) {
	err := s.o.Tokens.Revoke(ctx, in.ID)
	if isUnknownToken(err) {
		return nil, v1.NewProblem(v1.NotFound, "no such token")
	}
	if err != nil {
		return nil, access.Problem(err)
	}
	by, _ := access.From(ctx)
	s.o.Log.InfoContext(ctx, "token revoked", "token", in.ID, "by", by.TokenID)
	return nil, nil
}
