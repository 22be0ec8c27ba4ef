package web

import (
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"strings"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
	"discsafe/pipeline/tones"
)

// Bounds of the form that fits a room.
const (
	maxRoomForm  = 1 << 20
	maxRoomField = 256 << 10 // ten times a sheet; two of each and the readings fit the form
	maxRoomParts = 20
)

// roomsRoutes are the page that fits a room to readings. Who may say that a side
// may be cut may also say what the room does.
func (p *Pages) roomsRoutes() []Route {
	need := string(access.SignOff)
	return []Route{{http.MethodGet, "/rooms", need, p.rooms}, {http.MethodPost, "/rooms", need, p.fitRoom}}
}

type roomsView struct {
	Cautions    []string
	Sheet, Room string // as sent, kept from one form to the next: browsers do not keep files
	Readings    string
	Faults      map[string][]spec.Fault // by field
	Fit         *fitView
}

// fieldFaults are the faults of one field.
type fieldFaults struct {
	Name string
	List []spec.Fault
}

// Wrong says whether a field has faults.
func (v *roomsView) Wrong(field string) bool { return len(v.Faults[field]) > 0 }

// At is what the template of faults shows of a field.
func (v *roomsView) At(field string) fieldFaults { return fieldFaults{field, v.Faults[field]} }

// fitView is a fit as the page shows it.
type fitView struct {
	From      string
	Level     float64
	Figures   []fitFigure
	Readings  []fitReading
	OutOfLine int
	Text      string
}

type fitFigure struct{ What, ID, Value, Unit, Between, Before, Now, Why string }

type fitReading struct {
	ID, Unit, Value, Expected, Off string
	Mark                           roomMark
}

type roomMark struct{ Word, Shape, Class string }

func (p *Pages) rooms(w http.ResponseWriter, r *http.Request) {
	p.showRooms(w, r, http.StatusOK, &roomsView{})
}

func (p *Pages) showRooms(w http.ResponseWriter, r *http.Request, status int, v *roomsView) {
	v.Cautions = tones.Cautions()
	title := "Rooms"
	if v.Fit != nil {
		title = "Rooms: a fitted profile"
	}
	p.show(w, r, status, "rooms", frame{Title: title, Here: "rooms", Who: whoOf(r.Context()), Body: v})
}

// fitRoom fits and shows, or answers the file. The file is fitted anew: it is
// made of the readings, never of what a form says that it is.
func (p *Pages) fitRoom(w http.ResponseWriter, r *http.Request) {
	v := &roomsView{Faults: map[string][]spec.Fault{}}
	do, err := v.read(w, r)
	if err != nil {
		pr, ok := errors.AsType[*v1.Problem](err)
		if !ok || pr.Code != string(v1.TooLarge) {
			p.fail(w, r, err)
			return
		}
		v.fault("sheet", pr.Detail, "are these the right files?")
		p.showRooms(w, r, pr.Status, v)
		return
	}
	fitted, before := v.fit()
	switch {
	case fitted == nil:
		p.showRooms(w, r, http.StatusUnprocessableEntity, v)
	case do == "download":
		setHeaders(w.Header())
		w.Header().Set("Content-Type", "application/yaml; charset=utf-8")
		w.Header().Set("Content-Disposition", `attachment; filename="room.yaml"`)
		w.Header().Set("X-Content-Type-Options", "nosniff")
		// A reader who has gone cannot be told so.
		_, _ = io.WriteString(w, fitted.Text())
	default:
		v.Fit = fitViewOf(fitted, before)
		p.showRooms(w, r, http.StatusOK, v)
	}
}

func (v *roomsView) fault(field, detail, hint string) {
	v.Faults[field] = append(v.Faults[field], spec.Fault{Detail: sentence(detail), Hint: sentence(hint)})
}

// learn puts an error of the pipeline beside a field.
func (v *roomsView) learn(field string, err error) {
	if list, ok := errors.AsType[*spec.Error](err); ok {
		for _, f := range list.Faults {
			f.Detail, f.Hint = sentence(f.Detail), sentence(f.Hint)
			v.Faults[field] = append(v.Faults[field], f)
		}
		return
	}
	if room, ok := errors.AsType[*groove.RoomError](err); ok {
		for _, f := range room.Faults {
			v.fault(field, "these readings make no room: "+f.Field+": "+f.Detail, f.Hint)
		}
		return
	}
	v.Faults[field] = append(v.Faults[field], spec.Fault{Detail: err.Error() + "."}) // it begins with the file's name
}

// read takes the form. A file that was chosen replaces the one that was kept.
func (v *roomsView) read(w http.ResponseWriter, r *http.Request) (do string, err error) {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return "", v1.NewProblem(v1.MediaType, "send the form as a browser does")
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxRoomForm)
	parts, err := r.MultipartReader()
	if err != nil {
		return "", v1.NewProblem(v1.BadRequest, "the form cannot be read")
	}
	for n := 0; ; n++ {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return do, nil
		}
		if err != nil {
			return "", unreadRoom(err)
		}
		if n == maxRoomParts {
			return "", v1.NewProblem(v1.BadRequest, "the form has too many fields")
		}
		data, err := io.ReadAll(io.LimitReader(part, maxRoomField+1))
		if err == nil {
			_, err = io.Copy(io.Discard, part) // so that what follows is kept
		}
		if err != nil {
			return "", unreadRoom(err)
		}
		field := strings.TrimSuffix(part.FormName(), "_kept")
		if len(data) > maxRoomField {
			if field == "sheet" || field == "room" || field == "readings" {
				v.fault(field, fmt.Sprintf("it holds more than %d KiB", maxRoomField>>10), "is this the right file?")
			}
			continue
		}
		text := oneEnd(string(data))
		switch part.FormName() {
		case "do":
			do = text
		case "readings":
			v.Readings = text
		case "sheet", "sheet_kept":
			if len(data) > 0 {
				v.Sheet = text
			}
		case "room", "room_kept":
			if len(data) > 0 {
				v.Room = text
			}
		case "room_none":
			v.Room = ""
		}
	}
}

func unreadRoom(err error) error {
	return unreadForm(err, fmt.Sprintf("the form with its files holds more than %d KiB", maxRoomForm>>10))
}

// fit does what the command does, with the files that were sent. It is nil when
// there are faults; what was sent and has a fault is not kept.
func (v *roomsView) fit() (*roomfit.Fitted, groove.Room) {
	room := sideplan.DefaultRoom()
	if v.Room != "" {
		r, err := sideplan.ParseRoom("room.yaml", []byte(v.Room))
		if err != nil {
			v.learn("room", err)
			v.Room = ""
		} else {
			room = r
		}
	}
	var readings *roomfit.Readings
	if strings.TrimSpace(v.Readings) == "" {
		if len(v.Faults["readings"]) == 0 {
			v.fault("readings", "nothing was read", "type what the microscope and the ruler show")
		}
	} else if r, err := roomfit.Parse("readings", []byte(v.Readings)); err != nil {
		v.learn("readings", err)
	} else {
		readings = r
	}
	var expected []roomfit.Expectation
	switch {
	case v.Sheet != "" && len(v.Faults["room"]) == 0:
		e, err := pipeline.RoomExpectations("tones-sheet.json", []byte(v.Sheet), room)
		if err != nil {
			v.learn("sheet", err)
			v.Sheet = ""
		}
		expected = e
	case v.Sheet == "" && readings != nil && len(readings.Readings) > 0 && len(v.Faults["sheet"]) == 0:
		v.fault("sheet", "readings of a test cut need its sheet", "choose the tones-sheet.json that was written with it")
	}
	if len(v.Faults) > 0 {
		return nil, room
	}
	fitted, err := roomfit.FitRoom("readings", room, readings, expected)
	if err != nil {
		v.learn("readings", err)
		return nil, room
	}
	return fitted, room
}

func fitViewOf(f *roomfit.Fitted, before groove.Room) *fitView {
	out := &fitView{From: f.Room, Level: 100 * f.Level, Text: f.Text()}
	for _, p := range f.Parameters {
		x := fitFigure{What: strings.ToUpper(p.What[:1]) + p.What[1:], ID: p.ID, Unit: p.Unit, Why: sentence(p.Why)}
		if p.Told {
			x.Value = fmt.Sprintf("%.3f", *p.Value)
		}
		if p.Low != nil && p.High != nil {
			x.Between = fmt.Sprintf("%.3f to %.3f", *p.Low, *p.High)
		}
		x.Before, x.Now = ofProfile(p.ID, before), ofProfile(p.ID, f.Profile)
		out.Figures = append(out.Figures, x)
	}
	for _, j := range f.Readings {
		m := roomMark{"in line", "●", "ok"}
		switch {
		case j.OutOfLine:
			m = roomMark{"out of line", "■", "over"}
			out.OutOfLine++
		case !j.Used:
			m = roomMark{"not used", "○", "plain"}
		}
		out.Readings = append(out.Readings, fitReading{j.ID, j.Unit, fmt.Sprintf("%g", j.Value), fmt.Sprintf("%.2f", j.Expected), fmt.Sprintf("%+.2f", zeroed(j.Off)), m})
	}
	return out
}

// zeroed is x without the sign of a zero that rounding leaves.
func zeroed(x float64) float64 {
	if math.Abs(x) < 0.005 {
		return 0
	}
	return x
}

// ofProfile is the figure of a room that a parameter changes; "" if it changes
// none.
func ofProfile(id string, r groove.Room) string {
	switch id {
	case roomfit.ParamLevel:
		return fmt.Sprintf("%g cm/s", r.Reference.VelocityCMS)
	case roomfit.ParamWidth:
		return fmt.Sprintf("%g um", r.Groove.WidthUM)
	case roomfit.ParamPitch:
		return fmt.Sprintf("%g to %g um", r.Pitch.MinUM, r.Pitch.MaxUM)
	case roomfit.ParamSlew:
		return fmt.Sprintf("%g um/s", r.Pitch.Slew)
	}
	return ""
}
