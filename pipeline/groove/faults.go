package groove

import (
	"fmt"
	"math"
	"strings"
)

// Fault is one thing wrong in a disc or a room.
type Fault struct {
	Field  string // path of the field as it stands in a file, e.g. "groove.min_width_um"
	Detail string // what is wrong, with the values
	Hint   string // what to do about it
}

// String renders field, detail and hint on one line.
func (f Fault) String() string {
	s := f.Field + ": " + f.Detail
	if f.Hint != "" {
		s += "; " + f.Hint
	}
	return s
}

// RoomError lists everything wrong in a room.
type RoomError struct {
	Room   string // name of the room, may be empty
	Faults []Fault
}

// Error renders all faults.
func (e *RoomError) Error() string { return renderFaults("room", e.Room, e.Faults) }

// DiscError lists everything wrong in a disc format.
type DiscError struct {
	ID     string // id of the disc, may be empty
	Faults []Fault
}

// Error renders all faults.
func (e *DiscError) Error() string { return renderFaults("disc", e.ID, e.Faults) }

func renderFaults(what, name string, list []Fault) string {
	lines := make([]string, len(list))
	for i, f := range list {
		lines[i] = f.String()
	}
	head := what
	if name != "" {
		head = fmt.Sprintf("%s %q", what, name)
	}
	if len(lines) == 1 {
		return head + ": " + lines[0]
	}
	return fmt.Sprintf("%s: %d faults:\n\t%s", head, len(lines), strings.Join(lines, "\n\t"))
}

// faults collects; every method adds at most one fault. Comparisons are
// silent on non-finite values, which positive already names.
type faults []Fault

func (f *faults) add(field, detail, hint string) {
	*f = append(*f, Fault{Field: field, Detail: detail, Hint: hint})
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func (f *faults) positive(field string, v float64) {
	if !finite(v) || v <= 0 {
		f.add(field, fmt.Sprintf("%v is not a number above 0", v), "give a number above 0")
	}
}

func (f *faults) notNegative(field string, v float64) {
	if !finite(v) || v < 0 {
		f.add(field, fmt.Sprintf("%v is not a number from 0 up", v), "give 0 or more")
	}
}

// ordered wants low < high. The fault stands at field; lowName says what low is
// when it is not the field itself, and ends in a space.
func (f *faults) ordered(field, lowName string, low float64, highName string, high float64, hint string) {
	if finite(low) && finite(high) && low >= high {
		f.add(field, fmt.Sprintf("%s%g is not below %s %g", lowName, low, highName, high), hint)
	}
}

// notAbove wants low <= high; else as ordered.
func (f *faults) notAbove(field, lowName string, low float64, highName string, high float64, hint string) {
	if finite(low) && finite(high) && low > high {
		f.add(field, fmt.Sprintf("%s%g is above %s %g", lowName, low, highName, high), hint)
	}
}
