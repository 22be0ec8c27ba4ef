package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/v1"
	"discsafe/pipeline/sideplan"
)

// planText writes the side plan of a draft as YAML. What was left at its default
// is left out; what was typed and is no number is written as a text, so that the
// reader of plans finds the fault and says it.
func (d *draft) planText() string {
	var b strings.Builder
	line := func(indent, name, v string) { b.WriteString(indent + name + ": " + v + "\n") }
	texts := func(indent, prefix string, names ...string) {
		for _, n := range names {
			if v := d.get(prefix + n); strings.TrimSpace(v) != "" {
				line(indent, n, quoted(v))
			}
		}
	}
	texts("", "", "side", "title", "artist", "catalogue", "inscription")
	line("", "disc", d.discText())
	for _, t := range planTicks {
		if d.on(t.name) {
			line("", t.name, t.value)
		}
	}
	line("", "level", d.levelText())
	line("", "room", d.roomText())
	names := d.fileNames()
	if tracks := d.tracks(); len(tracks) == 0 {
		line("", "tracks", "[]")
	} else {
		b.WriteString("tracks:\n")
		for _, k := range tracks {
			b.WriteString("  - file: " + quoted(names[k]) + "\n")
			texts("    ", k+".", "title", "isrc")
			for _, n := range []string{"gap_s", "gain_db"} {
				if v := d.text(k + "." + n); v != "" {
					line("    ", n, number(v))
				}
			}
			start, end := d.text(k+".start_s"), d.text(k+".end_s")
			if start+end != "" {
				b.WriteString("    trim:\n")
			}
			if start != "" {
				line("      ", "start_s", number(start))
			}
			if end != "" {
				line("      ", "end_s", number(end))
			}
		}
	}
	d.writeChain(&b)
	for _, section := range []string{"caps", "output"} {
		first := true
		for _, f := range groupOf(section).fields {
			if v := d.text(f.name); v != "" && v != f.def {
				if first {
					b.WriteString(section + ":\n")
					first = false
				}
				line("  ", f.param, f.yaml(v))
			}
		}
	}
	texts("", "", "notes")
	return b.String()
}

// planTicks are what a plan says beside its default where a box is ticked.
var planTicks = []struct {
	name, value string
	ticked      func(*sideplan.Plan) bool
}{
	{"mono", "true", func(p *sideplan.Plan) bool { return p.Mono }},
	{"cutting_speed", sideplan.SpeedHalf, func(p *sideplan.Plan) bool { return p.CuttingSpeed == sideplan.SpeedHalf }},
	{"compare_speeds", "true", func(p *sideplan.Plan) bool { return p.CompareSpeeds }},
}

// writeChain leaves the chain out where it is the default: every stage with its
// defaults.
func (d *draft) writeChain(b *strings.Builder) {
	plain := true
	var part strings.Builder
	stages := 0
	for _, id := range sideplan.StageIDs() {
		g := groupOf("chain." + id)
		if !d.on(g.name()) {
			plain = false
			continue
		}
		stages++
		part.WriteString("  - stage: " + id + "\n")
		for _, f := range g.fields {
			if v := d.text(f.name); v != "" && v != f.def {
				plain = false
				part.WriteString("    " + f.param + ": " + f.yaml(v) + "\n")
			}
		}
	}
	switch {
	case plain:
	case stages == 0:
		b.WriteString("chain: []\n")
	default:
		b.WriteString("chain:\n" + part.String())
	}
}

func (d *draft) discText() string {
	if d.get("disc") == discOwn {
		return mapping(d.get("disc_own"))
	}
	return quoted(d.get("disc"))
}

func (d *draft) levelText() string {
	if d.get("level_how") != levelSet {
		return levelFit
	}
	return number(d.text("level"))
}

func (d *draft) roomText() string {
	switch d.get("room") {
	case roomFile:
		if n := d.roomName(); n != "" {
			return quoted(n)
		}
		return quoted("")
	case roomOwn:
		return mapping(d.get("room_own"))
	}
	return roomGeneric
}

// mapping is JSON as part of YAML; what is no JSON becomes a text, which no
// reader takes for a mapping.
func mapping(s string) string {
	var b bytes.Buffer
	if err := json.Compact(&b, []byte(s)); err != nil {
		return quoted(s)
	}
	return b.String()
}

// number is a number as it was typed, or a text if it is none.
func number(s string) string {
	if v, err := strconv.ParseFloat(s, 64); err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(s, "xXpP_") {
		return quoted(s)
	}
	// YAML knows no + and no leading point, and takes 010 for eight.
	sign, rest := "", strings.TrimPrefix(s, "+")
	if r, ok := strings.CutPrefix(rest, "-"); ok {
		sign, rest = "-", r
	}
	for len(rest) > 1 && rest[0] == '0' && rest[1] >= '0' && rest[1] <= '9' {
		rest = rest[1:]
	}
	if strings.HasPrefix(rest, ".") {
		rest = "0" + rest
	}
	return sign + rest
}

// quoted is a text in double quotes, as JSON and YAML both read it.
func quoted(s string) string {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(strings.ToValidUTF8(s, "\uFFFD")); err != nil {
		return `""` // a string can always be encoded
	}
	var out strings.Builder
	for _, r := range strings.TrimSuffix(b.String(), "\n") {
		// YAML takes U+0085 for the end of a line, and refuses what cannot be printed.
		if r >= 0x7f && r <= 0x9f || r == 0xfeff {
			fmt.Fprintf(&out, "\\u%04x", r)
			continue
		}
		out.WriteRune(r)
	}
	return out.String()
}

// fill takes into the draft what a plan says. Preset leaves the release and its
// tracks alone.
func (d *draft) fill(p *sideplan.Plan, preset bool) error {
	d.set("disc", p.Disc.ID)
	if p.Disc.Inline {
		text, err := p.Disc.MarshalJSON()
		if err != nil {
			return err
		}
		d.set("disc", discOwn)
		d.set("disc_own", string(text))
	}
	d.set("level_how", levelFit)
	if !p.Level.Fit {
		d.set("level_how", levelSet)
		d.set("level", plainNumber(p.Level.DB))
	}
	switch {
	case p.Room.Pending:
		d.set("room", roomFile)
		d.set("room_name", p.Room.File)
	case sameRoom(p.Room.Room, sideplan.DefaultRoom()):
		d.set("room", roomGeneric)
	default:
		text, err := p.Room.MarshalJSON()
		if err != nil {
			return err
		}
		d.set("room", roomOwn)
		d.set("room_own", string(text))
	}
	for _, id := range sideplan.StageIDs() {
		g := groupOf("chain." + id)
		s, ok := p.Stage(id)
		if !ok {
			d.vals.Del(g.name())
			continue
		}
		d.set(g.name(), "on")
		if err := d.fillFields(g, s.Params); err != nil {
			return err
		}
	}
	if err := d.fillFields(groupOf("caps"), p.Caps); err != nil {
		return err
	}
	if err := d.fillFields(groupOf("output"), p.Output); err != nil {
		return err
	}
	for _, t := range planTicks {
		if preset && !slices.Contains(v1.PresetParts, t.name) {
			continue
		}
		d.vals.Del(t.name)
		if t.ticked(p) {
			d.set(t.name, "on")
		}
	}
	if preset {
		return nil
	}
	for name, v := range map[string]string{"side": p.Side, "title": p.Title, "artist": p.Artist, "catalogue": p.Catalogue, "inscription": p.Inscription, "notes": p.Notes} {
		d.set(name, v)
	}
	d.rows = nil
	d.more(len(p.Tracks))
	for i, t := range p.Tracks {
		k := d.rows[i]
		d.set(k+".name", t.File)
		d.set(k+".title", t.Title)
		d.set(k+".isrc", t.ISRC)
		d.set(k+".gap_s", plainNumber(t.GapS))
		if t.GainDB != 0 {
			d.set(k+".gain_db", plainNumber(t.GainDB))
		}
		if t.Trim.StartS != 0 {
			d.set(k+".start_s", plainNumber(t.Trim.StartS))
		}
		if t.Trim.EndS != nil {
			d.set(k+".end_s", plainNumber(*t.Trim.EndS))
		}
	}
	return nil
}

func (d *draft) fillFields(g *group, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return err
	}
	var m map[string]json.RawMessage
	if err := json.Unmarshal(data, &m); err != nil {
		return err
	}
	for _, f := range g.fields {
		s := string(m[f.param])
		var text string
		if json.Unmarshal(m[f.param], &text) == nil {
			s = text
		}
		d.set(f.name, s)
	}
	return nil
}

func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
