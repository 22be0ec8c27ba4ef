package api

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/job"
)

// readForm reads a submission as a form: fields, and files that are stored as
// they come. Nothing is kept in memory or in a temporary file but the plan.
func (s *Server) readForm(w http.ResponseWriter, r *http.Request, id access.Identity) (v1.Submit, string, error) {
	r.Body = http.MaxBytesReader(w, r.Body, s.limits.FormBytes)
	mr, err := r.MultipartReader()
	if err != nil {
		return v1.Submit{}, "", v1.NewProblem(v1.BadRequest, "the form cannot be read: "+err.Error())
	}
	f := &form{s: s, r: r, id: id, seen: map[string]bool{}}
	for parts := 0; ; parts++ {
		part, err := mr.NextRawPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return v1.Submit{}, "", broken(err)
		}
		if parts == maxParts {
			return v1.Submit{}, "", v1.NewProblem(v1.TooLarge, fmt.Sprintf("a form may have %d parts", maxParts))
		}
		if err := f.part(part); err != nil {
			return v1.Submit{}, "", err
		}
	}
	return f.done()
}

const (
	maxParts      = 300
	maxFieldBytes = 4 << 10
)

type form struct {
	s    *Server
	r    *http.Request
	id   access.Identity
	in   v1.Submit
	hook v1.Hook
	seen map[string]bool
	// studio is settled by the first file: files are stored at once.
	studio string
}

// partNames are the field's name and the file's, with its folders: the
// standard library would drop those.
func partNames(p *multipart.Part) (field, file string, isFile bool) {
	_, params, err := mime.ParseMediaType(p.Header.Get("Content-Disposition"))
	if err != nil {
		return p.FormName(), "", false
	}
	file, isFile = params["filename"]
	return params["name"], file, isFile
}

func (f *form) part(p *multipart.Part) error {
	field, file, isFile := partNames(p)
	switch field {
	case "plan", "kind", "studio", "lane", "as_traced", "revises", "hook_url", "hook_secret", "hook_decisions":
		return f.field(p, field)
	case "":
		return v1.NewProblem(v1.BadRequest, "a part of the form has no name")
	}
	if !isFile {
		return invalid(fmt.Sprintf("%.60s", field), "no field has this name")
	}
	// -F file=@a.wav stands under a.wav, -F mixes/a.wav=@anything under mixes/a.wav.
	name := file
	if field != "file" && field != "files" {
		name = field
	}
	return f.file(p, name)
}

func (f *form) field(p *multipart.Part, name string) error {
	if f.seen[name] {
		return invalid(name, "is there twice")
	}
	f.seen[name] = true
	most := maxFieldBytes
	if name == "plan" {
		most = maxPlanBytes
	}
	data, err := io.ReadAll(io.LimitReader(p, int64(most)+1))
	if err != nil {
		return broken(err)
	}
	if len(data) > most {
		return v1.NewProblem(v1.TooLarge, fmt.Sprintf("%s may have %d bytes", name, most))
	}
	v := string(data)
	switch name {
	case "plan":
		f.in.Plan = v
	case "kind":
		f.in.Kind = v
	case "lane":
		f.in.Lane = v
	case "studio":
		if f.studio != "" {
			return invalid(name, "must come before the files")
		}
		f.in.Studio = v
	case "as_traced":
		if f.in.AsTraced, err = strconv.ParseBool(v); err != nil {
			return invalid(name, "want true or false")
		}
	case "revises":
		f.in.Revises = v
	case "hook_url":
		f.hook.URL = v
	case "hook_secret":
		f.hook.Secret = v
	case "hook_decisions":
		if f.hook.Decisions, err = strconv.ParseBool(v); err != nil {
			return invalid(name, "want true or false")
		}
	}
	return nil
}

func (f *form) settle() error {
	if f.studio != "" {
		return nil
	}
	studio, p := studioFor(f.id, f.in.Studio)
	if p != nil {
		return p
	}
	f.studio = studio
	return nil
}

func (f *form) file(p *multipart.Part, name string) error {
	if fault := nameFault(name); fault != "" {
		return invalid("file", fmt.Sprintf("%.100q %s", name, fault))
	}
	if len(f.in.Files) == f.s.limits.FilesPerSide {
		return v1.NewProblem(v1.TooLarge, fmt.Sprintf("at most %d files are taken for one side", f.s.limits.FilesPerSide))
	}
	if err := f.settle(); err != nil {
		return err
	}
	m, err := f.s.o.Intake.Take(f.r.Context(), f.studio, name, p, "")
	if err != nil {
		return err
	}
	f.in.Files = append(f.in.Files, v1.Use{Name: name, SHA256: m.SHA256})
	return nil
}

func (f *form) done() (v1.Submit, string, error) {
	if err := f.settle(); err != nil {
		return f.in, "", err
	}
	in := &f.in
	switch {
	case !f.seen["plan"]:
		return *in, "", invalid("plan", "the form has no plan")
	case in.Kind != "" && !slices.Contains(job.Kinds(), in.Kind):
		return *in, "", invalid("kind", "want one of "+strings.Join(job.Kinds(), ", "))
	case in.Lane != "" && in.Lane != job.Express && in.Lane != job.Bulk:
		return *in, "", invalid("lane", "want express or bulk")
	case f.hook.URL == "" && f.hook.Decisions:
		return *in, "", invalid("hook_decisions", "there is no hook_url")
	case f.hook.URL == "" && f.hook.Secret != "":
		return *in, "", invalid("hook_secret", "there is no hook_url")
	case f.hook.Secret != "" && (len(f.hook.Secret) < 16 || len(f.hook.Secret) > 256):
		return *in, "", invalid("hook_secret", "want 16 to 256 bytes")
	}
	if f.hook.URL != "" {
		in.Hook = &f.hook
	}
	return *in, f.studio, nil
}
