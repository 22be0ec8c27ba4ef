package api

import (
	"context"
	"net/http"

	"discsafe/api/access"
	"discsafe/api/v1"

	"github.com/danielgtaylor/huma/v2"
)

const tusVersion = "1.0.0"

// form is a submission or a delivery of mixes as multipart/form-data.
func formOf(text string, fields map[string]*huma.Schema) *huma.RequestBody {
	return &huma.RequestBody{Required: true, Description: text, Content: map[string]*huma.MediaType{
		"multipart/form-data": {Schema: &huma.Schema{Type: "object", Properties: fields}}}}
}

func fileField(doc string) *huma.Schema {
	return &huma.Schema{Type: "string", Format: "binary", Description: doc}
}

// registerIntake registers what package intake answers.
func (s *Server) registerIntake() {
	t, doc := s.routes, s.routes.doc
	submit := need(access.Submit)
	hash := func() *huma.Param {
		p := text("SHA-256 of the bytes, in lower-case hex")
		p.Pattern = "^[0-9a-f]{64}$"
		return inPath("sha256", p)
	}
	studio := func() *huma.Param { return inQuery("studio", text("For engineers and operators: whose it is")) }
	mix := jsonOf[v1.Mix](doc)

	post := op(http.MethodPost, "/v1/mixes", "postMixes", "intake", "Hand in mixes and room files by a form", "")
	post.Parameters = []*huma.Param{studio()}
	post.RequestBody = formOf("Each file part is one file.", map[string]*huma.Schema{"studio": text("As the parameter; before the files"), "file": fileField("A mix or a room file; may come often")})
	post.Responses = map[string]*huma.Response{"200": {Description: "All were here before", Content: jsonOf[v1.Mixes](doc)}, "201": {Description: "Stored", Content: jsonOf[v1.Mixes](doc)}}
	t.plain(submit, post, s.open(s.o.Intake.PostForm), v1.BadRequest, v1.TooLarge, v1.MediaType, v1.Timeout, v1.Invalid, v1.DiskFull, v1.Unavailable, v1.Paused)

	list := op(http.MethodGet, "/v1/mixes", "listMixes", "intake", "What was handed in", "")
	list.Parameters = []*huma.Param{studio(), inQuery("cursor", text("As next of the page before")), inQuery("limit", whole("At most so many"))}
	list.Responses = map[string]*huma.Response{"200": {Description: "A page", Content: jsonOf[v1.Mixes](doc)}}
	t.plain(submit, list, s.o.Intake.List, v1.Invalid, v1.Unavailable)

	put := op(http.MethodPut, "/v1/mixes/{sha256}", "putMix", "intake", "Hand in one file under its hash", "Sending what is here already costs nothing: ask with HEAD first.")
	put.Parameters = []*huma.Param{hash(), studio(), inQuery("name", text("As the sender calls it; for people only"))}
	put.RequestBody = &huma.RequestBody{Required: true, Content: bytesAs("application/octet-stream")}
	put.Responses = map[string]*huma.Response{"200": {Description: "It was here before", Content: mix}, "201": {Description: "Stored", Content: mix}}
	t.plain(submit, put, s.open(s.o.Intake.PutByHash), v1.BadRequest, v1.TooLarge, v1.Timeout, v1.HashDiffers, v1.Invalid, v1.DiskFull, v1.Unavailable, v1.Paused)

	get := op(http.MethodGet, "/v1/mixes/{sha256}", "mix", "intake", "What is known of a file handed in", "")
	get.Parameters = []*huma.Param{hash(), studio()}
	get.Responses = map[string]*huma.Response{"200": {Description: "It is here", Content: mix}}
	t.plain(submit, get, s.o.Intake.Stat, v1.NotFound, v1.Unavailable)
	head := op(http.MethodHead, "/v1/mixes/{sha256}", "hasMix", "intake", "Whether a file is here", "")
	head.Parameters = []*huma.Param{hash(), studio()}
	head.Responses = map[string]*huma.Response{"200": {Description: "It is here"}}
	t.plain(submit, head, s.o.Intake.Stat, v1.NotFound, v1.Unavailable)

	s.registerUploads()
}

// registerUploads registers tus 1.0 (https://tus.io/protocols/resumable-upload).
func (s *Server) registerUploads() {
	t, doc := s.routes, s.routes.doc
	submit := need(access.Submit)
	tus := s.o.Intake.Tus("/v1/uploads").ServeHTTP
	resumable := func() *huma.Param {
		return required(inHeader("Tus-Resumable", oneOf("Version of the protocol", tusVersion)))
	}
	id := func() *huma.Param { return inPath("id", text("Of the upload, from Location")) }
	answer := func(status, text string, h map[string]string) map[string]*huma.Response {
		h["Tus-Resumable"] = "Version of the protocol"
		return map[string]*huma.Response{status: {Description: text, Headers: headers(h)}}
	}

	options := op(http.MethodOptions, "/v1/uploads", "tusOptions", "intake", "What the upload protocol offers", "")
	options.Responses = answer("200", "See the headers", map[string]string{"Tus-Version": "", "Tus-Extension": "", "Tus-Max-Size": "Bytes"})
	t.plain(submit, options, tus)

	create := op(http.MethodPost, "/v1/uploads", "createUpload", "intake", "Begin a resumable upload", "Metadata: filename, sha256, studio, each in base 64.")
	create.Parameters = []*huma.Param{resumable(), required(inHeader("Upload-Length", whole("Bytes"))), inHeader("Upload-Metadata", text("As the protocol has it"))}
	create.RequestBody = &huma.RequestBody{Content: bytesAs("application/offset+octet-stream"), Description: "The first bytes, or nothing"}
	create.Responses = answer("201", "Go on at Location", map[string]string{"Location": "Of the upload", "Upload-Offset": "Bytes received", "Upload-Expires": "When it is given up"})
	t.plain(submit, create, s.open(tus), v1.BadRequest, v1.TooLarge, v1.MediaType, v1.Invalid, v1.DiskFull, v1.Unavailable, v1.Paused)

	head := op(http.MethodHead, "/v1/uploads/{id}", "uploadOffset", "intake", "Where an upload stands", "")
	head.Parameters = []*huma.Param{id(), resumable()}
	head.Responses = answer("200", "It stands at Upload-Offset", map[string]string{"Upload-Offset": "Bytes received", "Upload-Length": "Bytes in all"})
	t.plain(submit, head, tus, v1.NotFound, v1.Gone)

	patch := op(http.MethodPatch, "/v1/uploads/{id}", "continueUpload", "intake", "Send more of an upload", "With the last byte the file is checked and stored; the answer then tells its hash.")
	patch.Parameters = []*huma.Param{id(), resumable(), required(inHeader("Upload-Offset", whole("Where these bytes begin")))}
	patch.RequestBody = &huma.RequestBody{Required: true, Content: bytesAs("application/offset+octet-stream")}
	patch.Responses = answer("204", "Received", map[string]string{"Upload-Offset": "Bytes received"})
	patch.Responses["200"] = &huma.Response{Description: "The file is complete and stored", Content: jsonOf[v1.Mix](doc), Headers: headers(map[string]string{"Upload-Offset": "Bytes received"})}
	t.plain(submit, patch, tus, v1.BadRequest, v1.NotFound, v1.Gone, v1.UploadConflict, v1.TooLarge, v1.MediaType, v1.HashDiffers, v1.DiskFull, v1.Unavailable)

	del := op(http.MethodDelete, "/v1/uploads/{id}", "giveUpUpload", "intake", "Give an upload up", "")
	del.Parameters = []*huma.Param{id(), resumable()}
	del.Responses = answer("204", "Given up", map[string]string{})
	t.plain(submit, del, tus, v1.NotFound, v1.Gone)
}

// open lets h take bytes while intake is open. A part of an upload that was
// begun before may still come.
func (s *Server) open(h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := s.intake.bytes(r.Context()); err != nil {
			s.turnAway(w, r, err)
			return
		}
		h(w, r)
	}
}

// turnAway refuses work, and counts that.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request, err error) {
	access.Refuse(w, r, s.turned(r.Context(), err))
}

// turned is the answer to work that is refused, and counts that.
func (s *Server) turned(ctx context.Context, err error) *v1.Problem {
	p := s.problem(ctx, err)
	if s.o.Metrics != nil {
		s.o.Metrics.Refused(p.Code)
	}
	return p
}
