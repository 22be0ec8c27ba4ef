package web

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"

	"discsafe/api/v1"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
)

// Bounds of the forms of the pages of rooms.
const (
	maxRoomForm  = 1 << 20
	maxRoomField = 256 << 10 // ten times a sheet; two of each and the readings fit the form
	maxRoomParts = 20
)

// roomFaults are the faults of a form by field.
type roomFaults map[string][]spec.Fault

// fieldFaults are the faults of one field.
type fieldFaults struct {
	Name string
	List []spec.Fault
}

// Wrong says whether a field has faults.
func (f roomFaults) Wrong(field string) bool { return len(f[field]) > 0 }

// At is what the template of faults shows of a field.
func (f roomFaults) At(field string) fieldFaults { return fieldFaults{field, f[field]} }

// roomField is the field for a room file and what was kept of it.
type roomField struct {
	Label, Without, Kept string
	Faults               fieldFaults
}

// RoomFile is the field of a page; without says what is taken without a file.
func (f roomFaults) RoomFile(label, without, kept string) roomField {
	return roomField{label, without, kept, f.At("room")}
}

func (f roomFaults) fault(field, detail, hint string) {
	f[field] = append(f[field], spec.Fault{Detail: sentence(detail), Hint: sentence(hint)})
}

// tooLarge puts a form that holds too much beside a field and gives the status of
// the answer; every other error of a form is not for a field.
func (f roomFaults) tooLarge(err error, field, hint string) (status int, is bool) {
	p, is := errors.AsType[*v1.Problem](err)
	if !is || p.Code != string(v1.TooLarge) {
		return 0, false
	}
	f.fault(field, p.Detail, hint)
	return p.Status, true
}

// learn puts an error of the pipeline beside a field.
func (f roomFaults) learn(field string, err error) {
	if list, ok := errors.AsType[*spec.Error](err); ok {
		for _, x := range list.Faults {
			x.Detail, x.Hint = sentence(x.Detail), sentence(x.Hint)
			f[field] = append(f[field], x)
		}
		return
	}
	if room, ok := errors.AsType[*groove.RoomError](err); ok {
		for _, x := range room.Faults {
			f.fault(field, "these readings make no room: "+x.Field+": "+x.Detail, x.Hint)
		}
		return
	}
	f[field] = append(f[field], spec.Fault{Detail: err.Error() + "."}) // it begins with the file's name
}

// roomOf is the room of a file that was sent, the generic one without a file. A
// file with a fault is not kept.
func (f roomFaults) roomOf(text *string) groove.Room {
	if *text == "" {
		return sideplan.DefaultRoom()
	}
	room, err := sideplan.ParseRoom("room.yaml", []byte(*text))
	if err != nil {
		f.learn("room", err)
		*text = ""
		return sideplan.DefaultRoom()
	}
	return room
}

// takeRoom takes what a field says of a form's room: chosen, kept from before, or
// taken out. Other fields say nothing of it.
func takeRoom(room *string, field, text string) {
	switch field {
	case "room", "room_kept":
		if text != "" {
			*room = text
		}
	case "room_none":
		*room = ""
	}
}

// readForm gives every field and file of a form, its line ends made one; which of
// them are too large is told beside those in told. The error is a *v1.Problem.
func (f roomFaults) readForm(w http.ResponseWriter, r *http.Request, told []string, take func(field, filename, text string)) error {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return v1.NewProblem(v1.MediaType, "send the form as a browser does")
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxRoomForm)
	parts, err := r.MultipartReader()
	if err != nil {
		return v1.NewProblem(v1.BadRequest, "the form cannot be read")
	}
	for n := 0; ; n++ {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return unreadRoom(err)
		}
		if n == maxRoomParts {
			return v1.NewProblem(v1.BadRequest, "the form has too many fields")
		}
		data, err := io.ReadAll(io.LimitReader(part, maxRoomField+1))
		if err == nil {
			_, err = io.Copy(io.Discard, part) // so that what follows is kept
		}
		if err != nil {
			return unreadRoom(err)
		}
		if len(data) > maxRoomField {
			if field := strings.TrimSuffix(part.FormName(), "_kept"); slices.Contains(told, field) {
				f.fault(field, fmt.Sprintf("it holds more than %d KiB", maxRoomField>>10), "is this the right file?")
			}
			continue
		}
		take(part.FormName(), part.FileName(), oneEnd(string(data)))
	}
}

func unreadRoom(err error) error {
	return unreadForm(err, fmt.Sprintf("the form with its files holds more than %d KiB", maxRoomForm>>10))
}
