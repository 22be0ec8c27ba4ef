package web

import (
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/v1"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
)

// fieldFault is something wrong, at the field where it can be mended.
type fieldFault struct {
	Field string `json:"field"` // name; "" if it belongs to no field
	ID    string `json:"id"`    // of the element to go to; "" without a field
	Label string `json:"label"`
	Text  string `json:"text"`
	Hint  string `json:"hint,omitempty"`
	Code  string `json:"code"`
}

// fieldID is the id of a field's element.
func fieldID(name string) string {
	if name == "" {
		return ""
	}
	return "f-" + strings.ReplaceAll(name, ".", "-")
}

var (
	trackPath = regexp.MustCompile(`^tracks\[(\d+)\](?:\.(?:trim\.)?([a-z_]+))?`)
	chainPath = regexp.MustCompile(`^chain\[(\d+)\](?:\.([a-z_]+))?`)
	filePath  = regexp.MustCompile(`^files\[(\d+)\]`)
)

// at finds the field of the form for a fault of the plan.
func (d *draft) at(f v1.Fault) string {
	if n := d.roomName(); n != "" && f.File == n {
		return "room_file"
	}
	if m := trackPath.FindStringSubmatch(f.Path); m != nil {
		i, _ := strconv.Atoi(m[1]) // digits
		tracks := d.tracks()
		if i >= len(tracks) {
			return ""
		}
		for _, name := range d.rowFields() {
			if name == m[2] {
				return tracks[i] + "." + name
			}
		}
		return tracks[i] + ".file"
	}
	if m := chainPath.FindStringSubmatch(f.Path); m != nil {
		return d.atStage(m[1], m[2])
	}
	if m := filePath.FindStringSubmatch(f.Path); m != nil {
		return d.atFile(m[1])
	}
	name, rest, _ := strings.Cut(f.Path, ".")
	switch name {
	case "side", "title", "artist", "catalogue", "inscription", "notes", "mono", "cutting_speed", "compare_speeds", "studio", "kind", "lane", "as_traced", "sides", "same_level":
		return name
	case "keep_order":
		return "order"
	case "level":
		if d.get("level_how") == levelSet {
			return "level"
		}
		return "level_how"
	case "disc":
		if d.get("disc") == discOwn {
			return "disc_own"
		}
		return "disc"
	case "room":
		switch d.get("room") {
		case roomOwn:
			return "room_own"
		case roomFile:
			return "room_file"
		}
		return "room"
	case "tracks":
		return "files"
	case "chain":
		return "chain.fit-level"
	case "caps", "output":
		for _, p := range groupOf(name).fields {
			if p.param == rest {
				return p.name
			}
		}
	}
	return ""
}

func (d *draft) atStage(number, param string) string {
	i, _ := strconv.Atoi(number) // digits
	for _, id := range sideplan.StageIDs() {
		g := groupOf("chain." + id)
		if !d.on(g.name()) {
			continue
		}
		if i--; i >= 0 {
			continue
		}
		for _, f := range g.fields {
			if f.param == param {
				return f.name
			}
		}
		return g.name()
	}
	return "chain.fit-level"
}

func (d *draft) atFile(number string) string {
	i, _ := strconv.Atoi(number) // digits
	uses := d.uses()
	if i >= len(uses) {
		return ""
	}
	for k, name := range d.fileNames() {
		if name == uses[i].Name {
			return k + ".file"
		}
	}
	return "room_file"
}

// faultsOf puts what is wrong beside the fields.
func (d *draft) faultsOf(list []v1.Fault) []fieldFault {
	var out []fieldFault
	for _, f := range list {
		if f.Code == spec.CodeMissing && strings.HasPrefix(f.Path, "tracks[") || strings.HasSuffix(f.Path, "].file") && f.Code == spec.CodeLength {
			f.Detail, f.Hint = "this track has no file", "choose one"
		}
		name := d.at(f)
		text := f.Detail
		if name == "room_file" && f.Path != "" && f.Path != "room" && !strings.HasPrefix(f.Path, "files[") {
			text = f.Path + ": " + text
		}
		if name == "disc_own" || name == "room_own" || name == "" && f.Path != "" {
			text = f.Path + ": " + text
		}
		out = append(out, d.fault(name, text, f.Hint, f.Code))
	}
	return out
}

func (d *draft) fault(name, text, hint, code string) fieldFault {
	return fieldFault{name, fieldID(name), d.labelOf(name), sentence(text), sentence(hint), code}
}

// inOrder sorts faults as their fields stand on the page.
func (d *draft) inOrder(list []fieldFault) {
	names := []string{"", "studio", "files"}
	for _, k := range d.rows {
		for _, name := range append([]string{"file"}, d.rowFields()...) {
			names = append(names, k+"."+name)
		}
	}
	names = append(names, "side", "title", "artist", "catalogue", "inscription", "notes", "preset", "preset_name", "sides", "order", "same_level", "disc", "mono", "cutting_speed", "compare_speeds", "disc_own", "level_how", "level", "room", "room_file", "room_own")
	for _, g := range submitGroups {
		names = append(names, g.name())
		for _, f := range g.fields {
			names = append(names, f.name)
		}
	}
	names = append(names, "kind", "lane", "as_traced")
	slices.SortStableFunc(list, func(a, b fieldFault) int { return slices.Index(names, a.Field) - slices.Index(names, b.Field) })
}

// problemFaults is a problem of the service at the fields; what belongs to none
// stands above the form.
func (d *draft) problemFaults(err error) ([]fieldFault, bool) {
	p, ok := errors.AsType[*v1.Problem](err)
	if !ok {
		return nil, false
	}
	if len(p.Faults) > 0 {
		return d.faultsOf(p.Faults), true
	}
	v := viewOf(p)
	text, hint := v.Text, v.Hint
	if text == "" {
		text = v.Title
	}
	if v.Detail != "" {
		text = sentence(text) + " " + v.Detail
	}
	if v.RetryS > 0 {
		hint = strings.TrimSpace(hint + " Again in " + strconv.Itoa(v.RetryS) + " s at the earliest.")
	}
	return []fieldFault{d.fault("", text, hint, p.Code)}, true
}

// sentence begins with a capital and ends with a stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	if rest, ok := strings.CutPrefix(s, "isrc "); ok {
		s = "ISRC " + rest
	}
	if c := s[0]; c >= 'a' && c <= 'z' && !strings.Contains(strings.SplitN(s, " ", 2)[0], "_") {
		s = string(c-'a'+'A') + s[1:]
	}
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// labelOf is how the form calls a field.
func (d *draft) labelOf(name string) string {
	if l, ok := plainLabels[name]; ok {
		return l
	}
	for i, k := range d.tracks() {
		if field, ok := strings.CutPrefix(name, k+"."); ok {
			label := rowLabels[field]
			if field != "isrc" {
				label = strings.ToLower(label)
			}
			return "Track " + strconv.Itoa(i+1) + ", " + label
		}
	}
	for _, g := range submitGroups {
		if g.name() == name {
			return g.title
		}
		for _, f := range g.fields {
			if f.name == name {
				return g.title + ", " + strings.ToLower(f.label())
			}
		}
	}
	return name
}

var plainLabels = map[string]string{
	"": "The side", "side": "Side", "title": "Title", "artist": "Artist", "catalogue": "Catalogue number", "inscription": "Inscription", "notes": "Notes", "mono": "Mono", "cutting_speed": "Cut at half speed", "compare_speeds": "Compare speeds",
	"studio": "Studio", "kind": "What to make", "lane": "Lane", "as_traced": "As traced", "level": "Level", "level_how": "Level", "disc": "Disc format", "disc_own": "Disc written out",
	"room": "Room", "room_file": "Room file", "room_own": "Room written out", "files": "Mixes", "preset": "Preset", "preset_name": "Name of the preset",
	"sides": "Number of sides", "order": "Running order", "same_level": "Cut all sides at one level",
}

var rowLabels = map[string]string{"file": "File", "title": "Title", "isrc": "ISRC", "gap_s": "Silence before", "gain_db": "Gain", "hold": "If the order is free", "start_s": "Begin at", "end_s": "End at"}
