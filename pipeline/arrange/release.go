package arrange

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"

	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
)

// What may not move when the order is free.
const (
	HoldFree  = "free"  // may go anywhere
	HoldFirst = "first" // opens the first side
	HoldLast  = "last"  // closes the last side
	HoldPlace = "place" // keeps its number in the running order of the release
)

// Release is a release file: what is to be divided over the sides of a disc.
type Release struct {
	Title        string           `json:"title" len:"200" doc:"title of the release"`
	Artist       string           `json:"artist" len:"200" doc:"who performs"`
	Catalogue    string           `json:"catalogue" len:"40" doc:"catalogue number"`
	Disc         sideplan.Disc    `json:"disc" default:"12in-33" doc:"disc format: its name, or a mapping of its figures that starts from the format named by id"`
	Room         sideplan.RoomRef `json:"room" default:"generic" doc:"cutting room: generic, the path of a room file relative to the release, or a mapping" source:"ask the room for its figures"`
	CuttingSpeed string           `json:"cutting_speed" default:"full" enum:"full,half" doc:"of every side: full: cut in real time; half: the files are played at half their rate while the lathe turns at half speed"`
	Tracks       []Track          `json:"tracks" need:"true" items:"1-60" doc:"the tracks in their running order"`
	KeepOrder    bool             `json:"keep_order" default:"true" doc:"keep the running order and only choose where sides turn"`
	Sides        int              `json:"sides" default:"2" min:"1" max:"6" doc:"number of sides"`
	SameLevel    bool             `json:"same_level" default:"false" doc:"cut all sides at one level"`
	Caps         sideplan.Caps    `json:"caps" doc:"how far the treatment may go when levels are fitted; as in a side plan"`
	Output       sideplan.Output  `json:"output" doc:"form of the premasters; as in a side plan"`

	// File is where the release was read from; empty after Parse.
	File string `json:"-"`
}

// Track is one track of a release.
type Track struct {
	File   string  `json:"file" need:"true" len:"1000" doc:"the mix (WAV, FLAC or AIFF), relative to the release"`
	Title  string  `json:"title" len:"200" doc:"title of the track"`
	ISRC   string  `json:"isrc" len:"20" doc:"recording code of twelve characters, hyphens allowed" source:"ISO 3901:2019"`
	GapS   float64 `json:"gap_s" default:"2" unit:"s" min:"0" max:"30" doc:"silence before the track where it does not open a side" source:"1-3 s, common practice, no source"`
	GainDB float64 `json:"gain_db" default:"0" unit:"dB" min:"-24" max:"24" doc:"gain of this track, for level between tracks"`
	Hold   string  `json:"hold" default:"free" enum:"free,first,last,place" doc:"what may not move when the order is free: first opens the first side, last closes the last side, place keeps its number"`

	// Path is the file as it can be opened; set by Load.
	Path string `json:"-"`
}

// Reason codes of faults found here, beside those of spec and sideplan.
const (
	CodeHold  = "hold"
	CodeSides = "sides"
)

// Parse reads a release, or a side plan taken as one, in memory and touches no
// file; a room file leaves Room pending. The error is a *spec.Error with every
// fault.
func Parse(name string, data []byte) (*Release, error) {
	if IsPlan(data) {
		p, err := sideplan.Parse(name, data)
		if err != nil {
			return nil, err
		}
		return fromPlan(p, name)
	}
	r, d, err := parse(name, data)
	if err != nil {
		return nil, err
	}
	return r, d.Err()
}

func parse(name string, data []byte) (*Release, *spec.Document, error) {
	d, err := spec.Parse(name, data)
	if err != nil {
		return nil, nil, err
	}
	return read(d), d, nil
}

func read(d *spec.Document) *Release {
	r := &Release{}
	d.Decode(r)
	firsts, lasts := 0, 0
	for i, t := range r.Tracks {
		path := "tracks[" + strconv.Itoa(i) + "].hold"
		switch t.Hold {
		case HoldFirst:
			if firsts++; firsts > 1 {
				d.Fault(path, CodeHold, "another track opens the first side already", "let one track be first")
			}
		case HoldLast:
			if lasts++; lasts > 1 {
				d.Fault(path, CodeHold, "another track closes the last side already", "let one track be last")
			}
		case HoldPlace:
			if len(r.Tracks) > maxExact {
				d.Fault(path, CodeHold, fmt.Sprintf("place can be held in releases of up to %d tracks", maxExact), "use first and last, or keep_order")
			}
		}
	}
	var codes []sideplan.Recording
	for i := range r.Tracks {
		codes = append(codes, sideplan.Recording{File: r.Tracks[i].File, ISRC: &r.Tracks[i].ISRC})
	}
	sideplan.CheckISRCs(d, codes)
	for i, t := range r.Tracks {
		for j, u := range r.Tracks {
			if i != j && t.Hold == HoldPlace && (i == 0 && u.Hold == HoldFirst || i == len(r.Tracks)-1 && u.Hold == HoldLast) {
				d.Fault("tracks["+strconv.Itoa(j)+"].hold", CodeHold, fmt.Sprintf("tracks[%d] keeps that place", i), "let one of the two go")
			}
		}
	}
	if n := len(r.Tracks); n > 0 && r.Sides > n {
		d.Fault("sides", CodeSides, fmt.Sprintf("%d sides leave a side empty: there are as many tracks as %d", r.Sides, n), "give at most as many sides as tracks")
	}
	if !d.Faulty() {
		if c := r.Caps; c.MinLevelDB > c.MaxLevelDB {
			d.Fault("caps.min_level_db", sideplan.CodeLevel, fmt.Sprintf("%g dB is above max_level_db %g dB", c.MinLevelDB, c.MaxLevelDB), "exchange the two")
		}
		sideplan.CheckDisc(d, r.Disc, r.Room)
		if !r.Room.Pending {
			sideplan.CheckRoom(d, "room", r.Room.Room)
		}
	}
	return r
}

// Load reads the release or the side plan at path. Of a side plan it takes
// tracks, gaps, disc, room, cutting speed, caps and output, with the order kept.
// Names are taken relative to the file. Faults of release, room and missing tracks are
// one *spec.Error. A side plan with a chain of its own, a trimmed track, a fixed
// level or a mono cut is refused: arrange plans with the default chain.
func Load(path string) (*Release, error) { return load(path, false) }

// LoadConfined is Load for releases from strangers: a name that is absolute or
// leads out of the release's folder is a fault, also through a symbolic link.
func LoadConfined(path string) (*Release, error) { return load(path, true) }

func load(path string, confined bool) (*Release, error) {
	data, err := sideplan.ReadFile(path)
	if err != nil {
		return nil, err
	}
	if IsPlan(data) {
		read := sideplan.Load
		if confined {
			read = sideplan.LoadConfined
		}
		p, err := read(path)
		if err != nil {
			return nil, err
		}
		return fromPlan(p, path)
	}
	r, d, err := parse(path, data)
	if err != nil {
		return nil, err
	}
	r.File = path
	folder := sideplan.Folder{Dir: filepath.Dir(path), Of: "release", Confined: confined}
	for i := range r.Tracks {
		if t := &r.Tracks[i]; t.File != "" {
			t.Path = folder.Locate(d, "tracks["+strconv.Itoa(i)+"].file", t.File)
		}
	}
	folder.LoadRoom(d, &r.Room)
	if r.Room.File != "" && !r.Room.Pending && !d.Faulty() {
		sideplan.CheckDisc(d, r.Disc, r.Room)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return r, nil
}

// planMark is the field that every side plan has and no release.
var planMark = regexp.MustCompile(`(?m)^[\s{]*"?side"?\s*:`)

// IsPlan reports whether a text is taken for a side plan, not for a release.
func IsPlan(data []byte) bool { return planMark.Match(data) }

// Normalized is the release as JSON with every default and the room written out.
func (r *Release) Normalized() (string, error) {
	text, err := json.Marshal(r)
	if err != nil {
		return "", fmt.Errorf("normal form of the release: %w", err)
	}
	return string(text), nil
}

// fromPlan takes a side plan, as read from path, for a release.
func fromPlan(p *sideplan.Plan, path string) (*Release, error) {
	r := &Release{Title: p.Title, Artist: p.Artist, Catalogue: p.Catalogue, Disc: p.Disc, Room: p.Room, CuttingSpeed: p.CuttingSpeed, KeepOrder: true, Sides: 2, Caps: p.Caps, Output: p.Output, File: path}
	refuse := func(what, hint string) error {
		return spec.NewError([]spec.Fault{{File: path, Code: CodeSides, Detail: what, Hint: hint}})
	}
	if p.Mono || !p.Level.Fit || !slices.Equal(p.Chain, sideplan.DefaultChain()) {
		return nil, refuse("a side plan with mono, a fixed level or a chain of its own cannot be arranged", "leave them out, arrange, and put them into the plans that are written")
	}
	for i, t := range p.Tracks {
		if t.Trim.StartS != 0 || t.Trim.EndS != nil {
			return nil, refuse(fmt.Sprintf("track %d is trimmed", i+1), "trim the mix itself before it is arranged")
		}
		gap := t.GapS
		if i == 0 && gap == 0 {
			gap = 2 // the default, which a first track does not get
		}
		r.Tracks = append(r.Tracks, Track{File: t.File, Title: t.Title, ISRC: t.ISRC, GapS: gap, GainDB: t.GainDB, Hold: HoldFree, Path: t.Path})
	}
	if r.Sides > len(r.Tracks) {
		r.Sides = len(r.Tracks)
	}
	return r, nil
}
