package roomfit

import (
	"fmt"
	"math"
	"strings"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"
)

// Fitted is a fit and the room that it makes.
type Fitted struct {
	*Result
	Profile groove.Room `json:"profile"`
}

// Text is the room's file.
func (f *Fitted) Text() string { return RoomText(f.Profile, f.Result) }

// FitRoom fits a room and makes the new one; name is that of the readings. The
// error is a *spec.Error about the readings, or a *groove.RoomError when what
// they say is no room.
func FitRoom(name string, room groove.Room, r *Readings, sheet []Expectation) (*Fitted, error) {
	res, err := Fit(name, room.Name, r, sheet)
	if err != nil {
		return nil, err
	}
	profile, err := NewRoom(room, res)
	if err != nil {
		return nil, err
	}
	return &Fitted{res, profile}, nil
}

// FittedName is what a room is called that was fitted from the generic one, until
// somebody writes its own name into the file.
const FittedName = "fitted room"

// NewRoom puts what a fit told into a room, rounded to what can be read: the
// reference velocity, the unmodulated width, the range of pitch and its slew.
// Other figures stay, and so does the name, but that nothing fitted is called
// generic any more: reports and cutting sheets say the name. The error is a *groove.RoomError when the result is no
// room.
func NewRoom(room groove.Room, r *Result) (groove.Room, error) {
	value := func(id string) (float64, bool) {
		p := r.Parameter(id)
		if !p.Told || p.Value == nil {
			return 0, false
		}
		return *p.Value, true
	}
	if v, told := value(ParamLevel); told {
		room.Reference.VelocityCMS = rounded(room.Reference.VelocityCMS*math.Pow(10, v/20), 3)
	}
	if v, told := value(ParamWidth); told {
		room.Groove.WidthUM = rounded(room.Groove.WidthUM+v, 1)
	}
	if v, told := value(ParamPitch); told {
		room.Pitch.MinUM = rounded(room.Pitch.MinUM+v, 1)
		room.Pitch.MaxUM = rounded(room.Pitch.MaxUM+v, 1)
	}
	if v, told := value(ParamSlew); told {
		room.Pitch.Slew = rounded(v, 0)
	}
	if room.Name == groove.DefaultRoom().Name {
		room.Name = FittedName
	}
	return room, room.Validate()
}

func rounded(x float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	return math.Round(x*k) / k
}

// RoomText is the file of a fitted room: what was found as a comment, then
// every field. It holds no date, so that the same readings give the same bytes.
func RoomText(room groove.Room, r *Result) string {
	var b strings.Builder
	b.WriteString("# Room profile, fitted by discsafe room fit to readings of the room's own cuts.\n")
	fmt.Fprintf(&b, "# Fitted from the profile of %s. Intervals hold for all figures together, %g %%.\n", oneLine(r.Room), 100*r.Level)
	for _, p := range r.Parameters {
		fmt.Fprintf(&b, "#   %s\n", oneLine(p.String()))
	}
	for _, j := range r.Readings {
		if j.OutOfLine {
			fmt.Fprintf(&b, "#   out of line and hardly counted: %s\n", oneLine(j.String()))
		}
	}
	if p := r.Parameter(ParamPitch); p.Told {
		b.WriteString("# Pitch: the range below is what results; ask the lathe for as much less as its offset is more.\n")
	}
	b.WriteString("# Whatever says \"ask the room\" and is not named above is as it was.\n")
	b.WriteString(spec.Template(room))
	return b.String()
}

func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' {
			return ' '
		}
		return r
	}, s)
}

// String is a parameter on one line.
func (p Parameter) String() string {
	unit := ""
	if p.Unit != "" {
		unit = " " + p.Unit
	}
	switch {
	case !p.Told:
		return fmt.Sprintf("%s: not told; %s", p.ID, p.Why)
	case p.Low == nil:
		return fmt.Sprintf("%s: %.3f%s; %s", p.ID, *p.Value, unit, p.Why)
	}
	s := fmt.Sprintf("%s: %.3f%s, between %.3f and %.3f", p.ID, *p.Value, unit, *p.Low, *p.High)
	if p.Why != "" {
		s += "; " + p.Why
	}
	return s
}

// String is a reading on one line.
func (j Judged) String() string {
	return fmt.Sprintf("%s: read %g %s, expected %.2f, off by %+.2f %s (%.1f times the scatter)", j.ID, j.Value, j.Unit, j.Expected, j.Off, j.Unit, math.Abs(j.Scales))
}
