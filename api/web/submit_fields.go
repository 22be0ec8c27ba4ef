package web

import (
	"reflect"
	"strconv"
	"strings"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
)

const (
	defaultDisc = groove.DefaultDiscID
	discOwn     = "own"
)

// planField is one field of a plan as its own documentation has it.
type planField struct {
	name, param string // of the form, of the plan
	doc, unit   string
	rng, def    string
	enum        []string
	words       bool // its value is a word, not a number
	most        int  // characters; 0: no limit of its own
}

// yaml writes a value as the plan wants it. A word stands bare where it is one
// of the list, so that the plan reads well.
func (f planField) yaml(v string) string {
	for _, e := range f.enum {
		if e == v {
			return v
		}
	}
	if f.words {
		return quoted(v)
	}
	return number(v)
}

// group is a struct of the plan: a stage, the caps, the output.
type group struct {
	stage  string // id; "" for those that are no stage
	id     string
	title  string
	what   string
	fields []planField
}

func (g *group) name() string { return g.id }

// submitGroups are read from the tags of the structs that read plans, so that
// the form cannot say anything else than the plan's reader does.
var submitGroups = readGroups()

func readGroups() []*group {
	var out []*group
	for _, id := range sideplan.StageIDs() {
		s := stageWords[id]
		out = append(out, &group{stage: id, id: "chain." + id, title: s[0], what: s[1],
			fields: fieldsOf("chain."+id, reflect.TypeOf(sideplan.DefaultStage(id).Params))})
	}
	return append(out,
		&group{id: "caps", title: "Caps", what: "How far the treatment may go when the level is fitted.", fields: fieldsOf("caps", reflect.TypeFor[sideplan.Caps]())},
		&group{id: "output", title: "Output", what: "Form of the premaster.", fields: fieldsOf("output", reflect.TypeFor[sideplan.Output]())})
}

// stageWords say what a stage is and does, from the comments of its parameters.
var stageWords = map[string][2]string{
	"block-infrasonic": {"Block infrasonic", "High-pass that keeps DC and rumble, which cost land and are not heard, out of the groove. Mid and side alike, so the image is untouched."},
	"band-limit":       {"Band limit", "Low-pass that keeps ultrasonic energy, which the recording characteristic raises, away from the cutter. Mid and side alike."},
	"sum-lows":         {"Sum lows", "High-pass on the side signal below the crossover: lows become equal in both channels, so they move the groove sideways, where there is room."},
	"de-ess":           {"De-ess", "Reduces the high band where a wall would accelerate more than a playback tip can follow at the radius where the moment lands."},
	"limit-sides":      {"Limit sides", "Where the groove would become too shallow or too deep, the side signal is reduced; mid is untouched."},
	"fit-level":        {"Fit level", "Sets the gain of the file, mid and side alike. Needed where the level is to be fitted."},
}

func groupOf(id string) *group {
	for _, g := range submitGroups {
		if g.id == id {
			return g
		}
	}
	panic("web: no group " + id) // a mistake of this package
}

func fieldsOf(prefix string, t reflect.Type) []planField {
	var out []planField
	for i := range t.NumField() {
		tag := t.Field(i).Tag
		name, _, _ := strings.Cut(tag.Get("json"), ",")
		f := planField{name: prefix + "." + name, param: name, doc: tag.Get("doc"), unit: tag.Get("unit"),
			def: tag.Get("default"), words: t.Field(i).Type.Kind() == reflect.String}
		if n, err := strconv.Atoi(tag.Get("len")); err == nil {
			f.most = n
		}
		if e := tag.Get("enum"); e != "" {
			f.enum = strings.Split(e, ",")
		}
		if low, high := tag.Get("min"), tag.Get("max"); low != "" && high != "" {
			f.rng = low + " to " + high
		}
		out = append(out, f)
	}
	return out
}

// sameRoom compares what a room can do; two rooms of other names may be alike.
func sameRoom(a, b groove.Room) bool { return reflect.DeepEqual(a, b) }

// label is the name of a parameter as people read it: without its unit, which
// stands beside it.
func (f planField) label() string {
	name := f.param
	for _, tail := range []string{"_hz", "_um", "_ms", "_dbtp", "_dbfs", "_db"} {
		if s, ok := strings.CutSuffix(name, tail); ok {
			name = s
			break
		}
	}
	name = strings.ReplaceAll(name, "_", " ")
	return strings.ToUpper(name[:1]) + name[1:]
}
