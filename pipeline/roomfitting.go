package pipeline

import (
	"fmt"
	"math"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/spec"
	"discsafe/pipeline/tones"
)

// maxSheetFigure is far beyond any disc, and far from where arithmetic overflows.
const maxSheetFigure = 1e6

// RoomExpectations reads the sheet of a test cut, called name in errors. The
// test must have been made for the room that is fitted.
func RoomExpectations(name string, data []byte, room groove.Room) ([]roomfit.Expectation, error) {
	if len(data) > spec.MaxBytes {
		return nil, fmt.Errorf("%s is larger than %d bytes; name the tones-sheet.json that discsafe tones wrote", name, spec.MaxBytes)
	}
	sheet, err := tones.ReadSheet(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if sheet.Reference != room.Reference || sheet.WidthUM != room.Groove.WidthUM {
		return nil, fmt.Errorf("%s was made for another profile (%s; width %g um) than the room (%s; width %g um); name the profile that the test was cut with", name, sheet.Reference, sheet.WidthUM, room.Reference, room.Groove.WidthUM)
	}
	var out []roomfit.Expectation
	for i, r := range sheet.Readings {
		for _, v := range []float64{r.Expected, r.WidthUM, r.MotionUM, r.Turns} {
			if math.Abs(v) > maxSheetFigure {
				return nil, fmt.Errorf("%s: readings[%d]: %g is no figure of a disc; the sheet is damaged, write the test cut again", name, i, v)
			}
		}
		out = append(out, roomfit.Expectation{ID: r.ID, Kind: r.Kind, Unit: r.Unit, Expected: r.Expected, WidthUM: r.WidthUM, MotionUM: r.MotionUM, Turns: r.Turns})
	}
	return out, nil
}
