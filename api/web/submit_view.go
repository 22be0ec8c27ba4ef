package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
)

// submitView is the form as the template shows it.
type submitView struct {
	AnyStudio bool
	Key       string
	Revises   string
	Album     bool   // the form is for a release
	From      string // the job whose arrangement the form was filled from
	Action    string // address that the form is sent to
	Owner     string // tells apart whose unfinished form a browser keeps
	Faults    []fieldFault
	Rows      []trackView
	Blank     trackView // for rows that script adds
	MaxRows   int
	Stages    []groupView
	Groups    []groupView // caps and output
	RoomSHA   string
	RoomName  string
	Presets   []choice
	Panel     panel
	Plan      string
	PlanOpen  bool
	Checked   bool
	OK        bool
	d         *draft
	faults    map[string]fieldFault
	rooms     []v1.Mix
}

// fieldView is one field with its label, help and fault.
type fieldView struct {
	Name, ID, Label string
	Value           string
	Help            string
	Unit, Range     string
	Default         string
	Options         []choice
	Checked         bool
	Fault           string
	Max             int
	Number          bool
}

type groupView struct {
	Name, ID, Title, What string
	On                    bool
	Fault                 string
	Fields                []fieldView
	Changed               bool // something is not as it is by default
}

type trackView struct {
	Key, Number string
	SHA, Name   string
	Declared    string
	Facts       string
	Here        bool
	Bad         bool // cannot be used
	Fault       string
	First, Last bool
	Fields      []fieldView
	More        []fieldView
	MoreOf      string // what stands under more, in words
	MoreOpen    bool
}

// show answers with the form, or with what changed in it for its script.
func (f *filled) show(w http.ResponseWriter, status int) {
	v := f.view()
	if asJSON(f.r) {
		f.answer(w, status, v)
		return
	}
	title := "Submit a side"
	switch {
	case f.d.album && v.Revises != "":
		title = "Arrange an album again"
	case f.d.album:
		title = "Arrange an album"
	case v.Revises != "":
		title = "Submit a revision"
	}
	if len(v.Faults) > 0 {
		title = "Faults: " + title
	}
	f.s.Pages.show(w, f.r, status, f.s.page(), frame{Title: title, Here: f.s.page(), Who: whoOf(f.ctx()), Notice: f.notice, Body: v})
}

func (f *filled) view() *submitView {
	if !f.checked && (f.sent || f.d.get("revises") != "") {
		before := f.faults
		f.check()
		f.faults = before // they are shown when asked for
	}
	if !f.checked {
		f.panel = f.d.panelOf(nil, sideplan.DefaultRoom())
	}
	f.d.inOrder(f.faults)
	v := &submitView{AnyStudio: anyStudio(f.r), Key: f.d.get("key"), Revises: f.d.get("revises"), Owner: ownerOf(f.r), Album: f.d.album, From: f.from, Action: "/" + f.s.page(),
		Faults: f.faults, MaxRows: maxRows, Panel: f.panel, Plan: f.d.planText(), PlanOpen: f.showPlan, Checked: f.checked, OK: f.ok && len(f.faults) == 0,
		RoomSHA: f.d.get("room_sha"), RoomName: f.d.get("room_name"), d: f.d, faults: map[string]fieldFault{}}
	if v.Key == "" {
		v.Key = newKey()
	}
	for _, x := range f.faults {
		if have, twice := v.faults[x.Field]; twice {
			x.Text = have.Text + " " + x.Text
			x.Hint = strings.TrimSpace(have.Hint + " " + x.Hint)
		}
		v.faults[x.Field] = x
	}
	for i, k := range f.d.rows {
		v.Rows = append(v.Rows, v.track(k, i, len(f.d.rows)))
	}
	v.Blank = v.track("kNEW", -1, 0)
	for _, g := range submitGroups {
		if gv := v.group(g); g.stage != "" {
			v.Stages = append(v.Stages, gv)
		} else {
			v.Groups = append(v.Groups, gv)
		}
	}
	if !asJSON(f.r) || f.notice != "" { // script asks often, and has the lists already
		f.lists(v)
	}
	return v
}

// lists adds what the studio keeps. The form works without.
func (f *filled) lists(v *submitView) {
	if f.studio == "" {
		studio, err := f.s.svc.StudioFor(f.ctx(), f.d.text("studio"))
		if err != nil {
			return
		}
		f.studio = studio
	}
	rooms, err := f.s.svc.RoomFiles(f.ctx(), f.studio)
	if err != nil {
		f.s.o.Log.WarnContext(f.ctx(), "room files cannot be listed", "request", access.RequestID(f.ctx()), "error", err)
	}
	v.rooms = rooms
	list, err := f.s.svc.Presets(f.ctx(), f.studio)
	if err != nil {
		f.s.o.Log.WarnContext(f.ctx(), "presets cannot be listed", "request", access.RequestID(f.ctx()), "error", err)
	}
	for _, p := range list {
		v.Presets = append(v.Presets, choice{p.Name, p.Name, p.Name == f.d.get("preset")})
	}
}

// ownerOf is a name for who fills in the form that tells nothing of them.
func ownerOf(r *http.Request) string {
	id, _ := access.From(r.Context())
	sum := sha256.Sum256([]byte(id.Role + "\x00" + id.Studio + "\x00" + id.Name))
	return hex.EncodeToString(sum[:6])
}

func (v *submitView) faultText(name string) string {
	x, ok := v.faults[name]
	if !ok {
		return ""
	}
	return strings.TrimSpace(x.Text + " " + x.Hint)
}

// FaultAt is what is wrong with a field.
func (v *submitView) FaultAt(name string) string { return v.faultText(name) }

// Of is the value of a field.
func (v *submitView) Of(name string) string { return v.d.get(name) }

// Plain is one of the fields of the side itself, with the help that the plan's
// documentation has for it.
func (v *submitView) Plain(name string) fieldView {
	f := fieldView{Name: name, ID: fieldID(name), Label: plainLabels[name], Value: v.d.get(name), Checked: v.d.on(name), Fault: v.faultText(name)}
	docs := planDocs
	if v.d.album {
		docs = releaseDocs
	}
	if i := slices.IndexFunc(docs, func(p planField) bool { return p.param == name }); i >= 0 {
		f.Help = sentence(docs[i].doc)
		f.Max = docs[i].most
		f.Number, f.Range = docs[i].rng != "", docs[i].rng
	}
	// The label says it already.
	if strings.EqualFold(strings.TrimSuffix(f.Help, "."), f.Label) {
		f.Help = ""
	}
	switch name {
	case "disc":
		f.Options, f.Help = v.discs(), ""
	case "room":
		f.Options = v.roomChoices()
		f.Help = "Everything about the machine that cannot be known here: reference level, land, pitch, what the cutter can do. Ask the room for its figures."
	case "level":
		f.Number, f.Unit = true, "dB"
		f.Help = "Re the room's reference. From -24 dB up to the highest level of the caps."
	}
	return f
}

var planDocs = docsOf(reflect.TypeFor[sideplan.Plan]())
var trackDocs = append(docsOf(reflect.TypeFor[sideplan.Track]()), docsOf(reflect.TypeFor[sideplan.Trim]())...)

// enumWords are words for values of fields that are chosen from a list.
var enumWords = map[string]string{
	"sample_rate 0": "Keep the rate of the mixes",
	"hold free":     "Anywhere", "hold first": "Opens the album", "hold last": "Closes the album", "hold place": "Keeps its place",
}

func docsOf(t reflect.Type) []planField { return fieldsOf("", t) }

// discWords is a known disc format in words.
func discWords(id string) string {
	size, speed, _ := strings.Cut(id, "in-")
	if speed == "33" {
		speed = "33\u2153"
	}
	return size + " inch, " + speed + " rpm"
}

func (v *submitView) discs() []choice {
	var out []choice
	on := v.d.get("disc")
	for _, id := range groove.DiscIDs() {
		d, err := groove.LookupDisc(id)
		if err != nil {
			continue
		}
		out = append(out, choice{id, fmt.Sprintf("%s (full level to about %s min)", discWords(id), plainNumber(d.SideMin.Full)), id == on})
	}
	if v.d.text("disc_own") != "" || on == discOwn {
		out = append(out, choice{discOwn, "Written out below", on == discOwn})
	} else if !slices.ContainsFunc(out, func(c choice) bool { return c.On }) && on != "" {
		out = append(out, choice{on, on, true})
	}
	return out
}

func (v *submitView) roomChoices() []choice {
	on, sha := v.d.get("room"), v.d.get("room_sha")
	out := []choice{{roomGeneric, "Generic: documented defaults, to be confirmed with the room", on == roomGeneric}}
	stored := false
	for _, m := range v.rooms {
		is := on == roomFile && m.SHA256 == sha
		stored = stored || is
		out = append(out, choice{m.SHA256, m.Name + ", handed in " + m.Received.UTC().Format("2006-01-02"), is})
	}
	out = append(out, choice{roomFile, "A room file, chosen below", on == roomFile && !stored})
	if v.d.text("room_own") != "" || on == roomOwn {
		out = append(out, choice{roomOwn, "Written out below", on == roomOwn})
	}
	return out
}

func (v *submitView) group(g *group) groupView {
	out := groupView{Name: g.name(), ID: fieldID(g.name()), Title: g.title, What: g.what, On: v.d.on(g.name()), Fault: v.faultText(g.name())}
	for _, p := range g.fields {
		f := v.field(p, p.name)
		out.Changed = out.Changed || f.Value != p.def || f.Fault != ""
		out.Fields = append(out.Fields, f)
	}
	return out
}

func (v *submitView) field(p planField, name string) fieldView {
	f := fieldView{Name: name, ID: fieldID(name), Label: p.label(), Value: v.d.get(name), Help: sentence(p.doc), Unit: p.unit, Range: p.rng, Default: p.def,
		Fault: v.faultText(name), Number: !p.words, Max: p.most}
	if len(p.enum) == 0 {
		return f
	}
	known := false
	for _, e := range p.enum {
		word := e
		if p.unit != "" {
			word += " " + p.unit
		}
		if w, ok := enumWords[p.param+" "+e]; ok {
			word = w
		}
		known = known || e == f.Value
		f.Options = append(f.Options, choice{e, word, e == f.Value})
	}
	if !known && f.Value != "" {
		f.Options = append(f.Options, choice{f.Value, f.Value, true})
	}
	return f
}

func (v *submitView) track(k string, i, of int) trackView {
	t := trackView{Key: k, Number: fmt.Sprint(i + 1), SHA: v.d.get(k + ".sha"), Name: v.d.get(k + ".name"), Declared: v.d.get(k + ".declared"),
		Here: v.d.here(k), Fault: v.faultText(k + ".file"), First: i == 0, Last: i == of-1}
	if t.Name != "" {
		x := v.d.factsOf(k)
		t.Facts, t.Bad = x.words(), x.Problem != ""
	}
	docs := trackDocs
	t.MoreOf = "Gain and trim"
	if v.d.album {
		docs, t.MoreOf = releaseTrackDocs, "Gain"
	}
	for _, name := range v.d.rowFields() {
		p := docs[slices.IndexFunc(docs, func(p planField) bool { return p.param == name })]
		f := v.field(p, k+"."+name)
		f.Label = rowLabels[name]
		if name == "hold" {
			f.Help, f.Default = "What may not move when the order is free.", ""
		}
		if f.Default == "" && p.param == "end_s" {
			f.Help = "Time in the mix at which the track ends; left blank, the end of the mix."
		}
		if name == "title" || name == "isrc" || name == "gap_s" || name == "hold" {
			t.Fields = append(t.Fields, f)
		} else {
			t.More = append(t.More, f)
			t.MoreOpen = t.MoreOpen || f.Value != "" || f.Fault != ""
		}
	}
	return t
}

// submitAnswer tells the form's script what came of it.
type submitAnswer struct {
	Location string              `json:"location,omitempty"` // of the job: go there
	Key      string              `json:"key,omitempty"`
	OK       bool                `json:"ok"`
	Faults   []fieldFault        `json:"faults,omitempty"`
	Notice   string              `json:"notice,omitempty"`
	Panel    string              `json:"panel,omitempty"` // HTML, as the page has it
	Plan     string              `json:"plan,omitempty"`
	Values   map[string]string   `json:"values,omitempty"` // of a preset, for the form
	Presets  []string            `json:"presets,omitempty"`
	Rows     map[string]rowFacts `json:"rows,omitempty"`
}

type rowFacts struct {
	Words string `json:"words"`
	Here  bool   `json:"here"`
	Bad   bool   `json:"bad,omitempty"`
}

func (f *filled) answer(w http.ResponseWriter, status int, v *submitView) {
	a := submitAnswer{Key: v.Key, OK: v.OK, Faults: v.Faults, Notice: f.notice, Plan: v.Plan, Values: f.values, Rows: map[string]rowFacts{}}
	for _, p := range v.Presets {
		a.Presets = append(a.Presets, p.Value)
	}
	for _, k := range f.d.rows {
		x := f.d.factsOf(k)
		a.Rows[k] = rowFacts{x.words(), f.d.here(k), x.Problem != ""}
	}
	var b bytes.Buffer
	if err := f.s.sets[f.s.page()].ExecuteTemplate(&b, "panel", v.Panel); err != nil {
		f.s.refuseForm(w, f.r, fmt.Errorf("part of a page: %w", err))
		return
	}
	a.Panel = b.String()
	writeAnswer(w, status, a)
}

func writeAnswer(w http.ResponseWriter, status int, a submitAnswer) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	// A reader who has gone cannot be told so.
	_ = json.NewEncoder(w).Encode(a)
}
