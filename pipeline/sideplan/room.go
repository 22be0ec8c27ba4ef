package sideplan

import (
	"encoding/json"
	"errors"
	"path/filepath"
	"strings"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"
)

// GenericRoom is the name of the room whose figures are the documented
// defaults.
const GenericRoom = "generic"

// RoomRef is the room of a plan: generic, a file, or written out.
type RoomRef struct {
	groove.Room
	File    string // as the plan gives it; empty for generic and inline
	Path    string // as it can be opened; set by Load
	Pending bool   // File has not been read yet; Room holds defaults
}

// DefaultRoom is the generic room.
func DefaultRoom() groove.Room {
	var r groove.Room
	spec.SetDefaults(&r)
	return r
}

// SetSpecDefault chooses the generic room.
func (r *RoomRef) SetSpecDefault() { *r = RoomRef{Room: DefaultRoom()} }

// DecodeSpec reads generic, the path of a room file, or a mapping.
func (r *RoomRef) DecodeSpec(n spec.Node) {
	r.SetSpecDefault()
	if n.IsMapping() {
		n.Struct(&r.Room)
		return
	}
	name, ok := n.Text()
	switch {
	case !ok:
		n.Fault(spec.CodeType, "want generic, the path of a room file, or a mapping, got "+n.Describe(), "")
	case name == GenericRoom:
	case roomFile(name):
		r.File, r.Pending = name, true
	default:
		hint := "write generic, or the path of a file that ends in .yaml, .yml or .json"
		if spec.Suggest(name, []string{GenericRoom}) != "" {
			hint = "did you mean generic?"
		}
		n.Fault(CodeRoomUnknown, "no room is called "+n.Describe()[len("the text "):], hint)
	}
}

func roomFile(name string) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".yaml", ".yml", ".json":
		return true
	}
	return false
}

// SpecSchema describes all forms.
func (r *RoomRef) SpecSchema() spec.Object {
	return spec.Object{{Name: "anyOf", Value: []spec.Object{
		{{Name: "const", Value: GenericRoom}},
		{{Name: "type", Value: "string"}, {Name: "pattern", Value: `\.([yY][aA][mM][lL]|[yY][mM][lL]|[jJ][sS][oO][nN])$`}},
		spec.SchemaOf(groove.Room{}),
	}}}
}

// SpecRange describes all forms in words.
func (r *RoomRef) SpecRange() string { return "generic, a file (.yaml, .yml, .json), or a mapping" }

// MarshalJSON writes every figure of the room.
func (r RoomRef) MarshalJSON() ([]byte, error) { return json.Marshal(r.Room) }

// ParseRoom reads a room in memory. name is only used in messages. The error
// is a *spec.Error.
func ParseRoom(name string, data []byte) (groove.Room, error) {
	d, err := spec.Parse(name, data)
	if err != nil {
		return groove.Room{}, err
	}
	var r groove.Room
	d.Decode(&r)
	if !d.Faulty() {
		CheckRoom(d, "", r)
	}
	if err := d.Err(); err != nil {
		return groove.Room{}, err
	}
	return r, nil
}

// LoadRoom reads a room file. What cannot be read or does not hold together is
// a *spec.Error.
func LoadRoom(path string) (groove.Room, error) {
	data, err := ReadFile(path)
	if err != nil {
		return groove.Room{}, err
	}
	return ParseRoom(path, data)
}

// CheckRoom holds the rules between the figures of a room, which stands in the
// document under prefix: what is broken becomes its fault.
func CheckRoom(d *spec.Document, prefix string, r groove.Room) {
	faulty, ok := errors.AsType[*groove.RoomError](r.Validate())
	if !ok {
		return
	}
	for _, f := range faulty.Faults {
		path := f.Field
		if prefix != "" {
			path = prefix + "." + path
		}
		d.Fault(path, CodeRoom, f.Detail, f.Hint)
	}
}
