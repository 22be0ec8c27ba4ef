package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/tus/tusd/v2/pkg/handler"
	"golang.org/x/exp/slog"

	"discsafe/api/access"
	v1 "discsafe/api/v1"
)

const tusVersion = "1.0.0"

// lockWait is how long a request waits for the lock of its upload.
const lockWait = 10 * time.Second

// call is one request for an upload, on its way through the tus handler and
// back.
type call struct {
	id       access.Identity
	studio   string
	upload   string            // ID
	meta     map[string]string // of a new upload, as it is kept
	raw      string            // Upload-Metadata for HEAD
	expires  time.Time
	created  bool
	body     *cut
	paced    *paced
	location string
	problem  error // what stands behind an error of the tus handler
}

type callKey struct{}

func callOf(ctx context.Context) *call {
	c, _ := ctx.Value(callKey{}).(*call)
	return c
}

// Tus handles resumable uploads (tus 1.0 with creation, creation-with-upload,
// termination and expiration) below prefix, for instance /v1/uploads. Metadata
// that mean something are filename (or name) and sha256, the announced hash;
// studio comes from the token or, for those who see several, from the query of
// the creation.
//
// The answer to the last PATCH comes once the mix is durable, and names it in
// MixHeader, as HEAD then does for Limits.DoneTTL. Location is a path without a
// host, so it is right behind any proxy that keeps paths.
func (in *Intake) Tus(prefix string) http.Handler {
	prefix = "/" + strings.Trim(prefix, "/")
	composer := handler.NewStoreComposer()
	files := tusFiles{in}
	composer.UseCore(files)
	composer.UseTerminater(files)
	composer.UseLocker(tusLocker{in})
	cors := handler.DefaultCorsConfig
	cors.Disable = true
	h, err := handler.NewHandler(handler.Config{
		StoreComposer:        composer,
		MaxSize:              in.limits.MaxBytes,
		BasePath:             prefix + "/",
		DisableDownload:      true,
		DisableConcatenation: true,
		Cors:                 &cors,
		// It logs several lines for each request; we log what matters ourselves.
		Logger:                           slog.New(silent{}),
		PreUploadCreateCallback:          in.beforeCreate,
		PreFinishResponseCallback:        in.beforeAnswer,
		GracefulRequestCompletionTimeout: time.Second,
		AcquireLockTimeout:               lockWait,
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id, ok := access.Require(w, r, access.Submit)
		if !ok {
			return
		}
		w.Header().Set("Tus-Resumable", tusVersion)
		if err != nil {
			in.refuse(w, r, err)
			return
		}
		rest, below := strings.CutPrefix(r.URL.Path, prefix)
		rest = strings.Trim(rest, "/")
		if !below || strings.Contains(rest, "/") {
			in.refuse(w, r, v1.NewProblem(v1.NotFound, ""))
			return
		}
		in.serveTus(h, w, r, &call{id: id, upload: rest, location: prefix + "/"})
	})
}

func (in *Intake) serveTus(h http.Handler, w http.ResponseWriter, r *http.Request, c *call) {
	// tus 1.0: for senders that know no PATCH.
	method := r.Method
	if o := r.Header.Get("X-HTTP-Method-Override"); o != "" && method == http.MethodPost {
		method = o
	}
	if method != http.MethodOptions && method != http.MethodHead && r.Header.Get("Tus-Resumable") != tusVersion {
		p := v1.NewProblem(v1.BadRequest, "Tus-Resumable: 1.0.0 is needed")
		p.Status = http.StatusPreconditionFailed // as tus 1.0 demands
		w.Header().Set("Tus-Version", tusVersion)
		in.refuse(w, r, p)
		return
	}
	var answered bool
	if c.upload == "" {
		answered = in.prepareCreation(w, r, method, c)
	} else {
		answered = in.prepareUpload(w, r, method, c)
	}
	if answered {
		return
	}
	r = r.Clone(context.WithValue(r.Context(), callKey{}, c))
	r.Method, r.URL.Path, r.URL.RawPath = method, "/"+c.upload, ""
	r.Header.Del("X-HTTP-Method-Override")
	c.paced = in.paced(w, r)
	c.body = in.cut(r.Context(), c.paced, in.limits.MaxBytes)
	r.Body = tusBody{c}
	tw := &tusWriter{ResponseWriter: w, call: c, head: method == http.MethodHead}
	h.ServeHTTP(tw, r)
	if tw.status != 0 {
		in.refuseTus(tw, r)
	}
}

func notAllowed(w http.ResponseWriter, allow string) *v1.Problem {
	w.Header().Set("Allow", allow)
	return v1.NewProblem(v1.MethodRefused, "")
}

// prepareCreation checks what the tus handler leaves unchecked.
func (in *Intake) prepareCreation(w http.ResponseWriter, r *http.Request, method string, c *call) (answered bool) {
	if method == http.MethodOptions {
		return false
	}
	if method != http.MethodPost {
		in.refuse(w, r, notAllowed(w, "OPTIONS, POST"))
		return true
	}
	studio, p := studioOf(r, c.id)
	if p != nil {
		in.refuse(w, r, p)
		return true
	}
	raw := r.Header.Get("Upload-Metadata")
	sent, err := parseMetadata(raw)
	if err != nil {
		in.refuse(w, r, err)
		return true
	}
	name := sent["filename"]
	if name == "" {
		name = sent["name"]
	}
	sha := strings.ToLower(sent["sha256"])
	if sha != "" && !shaForm.MatchString(sha) {
		in.refuse(w, r, invalid("sha256", "not a SHA-256 in hex", "64 digits, as text in Base64"))
		return true
	}
	c.studio = studio
	c.meta = map[string]string{metaName: cleanName(name), metaSHA: sha, metaRaw: raw}
	return false
}

// prepareUpload answers for uploads that are not there, over, or finished, and
// finishes those that lack only that: their process died, or the store was away.
func (in *Intake) prepareUpload(w http.ResponseWriter, r *http.Request, method string, c *call) (answered bool) {
	studio, ok := studioOfUpload(c.upload)
	if !ok || !c.id.Sees(studio) {
		in.refuse(w, r, v1.NewProblem(v1.NotFound, ""))
		return true
	}
	c.studio = studio
	switch method {
	case http.MethodOptions:
		return false
	case http.MethodHead, http.MethodPatch, http.MethodDelete:
	default:
		in.refuse(w, r, notAllowed(w, "OPTIONS, HEAD, PATCH, DELETE"))
		return true
	}
	if d, over := in.readDone(studio, c.upload); over {
		in.serveDone(w, r, method, c, d)
		return true
	}
	u, err := in.readUpload(studio, c.upload)
	switch {
	case errors.Is(err, errNoUpload):
		in.refuse(w, r, v1.NewProblem(v1.NotFound, ""))
		return true
	case err != nil:
		in.refuse(w, r, err)
		return true
	case u.complete() && method != http.MethodDelete:
		d, err := in.finishLocked(r.Context(), studio, c.upload)
		switch {
		case errors.Is(err, errNoUpload):
			in.refuse(w, r, v1.NewProblem(v1.NotFound, ""))
		case err != nil:
			in.refuse(w, r, err)
		default:
			in.serveDone(w, r, method, c, d)
		}
		return true
	case in.now().After(in.expires(u)):
		in.refuse(w, r, v1.NewProblem(v1.Gone, "the upload has expired"))
		return true
	}
	c.raw, c.expires = u.meta[metaRaw], in.expires(u)
	return false
}

// finishLocked finishes an upload, or waits for another request that does.
func (in *Intake) finishLocked(ctx context.Context, studio, id string) (done, error) {
	wait, cancel := context.WithTimeout(ctx, lockWait)
	defer cancel()
	unlock, err := in.lockUpload(wait, studio, id, nil)
	if err != nil {
		return done{}, err
	}
	defer unlock()
	if d, over := in.readDone(studio, id); over {
		return d, nil
	}
	// Once begun it ends, even if the sender hangs up: it would only ask again.
	return in.finish(context.WithoutCancel(ctx), studio, id)
}

// serveDone answers for an upload that has become a mix.
func (in *Intake) serveDone(w http.ResponseWriter, r *http.Request, method string, c *call, d done) {
	h := w.Header()
	h.Set("Cache-Control", "no-store")
	h.Set(MixHeader, d.SHA256)
	size := strconv.FormatInt(d.Size, 10)
	switch method {
	case http.MethodHead:
		h.Set("Upload-Offset", size)
		h.Set("Upload-Length", size)
		if d.Metadata != "" {
			h.Set("Upload-Metadata", d.Metadata)
		}
		w.WriteHeader(http.StatusOK)
	case http.MethodPatch:
		if r.Header.Get("Upload-Offset") != size {
			h.Del(MixHeader)
			in.refuse(w, r, v1.NewProblem(v1.UploadConflict, "the upload is finished"))
			return
		}
		if r.ContentLength != 0 {
			// Nothing of it is read; the mix stays what it is.
			h.Set("Connection", "close")
		}
		h.Set("Upload-Offset", size)
		w.WriteHeader(http.StatusNoContent)
	default: // DELETE forgets the upload; the mix it became stays
		h.Del(MixHeader)
		if err := remove(in.donePath(c.studio, c.upload)); err != nil {
			in.refuse(w, r, err)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}
}

// beforeCreate is called by the tus handler for a creation it finds well formed.
func (in *Intake) beforeCreate(hook handler.HookEvent) (handler.HTTPResponse, handler.FileInfoChanges, error) {
	c := callOf(hook.Context)
	fail := func(err error) (handler.HTTPResponse, handler.FileInfoChanges, error) {
		c.problem = err
		return handler.HTTPResponse{}, handler.FileInfoChanges{}, err
	}
	if p := in.room(hook.Context, hook.Upload.Size); p != nil {
		return fail(p)
	}
	c.upload = c.studio + "." + randomID()
	return handler.HTTPResponse{}, handler.FileInfoChanges{ID: c.upload, MetaData: c.meta}, nil
}

// beforeAnswer is called by the tus handler when all bytes are here, under the
// lock, before the sender is told so.
func (in *Intake) beforeAnswer(hook handler.HookEvent) (handler.HTTPResponse, error) {
	c := callOf(hook.Context)
	d, err := in.finish(context.WithoutCancel(hook.Context), c.studio, hook.Upload.ID)
	if err != nil {
		c.problem = err
		return handler.HTTPResponse{}, err
	}
	return handler.HTTPResponse{Header: handler.HTTPHeader{MixHeader: d.SHA256}}, nil
}

// tusBody is the body as the tus handler reads it.
type tusBody struct{ *call }

func (b tusBody) Read(p []byte) (int, error) { return b.body.Read(p) }
func (b tusBody) Close() error               { return b.paced.Close() }

// tusWriter holds back errors of the tus handler, to be said as problems, and
// puts right the headers of its other answers.
type tusWriter struct {
	http.ResponseWriter
	call   *call
	head   bool
	status int // of an error, held back
	text   bytes.Buffer
}

func (w *tusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// SetReadDeadline keeps the tus handler's own deadlines from ours, but lets it
// interrupt a body that another request for the upload pushes aside.
func (w *tusWriter) SetReadDeadline(t time.Time) error {
	if t.IsZero() || t.After(time.Now()) {
		return nil
	}
	return w.call.paced.interrupt()
}

// SetWriteDeadline does nothing: finishing may take longer than it would allow.
func (w *tusWriter) SetWriteDeadline(time.Time) error { return nil }

func (w *tusWriter) WriteHeader(status int) {
	if status >= 400 {
		w.status = status
		return
	}
	h, c := w.Header(), w.call
	if h.Get("Location") != "" {
		h.Set("Location", c.location+c.upload)
	}
	if ext := h.Get("Tus-Extension"); ext != "" {
		h.Set("Tus-Extension", ext+",expiration")
	}
	if w.head {
		h.Del("Content-Length") // that of the upload, which is not the body's
		h.Del("Upload-Metadata")
		if c.raw != "" {
			h.Set("Upload-Metadata", c.raw)
		}
	}
	if !c.expires.IsZero() && h.Get(MixHeader) == "" {
		h.Set("Upload-Expires", c.expires.UTC().Format(http.TimeFormat))
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *tusWriter) Write(p []byte) (int, error) {
	if w.status == 0 {
		return w.ResponseWriter.Write(p)
	}
	if w.text.Len() < 1<<10 {
		w.text.Write(p)
	}
	return len(p), nil
}

// tusCodes are our words for the tus handler's errors.
var tusCodes = map[string]v1.Code{
	"ERR_MAX_SIZE_EXCEEDED":     v1.TooLarge,
	"ERR_UPLOAD_SIZE_EXCEEDED":  v1.TooLarge,
	"ERR_INVALID_CONTENT_TYPE":  v1.MediaType,
	"ERR_INVALID_UPLOAD_LENGTH": v1.BadRequest,
	"ERR_INVALID_OFFSET":        v1.BadRequest,
	"ERR_NOT_IMPLEMENTED":       v1.BadRequest,
	"ERR_UNEXPECTED_EOF":        v1.BadRequest,
	"ERR_CONNECTION_RESET":      v1.BadRequest,
	"ERR_UPLOAD_NOT_FOUND":      v1.NotFound,
	"ERR_MISMATCHED_OFFSET":     v1.UploadConflict,
	"ERR_UPLOAD_INTERRUPTED":    v1.UploadConflict,
	"ERR_READ_TIMEOUT":          v1.Timeout,
	"ERR_UPLOAD_LOCKED":         v1.Unavailable,
	"ERR_LOCK_TIMEOUT":          v1.Unavailable,
}

// refuseTus says an error of the tus handler as a problem. Behind its words may
// stand a better reason: of a callback, of the files, or of the body.
func (in *Intake) refuseTus(w *tusWriter, r *http.Request) {
	c := w.call
	h := w.ResponseWriter.Header()
	h.Del("Content-Length")
	if c.created {
		// The sender may go on, or give it up.
		if _, err := in.readUpload(c.studio, c.upload); err == nil {
			h.Set("Location", c.location+c.upload)
		}
	}
	word, detail, _ := strings.Cut(strings.TrimSpace(w.text.String()), ": ")
	err := c.problem
	var ours *v1.Problem
	if err == nil && errors.As(c.body.err, &ours) {
		err = ours
	}
	if err == nil {
		if r.Method == http.MethodHead { // it gives no words then
			if word, detail = "ERR_LOCK_TIMEOUT", ""; w.status == http.StatusNotFound {
				word = "ERR_UPLOAD_NOT_FOUND"
			}
		}
		if code, ok := tusCodes[word]; ok {
			switch word {
			case "ERR_MAX_SIZE_EXCEEDED":
				detail = fmt.Sprintf("one file has at most %d bytes", in.limits.MaxBytes)
			case "ERR_UPLOAD_SIZE_EXCEEDED":
				detail = "more bytes came than the upload was announced with; its Upload-Length is the limit"
			}
			p := v1.NewProblem(code, detail)
			if code == v1.Unavailable {
				p.After(busyPause)
			}
			err = p
		} else {
			err = errors.New("tus: " + word + " " + detail)
		}
	}
	in.refuse(w.ResponseWriter, r, err)
}

// silent is a log nobody reads. The slog that tusd takes is that of x/exp, which
// has none of its own.
type silent struct{}

func (silent) Enabled(context.Context, slog.Level) bool  { return false }
func (silent) Handle(context.Context, slog.Record) error { return nil }
func (s silent) WithAttrs([]slog.Attr) slog.Handler      { return s }
func (s silent) WithGroup(string) slog.Handler           { return s }
