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

// planText writes the side plan of a draft as YAML, of an album the release. What
// was left at its default is left out; what was typed and is no number is written
// as a text, so that the reader of plans finds the fault and says it.
func (d *draft) planText() string {
	if d.album {
		return d.releaseText()
	}
	w := &planWriter{d: d}
	w.texts("", "", "side", "title", "artist", "catalogue", "inscription")
	w.line("", "disc", d.discText())
	for _, t := range planTicks {
		if d.on(t.name) {
			w.line("", t.name, t.value)
		}
	}
	w.line("", "level", d.levelText())
	w.line("", "room", d.roomText())
	w.tracks()
	d.writeChain(&w.Builder)
	w.sections()
	w.texts("", "", "notes")
	return w.String()
}

// planWriter writes what a draft says, part by part.
type planWriter struct {
	strings.Builder
	d *draft
}

func (w *planWriter) line(indent, name, v string) { w.WriteString(indent + name + ": " + v + "\n") }

// texts writes those fields that hold one.
func (w *planWriter) texts(indent, prefix string, names ...string) {
	for _, n := range names {
		if v := w.d.get(prefix + n); strings.TrimSpace(v) != "" {
			w.line(indent, n, quoted(v))
		}
	}
}

func (w *planWriter) tracks() {
	d := w.d
	names, tracks := d.fileNames(), d.tracks()
	if len(tracks) == 0 {
		w.line("", "tracks", "[]")
		return
	}
	w.WriteString("tracks:\n")
	for _, k := range tracks {
		w.WriteString("  - file: " + quoted(names[k]) + "\n")
		w.texts("    ", k+".", "title", "isrc")
		for _, n := range []string{"gap_s", "gain_db"} {
			if v := d.text(k + "." + n); v != "" {
				w.line("    ", n, number(v))
			}
		}
		if d.album {
			w.texts("    ", k+".", "hold")
			continue
		}
		start, end := d.text(k+".start_s"), d.text(k+".end_s")
		if start+end != "" {
			w.WriteString("    trim:\n")
		}
		if start != "" {
			w.line("      ", "start_s", number(start))
		}
		if end != "" {
			w.line("      ", "end_s", number(end))
		}
	}
}

// sections writes caps and output as far as they are not as by default.
func (w *planWriter) sections() {
	for _, section := range []string{"caps", "output"} {
		first := true
		for _, f := range groupOf(section).fields {
			if v := w.d.text(f.name); v != "" && v != f.def {
				if first {
					w.WriteString(section + ":\n")
					first = false
				}
				w.line("  ", f.param, f.yaml(v))
			}
		}
	}
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

// fillCut takes into the draft what plans and releases say alike of disc and
// room, caps and output.
func (d *draft) fillCut(disc sideplan.Disc, room sideplan.RoomRef, caps sideplan.Caps, output sideplan.Output) error {
	d.set("disc", disc.ID)
	if disc.Inline {
		text, err := disc.MarshalJSON()
		if err != nil {
			return err
		}
		d.set("disc", discOwn)
		d.set("disc_own", string(text))
	}
	switch {
	case room.Pending:
		d.set("room", roomFile)
		d.set("room_name", room.File)
	case sameRoom(room.Room, sideplan.DefaultRoom()):
		d.set("room", roomGeneric)
	default:
		text, err := room.MarshalJSON()
		if err != nil {
			return err
		}
		d.set("room", roomOwn)
		d.set("room_own", string(text))
	}
	if err := d.fillFields(groupOf("caps"), caps); err != nil {
		return err
	}
	return d.fillFields(groupOf("output"), output)
}

// fillTrack takes into a row what plans and releases say alike of a track.
func (d *draft) fillTrack(k, file, title, isrc string, gapS, gainDB float64) {
	d.set(k+".name", file)
	d.set(k+".title", title)
	d.set(k+".isrc", isrc)
	d.set(k+".gap_s", plainNumber(gapS))
	if gainDB != 0 {
		d.set(k+".gain_db", plainNumber(gainDB))
	}
}

// fill takes into the draft what a plan says. Preset leaves the release and its
// tracks alone.
func (d *draft) fill(p *sideplan.Plan, preset bool) error {
	if err := d.fillCut(p.Disc, p.Room, p.Caps, p.Output); err != nil {
		return err
	}
	d.set("level_how", levelFit)
	if !p.Level.Fit {
		d.set("level_how", levelSet)
		d.set("level", plainNumber(p.Level.DB))
	}
	for _, id := range sideplan.StageIDs() {
		g := groupOf("chain." + id)
		s, ok := p.Stage(id)
		if d.tick(g.name(), ok); !ok {
			continue
		}
		if err := d.fillFields(g, s.Params); err != nil {
			return err
		}
	}
	for _, t := range planTicks {
		if preset && !slices.Contains(v1.PresetParts(), t.name) {
			continue
		}
		d.tick(t.name, t.ticked(p))
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
		d.fillTrack(k, t.File, t.Title, t.ISRC, t.GapS, t.GainDB)
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
