package groove

import (
	"errors"
	"math"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// compareDefaults fails unless every field of v equals its default tag; a field
// without the tag must be zero.
func compareDefaults(t *testing.T, v reflect.Value, path string) {
	t.Helper()
	for i := range v.NumField() {
		field, value := v.Type().Field(i), v.Field(i)
		name := path + field.Tag.Get("json")
		if value.Kind() == reflect.Struct {
			compareDefaults(t, value, name+".")
			continue
		}
		text, given := field.Tag.Lookup("default")
		if !given {
			if !value.IsZero() {
				t.Errorf("%s: no default tag, but value %v", name, value)
			}
			continue
		}
		var got string
		switch value.Kind() {
		case reflect.String:
			got = value.String()
		case reflect.Bool:
			got = strconv.FormatBool(value.Bool())
		case reflect.Int:
			got = strconv.FormatInt(value.Int(), 10)
		case reflect.Float64:
			got = strconv.FormatFloat(value.Float(), 'g', -1, 64)
		case reflect.Slice:
			var parts []string
			for j := range value.Len() {
				parts = append(parts, strconv.FormatFloat(value.Index(j).Float(), 'g', -1, 64))
			}
			got = strings.Join(parts, ",")
		default:
			t.Fatalf("%s: kind %v not compared", name, value.Kind())
		}
		if got != text {
			t.Errorf("%s: value %s, default tag %s", name, got, text)
		}
	}
}

func TestDefaultRoomEqualsTags(t *testing.T) {
	compareDefaults(t, reflect.ValueOf(DefaultRoom()), "")
}

func TestDefaultRoomIsValidEveryTime(t *testing.T) {
	room := DefaultRoom()
	if err := room.Validate(); err != nil {
		t.Fatal(err)
	}
	room.BandHz[0], room.Playback.ReportTipsUM[0] = 99, 99
	if got := DefaultRoom(); got.BandHz[0] == 99 || got.Playback.ReportTipsUM[0] == 99 {
		t.Error("two default rooms share memory")
	}
}

func TestRoomFaults(t *testing.T) {
	number := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name   string
		change func(*Room)
		fields []string
	}{
		{"least width too wide", func(r *Room) { r.Groove.MinWidthUM, r.Pitch.MinUM = 60, 65 }, []string{"groove.min_width_um"}},
		{"already too deep", func(r *Room) { r.Groove.MaxDepthUM = 29 }, []string{"groove.width_um"}},
		{"pitch range", func(r *Room) { r.Pitch.MinUM = 500 }, []string{"pitch.min_um"}},
		{"silence does not fit", func(r *Room) { r.Pitch.MaxUM = 66 }, []string{"pitch.max_um"}},
		{"overcut at rest", func(r *Room) { r.Pitch.MinUM = 20 }, []string{"groove.min_width_um"}},
		{"track mark below land", func(r *Room) { r.Pitch.TrackLandUM = 5 }, []string{"groove.min_land_um"}},
		{"track mark too wide", func(r *Room) { r.Pitch.TrackLandUM = 1550 }, []string{"pitch.track_land_um"}},
		{"depth slew", func(r *Room) { r.Depth.Slew = 0 }, []string{"depth.slew"}},
		{"angles", func(r *Room) { r.Cutter.BackFacetDeg, r.Cutter.ClearanceDeg = 90, 0 }, []string{"cutter.back_facet_deg", "cutter.clearance_deg"}},
		{"ceiling", func(r *Room) { r.Cutter.RMSAccelerationCeiling = number(0) }, []string{"cutter.rms_acceleration_ceiling"}},
		{"tip on the edges", func(r *Room) { r.Playback.TipUM = 43 }, []string{"playback.tip_um"}},
		{"report tip", func(r *Room) { r.Playback.ReportTipsUM = []float64{18, -1} }, []string{"playback.report_tips_um[1]"}},
		{"band count", func(r *Room) { r.BandHz = []float64{20} }, []string{"band_hz"}},
		{"band order", func(r *Room) { r.BandHz = []float64{20000, 20} }, []string{"band_hz[0]"}},
		{"reference outside band", func(r *Room) { r.Reference.HZ = 15 }, []string{"reference.hz"}},
		{"radii", func(r *Room) { r.Radius = RadiusOverrides{OuterMM: number(60), InnerMM: number(61)} }, []string{"radius.inner_mm"}},
		{"words", func(r *Room) { r.Reference.Axis, r.Reference.Kind = "radial", "average" }, []string{"reference.axis", "reference.kind"}},
		{"level", func(r *Room) { r.Reference.DBFS = 1 }, []string{"reference.dbfs"}},
		{"not numbers", func(r *Room) { r.Groove.MinLandUM, r.Pitch.Slew = math.NaN(), math.Inf(1) }, []string{"groove.min_land_um", "pitch.slew"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			room := DefaultRoom()
			c.change(&room)
			var bad *RoomError
			if !errors.As(room.Validate(), &bad) {
				t.Fatal("accepted")
			}
			var got []string
			for _, f := range bad.Faults {
				got = append(got, f.Field)
				if f.Detail == "" || f.Hint == "" || !strings.Contains(bad.Error(), f.String()) {
					t.Errorf("fault %+v is not told fully in %q", f, bad.Error())
				}
			}
			if diff := cmp.Diff(c.fields, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// A constant depth needs no slew.
func TestConstantDepthNeedsNoSlew(t *testing.T) {
	room := DefaultRoom()
	room.Depth = Depth{}
	if err := room.Validate(); err != nil {
		t.Error(err)
	}
}

func TestEmptyRoomTellsAll(t *testing.T) {
	var bad *RoomError
	if !errors.As(Room{}.Validate(), &bad) || len(bad.Faults) < 10 {
		t.Errorf("an empty room has at least ten faults, got %v", bad)
	}
}
