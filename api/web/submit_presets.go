package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/sideplan"
)

func presetName(s string) (string, bool) {
	s = strings.TrimSpace(s)
	return s, v1.PresetForm.MatchString(s)
}

// presetOf is the part of a draft that a preset keeps, as a plan has it. A room
// file is written out, so that the preset outlives it.
func (f *filled) presetOf() (json.RawMessage, error) {
	d := *f.d
	d.vals = url.Values{}
	for k, v := range f.d.vals {
		d.vals[k] = v
	}
	if n := d.roomName(); n != "" {
		room, err := f.s.svc.RoomFigures(f.ctx(), f.studio, d.get("room_sha"), n)
		if err != nil {
			return nil, err
		}
		text, err := sideplan.RoomRef{Room: room}.MarshalJSON()
		if err != nil {
			return nil, err
		}
		d.set("room", roomOwn)
		d.set("room_own", string(text))
	}
	d.set("side", "A")
	d.rows = []string{"k1"}
	d.vals.Set("k1.name", "mix.wav")
	c, err := f.s.svc.CheckPlan(f.ctx(), f.studio, "", d.planText(), nil)
	if err != nil {
		return nil, err
	}
	var wrong []v1.Fault
	for _, x := range c.Faults {
		if part, _, _ := strings.Cut(x.Path, "."); slices.Contains(v1.PresetParts(), strings.SplitN(part, "[", 2)[0]) {
			wrong = append(wrong, x)
		}
	}
	if len(wrong) > 0 || c.Plan == "" {
		p := v1.NewProblem(v1.BadPlan, "the settings have faults")
		p.Faults = wrong
		return nil, p
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal([]byte(c.Plan), &all); err != nil {
		return nil, err
	}
	part := map[string]json.RawMessage{}
	for _, name := range v1.PresetParts() {
		part[name] = all[name]
	}
	// Names, where names will do: they are read again by what they mean then.
	if d.get("disc") != discOwn {
		part["disc"] = json.RawMessage(quoted(d.get("disc")))
	}
	if d.get("room") == roomGeneric {
		part["room"] = json.RawMessage(quoted(roomGeneric))
	}
	return json.Marshal(part)
}

func (f *filled) savePreset() {
	name, ok := presetName(f.d.get("preset_name"))
	if !ok {
		f.add(f.d.fault("preset_name", "A preset needs a name of 1 to 60 letters, digits, spaces and . _ -, a letter or digit first, no full stop last", "", string(v1.Invalid)))
	}
	if !ok || f.studio == "" {
		return
	}
	plan, err := f.presetOf()
	if err == nil {
		err = f.s.svc.SavePreset(f.ctx(), f.studio, v1.Preset{Name: name, Plan: plan})
	}
	if err != nil {
		f.learn(err)
		return
	}
	f.notice = "Saved as preset " + name + "."
	f.d.set("preset", name)
}

func (f *filled) loadPreset() {
	name := f.d.get("preset")
	if f.studio == "" {
		return
	}
	if name == "" {
		f.add(f.d.fault("preset", "Choose a preset first.", "", string(v1.Invalid)))
		return
	}
	pre, err := f.s.svc.Preset(f.ctx(), f.studio, name)
	if err != nil {
		if p, ok := errors.AsType[*v1.Problem](err); ok && p.Status == http.StatusNotFound {
			f.add(f.d.fault("preset", "This preset is no longer there.", "", p.Code))
			return
		}
		f.learn(err)
		return
	}
	plan, err := presetPlan(pre)
	if err == nil {
		err = f.d.fill(plan, true)
	}
	if err != nil {
		f.add(f.d.fault("preset", "This preset cannot be read by this version of the service.", "Save it anew.", string(v1.BadPlan)))
		return
	}
	f.notice = "Settings of preset " + name + " are in the form."
	f.values = map[string]string{"disc": "", "disc_own": "", "cutting_speed": "", "compare_speeds": "", "level": "", "level_how": "", "room": "", "room_own": ""}
	for _, g := range submitGroups {
		if g.stage != "" {
			f.values[g.name()] = ""
		}
		for _, x := range g.fields {
			f.values[x.name] = ""
		}
	}
	for k := range f.values {
		f.values[k] = f.d.get(k)
	}
}

// presetPlan reads a preset as part of a plan.
func presetPlan(p v1.Preset) (*sideplan.Plan, error) {
	var part map[string]json.RawMessage
	if err := json.Unmarshal(p.Plan, &part); err != nil {
		return nil, err
	}
	for name := range part {
		if !slices.Contains(v1.PresetParts(), name) {
			delete(part, name)
		}
	}
	part["side"] = json.RawMessage(`"A"`)
	part["tracks"] = json.RawMessage(`[{"file":"mix.wav"}]`)
	text, err := json.Marshal(part)
	if err != nil {
		return nil, err
	}
	return parsePlan(string(text))
}

type presetsView struct {
	AnyStudio bool
	Studio    string
	Fault     string
	Rows      []presetRow
	Ask       *presetRow // to be deleted, if that is confirmed
}

type presetRow struct {
	Name, Href, DeleteHref       string
	Disc, Level, Room, Treatment string
	Unreadable                   bool
}

// presets lists what a studio has saved, and asks before one is deleted.
func (s *submitting) presets(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	v := presetsView{Studio: strings.TrimSpace(q.Get("studio")), AnyStudio: anyStudio(r)}
	f := frame{Title: "Presets", Here: "presets", Who: whoOf(r.Context())}
	if q.Get("did") == "delete" {
		f.Notice = "The preset was deleted."
	}
	studio, err := s.svc.StudioFor(r.Context(), v.Studio)
	switch {
	case err != nil && v.Studio == "":
		f.Body = v // which studio has to be said first
		s.show(w, r, http.StatusOK, "presets", f)
		return
	case err != nil:
		v.Fault = "This is no studio whose presets you may see."
		f.Body = v
		s.show(w, r, http.StatusUnprocessableEntity, "presets", f)
		return
	}
	v.Studio = studio
	list, err := s.svc.Presets(r.Context(), studio)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	for _, p := range list {
		row := presetRowOf(p, studio, v.AnyStudio)
		v.Rows = append(v.Rows, row)
		if q.Get("delete") == p.Name {
			v.Ask, f.Title = &row, "Delete a preset"
		}
	}
	f.Body = v
	s.show(w, r, http.StatusOK, "presets", f)
}

func anyStudio(r *http.Request) bool {
	id, _ := access.From(r.Context())
	return !id.All && id.Role != v1.RoleStudio
}

func presetRowOf(p v1.Preset, studio string, any bool) presetRow {
	q := url.Values{"delete": {p.Name}}
	to := url.Values{}
	if any {
		q.Set("studio", studio)
		to.Set("studio", studio)
	}
	to.Set("preset", p.Name)
	row := presetRow{Name: p.Name, DeleteHref: "/presets?" + q.Encode(), Href: "/submit?" + to.Encode()}
	plan, err := presetPlan(p)
	if err != nil {
		row.Unreadable = true
		return row
	}
	row.Disc, row.Level, row.Room = plan.Disc.ID, "Highest that fits", plan.Room.Name
	if plan.CuttingSpeed == sideplan.SpeedHalf {
		row.Disc += ", half speed"
	}
	if !plan.Level.Fit {
		row.Level = levelWords(plan.Level.DB)
	}
	var on []string
	for _, st := range plan.Chain {
		on = append(on, strings.ToLower(stageWords[st.ID][0]))
	}
	if row.Treatment = strings.Join(on, ", "); len(on) == len(sideplan.StageIDs()) {
		row.Treatment = "every stage"
	} else if len(on) == 0 {
		row.Treatment = "no stage"
	}
	return row
}

// changePresets deletes a preset; saving is done on the form.
func (s *submitting) changePresets(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	if err := r.ParseForm(); err != nil || r.PostForm.Get("do") != "delete" {
		s.fail(w, r, v1.NewProblem(v1.BadRequest, "the form cannot be read"))
		return
	}
	asked := strings.TrimSpace(r.PostForm.Get("studio"))
	studio, err := s.svc.StudioFor(r.Context(), asked)
	if err == nil {
		err = s.svc.DeletePreset(r.Context(), studio, r.PostForm.Get("name"))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := url.Values{"did": {"delete"}}
	if anyStudio(r) {
		q.Set("studio", studio)
	}
	seeOther(w, r, "/presets?"+q.Encode())
}
