package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"reflect"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/arrange"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

var (
	releaseDocs      = docsOf(reflect.TypeFor[arrange.Release]())
	releaseTrackDocs = docsOf(reflect.TypeFor[arrange.Track]())
)

// How the running order is chosen.
const (
	orderKeep = "keep"
	orderFree = "free"
)

// newAlbum is an empty form for a release with every default in place.
func newAlbum() *draft {
	d := newDraft()
	d.album = true
	d.set("sides", "2")
	d.set("order", orderKeep)
	return d
}

// kind is what the form asks to be made.
func (d *draft) kind() string {
	if d.album {
		return v1.Arrange
	}
	return d.get("kind")
}

// planKind says how the text of the form is to be read.
func (d *draft) planKind() string {
	if d.album {
		return v1.Arrange
	}
	return ""
}

// releaseText writes the release of a draft as YAML, as planText does a plan.
func (d *draft) releaseText() string {
	w := &planWriter{d: d}
	w.texts("", "", "title", "artist", "catalogue")
	w.line("", "disc", d.discText())
	w.line("", "room", d.roomText())
	if d.on("cutting_speed") {
		w.line("", "cutting_speed", sideplan.SpeedHalf)
	}
	w.line("", "sides", number(d.text("sides")))
	keep := "true"
	if d.get("order") == orderFree {
		keep = "false"
	}
	w.line("", "keep_order", keep)
	if d.on("same_level") {
		w.line("", "same_level", "true")
	}
	w.tracks()
	w.sections()
	return w.String()
}

// fillText takes into the draft what the text of a job says.
func (d *draft) fillText(text string) error {
	unread := v1.NewProblem(v1.Gone, "the plan of this job cannot be read by this version of the service")
	if !d.album {
		plan, err := parsePlan(text)
		if err != nil {
			return unread
		}
		return d.fill(plan, false)
	}
	r, err := arrange.Parse("release", []byte(text))
	if err != nil {
		return unread
	}
	return d.fillRelease(r)
}

func (d *draft) fillRelease(r *arrange.Release) error {
	if err := d.fillCut(r.Disc, r.Room, r.Caps, r.Output); err != nil {
		return err
	}
	for name, v := range map[string]string{"title": r.Title, "artist": r.Artist, "catalogue": r.Catalogue, "sides": plainNumber(float64(r.Sides))} {
		d.set(name, v)
	}
	d.set("order", orderFree)
	if r.KeepOrder {
		d.set("order", orderKeep)
	}
	for name, on := range map[string]bool{"same_level": r.SameLevel, "cutting_speed": r.CuttingSpeed == sideplan.SpeedHalf} {
		d.tick(name, on)
	}
	d.rows = nil
	d.more(len(r.Tracks))
	for i, t := range r.Tracks {
		d.fillTrack(d.rows[i], t.File, t.Title, t.ISRC, t.GapS, t.GainDB)
		d.set(d.rows[i]+".hold", t.Hold)
	}
	return nil
}

// elsewhereError is a form that another page has.
type elsewhereError struct{ to string }

func (e *elsewhereError) Error() string { return "the form is at " + e.to }

// failForm sends to the page that has the form, or tells of an error.
func (s *submitting) failForm(w http.ResponseWriter, r *http.Request, err error) {
	if e, ok := errors.AsType[*elsewhereError](err); ok {
		seeOther(w, r, e.to)
		return
	}
	s.fail(w, r, err)
}

// reviseAt is the form that submits a job again with other mixes.
func reviseAt(j *v1.Job) string {
	page := "/submit"
	if j.Kind == v1.Arrange {
		page = "/album"
	}
	return page + "?revises=" + url.QueryEscape(j.ID)
}

// AlbumService reads what jobs that arrange a release have found, for the
// identity in the context. Its errors are *v1.Problem.
type AlbumService interface {
	Arrangement(ctx context.Context, id string) (*report.Arrangement, error)
	// ArrangedPlan is the side plan of that file name.
	ArrangedPlan(ctx context.Context, id, file string) (string, error)
}

// arranged fills the form from a side plan of an arrangement and the mixes of
// the job that found it.
func (f *filled) arranged(id, file string) error {
	svc, ok := f.s.o.Service.(AlbumService)
	if !ok {
		return v1.NewProblem(v1.NotFound, "this service arranges no releases")
	}
	j, err := f.s.o.Service.Job(f.ctx(), id)
	if err != nil {
		return err
	}
	text, err := svc.ArrangedPlan(f.ctx(), j.ID, file)
	if err != nil {
		return err
	}
	if err := f.d.fillText(text); err != nil {
		return err
	}
	f.from = j.ID
	f.inputs(&j)
	return nil
}

func (p *Pages) albumRoutes() []Route {
	svc, ok := p.o.Service.(AlbumService)
	if !ok {
		return nil
	}
	return []Route{{http.MethodGet, "/jobs/{id}/arrangement", string(access.Read), func(w http.ResponseWriter, r *http.Request) { p.arrangement(w, r, svc) }}}
}

type arrangementView struct {
	ID, Name string
	A        *report.ArrangementText
	Page     string // address of the page as a file
	Submit   bool   // the caller may submit
}

// divisionView is one division on its page.
type divisionView struct {
	V *arrangementView
	D report.DivisionText
}

// With hands one division to the part of the page that shows it.
func (v *arrangementView) With(d report.DivisionText) divisionView { return divisionView{v, d} }

// PrepareAt is the form filled with one side.
func (v *arrangementView) PrepareAt(plan string) string {
	return "/submit?" + url.Values{"arranged": {v.ID}, "plan": {plan}}.Encode()
}

// PlanAt is the side plan as a file.
func (v *arrangementView) PlanAt(plan string) string {
	return "/v1/jobs/" + v.ID + "/files/" + url.PathEscape(plan)
}

// arrangement shows what was found: the best divisions compared, and for each of
// their sides a way to submit it.
func (p *Pages) arrangement(w http.ResponseWriter, r *http.Request, svc AlbumService) {
	ctx := r.Context()
	j, err := p.o.Service.Job(ctx, r.PathValue("id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	a, err := svc.Arrangement(ctx, j.ID)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	id, _ := access.From(ctx)
	v := &arrangementView{ID: j.ID, Name: name(&j), A: report.ArrangementOf(a), Submit: id.May(access.Submit)}
	if has(&j, report.ArrangementPageName) {
		v.Page = "/v1/jobs/" + j.ID + "/files/" + report.ArrangementPageName
	}
	p.show(w, r, http.StatusOK, "arrangement", frame{Title: "Arrangement: " + v.Name, Here: "job", Who: whoOf(ctx), Body: v})
}
