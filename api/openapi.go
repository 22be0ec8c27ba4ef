package api

import (
	"reflect"
	"slices"

	"discsafe/api/v1"

	"github.com/danielgtaylor/huma/v2"
)

const about = `Studios hand in mixes and side plans; the service prepares each side for cutting and proves what it changed.

Errors are problems (RFC 9457) with a stable code; /v1/problems explains them. Reasons of jobs are explained in /v1/reasons.
Every operation names in x-permission what it needs: "public", "signed-in", or a permission that the token's role must have.
What belongs to another studio is answered like what does not exist.`

func document(version string) *huma.OpenAPI {
	schemas := huma.NewMapRegistry("#/components/schemas/", huma.DefaultSchemaNamer)
	schemas.Schema(reflect.TypeFor[v1.Problem](), true, "Problem")
	return &huma.OpenAPI{
		OpenAPI: "3.1.0",
		// The version of the interface, so that the document does not change with every build.
		Info: &huma.Info{Title: "discsafe", Version: "v1", Description: about},
		Components: &huma.Components{
			Schemas: schemas,
			SecuritySchemes: map[string]*huma.SecurityScheme{
				"bearer":  {Type: "http", Scheme: "bearer", Description: "A token, for programs"},
				"session": {Type: "apiKey", In: "cookie", Name: "discsafe_session", Description: "A browser's session; see POST /v1/session. The name has the prefix __Host- over https"},
			},
		},
		Tags: []*huma.Tag{
			{Name: "jobs", Description: "Sides under way and done"}, {Name: "results", Description: "Files and sound"},
			{Name: "intake", Description: "Mixes and room files"}, {Name: "plans", Description: "Side plans"},
			{Name: "access", Description: "Tokens and sessions"}, {Name: "service", Description: "For operators"},
		},
	}
}

// asked are the schemas of what clients send: there, unknown fields are refused.
var asked = []string{"Submit", "Use", "Hook", "NewToken", "Pause", "PlanToCheck", "SignIn"}

// tidy makes the document say what holds. Every error is a Problem, not what
// huma would write. Answers may get more fields, and their lists are never null.
func tidy(doc *huma.OpenAPI) {
	m := doc.Components.Schemas.Map()
	delete(m, "ErrorModel")
	delete(m, "ErrorDetail")
	for name, s := range m {
		if slices.Contains(asked, name) {
			continue
		}
		s.AdditionalProperties = nil
		for _, p := range s.Properties {
			p.Nullable = p.Nullable && p.Type != huma.TypeArray
		}
	}
	for _, path := range doc.Paths {
		for _, o := range []*huma.Operation{path.Get, path.Head, path.Post, path.Put, path.Patch, path.Delete, path.Options} {
			if o == nil {
				continue
			}
			for _, p := range o.Parameters {
				p.Schema.Nullable = false
			}
		}
	}
}

// op is the common part of an operation.
func op(method, path, id, tag, summary, text string) huma.Operation {
	return huma.Operation{Method: method, Path: path, OperationID: id, Tags: []string{tag}, Summary: summary, Description: text}
}

// schemaOf is a reference to the schema of T.
func schemaOf[T any](doc *huma.OpenAPI) *huma.Schema {
	return doc.Components.Schemas.Schema(reflect.TypeFor[T](), true, "")
}

func jsonOf[T any](doc *huma.OpenAPI) map[string]*huma.MediaType {
	return map[string]*huma.MediaType{"application/json": {Schema: schemaOf[T](doc)}}
}

func bytesAs(types ...string) map[string]*huma.MediaType {
	m := map[string]*huma.MediaType{}
	for _, t := range types {
		m[t] = &huma.MediaType{Schema: &huma.Schema{Type: "string", Format: "binary"}}
	}
	return m
}

func text(doc string) *huma.Schema { return &huma.Schema{Type: "string", Description: doc} }
func whole(doc string) *huma.Schema {
	return &huma.Schema{Type: "integer", Format: "int64", Description: doc}
}
func number(doc string) *huma.Schema { return &huma.Schema{Type: "number", Description: doc} }
func oneOf(doc string, values ...string) *huma.Schema {
	s := text(doc)
	for _, v := range values {
		s.Enum = append(s.Enum, v)
	}
	return s
}

func inPath(name string, s *huma.Schema) *huma.Param {
	return &huma.Param{Name: name, In: "path", Required: true, Description: s.Description, Schema: s}
}
func inQuery(name string, s *huma.Schema) *huma.Param {
	return &huma.Param{Name: name, In: "query", Description: s.Description, Schema: s}
}
func inHeader(name string, s *huma.Schema) *huma.Param {
	return &huma.Param{Name: name, In: "header", Description: s.Description, Schema: s}
}
func required(p *huma.Param) *huma.Param {
	p.Required = true
	return p
}

func headers(h map[string]string) map[string]*huma.Header {
	out := map[string]*huma.Header{}
	for name, doc := range h {
		out[name] = &huma.Header{Description: doc, Schema: &huma.Schema{Type: "string"}}
	}
	return out
}
