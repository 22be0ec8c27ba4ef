package sideplan

import (
	"encoding/json"
	"fmt"
	"math"

	"discsafe/pipeline/spec"
)

// Level is the cut level asked for: the highest that fits, or a number of dB
// re the room's reference.
type Level struct {
	Fit bool    // find the highest level for which everything holds
	DB  float64 // the level asked for, when Fit is false
}

const levelLimitDB = 24 // far outside what any groove holds; catches slips

// SetSpecDefault asks for the highest level that fits.
func (l *Level) SetSpecDefault() { *l = Level{Fit: true} }

// DecodeSpec reads "fit" or a number.
func (l *Level) DecodeSpec(n spec.Node) {
	if s, ok := n.Text(); ok && s == "fit" {
		*l = Level{Fit: true}
		return
	}
	if !n.IsNumber() {
		hint := ""
		if s, ok := n.Text(); ok && spec.Suggest(s, []string{"fit"}) != "" {
			hint = "did you mean fit?"
		}
		n.Fault(spec.CodeType, "want fit or a number in dB, got "+n.Describe(), hint)
		return
	}
	x, ok := n.Number()
	switch {
	case !ok:
	case math.Abs(x) > levelLimitDB:
		n.Fault(spec.CodeRange, fmt.Sprintf("%g dB is out of range, want %d to %d dB", x, -levelLimitDB, levelLimitDB), "")
	default:
		*l = Level{DB: x}
	}
}

// SpecSchema describes both forms.
func (l *Level) SpecSchema() spec.Object {
	return spec.Object{{Name: "anyOf", Value: []spec.Object{
		{{Name: "const", Value: "fit"}},
		{{Name: "type", Value: "number"}, {Name: "minimum", Value: -levelLimitDB}, {Name: "maximum", Value: levelLimitDB}},
	}}}
}

// SpecRange describes both forms in words.
func (l *Level) SpecRange() string { return "fit, or a number from -24 up to caps.max_level_db" }

// MarshalJSON writes the form Parse reads.
func (l Level) MarshalJSON() ([]byte, error) {
	if l.Fit {
		return []byte(`"fit"`), nil
	}
	return json.Marshal(l.DB)
}
