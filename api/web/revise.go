package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/sideplan"
)

// ReviseService is what the page needs that runs a side again with a changed
// plan: a part of SubmitService.
type ReviseService interface {
	Submit(ctx context.Context, key string, in v1.Submit) (id string, err error)
	CheckPlan(ctx context.Context, studio, kind, plan string, files []v1.Use) (v1.PlanCheck, error)
	RoomFiles(ctx context.Context, studio string) ([]v1.Mix, error)
}

// reviseRoutes are the page that runs a side again; none if the service takes
// nothing.
func (p *Pages) reviseRoutes() []Route {
	svc, ok := p.o.Service.(ReviseService)
	if !ok {
		return nil
	}
	v := &revising{p, svc}
	need := string(access.Submit)
	return []Route{{http.MethodGet, "/jobs/{id}/revise", need, v.page}, {http.MethodPost, "/jobs/{id}/revise", need, v.post}}
}

// A page that silently is not there is what a changed SubmitService would give otherwise.
var _ ReviseService = SubmitService(nil)

type revising struct {
	*Pages
	svc ReviseService
}

type reviseView struct {
	ID, Name, Key      string
	Plan               string
	Level              string
	Rooms              []choice
	Kinds, Lanes       []choice
	AsTraced           bool
	Changed            []lineDiff // from the plan as it was submitted
	Same, Good         bool       // the plan is as it was; the plan was checked and has no fault
	LengthS            float64
	PlanFaults         []planFault
	LevelFault         string
	RoomFault, Refused string
	Hint               string
	Numbered           []planLine
}

// planFault is a fault of the plan, in words, and where it stands.
type planFault struct {
	Line             int // 0: nowhere in particular
	Path, Text, Hint string
}

// planLine is a line near a fault, with what is wrong in it.
type planLine struct {
	Number int // 0: lines were left out
	Text   string
	Faults []planFault
}

// maxRevise bounds the form: a plan, whose bytes may stand in it as three each.
const maxRevise = 1 << 20

func (s *revising) page(w http.ResponseWriter, r *http.Request) {
	j, text, err := s.job(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if j.Kind == v1.Arrange {
		seeOther(w, r, reviseAt(&j))
		return
	}
	v := reviseView{Key: newKey(), Plan: text, AsTraced: j.AsTraced}
	s.render(w, r, http.StatusOK, &j, text, v, url.Values{"kind": {j.Kind}, "lane": {j.Lane}})
}

// job is the job that is revised, with its plan.
func (s *revising) job(r *http.Request) (v1.Job, string, error) {
	j, err := s.o.Service.Job(r.Context(), r.PathValue("id"))
	if err != nil {
		return j, "", err
	}
	text, err := s.o.Service.Plan(r.Context(), j.ID)
	return j, oneEnd(text), err
}

// oneEnd has the line ends of a text alike: browsers send CR LF.
func oneEnd(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }

func (s *revising) post(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxRevise)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, v1.NewProblem(v1.BadRequest, "the form cannot be read"))
		return
	}
	j, before, err := s.job(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if j.Kind == v1.Arrange {
		seeOther(w, r, reviseAt(&j))
		return
	}
	form := r.PostForm
	v := reviseView{Key: form.Get("key"), Plan: oneEnd(form.Get("plan")), AsTraced: form.Get("as_traced") != "", Level: strings.TrimSpace(form.Get("level"))}
	if v.Key == "" {
		v.Key = newKey()
	}
	v.put(form)
	if v.LevelFault+v.RoomFault != "" {
		s.render(w, r, http.StatusUnprocessableEntity, &j, before, v, form)
		return
	}
	uses, err := s.uses(r.Context(), &j, v.Plan)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	check, err := s.svc.CheckPlan(r.Context(), j.Studio, "", v.Plan, uses)
	status := http.StatusOK
	switch {
	case err != nil:
		status = v.refuse(err)
	case !check.OK:
		status = http.StatusUnprocessableEntity
		v.learn(check.Faults)
	case form.Get("do") == "submit":
		in := v1.Submit{Kind: form.Get("kind"), Lane: form.Get("lane"), Studio: j.Studio, Plan: v.Plan, Files: uses, AsTraced: v.AsTraced, Revises: j.ID}
		id, err := s.svc.Submit(r.Context(), v.Key, in)
		if err == nil {
			seeOther(w, r, "/jobs/"+url.PathEscape(id)+"?did=revise")
			return
		}
		status = v.refuse(err)
	default:
		v.Good, v.LengthS = true, check.LengthS
	}
	if status == 0 {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, status, &j, before, v, form)
}

// put writes the simple fields into the plan. What is put in is no longer in its
// field; what cannot be put in stays there, with what is wrong.
func (v *reviseView) put(form url.Values) {
	if v.Level != "" {
		value := strings.ToLower(v.Level)
		if _, err := strconv.ParseFloat(value, 64); value != levelFit && (err != nil || number(value) == quoted(value)) {
			v.LevelFault = "Write fit, or a number of dB such as -1.5."
		} else {
			if value != levelFit {
				value = number(value)
			}
			if text, ok := setInPlan(v.Plan, "level", value); ok {
				v.Plan, v.Level = text, ""
			} else {
				v.LevelFault = "It cannot be put into this plan. Change the level in the plan itself."
			}
		}
	}
	room := form.Get("room")
	if room == "" {
		return
	}
	value := roomGeneric
	if file, ok := strings.CutPrefix(room, "file:"); ok {
		value = quoted(file)
	}
	if text, ok := setInPlan(v.Plan, "room", value); ok {
		v.Plan = text
		form.Del("room")
	} else {
		v.RoomFault = "It cannot be put into this plan. Change the room in the plan itself."
	}
}

// setInPlan sets a field at the top of a plan that is written line by line, and
// leaves everything else as it is, remarks and all. It refuses where the result
// would say anything else of the side than before.
func setInPlan(text, key, value string) (string, bool) {
	lines := strings.Split(text, "\n")
	at := slices.IndexFunc(lines, func(l string) bool {
		return strings.HasPrefix(l, key+":") || strings.HasPrefix(l, `"`+key+`":`) || strings.HasPrefix(l, "'"+key+"':")
	})
	line := key + ": " + value
	if at < 0 {
		// Before the tracks, where people look for it; at the end if there are none.
		if at = slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, "tracks:") }); at < 0 {
			at = len(lines)
			if lines[at-1] == "" {
				at--
			}
		}
		lines = slices.Insert(lines, at, line)
	} else {
		end := at + 1
		for i := end; i < len(lines) && (lines[i] == "" || lines[i][0] == ' ' || lines[i][0] == '\t'); i++ {
			if strings.TrimSpace(lines[i]) != "" {
				end = i + 1
			}
		}
		lines = slices.Replace(lines, at, end, line)
	}
	out := strings.Join(lines, "\n")
	was, err := parsePlan(text)
	if err != nil {
		return out, true // the fault may be just what was set; the plan is checked next
	}
	is, err := parsePlan(out)
	if err != nil {
		// A value out of range is for the check to say; a plan broken by this is not kept.
		return out, !strings.Contains(err.Error(), "YAML")
	}
	is.Level, is.Room = was.Level, was.Room
	return out, reflect.DeepEqual(was, is)
}

// uses are the files that a plan names, as far as they are here: those the job
// was given, then the room files of the studio. A plan that cannot be read, or
// that names none of them, uses what the job used: a check without files would
// not look for any.
func (s *revising) uses(ctx context.Context, j *v1.Job, text string) ([]v1.Use, error) {
	out := []v1.Use{}
	plan, err := parsePlan(text)
	for _, in := range j.Inputs {
		if err != nil || names(plan, in.Name) {
			out = append(out, v1.Use{Name: in.Name, SHA256: in.SHA256})
		}
	}
	if len(out) == 0 {
		for _, in := range j.Inputs {
			out = append(out, v1.Use{Name: in.Name, SHA256: in.SHA256})
		}
		return out, nil
	}
	if err != nil || !plan.Room.Pending || given(j, plan.Room.File) {
		return out, nil
	}
	rooms, err := s.svc.RoomFiles(ctx, j.Studio)
	if err != nil {
		return nil, err
	}
	for _, m := range rooms {
		if planFileName(m.Name) == path.Clean(plan.Room.File) {
			return append(out, v1.Use{Name: plan.Room.File, SHA256: m.SHA256}), nil
		}
	}
	return out, nil
}

func names(p *sideplan.Plan, file string) bool {
	return p.Room.Pending && path.Clean(p.Room.File) == file ||
		slices.ContainsFunc(p.Tracks, func(t sideplan.Track) bool { return path.Clean(t.File) == file })
}

func given(j *v1.Job, file string) bool {
	return slices.ContainsFunc(j.Inputs, func(in v1.Input) bool { return in.Name == path.Clean(file) })
}

// learn takes the faults of the plan.
func (v *reviseView) learn(list []v1.Fault) {
	for _, f := range list {
		p := planFault{Line: f.Line, Path: f.Path, Text: sentence(f.Detail), Hint: sentence(f.Hint)}
		switch {
		case strings.HasPrefix(f.Path, "files["):
			p.Path = "" // of the submission, which this page makes by itself
		case f.Code == string(v1.MixMissing):
			p.Hint = "This page knows the mixes and room file of the job, and the studio's room files. For other files, submit on the form with mixes."
		}
		if text := missingText(f.Code); text != "" && f.Line == 0 {
			p.Text = sentence(text)
		}
		v.PlanFaults = append(v.PlanFaults, p)
	}
}

// refuse takes a problem of the service; 0 if it is none, or one that is not the
// form's.
func (v *reviseView) refuse(err error) int {
	p, ok := errors.AsType[*v1.Problem](err)
	if !ok || p.Code == string(v1.NotFound) || p.Code == string(v1.Forbidden) {
		return 0
	}
	if p.Code == string(v1.KeyReused) {
		v.Key = newKey()
		v.Refused, v.Hint = "A job was already made from this form, with other settings. Nothing was done.", "Look for it in the list of jobs. If you want a second one, submit again."
		return p.Status
	}
	if len(p.Faults) > 0 {
		v.learn(p.Faults)
		return p.Status
	}
	say := viewOf(p)
	v.Refused, v.Hint = sentence(say.Title), sentence(say.Hint)
	if say.Text != "" {
		v.Refused += " " + sentence(say.Text)
	}
	return p.Status
}

func (s *revising) render(w http.ResponseWriter, r *http.Request, status int, j *v1.Job, before string, v reviseView, form url.Values) {
	v.ID, v.Name = j.ID, name(j)
	v.Level = printable(v.Level)
	v.Kinds = choices([]string{v1.Prepare, v1.Analyse}, map[string]badge{v1.Prepare: {Word: "Premaster and report"}, v1.Analyse: {Word: "Report only (analysis)"}}, form.Get("kind"))
	v.Lanes = choices([]string{"express", "bulk"}, map[string]badge{"express": {Word: "Express"}, "bulk": {Word: "Bulk, overnight"}}, form.Get("lane"))
	v.Rooms = []choice{{"", "as the plan says", form.Get("room") == ""}, {roomGeneric, "generic", form.Get("room") == roomGeneric}}
	rooms, err := s.svc.RoomFiles(r.Context(), j.Studio)
	if err != nil {
		rooms = nil // the page is the page without them; the plan can name the room
	}
	for _, m := range rooms {
		if n := planFileName(m.Name); !given(j, n) {
			v.Rooms = append(v.Rooms, choice{"file:" + n, n, form.Get("room") == "file:"+n})
		}
	}
	lines := strings.Split(v.Plan, "\n")
	v.Numbered = nearFaults(lines, v.PlanFaults)
	diff, tooLong := diffLines(strings.Split(strings.TrimRight(before, "\n"), "\n"), strings.Split(strings.TrimRight(v.Plan, "\n"), "\n"))
	v.Changed, v.Same = diff, !tooLong && len(diff) == 0
	title := "Revise: " + v.Name
	if status >= http.StatusBadRequest {
		title = "Not accepted yet - " + title
	}
	s.show(w, r, status, "revise", frame{Title: title, Here: "job", Who: whoOf(r.Context()), Body: v})
}

// nearFaults are the lines that have faults, with two lines around each.
func nearFaults(lines []string, faults []planFault) []planLine {
	at := map[int][]planFault{}
	for _, f := range faults {
		if f.Line > 0 && f.Line <= len(lines) {
			at[f.Line] = append(at[f.Line], f)
		}
	}
	const around = 2
	var out []planLine
	last := 0
	for n := 1; n <= len(lines); n++ {
		near := false
		for k := n - around; k <= n+around; k++ {
			near = near || len(at[k]) > 0
		}
		if !near {
			continue
		}
		if n > last+1 {
			out = append(out, planLine{})
		}
		out = append(out, planLine{n, lines[n-1], at[n]})
		last = n
	}
	return out
}
