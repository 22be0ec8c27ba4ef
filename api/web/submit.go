package web

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/groove"
)

// SubmitService is what the pages for submitting do, for the identity in the
// context. Its errors are *v1.Problem.
type SubmitService interface {
	// Submit makes a job by the API's own code. The same key gives the same job.
	Submit(ctx context.Context, key string, in v1.Submit) (id string, err error)
	// CheckPlan examines a plan as Submit does; without files, the plan alone.
	// kind is v1.Arrange where it is a release, else "".
	CheckPlan(ctx context.Context, studio, kind, plan string, files []v1.Use) (v1.PlanCheck, error)
	// TakeMix stores a file.
	TakeMix(ctx context.Context, studio, name string, r io.Reader) (v1.Mix, error)
	// Mix tells of a file that is here.
	Mix(ctx context.Context, studio, sha string) (v1.Mix, error)
	// RoomFiles are the room files a studio handed in, newest first.
	RoomFiles(ctx context.Context, studio string) ([]v1.Mix, error)
	// RoomFigures reads a room file that is here.
	RoomFigures(ctx context.Context, studio, sha, name string) (groove.Room, error)
	// StudioFor is for whom the caller submits; asked is what the form says.
	StudioFor(ctx context.Context, asked string) (string, error)
	// FormBytes bounds a form with its files.
	FormBytes() int64

	Presets(ctx context.Context, studio string) ([]v1.Preset, error)
	Preset(ctx context.Context, studio, name string) (v1.Preset, error)
	SavePreset(ctx context.Context, studio string, p v1.Preset) error
	DeletePreset(ctx context.Context, studio, name string) error
}

// submitRoutes are the pages for submitting; none if the service takes nothing.
func (p *Pages) submitRoutes() []Route {
	svc, ok := p.o.Service.(SubmitService)
	if !ok {
		return nil
	}
	s, a := &submitting{p, svc, false}, &submitting{p, svc, true}
	need := string(access.Submit)
	return []Route{
		{http.MethodGet, "/submit", need, s.form},
		{http.MethodPost, "/submit", need, s.post},
		{http.MethodGet, "/album", need, a.form},
		{http.MethodPost, "/album", need, a.post},
		{http.MethodGet, "/presets", need, s.presets},
		{http.MethodPost, "/presets", need, s.changePresets},
	}
}

type submitting struct {
	*Pages
	svc SubmitService
	// album: the form is for a release that is divided over sides.
	album bool
}

// page is the template of the form, and the last part of its address.
func (s *submitting) page() string {
	if s.album {
		return "album"
	}
	return "submit"
}

// draftOf is a form that was sent.
func (s *submitting) draftOf(vals url.Values) *draft {
	d := draftOf(vals)
	d.album = s.album
	return d
}

// newKey is an idempotency key: one for each form, so that a form sent twice
// makes one job.
func newKey() string { return "form-" + rand.Text() }

// form shows the form: empty, or filled from the job it revises, or from a side
// of the arrangement that a job found.
func (s *submitting) form(w http.ResponseWriter, r *http.Request) {
	d := newDraft()
	if s.album {
		d = newAlbum()
	}
	d.set("key", newKey())
	q := r.URL.Query()
	if studio := q.Get("studio"); studio != "" {
		d.set("studio", studio)
	}
	f := &filled{s: s, r: r, d: d}
	if id := q.Get("revises"); id != "" {
		if err := f.revise(id); err != nil {
			s.failForm(w, r, err)
			return
		}
	}
	if id := q.Get("arranged"); id != "" && !s.album {
		if err := f.arranged(id, q.Get("plan")); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	if name := q.Get("preset"); name != "" {
		d.set("preset", name)
		f.settle()
		f.loadPreset()
	}
	f.show(w, http.StatusOK)
}

// post takes the form: to submit it, or for one of the steps before that.
func (s *submitting) post(w http.ResponseWriter, r *http.Request) {
	f := &filled{s: s, r: r, sent: true}
	vals, err := f.read(w)
	if err != nil {
		s.refuseForm(w, r, err)
		return
	}
	f.d = s.draftOf(vals)
	f.settle()
	do, of, _ := strings.Cut(vals.Get("do"), ":")
	switch do {
	case "", "submit":
		f.submit(w)
		return
	case "check":
		f.check()
		f.showPlan = true
	case "more":
		f.d.more(noScript)
	case "up":
		f.d.move(of, -1)
	case "down":
		f.d.move(of, 1)
	case "drop":
		f.d.drop(of)
	case "preset-load":
		f.loadPreset()
	case "preset-save":
		f.savePreset()
	default:
		s.refuseForm(w, r, v1.NewProblem(v1.Invalid, "this button is not known"))
		return
	}
	status := http.StatusOK
	if len(f.faults) > 0 && do != "check" {
		status = http.StatusUnprocessableEntity
	}
	f.show(w, status)
}

// refuseForm answers for a form that could not be read at all.
func (s *submitting) refuseForm(w http.ResponseWriter, r *http.Request, err error) {
	if !asJSON(r) {
		s.fail(w, r, err)
		return
	}
	pr, ok := errors.AsType[*v1.Problem](err)
	if !ok {
		s.o.Log.ErrorContext(r.Context(), "form failed", "request", access.RequestID(r.Context()), "error", err)
		pr = v1.NewProblem(v1.Internal, "")
	}
	access.Refuse(w, r, pr)
}

// asJSON says whether the page's script asks, not the browser itself.
func asJSON(r *http.Request) bool {
	return strings.HasPrefix(r.Header.Get("Accept"), "application/json")
}

// filled is one request with the form as it stands.
type filled struct {
	s        *submitting
	r        *http.Request
	d        *draft
	sent     bool
	studio   string // "" while it is not known
	faults   []fieldFault
	notice   string
	checked  bool
	showPlan bool
	ok       bool
	panel    panel
	from     string            // the job whose arrangement it was filled from
	values   map[string]string // to be set in the form by its script
}

func (f *filled) ctx() context.Context { return f.r.Context() }

// learn adds what a problem says to the faults of the form; what is no problem
// of the caller's goes to the log.
func (f *filled) learn(err error) {
	list, ok := f.d.problemFaults(err)
	if !ok {
		f.s.o.Log.ErrorContext(f.ctx(), "form failed", "request", access.RequestID(f.ctx()), "error", err)
		list, _ = f.d.problemFaults(v1.NewProblem(v1.Internal, ""))
	}
	for _, x := range list {
		f.add(x)
	}
}

func (f *filled) add(x fieldFault) {
	for _, have := range f.faults {
		if have.Field == x.Field && have.Text == x.Text {
			return
		}
	}
	f.faults = append(f.faults, x)
}

func (f *filled) faulty(field string) bool {
	return slices.ContainsFunc(f.faults, func(x fieldFault) bool { return x.Field == field })
}

// settle finds out for whom the form is and which of its files are here.
func (f *filled) settle() {
	studio, err := f.s.svc.StudioFor(f.ctx(), f.d.text("studio"))
	if err != nil {
		f.learn(err)
		return
	}
	f.studio = studio
	// A room file that was picked from the list stands there by its hash.
	if sha := f.d.get("room"); shaForm(sha) {
		f.d.set("room", roomFile)
		f.d.set("room_sha", sha)
		f.d.set("room_name", "")
		if m, err := f.s.svc.Mix(f.ctx(), studio, sha); err == nil {
			f.d.set("room_name", m.Name)
		}
	}
	for _, k := range f.d.rows {
		f.meet(k+".file", k+".sha")
	}
	if f.d.get("room") == roomFile {
		f.meet("room_file", "room_sha")
	}
}

// meet looks up a file by the hash in a field. One that is gone must be handed in
// again.
func (f *filled) meet(field, hash string) {
	sha := f.d.get(hash)
	if !shaForm(sha) {
		f.d.vals.Del(hash)
		return
	}
	if _, known := f.d.mixes[sha]; known {
		return
	}
	m, err := f.s.svc.Mix(f.ctx(), f.studio, sha)
	if err == nil {
		f.d.mixes[sha] = m
		return
	}
	if p, ok := errors.AsType[*v1.Problem](err); ok {
		if text := missingText(p.Code); text != "" {
			f.d.vals.Del(hash)
			f.add(f.d.fault(field, text, "", p.Code))
			return
		}
	}
	f.learn(err)
}

// submit makes the job, or shows what keeps it from being made.
func (f *filled) submit(w http.ResponseWriter) {
	f.check()
	for _, k := range f.d.awaited() {
		text, hint := "This file has not been handed in yet.", "Choose it again and let it be sent."
		if f.d.unlikely(k) {
			text, hint = "This file is no WAV, FLAC or AIFF.", "Choose another one, or remove it."
		}
		f.add(f.d.fault(k+".file", text, hint, string(v1.MixMissing)))
	}
	if len(f.faults) > 0 {
		// The service examines sound only when it has all of it and the plan is good.
		for _, x := range f.panel.Items {
			if strings.HasSuffix(x.Field, ".file") && x.Badge.Kind == "bad" && !f.faulty(x.Field) {
				text := x.Text
				if _, rest, ok := strings.Cut(text, ": "); ok {
					text = rest // the field tells which track
				}
				f.add(f.d.fault(x.Field, text, "", string(v1.BadSound)))
			}
		}
	}
	if len(f.faults) > 0 {
		f.show(w, http.StatusUnprocessableEntity)
		return
	}
	in := v1.Submit{Kind: f.d.kind(), Lane: f.d.get("lane"), Studio: f.studio, Plan: f.d.planText(), Files: f.d.uses(), AsTraced: f.d.on("as_traced"), Revises: f.d.get("revises")}
	id, err := f.s.svc.Submit(f.ctx(), f.d.get("key"), in)
	if err != nil {
		status := http.StatusUnprocessableEntity
		if p, ok := errors.AsType[*v1.Problem](err); ok {
			status = p.Status
			if p.Code == string(v1.KeyReused) {
				// An old form that was changed and sent again, for instance by going back.
				f.d.set("key", newKey())
				f.add(f.d.fault("", "A job was already made from this form, with other settings. Nothing was done.", "Look for it in the list of jobs. If you want a second one, submit again.", p.Code))
				f.show(w, status)
				return
			}
		}
		f.learn(err)
		f.show(w, status)
		return
	}
	to := "/jobs/" + url.PathEscape(id)
	if asJSON(f.r) {
		writeAnswer(w, http.StatusCreated, submitAnswer{Location: to})
		return
	}
	seeOther(w, f.r, to)
}

// revise fills the form from the plan and the mixes of a job.
func (f *filled) revise(id string) error {
	j, err := f.s.o.Service.Job(f.ctx(), id)
	if err != nil {
		return err
	}
	text, err := f.s.o.Service.Plan(f.ctx(), j.ID)
	if err != nil {
		return err
	}
	if (j.Kind == v1.Arrange) != f.d.album {
		return &elsewhereError{reviseAt(&j)}
	}
	if err := f.d.fillText(text); err != nil {
		return err
	}
	f.d.set("revises", j.ID)
	f.d.set("kind", j.Kind)
	f.d.tick("as_traced", j.AsTraced)
	f.inputs(&j)
	return nil
}

// inputs takes studio, lane and files from a job whose plan names them.
func (f *filled) inputs(j *v1.Job) {
	f.d.set("studio", j.Studio)
	f.d.set("lane", j.Lane)
	for _, in := range j.Inputs {
		for _, k := range f.d.rows {
			if cleanPath(f.d.get(k+".name")) == in.Name {
				f.d.set(k+".sha", in.SHA256)
			}
		}
		if cleanPath(f.d.get("room_name")) == in.Name {
			f.d.set("room_sha", in.SHA256)
		}
	}
	f.settle()
	f.check()
}
