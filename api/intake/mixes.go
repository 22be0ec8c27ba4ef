package intake

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"path"
	"strconv"
	"strings"

	"discsafe/api/access"
	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// MixHeader tells the SHA-256 of the mix an upload became.
const MixHeader = "Mix-SHA256"

// maxField is the most bytes of a form's field that is no file.
const maxField = 4 << 10

// PutByHash handles PUT /v1/mixes/{sha256}: the body is the file. The query may
// give name and, for those who see several studios, studio. The answer is 201,
// or 200 if the file was here, even before the body was read.
func (in *Intake) PutByHash(w http.ResponseWriter, r *http.Request) {
	studio, ok := in.sender(w, r)
	if !ok {
		return
	}
	sha := r.PathValue("sha256")
	if !shaForm.MatchString(sha) {
		in.refuse(w, r, invalid("sha256", "not a SHA-256 in lower-case hex", "64 digits"))
		return
	}
	m, err := in.take(r.Context(), studio, r.URL.Query().Get("name"), in.paced(w, r), sha, r.ContentLength)
	if err != nil {
		in.refuse(w, r, err)
		return
	}
	w.Header().Set(MixHeader, m.SHA256)
	writeJSON(w, created(m.New), m)
}

// sender is for whom a caller hands in, or has been answered.
func (in *Intake) sender(w http.ResponseWriter, r *http.Request) (studio string, ok bool) {
	id, ok := access.Require(w, r, access.Submit)
	if !ok {
		return "", false
	}
	studio, p := studioOf(r, id)
	if p != nil {
		in.refuse(w, r, p)
		return "", false
	}
	return studio, true
}

func created(isNew bool) int {
	if isNew {
		return http.StatusCreated
	}
	return http.StatusOK
}

// PostForm handles POST /v1/mixes: multipart/form-data with any number of files.
// A field sha256 before a file announces its hash. Files are stored one after
// the other; those before one that is refused stay stored.
func (in *Intake) PostForm(w http.ResponseWriter, r *http.Request) {
	studio, ok := in.sender(w, r)
	if !ok {
		return
	}
	mixes, err := in.form(w, r, studio)
	if err != nil {
		in.refuse(w, r, err)
		return
	}
	anyNew := false
	for _, m := range mixes {
		anyNew = anyNew || m.New
	}
	writeJSON(w, created(anyNew), v1.Mixes{Mixes: mixes})
}

func (in *Intake) form(w http.ResponseWriter, r *http.Request, studio string) ([]v1.Mix, error) {
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" || params["boundary"] == "" {
		return nil, v1.NewProblem(v1.MediaType, "multipart/form-data is needed")
	}
	if r.ContentLength > in.limits.MaxBody {
		return nil, tooLarge(in.limits.MaxBody)
	}
	body := in.cut(r.Context(), in.paced(w, r), in.limits.MaxBody)
	// The reader of the form hides why its source ended.
	because := func(err error) error {
		if body.err != nil && body.err != io.EOF {
			return body.err
		}
		var p *v1.Problem
		if errors.As(err, &p) || err == nil {
			return err
		}
		return v1.NewProblem(v1.BadRequest, "the form is not well formed or ended early")
	}
	parts := multipart.NewReader(body, params["boundary"])
	var mixes []v1.Mix
	want := ""
	for n := 0; ; n++ {
		part, err := parts.NextRawPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, because(err)
		}
		if n >= 4*in.limits.MaxFiles {
			return nil, v1.NewProblem(v1.TooLarge, "the form has too many fields")
		}
		name, isFile := fileName(part)
		if !isFile {
			data, err := io.ReadAll(io.LimitReader(part, maxField+1))
			if err != nil {
				return nil, because(err)
			}
			if len(data) > maxField {
				return nil, invalid(cleanName(part.FormName()), "too long", "send files with a file name")
			}
			if part.FormName() == "sha256" {
				want = strings.TrimSpace(string(data))
			}
			continue
		}
		if len(mixes) >= in.limits.MaxFiles {
			return nil, v1.NewProblem(v1.TooLarge, fmt.Sprintf("at most %d files are taken in one form", in.limits.MaxFiles))
		}
		m, err := in.take(r.Context(), studio, name, part, want, -1)
		if err != nil {
			if body.err != nil && body.err != io.EOF {
				err = body.err
			}
			p := *in.problem(r.Context(), err)
			p.Detail = strings.TrimSuffix(fmt.Sprintf("file %d, %q: %s", len(mixes)+1, cleanName(name), p.Detail), ": ")
			return nil, &p
		}
		mixes, want = append(mixes, m), ""
	}
	if len(mixes) == 0 {
		return nil, invalid("file", "the form holds no file", "give each file a file name")
	}
	return mixes, nil
}

// fileName is the name of a file as it was sent, which only people read, and
// whether the part is a file.
func fileName(p *multipart.Part) (string, bool) {
	_, params, err := mime.ParseMediaType(p.Header.Get("Content-Disposition"))
	if err != nil {
		// A name that breaks the header is still a file.
		return "", strings.Contains(p.Header.Get("Content-Disposition"), "filename")
	}
	name, ok := params["filename"]
	return name, ok
}

// Stat handles HEAD and GET /v1/mixes/{sha256}.
func (in *Intake) Stat(w http.ResponseWriter, r *http.Request) {
	id, ok := access.Require(w, r, access.Read)
	if !ok {
		return
	}
	notFound := v1.NewProblem(v1.NotFound, "")
	studio, p := studioOf(r, id)
	if p != nil {
		if p.Code == string(v1.Forbidden) {
			p = notFound
		}
		in.refuse(w, r, p)
		return
	}
	sha := r.PathValue("sha256")
	if !shaForm.MatchString(sha) {
		in.refuse(w, r, notFound)
		return
	}
	m, ok, err := in.known(r.Context(), studio, sha, "")
	switch {
	case errors.Is(err, errDeleting), err == nil && !ok:
		in.refuse(w, r, notFound)
	case err != nil:
		in.refuse(w, r, err)
	default:
		w.Header().Set(MixHeader, m.SHA256)
		writeJSON(w, http.StatusOK, m)
	}
}

// List handles GET /v1/mixes with cursor, limit (1 to 100) and, for those who
// see several, studio. It goes by studio and hash.
func (in *Intake) List(w http.ResponseWriter, r *http.Request) {
	id, ok := access.Require(w, r, access.Read)
	if !ok {
		return
	}
	q := r.URL.Query()
	within := infoKeys
	if id.Studio != "" || q.Get("studio") != "" {
		studio, p := studioOf(r, id)
		if p != nil {
			in.refuse(w, r, p)
			return
		}
		within += studio + "/"
	}
	limit := 50
	if s := q.Get("limit"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > 100 {
			in.refuse(w, r, invalid("limit", "not a number from 1 to 100", ""))
			return
		}
		limit = n
	}
	after := ""
	if s := q.Get("cursor"); s != "" {
		b, err := base64.RawURLEncoding.DecodeString(s)
		after = infoKeys + string(b)
		if err != nil || store.CheckKey(after) != nil {
			in.refuse(w, r, invalid("cursor", "not one of ours", "leave it out to begin anew"))
			return
		}
	}
	infos, err := in.opt.Store.List(r.Context(), within, after, limit)
	if err != nil {
		in.refuse(w, r, err)
		return
	}
	out := v1.Mixes{Mixes: []v1.Mix{}}
	for _, info := range infos {
		studio, sha, _ := strings.Cut(strings.TrimPrefix(info.Key, infoKeys), "/")
		rec, _, err := in.load(r.Context(), studio, sha)
		switch {
		case errors.Is(err, store.ErrNotFound), err == nil && !rec.Deleting.IsZero():
		case err != nil:
			in.refuse(w, r, err)
			return
		default:
			out.Mixes = append(out.Mixes, in.tell(rec))
		}
	}
	if len(infos) == limit {
		out.Next = base64.RawURLEncoding.EncodeToString([]byte(strings.TrimPrefix(infos[limit-1].Key, infoKeys)))
	}
	writeJSON(w, http.StatusOK, out)
}

// Small lists the files of a studio that have at most mostBytes, by hash; it reads
// the records of no others. Of very many it lists the first mostFiles.
func (in *Intake) Small(ctx context.Context, studio string, mostBytes int64, mostFiles int) ([]v1.Mix, error) {
	var out []v1.Mix
	for o, err := range store.All(ctx, in.opt.Store, MixKeys+studio+"/") {
		if err != nil || len(out) == mostFiles {
			return out, err
		}
		if o.Size > mostBytes {
			continue
		}
		rec, _, err := in.load(ctx, studio, path.Base(o.Key))
		switch {
		case errors.Is(err, store.ErrNotFound), err == nil && !rec.Deleting.IsZero():
		case err != nil:
			return nil, err
		default:
			out = append(out, in.tell(rec))
		}
	}
	return out, nil
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "private, no-store")
	w.WriteHeader(status)
	// A client that has gone cannot be told so.
	_ = json.NewEncoder(w).Encode(v)
}
