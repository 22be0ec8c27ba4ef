package roomfit_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"pgregory.net/rapid"
)

func exact(t testing.TB, w truth, keep func(e roomfit.Expectation) bool) *roomfit.Result {
	t.Helper()
	r := &roomfit.Readings{}
	for _, e := range sheet(t) {
		if v, seen := w.read(e); seen && keep(e) {
			r.Readings = append(r.Readings, roomfit.Value{ID: e.ID, Value: v})
		}
	}
	res, err := roomfit.Fit("readings", "generic room", r, sheet(t))
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func all(roomfit.Expectation) bool { return true }

// Readings without error give the room back: rounding of the arithmetic only.
func TestCleanReadingsGiveTheRoomBack(t *testing.T) {
	w := truth{levelDB: -1.3, widthUM: 2.7, depth: 1.06, startMM: 0.21, pitchUM: -0.8}
	res := exact(t, w, all)
	for id, want := range w.params() {
		p := res.Parameter(id)
		if !p.Told || math.Abs(*p.Value-want) > 1e-8 || p.Low == nil || *p.Low > want || *p.High < want {
			t.Errorf("%s: got %v, want %g", id, p, want)
		}
	}
	for _, j := range res.Readings {
		if j.OutOfLine || math.Abs(j.Off) > 1e-8 {
			t.Errorf("%v", j)
		}
	}
}

func TestWhatReadingsCannotTell(t *testing.T) {
	w := truth{levelDB: 0.5, widthUM: 2, depth: 1, startMM: 0.1, pitchUM: 0.5}
	kinds := func(ks ...string) func(roomfit.Expectation) bool {
		return func(e roomfit.Expectation) bool {
			for _, k := range ks {
				if e.Kind == k {
					return true
				}
			}
			return false
		}
	}
	one := func(id string) func(roomfit.Expectation) bool {
		return func(e roomfit.Expectation) bool { return e.ID == id }
	}
	for _, c := range []struct {
		name string
		keep func(roomfit.Expectation) bool
		told map[string]float64
		why  map[string]string
	}{
		{"silent grooves alone", kinds(roomfit.KindWidth), map[string]float64{roomfit.ParamWidth: 2},
			map[string]string{roomfit.ParamLevel: "no swing", roomfit.ParamDepth: "cannot be told from level", roomfit.ParamPitch: "no radius", roomfit.ParamSlew: "fixed pitch"}},
		{"lateral alone", kinds(roomfit.KindSwing), map[string]float64{roomfit.ParamLevel: 0.5},
			map[string]string{roomfit.ParamWidth: "read a silent groove", roomfit.ParamDepth: "no width of a vertical tone"}},
		{"vertical alone", kinds(roomfit.KindWidest, roomfit.KindNarrow), map[string]float64{roomfit.ParamLevel: 0.5, roomfit.ParamWidth: 2},
			map[string]string{roomfit.ParamDepth: "cannot be told from level"}},
		{"one radius", one("S2-radius"), map[string]float64{}, map[string]string{roomfit.ParamStart: "cannot be told from the pitch"}},
		{"one swing", one("L3-swing"), map[string]float64{roomfit.ParamLevel: 0.5}, map[string]string{roomfit.ParamWidth: "read a silent groove"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := exact(t, w, c.keep)
			for id, want := range c.told {
				p := res.Parameter(id)
				if !p.Told || math.Abs(*p.Value-want) > 1e-8 {
					t.Errorf("%s: got %v, want %g", id, p, want)
				}
			}
			for id, why := range c.why {
				p := res.Parameter(id)
				if p.Told || !strings.Contains(p.Why, why) {
					t.Errorf("%s: got %v, want untold because %q", id, p, why)
				}
			}
		})
	}
	res := exact(t, w, one("L3-swing"))
	if p := res.Parameter(roomfit.ParamLevel); p.Low != nil || !strings.Contains(p.Why, "read more") {
		t.Errorf("one reading has an interval: %v", p)
	}
}

func f64(v float64) *float64 { return &v }

// Past cuts alone give pitch and start: two lengths at the same pitch offset.
// Ends by arithmetic: 860 turns of 100 um from 146.3 to 60.3 mm; half a
// micrometre more each turn ends 0.43 mm further in.
func TestPastCuts(t *testing.T) {
	r := &roomfit.Readings{
		Cuts: []roomfit.Cut{
			{Name: "one", StartMM: 146.3, PlannedEndMM: 60.3, PlannedPitch: 100, EndMM: f64(60.3 - 0.43 + 0.1), PitchUM: f64(100.5)},
			{Name: "two", StartMM: 146.3, PlannedEndMM: 103.3, PlannedPitch: 100, EndMM: f64(103.3 - 0.215 + 0.1)},
			{Name: "three", StartMM: 146.3, PlannedEndMM: 86.3, PlannedPitch: 100, EndMM: f64(86.3 - 0.3 + 0.1)},
			{Name: "wrong", StartMM: 146.3, PlannedEndMM: 66.3, PlannedPitch: 100, EndMM: f64(66.3 - 0.4 + 0.1 + 1.5)},
		},
		Ramps: []roomfit.Ramp{{FromUM: 80, ToUM: 280, Seconds: 0.5}, {FromUM: 280, ToUM: 80, Seconds: 0.5}, {FromUM: 100, ToUM: 200, Seconds: 0.25}},
	}
	res, err := roomfit.Fit("cuts", "generic room", r, nil)
	if err != nil {
		t.Fatal(err)
	}
	for id, want := range map[string]float64{roomfit.ParamPitch: 0.5, roomfit.ParamStart: 0.1, roomfit.ParamSlew: 400} {
		if p := res.Parameter(id); !p.Told || math.Abs(*p.Value-want) > 1e-6 {
			t.Errorf("%s: got %v, want %g", id, p, want)
		}
	}
	for _, j := range res.Readings {
		if wrong := j.ID == "wrong: end"; j.OutOfLine != wrong {
			t.Errorf("%v, out of line %v", j, j.OutOfLine)
		} else if wrong && math.Abs(j.Off-1.5) > 1e-6 {
			t.Errorf("%v, want off by 1.5 mm", j)
		}
	}
	room, err := roomfit.NewRoom(groove.DefaultRoom(), res)
	if err != nil {
		t.Fatal(err)
	}
	if room.Pitch.MinUM != 50.5 || room.Pitch.MaxUM != 500.5 || room.Pitch.Slew != 400 || room.Reference.VelocityCMS != 5 {
		t.Errorf("got %+v", room)
	}
}

// A room that was fitted is generic no longer; one with a name of its own keeps it.
func TestAFittedRoomIsNotCalledGeneric(t *testing.T) {
	res := exact(t, truth{levelDB: 1, depth: 1}, all)
	for name, want := range map[string]string{groove.DefaultRoom().Name: roomfit.FittedName, "harbour": "harbour"} {
		room := groove.DefaultRoom()
		room.Name = name
		got, err := roomfit.NewRoom(room, res)
		if err != nil || got.Name != want {
			t.Errorf("%q fitted is called %q, want %q; %v", name, got.Name, want, err)
		}
	}
}

// A fitted room reads back, says what was found and is the same every time.
func TestRoomText(t *testing.T) {
	w := truth{levelDB: 20 * math.Log10(1.1), widthUM: -3, depth: 1, startMM: 0, pitchUM: 0}
	res := exact(t, w, all)
	res.Room = "a room\nwith a break"
	room, err := roomfit.NewRoom(groove.DefaultRoom(), res)
	if err != nil {
		t.Fatal(err)
	}
	text := roomfit.RoomText(room, res)
	back, err := sideplan.ParseRoom("room", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if back.Reference.VelocityCMS != 5.5 || back.Groove.WidthUM != 57 {
		t.Errorf("got %g cm/s and %g um", back.Reference.VelocityCMS, back.Groove.WidthUM)
	}
	if again := roomfit.RoomText(room, res); again != text {
		t.Error("a second text differs")
	}
	if !strings.Contains(text, "#   level_db: 0.828 dB, between") {
		t.Errorf("the comment lacks the level:\n%s", text)
	}
}

func TestReadingsThatMakeNoSense(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"misspelt id", "readings:\n- {id: L1-swin, value: 8}\n", "did you mean L1-swing?"},
		{"unknown field", "reading:\n- {id: L1-swing, value: 8}\n", "did you mean readings?"},
		{"nothing", "readings: []\n", "no reading that can be fitted"},
		{"only heard", "readings:\n- {id: T1-level, value: -20}\n", "no reading that can be fitted"},
		{"cut outwards", "cuts:\n- {name: a, start_mm: 60, planned_end_mm: 140, planned_pitch_um: 100, end_mm: 100}\n", "is not inside the start"},
		{"cut without a measure", "cuts:\n- {name: a, start_mm: 140, planned_end_mm: 60, planned_pitch_um: 100}\n", "nothing was measured"},
		{"ramp that stays", "ramps:\n- {from_um: 100, to_um: 100, seconds: 1}\n", "does not change"},
		{"csv letters", "id,value\nS1-width,wide\n", "is not a reading"},
		{"csv one column", "S1-width\n", "want id,value"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var r *roomfit.Readings
			var err error
			if strings.HasPrefix(c.name, "csv") {
				r, err = roomfit.ParseCSV("r.csv", []byte(c.text))
			} else {
				r, err = roomfit.Parse("r.yaml", []byte(c.text))
			}
			if err == nil {
				_, err = roomfit.Fit("r", "room", r, sheet(t))
			}
			var list *spec.Error
			if !errors.As(err, &list) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
	r, err := roomfit.ParseCSV("r.csv", []byte("id,value\n# a remark\nS1-width, 61\n\nS2-width,\nS3-width,60.5\n"))
	if err != nil || len(r.Readings) != 2 || r.Readings[1].Value != 60.5 {
		t.Errorf("got %+v, %v", r, err)
	}
}

// A file is read whole or refused: a part of it would be other readings.
func TestCSVTooLarge(t *testing.T) {
	r, err := roomfit.ParseCSV("r.csv", []byte(strings.Repeat("#\n", spec.MaxBytes/2)+"S1-width,61\n"))
	if list, is := errors.AsType[*spec.Error](err); !is || !strings.Contains(list.Error(), "more than 1048576 bytes") {
		t.Errorf("%+v, %v", r, err)
	}
}

// What spreadsheets put before UTF-8 is no part of the first id.
func TestCSVWithAMark(t *testing.T) {
	r, err := roomfit.ParseCSV("r.csv", []byte("\ufeffid,value\r\nS1-width,61\r\n"))
	if err != nil || len(r.Readings) != 1 || r.Readings[0] != (roomfit.Value{ID: "S1-width", Value: 61}) {
		t.Errorf("%+v, %v", r, err)
	}
}

// Readings written as text read back, whatever an id is made of.
func TestValuesTextReadsBack(t *testing.T) {
	if got := roomfit.ValuesText(nil); got != "" {
		t.Errorf("no readings are %q", got)
	}
	rapid.Check(t, func(rt *rapid.T) {
		list := rapid.SliceOfN(rapid.Custom(func(rt *rapid.T) roomfit.Value {
			return roomfit.Value{ID: rapid.OneOf(rapid.StringMatching(`[A-Z][0-9]-[a-z]+`), rapid.SampledFrom([]string{"null", "1e3", "yes", "a: b", "#", "\"'\\", "<ü&>"})).Draw(rt, "id"), Value: rapid.Float64Range(-1000, 1000).Draw(rt, "value")}
		}), 1, 20).Draw(rt, "list")
		back, err := roomfit.Parse("back", []byte(roomfit.ValuesText(list)))
		if err != nil || !slices.Equal(back.Readings, list) {
			rt.Errorf("%s\n%v", roomfit.ValuesText(list), err)
		}
	})
}

func FuzzParseCSV(f *testing.F) {
	f.Add("id,value\nS1-width,61\n")
	f.Add("\"a\"b,1\n")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := roomfit.ParseCSV("r.csv", []byte(text))
		if err == nil && (r == nil || len(r.Readings) > 400) {
			t.Errorf("got %+v", r)
		}
	})
}

func ExampleFit() {
	sheet := []roomfit.Expectation{
		{ID: "S1-width", Kind: roomfit.KindWidth, Unit: "um", Expected: 60, WidthUM: 60},
		{ID: "S2-width", Kind: roomfit.KindWidth, Unit: "um", Expected: 60, WidthUM: 60},
		{ID: "L1-swing", Kind: roomfit.KindSwing, Unit: "um", Expected: 20, MotionUM: 20},
		{ID: "L2-swing", Kind: roomfit.KindSwing, Unit: "um", Expected: 40, MotionUM: 40},
		{ID: "L3-swing", Kind: roomfit.KindSwing, Unit: "um", Expected: 60, MotionUM: 60},
	}
	readings, err := roomfit.Parse("readings.yaml", []byte("readings: [{id: S1-width, value: 63}, {id: S2-width, value: 63}, {id: L1-swing, value: 22}, {id: L2-swing, value: 44}, {id: L3-swing, value: 76}]"))
	if err != nil {
		fmt.Println(err)
		return
	}
	res, err := roomfit.Fit("readings.yaml", "generic room", readings, sheet)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("level %+.2f dB, width %+.1f um\n", *res.Parameter(roomfit.ParamLevel).Value, *res.Parameter(roomfit.ParamWidth).Value)
	for _, j := range res.Readings {
		if j.OutOfLine {
			fmt.Printf("%s is off by %+.1f um\n", j.ID, j.Off)
		}
	}
	// Output:
	// level +0.83 dB, width +3.0 um
	// L3-swing is off by +10.0 um
}
