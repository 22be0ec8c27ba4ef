package report

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
)

func measurement() *Measurement {
	r := fixture()
	return &Measurement{Schema: MeasurementSchema, Tool: r.Tool, File: r.Inputs[0], Disc: r.Side.Disc, Room: r.Room, Notes: r.Notes, Limits: r.Limits,
		Cut: r.Cut, Verdict: r.Verdict, Reading: r.Before, Land: r.Land, Series: r.Series, Timing: r.Timing}
}

func TestMeasurementRoundTrip(t *testing.T) {
	var first, second bytes.Buffer
	if err := measurement().Write(&first); err != nil {
		t.Fatal(err)
	}
	back, err := ReadMeasurement(bytes.NewReader(first.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if err := back.Write(&second); err != nil {
		t.Fatal(err)
	}
	if first.String() != second.String() {
		t.Error("written, read and written again differs")
	}
	if _, err := Read(&first); err == nil || !strings.Contains(err.Error(), MeasurementSchema) {
		t.Errorf("a measurement read as a report gave %v, want a refusal that names its schema", err)
	}
}

func TestMeasurementRefuses(t *testing.T) {
	tests := []struct {
		name   string
		damage func(*Measurement)
		want   string
	}{
		{"NaN", func(m *Measurement) { m.Cut.LevelDB = math.NaN() }, "cut.level_db is NaN"},
		{"null without reason", func(m *Measurement) { m.Reading.MaxTruePeakDBTP = nil }, "reading.max_true_peak_dbtp is null"},
		{"no hash", func(m *Measurement) { m.File.SHA256 = "" }, "file.sha256"},
		{"verdict without reasons", func(m *Measurement) { m.Verdict.Reasons = nil }, "verdict.state"},
		{"other schema", func(m *Measurement) { m.Schema = Schema }, "schema is"},
		{"uneven curves", func(m *Measurement) { m.Series.TS = m.Series.TS[:10] }, "series.radius_mm has"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			m := measurement()
			tc.damage(m)
			var b bytes.Buffer
			if err := m.Write(&b); err == nil || !strings.Contains(err.Error(), tc.want) || b.Len() > 0 {
				t.Errorf("got %v and %d bytes, want an error with %q and none", err, b.Len(), tc.want)
			}
		})
	}
}

func TestExplainNullsKeepsWhatIsSaid(t *testing.T) {
	m := measurement()
	m.Reading.LoudnessRangeLU, m.Reading.Correlation, m.Land.BoundMM = nil, nil, nil
	m.Reading.Groove.MinWidthUM = nil
	m.Reading.MarkUnavailable("loudness_range_lu", "programme under 60 s")
	m.Reading.ExplainNulls("not measured")
	m.Land.ExplainNulls("no programme")
	want := map[string]string{"loudness_range_lu": "programme under 60 s", "correlation": "not measured", "groove.min_width_um": "not measured", "integrated_lufs": ""}
	for k, v := range want {
		if got := m.Reading.Unavailable[k]; got != v {
			t.Errorf("%s: got %q, want %q", k, got, v)
		}
	}
	if m.Land.Unavailable["bound_mm"] != "no programme" {
		t.Errorf("land: got %v", m.Land.Unavailable)
	}
	if err := m.Validate(); err != nil {
		t.Error(err)
	}
}

func ExampleVerdictOf() {
	v := VerdictOf([]Reason{
		{Code: "end-radius", Severity: Attention, Text: "Track 5 ends close to the label."},
		{Code: "land", Severity: Blocked, Text: "The grooves cut into each other.", Value: Num(-3.2), Limit: Num(10), Unit: "um"},
	})
	fmt.Println(v.State, v.Reasons[0].Code)
	// Output: blocked land
}

func ExampleReduce() {
	width := []float64{60, 58, 24, 59, 61, 60}
	fmt.Println(Reduce(width, 3, KeepMin))
	// Output: [58 24 60]
}
