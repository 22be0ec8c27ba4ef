package roomfit

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"discsafe/pipeline/spec"
)

// Readings is what the engineer typed.
type Readings struct {
	Sheet    string  `json:"sheet" len:"1000" doc:"tones-sheet.json of the test cut that was measured, relative to this file; not needed for past cuts alone"`
	Readings []Value `json:"readings" items:"0-400" doc:"what was read, by id of the sheet; an id may stand more than once"`
	Cuts     []Cut   `json:"cuts" items:"0-200" doc:"past cuts: planned against real"`
	Ramps    []Ramp  `json:"ramps" items:"0-100" doc:"changes of pitch that were timed"`
}

// Value is one reading.
type Value struct {
	ID    string  `json:"id" need:"true" len:"60" doc:"id of the sheet"`
	Value float64 `json:"value" need:"true" min:"-1000" max:"1000" doc:"what was read, in the unit of the sheet"`
}

// Cut is a side that was cut.
type Cut struct {
	Name         string   `json:"name" need:"true" len:"60" doc:"what it is called here"`
	StartMM      float64  `json:"start_mm" need:"true" unit:"mm" min:"40" max:"160" doc:"planned radius of the first modulated groove"`
	PlannedEndMM float64  `json:"planned_end_mm" need:"true" unit:"mm" min:"40" max:"160" doc:"planned radius of the end"`
	PlannedPitch float64  `json:"planned_pitch_um" need:"true" unit:"um" min:"20" max:"2000" doc:"planned mean pitch"`
	EndMM        *float64 `json:"end_mm" unit:"mm" min:"40" max:"160" doc:"radius at which it ended"`
	PitchUM      *float64 `json:"pitch_um" unit:"um" min:"20" max:"2000" doc:"mean pitch measured"`
}

// Ramp is a change of pitch.
type Ramp struct {
	FromUM  float64 `json:"from_um" need:"true" unit:"um" min:"20" max:"2000" doc:"pitch before"`
	ToUM    float64 `json:"to_um" need:"true" unit:"um" min:"20" max:"2000" doc:"pitch after"`
	Seconds float64 `json:"seconds" need:"true" unit:"s" min:"0.01" max:"600" doc:"how long the change took"`
}

// CodeReadings is the reason code of readings that make no sense.
const CodeReadings = "readings"

// Parse reads YAML or JSON. The error is a *spec.Error with every fault.
func Parse(name string, data []byte) (*Readings, error) {
	d, err := spec.Parse(name, data)
	if err != nil {
		return nil, err
	}
	r := &Readings{}
	d.Decode(r)
	for i, c := range r.Cuts {
		path := "cuts[" + strconv.Itoa(i) + "]"
		if c.PlannedEndMM >= c.StartMM && c.StartMM > 0 {
			d.Fault(path+".planned_end_mm", CodeReadings, fmt.Sprintf("%g mm is not inside the start at %g mm", c.PlannedEndMM, c.StartMM), "the spiral runs inwards")
		}
		if c.EndMM == nil && c.PitchUM == nil {
			d.Fault(path, CodeReadings, "nothing was measured", "give end_mm, pitch_um or both")
		}
	}
	for i, p := range r.Ramps {
		if p.FromUM == p.ToUM && p.FromUM > 0 {
			d.Fault("ramps["+strconv.Itoa(i)+"]", CodeReadings, "the pitch does not change", "give the pitch before and after")
		}
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return r, nil
}

// ValuesText is readings as Parse reads them, one on a line; "" for none.
func ValuesText(list []Value) string {
	var b strings.Builder
	for i, v := range list {
		if i == 0 {
			b.WriteString("readings:\n")
		}
		// A JSON text is a YAML text, whatever is in it; marshalling one cannot fail.
		id, _ := json.Marshal(v.ID)
		fmt.Fprintf(&b, "- {id: %s, value: %s}\n", id, strconv.FormatFloat(v.Value, 'g', -1, 64))
	}
	return b.String()
}

// ParseCSV reads lines of id,value; a first line that says so is passed over,
// blank lines and lines beginning with # too, and the mark that spreadsheets put
// before UTF-8. More than spec.MaxBytes are refused. The error is a *spec.Error.
func ParseCSV(name string, data []byte) (*Readings, error) {
	if len(data) > spec.MaxBytes {
		return nil, spec.NewError([]spec.Fault{{File: name, Code: spec.CodeTooLarge, Detail: fmt.Sprintf("more than %d bytes", spec.MaxBytes), Hint: "is this the right file?"}})
	}
	c := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	c.FieldsPerRecord, c.Comment, c.TrimLeadingSpace = -1, '#', true
	r := &Readings{}
	var faults []spec.Fault
	for first := true; ; first = false {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, spec.NewError(append(faults, spec.Fault{File: name, Code: CodeReadings, Detail: err.Error(), Hint: "lines hold id,value"}))
		}
		line, _ := c.FieldPos(0)
		fault := func(detail, hint string) {
			faults = append(faults, spec.Fault{File: name, Line: line, Code: CodeReadings, Detail: detail, Hint: hint})
		}
		id := strings.TrimSpace(row[0])
		if first && strings.EqualFold(id, "id") {
			continue
		}
		if len(row) < 2 || id == "" {
			fault("want id,value", "write the id of the sheet, a comma and the number")
			continue
		}
		text := strings.TrimSpace(row[1])
		if text == "" {
			continue // a blank that was not filled in
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || !(v >= -1000 && v <= 1000) {
			fault(strconv.Quote(text)+" is not a reading", "write a number from -1000 to 1000, with a point")
			continue
		}
		if r.Readings = append(r.Readings, Value{ID: id, Value: v}); len(r.Readings) > 400 {
			fault("more than 400 readings", "is this the right file?")
			break
		}
	}
	if len(faults) > 0 {
		return nil, spec.NewError(faults)
	}
	return r, nil
}
