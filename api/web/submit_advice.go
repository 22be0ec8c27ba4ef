package web

import (
	"errors"
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"discsafe/api/v1"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
)

// facts is what is known of the sound of one track.
type facts struct {
	Known    bool
	Rate     int
	Channels int
	Bits     int
	Float    bool
	Frames   int64
	Problem  string // why it cannot be used
}

// factsOf is what the service found out about a mix, or else what the browser
// read from its head and says.
func (d *draft) factsOf(key string) facts {
	if m, ok := d.mixes[d.get(key+".sha")]; ok && d.here(key) {
		if m.Audio == nil {
			why := m.Problem
			if why == "" {
				why = "is not sound that can be read"
			}
			return facts{Problem: why}
		}
		a := m.Audio
		f := facts{Known: true, Rate: a.SampleRateHz, Channels: a.Channels, Frames: a.Frames, Float: strings.HasSuffix(a.Encoding, "float")}
		bits, _, _ := strings.Cut(a.Encoding, "-")
		f.Bits, _ = strconv.Atoi(bits) // 0: not known
		return f
	}
	return declared(d.get(key + ".declared"))
}

// declared reads what a browser says of a file: rate, channels, bits, float (1 or
// 0) and frames. It decides nothing: the service reads the file itself.
func declared(s string) facts {
	parts := strings.Split(s, ",")
	if len(parts) != 5 {
		return facts{}
	}
	var n [5]int64
	for i, p := range parts {
		v, err := strconv.ParseInt(p, 10, 64)
		if err != nil || v < 0 || v > 1<<50 {
			return facts{}
		}
		n[i] = v
	}
	if n[0] < 1 || n[0] > 1<<20 || n[1] < 1 || n[1] > 1<<10 || n[2] > 64 {
		return facts{}
	}
	return facts{Known: true, Rate: int(n[0]), Channels: int(n[1]), Bits: int(n[2]), Float: n[3] == 1, Frames: n[4]}
}

func (f facts) seconds() float64 {
	if !f.Known || f.Rate == 0 {
		return 0
	}
	return float64(f.Frames) / float64(f.Rate)
}

// words describe a file in one line.
func (f facts) words() string {
	switch {
	case f.Problem != "":
		return f.Problem
	case !f.Known:
		return "not known yet"
	}
	channels := strconv.Itoa(f.Channels) + " channels"
	switch f.Channels {
	case 1:
		channels = "mono"
	case 2:
		channels = "stereo"
	}
	bits := ""
	if f.Bits > 0 {
		bits = fmt.Sprintf(", %d bit", f.Bits)
		if f.Float {
			bits += " float"
		}
	}
	return fmt.Sprintf("%s, %s kHz%s, %s", lengthWords(f.seconds()), plainNumber(float64(f.Rate)/1000), bits, channels)
}

// advice is one remark that needs no answer. It says itself how much it weighs.
type advice struct {
	Badge badge
	Field string // name; "" if it is about no field
	ID    string
	Text  string
}

// panel is what stands beside the form: the length of the side and advice.
type panel struct {
	Total   string // "" while nothing is known
	Words   string
	State   badge
	Fill    int // 0 to 1000, of the bar
	Usual   int
	Stop    int
	UsualIs string
	StopIs  string
	Waiting int // files whose length is not known
	Items   []advice
	TotalS  float64
}

const oneSideMost = 1.06 // the bar reaches so far beyond what is marked on it

// panelOf weighs a draft. plan is the plan as the service reads it, nil while it
// has faults; room is its room, the generic one while it is not known.
func (d *draft) panelOf(plan *sideplan.Plan, room groove.Room) panel {
	var p panel
	names, rates := d.fileNames(), map[int][]int{}
	tracks := d.tracks()
	for i, k := range tracks {
		f := d.factsOf(k)
		d.adviseTrack(&p, k, i, names[k], f)
		if !f.Known {
			p.Waiting++
			continue
		}
		rates[f.Rate] = append(rates[f.Rate], i+1)
		p.TotalS += d.trackSeconds(k, i, f)
	}
	d.adviseRates(&p, tracks, rates)
	d.weighLength(&p, plan, room)
	slices.SortStableFunc(p.Items, func(a, b advice) int { return weight(a.Badge.Kind) - weight(b.Badge.Kind) })
	return p
}

func weight(kind string) int { return slices.Index([]string{"bad", "look", "off"}, kind) }

func (p *panel) say(kind, field, format string, args ...any) {
	word := map[string]string{"bad": "Must change", "look": "Look at this", "off": "Note"}[kind]
	p.Items = append(p.Items, advice{badge{word, kind}, field, fieldID(field), fmt.Sprintf(format, args...)})
}

// trackSeconds is what a track takes of the side, with its gap, as far as what
// was typed can be read.
func (d *draft) trackSeconds(k string, i int, f facts) float64 {
	num := func(name string, or float64) float64 {
		v, err := strconv.ParseFloat(d.text(k+"."+name), 64)
		if err != nil || v < 0 || math.IsNaN(v) || v > 86400 {
			return or
		}
		return v
	}
	gap := 2.0 // as sideplan.Track.GapS
	if i == 0 {
		gap = 0
	}
	start, end := num("start_s", 0), min(num("end_s", f.seconds()), f.seconds())
	return num("gap_s", gap) + max(0, end-start)
}

var soundEndings = []string{".wav", ".wave", ".rf64", ".bw64", ".flac", ".aif", ".aiff", ".aifc"}

// unlikely says whether neither head nor name of a file tell of sound that can
// be used.
func (d *draft) unlikely(key string) bool {
	name := d.get(key + ".name")
	return name != "" && !d.factsOf(key).Known && !slices.Contains(soundEndings, strings.ToLower(path.Ext(name)))
}

func (d *draft) adviseTrack(p *panel, k string, i int, name string, f facts) {
	n := i + 1
	at := k + ".file"
	if name == "" {
		p.say("bad", at, "Track %d has no file yet.", n)
		return
	}
	switch {
	case f.Problem != "":
		p.say("bad", at, "Track %d, %s: %s.", n, name, strings.TrimSuffix(f.Problem, "."))
	case d.unlikely(k):
		p.say("look", at, "Track %d, %s: this does not look like a kind of file that can be used. Deliver WAV, FLAC or AIFF.", n, name)
	}
	if f.Known {
		switch {
		case f.Channels > 2:
			p.say("bad", at, "Track %d has %d channels. Deliver a stereo mix.", n, f.Channels)
		case f.Channels == 1 && !d.on("mono"):
			p.say("off", at, "Track %d is mono: it moves the groove sideways only.", n)
		}
		if f.Bits > 0 && f.Bits <= 16 {
			p.say("off", at, "Track %d has %d bits. If there is a mix with 24 bits, deliver that.", n, f.Bits)
		}
	}
	gap := d.text(k + ".gap_s")
	if v, err := strconv.ParseFloat(gap, 64); i > 0 && gap != "" && err == nil && v == 0 {
		p.say("look", k+".gap_s", "No silence before track %d: the land that marks the tracks then lies within the music. 1 to 3 s is common.", n)
	}
}

func (d *draft) adviseRates(p *panel, tracks []string, rates map[int][]int) {
	if len(rates) < 2 || d.text("output.sample_rate") != "0" && d.text("output.sample_rate") != "" {
		return
	}
	most := 0
	for r, list := range rates {
		if most == 0 || len(list) > len(rates[most]) || len(list) == len(rates[most]) && list[0] < rates[most][0] {
			most = r
		}
	}
	for r, list := range rates {
		if r == most {
			continue
		}
		for _, n := range list {
			p.say("bad", tracks[n-1]+".file", "Track %d has %s kHz, others have %s kHz. Deliver all mixes at one rate, or choose a sampling rate under Output to have them converted.",
				n, plainNumber(float64(r)/1000), plainNumber(float64(most)/1000))
		}
	}
	slices.SortStableFunc(p.Items, func(a, b advice) int { return strings.Compare(a.Field, b.Field) })
}

// discOf is the disc of the plan, or of the form while the plan cannot be read.
func (d *draft) discOf(plan *sideplan.Plan) (groove.Disc, error) {
	if plan != nil {
		return plan.Disc.Disc, nil
	}
	if d.get("disc") == discOwn {
		return groove.Disc{}, errors.New("the disc written out cannot be read yet")
	}
	return groove.LookupDisc(d.get("disc"))
}

func (d *draft) weighLength(p *panel, plan *sideplan.Plan, room groove.Room) {
	disc, err := d.discOf(plan)
	if err != nil || disc.Validate() != nil {
		return
	}
	e := estimateOf(disc, room)
	if d.album {
		d.weighAlbum(p, disc, e)
		return
	}
	minDB, maxDB := capOf(d, "min_level_db"), capOf(d, "max_level_db")
	level, err := strconv.ParseFloat(d.text("level"), 64)
	set := d.get("level_how") == levelSet && err == nil && math.Abs(level) <= 24
	if !set {
		level = 0
	}
	usual, stop := e.usualS(level), disc.SideMin.Stop*60
	most := max(usual, stop, p.TotalS) * oneSideMost
	place := func(s float64) int { return int(math.Round(1000 * s / most)) }
	p.Usual, p.Stop = place(usual), place(stop)
	p.UsualIs, p.StopIs = lengthWords(usual)+" at "+levelWords(level), lengthWords(stop)
	if p.TotalS <= 0 {
		p.State, p.Words = badge{"No length yet", "off"}, fmt.Sprintf("About %s fit at %s on this disc.", lengthWords(usual), levelWords(level))
		return
	}
	p.Total, p.Fill = lengthWords(p.TotalS), place(p.TotalS)
	fits, ok := e.levelDB(p.TotalS)
	p.State = badge{"Fits", "good"}
	if set {
		p.Words = fmt.Sprintf("%s of about %s at %s", p.Total, lengthWords(usual), levelWords(level))
	} else {
		p.Words = fmt.Sprintf("%s; about %s fit at 0 dB", p.Total, lengthWords(usual))
	}
	switch {
	case !ok:
		p.State = badge{"Too long", "bad"}
		p.say("bad", "disc", "The side is longer than the %s that even an unmodulated groove would take on this disc.", lengthWords(e.longestS()))
	case p.TotalS > stop:
		p.State = badge{"Too long", "bad"}
		p.say("bad", "disc", "%s is longer than the %s beyond which nobody should expect a good cut on this disc. Divide the side, or choose a larger or slower disc.", p.Total, lengthWords(stop))
	case set && p.TotalS > usual:
		p.State = badge{"Long for this level", "look"}
		p.say("look", "level", "Too long for this level by the estimate: about %s fit at %s. A usual programme of %s is cut at about %s.", lengthWords(usual), levelWords(level), p.Total, levelWords(fits))
	case !set && fits < minDB:
		p.State = badge{"Long", "look"}
		p.say("look", "caps.min_level_db", "A usual programme of %s is cut at about %s by the estimate, which is below the lowest level that the caps let fitting choose, %s.", p.Total, levelWords(fits), levelWords(minDB))
	case !set:
		p.Words += fmt.Sprintf(", so this side at about %s", levelWords(min(fits, maxDB)))
	}
	if p.Waiting > 0 {
		p.Words += fmt.Sprintf("; %d more of unknown length", p.Waiting)
	}
}

func capOf(d *draft, name string) float64 {
	for _, f := range groupOf("caps").fields {
		if f.param != name {
			continue
		}
		for _, s := range []string{d.text(f.name), f.def} {
			if v, err := strconv.ParseFloat(s, 64); err == nil && !math.IsNaN(v) {
				return v
			}
		}
	}
	return 0
}

// levelWords is a level with its sign, rounded to what an estimate can say.
func levelWords(db float64) string {
	r := math.Round(db*10) / 10
	switch {
	case r == 0:
		return "0 dB"
	case r > 0:
		return fmt.Sprintf("+%s dB", plainNumber(r))
	}
	return "\u2212" + plainNumber(-r) + " dB"
}

// missingText is what to say of a file that is no longer here, "" for other
// problems.
func missingText(code string) string {
	if code == string(v1.Gone) || code == string(v1.MixMissing) || code == string(v1.NotFound) {
		return "This file is no longer here. Hand it in again."
	}
	return ""
}
