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
		checkDisc(d, p)
		checkLevel(d, p)
		if !p.Room.Pending {
			checkRoom(d, "room", p.Room.Room)
		}
	}
	return p, d, nil
}

func checkTracks(d *spec.Document, p *Plan) {
	firstWith := map[string]int{}
	for i := range p.Tracks {
		t := &p.Tracks[i]
		path := "tracks[" + strconv.Itoa(i) + "]"
		if t.Trim.EndS != nil && *t.Trim.EndS <= t.Trim.StartS {
			d.Fault(path+".trim.end_s", CodeTrim,
				fmt.Sprintf("the track ends at %g s, which is not after its start at %g s", *t.Trim.EndS, t.Trim.StartS), "exchange the two, or leave end_s out")
		}
		if t.ISRC == "" {
			continue
		}
		code, err := NormalizeISRC(t.ISRC)
		if err != nil {
			d.Fault(path+".isrc", CodeISRC, err.Error(), "the form is XX-XXX-00-00000 (ISO 3901)")
			continue
		}
		t.ISRC = code
		if first, ok := firstWith[code]; ok && p.Tracks[first].File != t.File {
			d.Fault(path+".isrc", CodeISRC,
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
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	p, d, err := parse(path, data)
	if err != nil {
		return nil, err
	}
	p.File, p.Dir = path, filepath.Dir(path)
	for i := range p.Tracks {
		t := &p.Tracks[i]
		if t.File != "" {
			t.Path = locate(d, "tracks["+strconv.Itoa(i)+"].file", p.Dir, t.File, confined)
		}
	}
	if p.Room.Pending {
		loadRoomOf(d, p, confined)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return p, nil
}

func loadRoomOf(d *spec.Document, p *Plan, confined bool) {
	path := locate(d, "room", p.Dir, p.Room.File, confined)
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
	p.Room.Room, p.Room.Path, p.Room.Pending = room, path, false
	if !d.Faulty() {
		checkDisc(d, p)
	}
}

// locate returns the path under which name can be opened, or adds a fault and
// returns "".
func locate(d *spec.Document, field, dir, name string, confined bool) string {
	local := filepath.FromSlash(name)
	path := local
	if !filepath.IsAbs(local) {
		path = filepath.Join(dir, local)
	}
	if confined && !inside(dir, local) {
		d.Fault(field, CodeFileOutside, strconv.Quote(name)+" leads out of the plan's folder", "put the file beside the plan and name it without .. or a leading /")
		return ""
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.Fault(field, CodeFile, "no file "+strconv.Quote(path), "names are taken relative to the plan's folder")
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

// readFile reads a small regular file.
func readFile(path string) ([]byte, error) {
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
