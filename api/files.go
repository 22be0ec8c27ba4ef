package api

import (
	"context"
	"io"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/store"

	"github.com/danielgtaylor/huma/v2"
)

// soundKey is the extension of an operation that needs more for some of what it gives.
const soundKey = "x-permission-sound"

func (s *Server) registerFiles() {
	o := op(http.MethodGet, "/v1/jobs/{id}/files/{name}", "file", "results", "A file of a job that is done",
		"Files never change; the ETag is the SHA-256. Reports, cutting sheet and manifest need x-permission, sound (*.wav) needs x-permission-sound.")
	o.Extensions = map[string]any{soundKey: string(access.Listen)}
	o.Parameters = []*huma.Param{inPath("id", text("Identifier of the job")), inPath("name", text("As in the job's files")),
		inHeader("Range", text("Bytes, RFC 9110 section 14")), inHeader("If-Range", text("ETag")), inHeader("If-None-Match", text("ETag"))}
	content := bytesAs("audio/wav", "application/octet-stream")
	content["application/json"] = &huma.MediaType{Schema: &huma.Schema{}}
	content["text/html"] = &huma.MediaType{Schema: text("")}
	h := headers(map[string]string{"ETag": "SHA-256 of the file", "Accept-Ranges": "bytes"})
	o.Responses = map[string]*huma.Response{"200": {Description: "The file", Content: content, Headers: h},
		"206": {Description: "A part of it", Content: content, Headers: h}, "304": {Description: "It is what the client has"}}
	codes := []v1.Code{v1.NotFound, v1.Gone, v1.RangeRefused, v1.Unavailable}
	s.routes.plain(need(access.Read), o, s.file, codes...)
	head := o
	head.Method, head.OperationID, head.Summary = http.MethodHead, "fileHead", "Head of a file"
	head.Extensions = map[string]any{soundKey: string(access.Listen)}
	head.Responses = map[string]*huma.Response{"200": {Description: "It is here", Headers: h}, "304": {Description: "It is what the client has"}}
	s.routes.plain(need(access.Read), head, s.file, codes...)
}

// pagePolicy shows a report as it is made, self-contained, and lets it run no
// script and send nothing, whatever a title or a note in it says.
const pagePolicy = "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"

// stored opens what a record names. What is no longer there was deleted.
func (s *Server) stored(ctx context.Context, key, what string) (store.Object, error) {
	o, err := s.o.Store.Open(ctx, key)
	if isNotFound(err) {
		return nil, v1.NewProblem(v1.Gone, what+" has been deleted")
	}
	return o, err
}

func (s *Server) file(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	rec, id, err := s.visible(ctx, r.PathValue("id"))
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	name := r.PathValue("name")
	if v1.IsSound(name) && !id.May(access.Listen) {
		access.Require(w, r, access.Listen)
		return
	}
	if rec.Result == nil {
		access.Refuse(w, r, v1.NewProblem(v1.NotFound, "the job has no files; it is "+string(rec.State)))
		return
	}
	f, ok := rec.Result.File(name)
	if !ok {
		access.Refuse(w, r, v1.NewProblem(v1.NotFound, "the job has no such file"))
		return
	}
	o, err := s.stored(ctx, f.Key, "the file")
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	defer o.Close()
	h := w.Header()
	kind, show := kindOf(name)
	h.Set("Content-Type", kind)
	how := "attachment"
	if show {
		how = "inline"
	}
	h.Set("Content-Disposition", disposition(how, path.Base(name)))
	if strings.HasPrefix(kind, "text/html") {
		h.Set("Content-Security-Policy", pagePolicy)
		h.Set("X-Frame-Options", "SAMEORIGIN")
	}
	h.Set("ETag", `"`+f.SHA256+`"`)
	// It never changes, but whether the caller may have it does.
	h.Set("Cache-Control", "private, no-cache")
	s.content(w, r, o)
}

// kindOf is the media type of a result's file, and whether a browser may show it.
func kindOf(name string) (kind string, show bool) {
	switch strings.ToLower(path.Ext(name)) {
	case ".wav":
		return "audio/wav", false
	case ".json":
		return "application/json", true
	case ".html":
		return "text/html; charset=utf-8", true
	}
	return "application/octet-stream", false
}

// disposition is a Content-Disposition that no name can break.
func disposition(how, name string) string {
	safe := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune(`/\:"`, r) {
			return '_'
		}
		return r
	}, name)
	if d := mime.FormatMediaType(how, map[string]string{"filename": safe}); d != "" {
		return d
	}
	return how
}

// content answers with bytes, or a range of them, or that they are unchanged.
// The caller has set type and ETag.
func (s *Server) content(w http.ResponseWriter, r *http.Request, o io.ReadSeeker) {
	http.ServeContent(&ranged{ResponseWriter: w, r: r}, r, "", time.Time{}, o)
}

// ranged turns the plain text of http.ServeContent's refusals into problems.
type ranged struct {
	http.ResponseWriter
	r    *http.Request
	mute bool
}

// Unwrap is for http.ResponseController.
func (c *ranged) Unwrap() http.ResponseWriter { return c.ResponseWriter }

// WriteHeader implements http.ResponseWriter.
func (c *ranged) WriteHeader(status int) {
	if status < 400 {
		c.ResponseWriter.WriteHeader(status)
		return
	}
	c.mute = true
	h := c.Header()
	for _, name := range []string{"Content-Disposition", "Last-Modified"} {
		h.Del(name)
	}
	code := v1.Internal
	switch status {
	case http.StatusRequestedRangeNotSatisfiable:
		code = v1.RangeRefused
	case http.StatusPreconditionFailed:
		code = v1.Conflict
	}
	p := v1.NewProblem(code, "")
	p.Status = status
	access.Refuse(c.ResponseWriter, c.r, p)
}

// Write implements http.ResponseWriter.
func (c *ranged) Write(p []byte) (int, error) {
	if c.mute {
		return len(p), nil
	}
	return c.ResponseWriter.Write(p)
}
