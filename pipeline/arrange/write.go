package arrange

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"discsafe/pipeline/sideplan"
)

// ExistsError says that a side plan would overwrite a file.
type ExistsError struct{ Path string }

func (e *ExistsError) Error() string {
	return e.Path + " exists already; name another folder or remove it"
}

// WritePlans writes an entry as side-a.yaml, side-b.yaml ... in dir, which is
// made if need be, and returns their paths. Files are named relative to dir.
// With one level for all sides the plans ask for it, otherwise for the highest
// that fits. Nothing is overwritten: the error is an *ExistsError, and nothing
// was written.
func (r *Release) WritePlans(dir string, e Entry) ([]string, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("writing side plans: %w", err)
	}
	var paths, texts []string
	for _, s := range e.Sides {
		path := filepath.Join(dir, "side-"+strings.ToLower(s.Side)+".yaml")
		if _, err := os.Lstat(path); err == nil {
			return nil, &ExistsError{Path: path}
		}
		text, err := r.plan(s, func(_, path string) string { return from(dir, path) })
		if err != nil {
			return nil, err
		}
		paths, texts = append(paths, path), append(texts, text)
	}
	for i, path := range paths {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, fs.ErrExist) {
			return nil, &ExistsError{Path: path}
		}
		if err != nil {
			return nil, fmt.Errorf("writing side plans: %w", err)
		}
		_, err = f.WriteString(texts[i])
		if err := errors.Join(err, f.Close()); err != nil {
			return nil, fmt.Errorf("writing %s: %w", path, err)
		}
	}
	return paths, nil
}

// asNamed leaves a file the name that the release gives it.
func asNamed(name, _ string) string { return name }

// plan is the text of one side plan. called says how it names a file that the
// release calls name and that can be opened under path.
func (r *Release) plan(s Side, called func(name, path string) string) (string, error) {
	var b strings.Builder
	field := func(name string, v any) error {
		text, err := json.Marshal(v)
		if err != nil {
			return fmt.Errorf("side plan: %s: %w", name, err)
		}
		fmt.Fprintf(&b, "%s: %s\n", name, text)
		return nil
	}
	b.WriteString("# Side plan, written by discsafe arrange.\n")
	var disc, room, level any = r.Disc.ID, sideplan.GenericRoom, "fit"
	if r.Disc.Inline {
		disc = r.Disc
	}
	switch {
	case r.Room.Path != "":
		room = called(r.Room.File, r.Room.Path)
	case !sameJSON(r.Room.Room, sideplan.DefaultRoom()):
		room = r.Room.Room
	}
	if r.SameLevel {
		level = s.LevelDB
	}
	speed := r.CuttingSpeed
	if speed == "" { // of a release that was not read
		speed = sideplan.SpeedFull
	}
	err := errors.Join(field("side", s.Side), field("title", r.Title), field("artist", r.Artist), field("catalogue", r.Catalogue),
		field("disc", disc), field("room", room), field("cutting_speed", speed), field("level", level), field("caps", r.Caps), field("output", r.Output))
	if err != nil {
		return "", err
	}
	b.WriteString("tracks:\n")
	for n, p := range s.Tracks {
		t := r.Tracks[p.Number-1]
		fmt.Fprintf(&b, "  - file: %s\n    title: %s\n", quote(called(t.File, t.Path)), quote(t.Title))
		if t.ISRC != "" {
			fmt.Fprintf(&b, "    isrc: %s\n", quote(t.ISRC))
		}
		if n > 0 {
			fmt.Fprintf(&b, "    gap_s: %s\n", strconv.FormatFloat(t.GapS, 'g', -1, 64))
		}
		if t.GainDB != 0 {
			fmt.Fprintf(&b, "    gain_db: %s\n", strconv.FormatFloat(t.GainDB, 'g', -1, 64))
		}
	}
	if _, err := sideplan.Parse("side "+s.Side, []byte(b.String())); err != nil {
		return "", fmt.Errorf("side plan: %w", err)
	}
	return b.String(), nil
}

// from names a file as seen from dir, with forward slashes.
func from(dir, path string) string {
	absDir, err1 := filepath.Abs(dir)
	abs, err2 := filepath.Abs(path)
	if err1 == nil && err2 == nil {
		if rel, err := filepath.Rel(absDir, abs); err == nil {
			return filepath.ToSlash(rel)
		}
	}
	return filepath.ToSlash(path)
}

func quote(s string) string {
	text, err := json.Marshal(s)
	if err != nil {
		return `""`
	}
	return string(text)
}

func sameJSON(a, b any) bool {
	x, err1 := json.Marshal(a)
	y, err2 := json.Marshal(b)
	return err1 == nil && err2 == nil && string(x) == string(y)
}
