package web

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"path"
	"strings"

	"discsafe/api/access"
	"discsafe/pipeline"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/tones"
)

// roomsRoutes are the pages that make a test cut and fit a room to its readings. Who may say that a side
// may be cut may also say what the room does.
func (p *Pages) roomsRoutes() []Route {
	need := string(access.SignOff)
	return []Route{{http.MethodGet, "/rooms", need, p.rooms}, {http.MethodPost, "/rooms", need, p.fitRoom},
		{http.MethodGet, "/rooms/tones", need, p.testCut}, {http.MethodPost, "/rooms/tones", need, p.makeTestCut}}
}

type roomsView struct {
	roomFaults
	Cautions    []string
	Sheet, Room string // as sent, kept from one form to the next: browsers do not keep files
	Readings    string
	Fit         *fitView
}

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
	v := &roomsView{roomFaults: roomFaults{}}
	do, err := v.read(w, r)
	if err != nil {
		if status, is := v.tooLarge(err, "sheet", "are these the right files?"); is {
			p.showRooms(w, r, status, v)
			return
		}
		p.fail(w, r, err)
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

// read takes the form. A file that was chosen replaces the text or the file that
// was kept.
func (v *roomsView) read(w http.ResponseWriter, r *http.Request) (do string, err error) {
	var file, name string
	err = v.readForm(w, r, []string{"sheet", "room", "readings", "readings_file"}, func(field, filename, text string) {
		switch field {
		case "do":
			do = text
		case "readings":
			v.Readings = text
		case "readings_file":
			file, name = text, filename
		case "sheet", "sheet_kept":
			if text != "" {
				v.Sheet = text
			}
		default:
			takeRoom(&v.Room, field, text)
		}
	})
	switch {
	case err != nil || file == "":
	case !strings.EqualFold(path.Ext(name), ".csv"):
		v.Readings = file
	default:
		// Shown as what is typed, so that there is one way on from here, and a slip can be mended.
		list, err := roomfit.ParseCSV("", []byte(file))
		if err != nil {
			v.learn("readings_file", err)
		} else if v.Readings = roomfit.ValuesText(list.Readings); v.Readings == "" {
			v.fault("readings_file", "it holds no reading", "lines hold the id of the sheet, a comma and the number")
		}
	}
	return do, err
}

// fit does what the command does, with the files that were sent. It is nil when
// there are faults; what was sent and has a fault is not kept.
func (v *roomsView) fit() (*roomfit.Fitted, groove.Room) {
	room := v.roomOf(&v.Room)
	var readings *roomfit.Readings
	if strings.TrimSpace(v.Readings) == "" {
		if !v.Wrong("readings") && !v.Wrong("readings_file") {
			v.fault("readings", "nothing was read", "type what the microscope and the ruler show, or choose a file")
		}
	} else if r, err := roomfit.Parse("readings", []byte(v.Readings)); err != nil {
		v.learn("readings", err)
	} else {
		readings = r
	}
	var expected []roomfit.Expectation
	switch {
	case v.Sheet != "" && !v.Wrong("room"):
		e, err := pipeline.RoomExpectations("tones-sheet.json", []byte(v.Sheet), room)
		if err != nil {
			v.learn("sheet", err)
			v.Sheet = ""
		}
		expected = e
	case v.Sheet == "" && readings != nil && len(readings.Readings) > 0 && !v.Wrong("sheet"):
		v.fault("sheet", "readings of a test cut need its sheet", "choose the tones-sheet.json that was written with it")
	}
	if len(v.roomFaults) > 0 {
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
