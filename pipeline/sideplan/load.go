package sideplan

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"

	"discsafe/pipeline/spec"
)

// Parse reads a plan in memory and touches no file: tracks are not looked for,
// and a room file leaves Room pending. name is only used in messages. The
// error is a *spec.Error with every fault.
func Parse(name string, data []byte) (*Plan, error) {
	p, d, err := parse(name, data)
	if err != nil {
		return nil, err
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return p, nil
}

func parse(name string, data []byte) (*Plan, *spec.Document, error) {
	d, err := spec.Parse(name, data)
	if err != nil {
		return nil, nil, err
	}
	p := &Plan{}
	d.Decode(p)
	if !d.Has("chain") {
		p.Chain = DefaultChain()
	}
	if len(p.Tracks) > 0 && !d.Has("tracks[0].gap_s") {
		p.Tracks[0].GapS = 0
	}
	checkTracks(d, p)
	checkChain(d, p.Chain, p.Level)
	if !d.Faulty() { // these compare figures, which are only right together
		CheckDisc(d, p.Disc, p.Room)
		checkLevel(d, p)
		if !p.Room.Pending {
			CheckRoom(d, "room", p.Room.Room)
		}
	}
	return p, d, nil
}

func checkTracks(d *spec.Document, p *Plan) {
	var codes []Recording
	for i := range p.Tracks {
		t := &p.Tracks[i]
		codes = append(codes, Recording{File: t.File, ISRC: &t.ISRC})
		if t.Trim.EndS != nil && *t.Trim.EndS <= t.Trim.StartS {
			d.Fault("tracks["+strconv.Itoa(i)+"].trim.end_s", CodeTrim,
				fmt.Sprintf("the track ends at %g s, which is not after its start at %g s", *t.Trim.EndS, t.Trim.StartS), "exchange the two, or leave end_s out")
		}
	}
	CheckISRCs(d, codes)
}

// Recording is a track's file and its code, as far as their rules go.
type Recording struct {
	File string
	ISRC *string // empty: it has none
}

// CheckISRCs brings the codes of a document's tracks into their form; one that
// has not the form, or is that of another file, is a fault.
func CheckISRCs(d *spec.Document, list []Recording) {
	firstWith := map[string]int{}
	for i, t := range list {
		if *t.ISRC == "" {
			continue
		}
		path := "tracks[" + strconv.Itoa(i) + "].isrc"
		code, err := NormalizeISRC(*t.ISRC)
		if err != nil {
			d.Fault(path, CodeISRC, err.Error(), "the form is XX-XXX-00-00000 (ISO 3901)")
			continue
		}
		*t.ISRC = code
		if first, ok := firstWith[code]; ok && list[first].File != t.File {
			d.Fault(path, CodeISRC,
				fmt.Sprintf("%s is already the code of tracks[%d], another file", DisplayISRC(code), first), "each recording has a code of its own")
			continue
		}
		firstWith[code] = i
	}
}

func checkLevel(d *spec.Document, p *Plan) {
	c := p.Caps
	if c.MinLevelDB > c.MaxLevelDB {
		d.Fault("caps.min_level_db", CodeLevel, fmt.Sprintf("%g dB is above max_level_db %g dB", c.MinLevelDB, c.MaxLevelDB), "exchange the two")
		return
	}
	// A level asked for may lie below min_level_db, which only bounds fitting.
	if !p.Level.Fit && p.Level.DB > c.MaxLevelDB {
		d.Fault("level", CodeLevel, fmt.Sprintf("%g dB is above caps.max_level_db %g dB", p.Level.DB, c.MaxLevelDB), "lower level, or raise caps.max_level_db")
	}
}

// Load reads the plan at path and the room file it names, and checks that
// every track is a readable regular file. Names are taken relative to the
// plan's folder. Every fault of the plan and of the room is returned at once
// as *spec.Error.
func Load(path string) (*Plan, error) { return load(path, false) }

// LoadConfined is Load for plans from strangers: a name that is absolute or
// leads out of the plan's folder is a fault, also through a symbolic link.
func LoadConfined(path string) (*Plan, error) { return load(path, true) }

func load(path string, confined bool) (*Plan, error) {
	data, err := ReadFile(path)
	if err != nil {
		return nil, err
	}
	p, d, err := parse(path, data)
	if err != nil {
		return nil, err
	}
	p.File, p.Dir = path, filepath.Dir(path)
	folder := Folder{Dir: p.Dir, Of: "plan", Confined: confined}
	for i := range p.Tracks {
		t := &p.Tracks[i]
		if t.File != "" {
			t.Path = folder.Locate(d, "tracks["+strconv.Itoa(i)+"].file", t.File)
		}
	}
	folder.LoadRoom(d, &p.Room)
	if !p.Room.Pending && p.Room.File != "" && !d.Faulty() {
		CheckDisc(d, p.Disc, p.Room)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return p, nil
}

// Folder is where the names of files in a document lead.
type Folder struct {
	Dir      string
	Of       string // what the document is, for messages: plan or release
	Confined bool   // names from strangers: one that leads out is a fault, also through a symbolic link
}

// LoadRoom reads the room file that a document names under room, if it names
// one. What is wrong becomes a fault of the document; then r stays pending.
func (f Folder) LoadRoom(d *spec.Document, r *RoomRef) {
	if !r.Pending {
		return
	}
	path := f.Locate(d, "room", r.File)
	if path == "" {
		return
	}
	room, err := LoadRoom(path)
	if err != nil {
		if list, ok := errors.AsType[*spec.Error](err); ok {
			d.Include(list)
			return
		}
		d.Fault("room", CodeFile, err.Error(), "")
		return
	}
	r.Room, r.Path, r.Pending = room, path, false
}

// Locate returns the path under which name can be opened, or adds a fault to the
// field and returns "".
func (f Folder) Locate(d *spec.Document, field, name string) string {
	local := filepath.FromSlash(name)
	path := local
	if !filepath.IsAbs(local) {
		path = filepath.Join(f.Dir, local)
	}
	if f.Confined && !inside(f.Dir, local) {
		d.Fault(field, CodeFileOutside, strconv.Quote(name)+" leads out of the "+f.Of+"'s folder", "put the file beside the "+f.Of+" and name it without .. or a leading /")
		return ""
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.Fault(field, CodeFile, "no file "+strconv.Quote(path), "names are taken relative to the "+f.Of+"'s folder")
	case err != nil:
		d.Fault(field, CodeFile, "cannot be read: "+cause(err), "")
	case info.IsDir():
		d.Fault(field, CodeFileKind, strconv.Quote(path)+" is a folder", "name one file")
	case !info.Mode().IsRegular():
		d.Fault(field, CodeFileKind, strconv.Quote(path)+" is not a regular file", "name one file")
	default:
		return path
	}
	return ""
}

// inside reports whether name stays in dir when every link is followed. A name
// that does not exist is judged by its form.
func inside(dir, name string) bool {
	if !filepath.IsLocal(name) {
		return false
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return false
	}
	defer root.Close()
	_, err = root.Stat(name)
	return err == nil || errors.Is(err, fs.ErrNotExist)
}

// ReadFile reads a plan, a room or what else is written by hand: a regular file,
// of which one byte more than spec.MaxBytes is read at most. The error is a
// *spec.Error.
func ReadFile(path string) ([]byte, error) {
	fault := func(code, detail, hint string) error {
		return spec.NewError([]spec.Fault{{File: path, Code: code, Detail: detail, Hint: hint}})
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fault(CodeFile, "no such file", "")
	case err != nil:
		return nil, fault(CodeFile, "cannot be read: "+cause(err), "")
	case !info.Mode().IsRegular():
		return nil, fault(CodeFileKind, "is not a file that can be read", "name one file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fault(CodeFile, "cannot be read: "+cause(err), "")
	}
	defer f.Close()
	// One byte more than allowed lets spec.Parse see that it is too large.
	data, err := io.ReadAll(io.LimitReader(f, spec.MaxBytes+1))
	if err != nil {
		return nil, fault(CodeFile, "cannot be read: "+cause(err), "")
	}
	return data, nil
}

// cause drops operation and path from an error of the file system: the fault
// names the file already.
func cause(err error) string {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err.Error()
	}
	return err.Error()
}
