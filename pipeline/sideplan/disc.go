package sideplan

import (
	"encoding/json"
	"errors"
	"strings"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"
)

// Disc is the disc format of a plan, named or written out.
type Disc struct {
	groove.Disc
	Inline bool // the plan gives figures of its own
}

// SetSpecDefault chooses the default format.
func (d *Disc) SetSpecDefault() {
	disc, err := groove.LookupDisc(groove.DefaultDiscID)
	if err != nil {
		panic("sideplan: " + err.Error()) // the default is a known format
	}
	*d = Disc{Disc: disc}
}

// DecodeSpec reads the name of a format, or a mapping that starts from the
// format named by its id.
func (d *Disc) DecodeSpec(n spec.Node) {
	if n.IsMapping() {
		d.SetSpecDefault()
		if id, ok := n.Field("id"); ok {
			if s, ok := id.Text(); ok {
				if known, err := groove.LookupDisc(s); err == nil {
					d.Disc = known
				}
			}
		}
		d.Inline = true
		n.Merge(&d.Disc)
		return
	}
	id, ok := n.Text()
	if !ok {
		n.Fault(spec.CodeType, "want the name of a disc format or a mapping, got "+n.Describe(), "known: "+strings.Join(groove.DiscIDs(), ", "))
		return
	}
	disc, err := groove.LookupDisc(id)
	if err != nil {
		hint := "known: " + strings.Join(groove.DiscIDs(), ", ")
		if unknown, ok := errors.AsType[*groove.UnknownDiscError](err); ok && unknown.Suggestion != "" {
			hint = "did you mean " + unknown.Suggestion + "?"
		}
		n.Fault(CodeDiscUnknown, "no disc format is called "+n.Describe()[len("the text "):], hint)
		return
	}
	*d = Disc{Disc: disc}
}

// SpecSchema describes both forms.
func (d *Disc) SpecSchema() spec.Object {
	return spec.Object{{Name: "anyOf", Value: []spec.Object{
		{{Name: "enum", Value: groove.DiscIDs()}},
		spec.SchemaOf(groove.Disc{}),
	}}}
}

// SpecRange describes both forms in words.
func (d *Disc) SpecRange() string { return strings.Join(groove.DiscIDs(), ", ") + ", or a mapping" }

// MarshalJSON writes every figure.
func (d Disc) MarshalJSON() ([]byte, error) { return json.Marshal(d.Disc) }

// CutDisc is the disc with the room's radii in place of its own: the one the
// side is cut on.
func (p *Plan) CutDisc() groove.Disc { return p.Disc.WithRadii(p.Room.Radius) }

// CheckDisc holds the rules between the figures of disc and room: what is broken
// becomes a fault of the document.
func CheckDisc(d *spec.Document, disc Disc, room RoomRef) {
	err := disc.Validate()
	if faulty, ok := errors.AsType[*groove.DiscError](err); ok {
		for _, f := range faulty.Faults {
			d.Fault("disc."+f.Field, CodeDisc, f.Detail, f.Hint)
		}
		return
	}
	if room.Pending {
		return
	}
	if faulty, ok := errors.AsType[*groove.DiscError](disc.WithRadii(room.Radius).Validate()); ok {
		for _, f := range faulty.Faults {
			d.Fault("room", CodeDisc, "its radius does not suit the disc "+disc.ID+": "+f.Field+" "+f.Detail, "correct radius in the room, or choose another disc")
		}
	}
}
