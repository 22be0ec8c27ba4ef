package pipeline_test

import (
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
	"discsafe/pipeline/tones"
)

func TestRoomExpectations(t *testing.T) {
	disc, err := groove.LookupDisc(groove.DefaultDiscID)
	if err != nil {
		t.Fatal(err)
	}
	room := sideplan.DefaultRoom()
	sheet, err := tones.Plan(disc, room)
	if err != nil {
		t.Fatal(err)
	}
	data, err := sheet.JSON()
	if err != nil {
		t.Fatal(err)
	}
	got, err := pipeline.RoomExpectations("sheet.json", data, room)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) == 0 || len(got) != len(sheet.Readings) {
		t.Fatalf("%d expectations of %d readings", len(got), len(sheet.Readings))
	}
	for i, e := range got {
		r := sheet.Readings[i]
		if e.ID != r.ID || e.Kind != r.Kind || e.Unit != r.Unit || e.Expected != r.Expected || e.WidthUM != r.WidthUM || e.MotionUM != r.MotionUM || e.Turns != r.Turns {
			t.Errorf("%+v of %+v", e, r)
		}
	}
	wider := room
	wider.Groove.WidthUM++
	for _, c := range []struct {
		name, data string
		room       groove.Room
		want       string
	}{
		{"another profile", string(data), wider, "made for another profile"},
		{"no sheet", "readings: []", room, "sheet.json: sheet of the test cut"},
		{"another schema", `{"schema": "x"}`, room, `schema "x"`},
		{"beyond reason", strings.Replace(string(data), `"expected": 60`, `"expected": 1e300`, 1), room, "no figure of a disc"},
		{"too large", string(data) + strings.Repeat(" ", spec.MaxBytes), room, "larger than"},
	} {
		if _, err := pipeline.RoomExpectations("sheet.json", []byte(c.data), c.room); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
