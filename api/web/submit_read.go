package web

import (
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"path"
	"strings"

	"discsafe/api/v1"
	"discsafe/pipeline/arrange"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
)

const (
	maxParts = 2000 // of a form: 60 tracks have some 600
	maxValue = 64 << 10
)

// read takes the fields of a form, and stores files as they come: nothing of
// them stays in memory. A file that is refused is a fault of its field, and what
// follows is read all the same, so that nothing typed is lost.
func (f *filled) read(w http.ResponseWriter) (url.Values, error) {
	kind, _, err := mime.ParseMediaType(f.r.Header.Get("Content-Type"))
	if err != nil {
		kind = ""
	}
	switch kind {
	case "application/x-www-form-urlencoded":
		f.r.Body = http.MaxBytesReader(w, f.r.Body, maxDraft)
		if err := f.r.ParseForm(); err != nil {
			return nil, unread(err)
		}
		return f.r.PostForm, nil
	case "multipart/form-data":
	default:
		return nil, v1.NewProblem(v1.MediaType, "send the form as a browser does")
	}
	f.r.Body = http.MaxBytesReader(w, f.r.Body, f.s.svc.FormBytes())
	parts, err := f.r.MultipartReader()
	if err != nil {
		return nil, v1.NewProblem(v1.BadRequest, "the form cannot be read")
	}
	vals := url.Values{}
	f.d = f.s.draftOf(vals) // for faults of files, before the rows are known
	for n, size := 0, 0; ; n++ {
		part, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			return vals, nil
		}
		if err != nil {
			return nil, unread(err)
		}
		field, file, isFile := partNames(part)
		if n == maxParts || field == "" {
			return nil, v1.NewProblem(v1.BadRequest, "the form has too many fields, or one without a name")
		}
		if isFile {
			if err := f.file(vals, part, field, file); err != nil {
				return nil, err
			}
			continue
		}
		data, err := io.ReadAll(io.LimitReader(part, maxValue+1))
		if err != nil {
			return nil, unread(err)
		}
		if size += len(field) + len(data); len(data) > maxValue || size > maxDraft {
			return nil, v1.NewProblem(v1.TooLarge, "the fields of this form hold too much")
		}
		vals.Add(field, string(data))
	}
}

// file stores one file of a form under its field.
func (f *filled) file(vals url.Values, part *multipart.Part, field, name string) error {
	if name == "" {
		return drain(part)
	}
	sha, label := "room_sha", "room_name"
	if field != "room_file" {
		key, is := strings.CutSuffix(field, ".file")
		if !is || !rowKey(key) {
			return v1.NewProblem(v1.Invalid, "this form takes no file in this field")
		}
		sha, label = key+".sha", key+".name"
	}
	if f.studio == "" {
		studio, err := f.s.svc.StudioFor(f.ctx(), strings.TrimSpace(vals.Get("studio")))
		if err != nil {
			// settle says what is wrong; the file must be sent again.
			return drain(part)
		}
		f.studio = studio
	}
	m, err := f.s.svc.TakeMix(f.ctx(), f.studio, name, part)
	if err != nil {
		p, ok := errors.AsType[*v1.Problem](err)
		if !ok || p.Code == string(v1.BadRequest) || p.Code == string(v1.Timeout) {
			return err // the body itself is broken
		}
		v := viewOf(p)
		text := v.Text
		if text == "" {
			text = p.Title + ": " + p.Detail
		}
		f.faults = append(f.faults, fieldFault{Field: field, ID: fieldID(field), Label: name, Text: sentence(text), Hint: sentence(v.Hint), Code: p.Code})
		return drain(part)
	}
	vals.Set(sha, m.SHA256)
	vals.Set(label, name)
	if field == "room_file" {
		vals.Set("room", roomFile)
	}
	return nil
}

func drain(r io.Reader) error {
	if _, err := io.Copy(io.Discard, r); err != nil {
		return unread(err)
	}
	return nil
}

// unread is a form of sides that did not arrive whole.
func unread(err error) error {
	return unreadForm(err, "the form with its files is larger than this service takes in one piece; with script in the browser, files are sent one by one")
}

// unreadForm is a form that did not arrive whole; tooLarge is said of one that
// holds more than is taken.
func unreadForm(err error, tooLarge string) error {
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok || strings.Contains(err.Error(), "too large") {
		return v1.NewProblem(v1.TooLarge, tooLarge)
	}
	return v1.NewProblem(v1.BadRequest, "the form did not arrive whole")
}

// partNames are the names of a field and of its file, as they were sent.
func partNames(p *multipart.Part) (field, file string, isFile bool) {
	_, params, err := mime.ParseMediaType(p.Header.Get("Content-Disposition"))
	if err != nil {
		return "", "", false
	}
	file, isFile = params["filename"]
	return params["name"], file, isFile
}

// planOf reads the text of a draft as a plan; of an album, what disc and room it
// says.
func (d *draft) planOf(text string) (*sideplan.Plan, error) {
	if !d.album {
		return parsePlan(text)
	}
	r, err := arrange.Parse("release", []byte(text))
	if err != nil {
		return nil, err
	}
	return &sideplan.Plan{Disc: r.Disc, Room: r.Room, CuttingSpeed: r.CuttingSpeed}, nil
}

func parsePlan(text string) (*sideplan.Plan, error) { return sideplan.Parse("plan", []byte(text)) }

func cleanPath(s string) string { return path.Clean(s) }

// check has the service examine the plan: with its files if all are here, else
// alone; and weighs what can be said before anything is measured.
func (f *filled) check() {
	f.checked = true
	var plan *sideplan.Plan
	room := sideplan.DefaultRoom()
	defer func() { f.panel = f.d.panelOf(plan, room) }()
	text := f.d.planText()
	uses := f.d.uses()
	if f.studio == "" || len(f.d.awaited()) > 0 || len(f.d.tracks()) == 0 {
		uses = nil
	}
	c, err := f.s.svc.CheckPlan(f.ctx(), f.studio, f.d.planKind(), text, uses)
	if err != nil {
		f.learn(err)
		return
	}
	f.ok = c.OK
	for _, x := range f.d.faultsOf(c.Faults) {
		f.add(x)
	}
	if c.Plan != "" {
		text = c.Plan // with the room in it
	}
	if p, err := f.d.planOf(text); err == nil {
		plan = p
		room = p.Room.Room
	}
	if n := f.d.roomName(); n != "" && (plan == nil || plan.Room.Pending) && f.studio != "" {
		r, err := f.s.svc.RoomFigures(f.ctx(), f.studio, f.d.get("room_sha"), n)
		if err != nil {
			f.learn(err)
			return
		}
		room = r
	}
	if room.Validate() != nil {
		room = groove.DefaultRoom()
	}
}
