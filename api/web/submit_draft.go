package web

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"discsafe/api/v1"
)

// draft is the form as it was filled in: every value as it was typed, so that
// nothing is lost whatever is wrong with it. Rows are the tracks in order; the
// fields of a row are called by its key, for instance k1.title.
type draft struct {
	// album: a release that is to be divided over sides, not one side.
	album bool
	vals  url.Values
	rows  []string
	// mixes are the files that are here already, by hash.
	mixes map[string]v1.Mix
}

const (
	maxRows  = 60 // as sideplan.Plan.Tracks
	noScript = 4  // empty rows of a new form
	// maxDraft bounds what a form may hold beside its files.
	maxDraft = 512 << 10
)

// How the room and the level are chosen.
const (
	roomGeneric = "generic"
	roomFile    = "file"
	roomOwn     = "own"
	levelFit    = "fit"
	levelSet    = "set"
)

// newDraft is an empty form with every default in place.
func newDraft() *draft {
	d := &draft{vals: url.Values{}, mixes: map[string]v1.Mix{}}
	d.set("kind", v1.Prepare)
	d.set("lane", "express")
	d.set("level_how", levelFit)
	d.set("room", roomGeneric)
	d.set("disc", defaultDisc)
	for _, g := range submitGroups {
		if g.stage != "" {
			d.set(g.name(), "on")
		}
		for _, f := range g.fields {
			d.set(f.name, f.def)
		}
	}
	d.more(noScript)
	return d
}

// draftOf is a form that was sent. What it lacks stays empty.
func draftOf(vals url.Values) *draft {
	d := &draft{vals: vals, mixes: map[string]v1.Mix{}}
	for _, k := range vals["row"] {
		if rowKey(k) && !slices.Contains(d.rows, k) && len(d.rows) < maxRows {
			d.rows = append(d.rows, k)
		}
	}
	return d
}

// rowKey says whether a key of a row is one of ours.
func rowKey(k string) bool {
	if len(k) < 2 || len(k) > 12 || k[0] != 'k' {
		return false
	}
	for _, c := range []byte(k[1:]) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') {
			return false
		}
	}
	return true
}

func (d *draft) get(name string) string { return d.vals.Get(name) }
func (d *draft) set(name, v string)     { d.vals.Set(name, v) }
func (d *draft) on(name string) bool    { return d.vals.Get(name) != "" }

// tick sets a box to on, or clears it.
func (d *draft) tick(name string, on bool) {
	if d.vals.Del(name); on {
		d.set(name, "on")
	}
}

func (d *draft) text(name string) string { return strings.TrimSpace(d.vals.Get(name)) }

// more adds n empty rows.
func (d *draft) more(n int) {
	for i := 1; n > 0 && len(d.rows) < maxRows; i++ {
		if k := "k" + strconv.Itoa(i); !slices.Contains(d.rows, k) {
			d.rows = append(d.rows, k)
			n--
		}
	}
}

// move shifts a row by places, keeping it in the list.
func (d *draft) move(key string, by int) {
	i := slices.Index(d.rows, key)
	j := i + by
	if i < 0 || j < 0 || j >= len(d.rows) {
		return
	}
	d.rows = slices.Insert(slices.Delete(d.rows, i, i+1), j, key)
}

func (d *draft) drop(key string) {
	d.rows = slices.DeleteFunc(d.rows, func(k string) bool { return k == key })
	for name := range d.vals {
		if strings.HasPrefix(name, key+".") {
			d.vals.Del(name)
		}
	}
}

// What a track may say of itself, on a side and in a release.
var (
	sideRow  = []string{"title", "isrc", "gap_s", "gain_db", "start_s", "end_s"}
	albumRow = []string{"title", "isrc", "gap_s", "hold", "gain_db"}
)

func (d *draft) rowFields() []string {
	if d.album {
		return albumRow
	}
	return sideRow
}

// blank says whether a row has neither a file nor anything typed.
func (d *draft) blank(key string) bool {
	if d.text(key+".name") != "" || d.text(key+".sha") != "" {
		return false
	}
	for _, f := range d.rowFields() {
		if f != "hold" && d.text(key+"."+f) != "" { // a list always holds something
			return false
		}
	}
	return true
}

// tracks are the rows that go into the plan, in order.
func (d *draft) tracks() []string {
	return slices.DeleteFunc(slices.Clone(d.rows), d.blank)
}

// here says whether the file of a row has been handed in.
func (d *draft) here(key string) bool { return shaForm(d.get(key + ".sha")) }

func shaForm(s string) bool {
	if len(s) != 64 {
		return false
	}
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

// fileNames gives the file of each track a name that the plan may use: its own
// without folders and what no plan takes, another one where two differ only by
// what they hold.
func (d *draft) fileNames() map[string]string {
	out, taken := map[string]string{}, map[string]string{} // name in lower case: hash or key
	if n := d.roomName(); n != "" {
		taken[strings.ToLower(n)] = d.get("room_sha")
	}
	for _, k := range d.tracks() {
		if d.text(k+".name") == "" && !d.here(k) {
			continue
		}
		what := d.get(k + ".sha")
		if what == "" {
			what = k
		}
		plain := planFileName(d.get(k + ".name"))
		name := plain
		for i := 2; ; i++ {
			if who, is := taken[strings.ToLower(name)]; !is || who == what {
				break
			}
			name = strconv.Itoa(i) + "-" + plain
		}
		taken[strings.ToLower(name)], out[k] = what, name
	}
	return out
}

const maxFileName = 200 // bytes; leaves room for a prefix in every file system

func planFileName(s string) string {
	if i := strings.LastIndexAny(s, `/\`); i >= 0 {
		s = s[i+1:]
	}
	s = strings.ToValidUTF8(s, "-")
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == ':' {
			return '-'
		}
		return r
	}, s)
	for len(s) > maxFileName { // from the front: the ending says what it is
		_, n := utf8.DecodeRuneInString(s)
		s = s[n:]
	}
	if s = strings.TrimSpace(s); s == "" || s == "." || s == ".." {
		return "mix"
	}
	return s
}

// roomName is how the plan names the room file, "" if it needs none.
func (d *draft) roomName() string {
	switch {
	case d.get("room") != roomFile || !shaForm(d.get("room_sha")):
		return ""
	case d.text("room_name") == "":
		return "room.yaml"
	}
	return planFileName(d.get("room_name"))
}

// uses are the files that were handed in, under their names of the plan.
func (d *draft) uses() []v1.Use {
	var out []v1.Use
	names := d.fileNames()
	add := func(name, sha string) {
		if !slices.ContainsFunc(out, func(u v1.Use) bool { return u.Name == name }) {
			out = append(out, v1.Use{Name: name, SHA256: sha})
		}
	}
	for _, k := range d.tracks() {
		if d.here(k) {
			add(names[k], d.get(k+".sha"))
		}
	}
	if n := d.roomName(); n != "" {
		add(n, d.get("room_sha"))
	}
	return out
}

// awaited are the tracks whose file has not been handed in.
func (d *draft) awaited() []string {
	var out []string
	for _, k := range d.tracks() {
		if !d.here(k) {
			out = append(out, k)
		}
	}
	return out
}
