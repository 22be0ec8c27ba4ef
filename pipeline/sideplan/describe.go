package sideplan

import (
	"reflect"
	"strings"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"
)

// PlanSchema is the JSON Schema of a side plan.
func PlanSchema() ([]byte, error) {
	return spec.Schema(Plan{}, "urn:discsafe:side-plan:1", "side plan")
}

// RoomSchema is the JSON Schema of a room.
func RoomSchema() ([]byte, error) {
	return spec.Schema(groove.Room{}, "urn:discsafe:room:1", "room")
}

// Doc describes every field of side plans and rooms in Markdown, generated
// from the code that reads them.
func Doc() string {
	var b strings.Builder
	b.WriteString("# Side plan\n\nYAML or JSON. Unknown fields are faults. Names of files are taken relative to the plan.\n\n")
	b.WriteString(spec.Doc(Plan{}))
	b.WriteString("\n## Stages\n\nA chain left out means every stage below, in this order, with its defaults. fit-level is always last; " +
		"block-infrasonic, band-limit and sum-lows stand before de-ess and limit-sides; de-ess stands before limit-sides.\n")
	for _, id := range StageIDs() {
		b.WriteString("\n### " + id + "\n\n")
		b.WriteString(spec.Doc(reflect.ValueOf(newParams(id)).Interface()))
	}
	b.WriteString("\n## Disc written out\n\n")
	b.WriteString(spec.Doc(groove.Disc{}))
	b.WriteString("\n# Room\n\n" + RoomDoc())
	return b.String()
}

// RoomDoc describes every field of a room in Markdown.
func RoomDoc() string { return spec.Doc(groove.Room{}) }
