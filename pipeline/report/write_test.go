package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// sameJSON compares plan, room and parameters without their white space.
var sameJSON = cmp.Comparer(func(a, b json.RawMessage) bool {
	var x, y bytes.Buffer
	return json.Compact(&x, a) == nil && json.Compact(&y, b) == nil && x.String() == y.String()
})

// sameCurve allows half a unit of the sixth digit, which curves are rounded to.
var sameCurve = cmp.Comparer(func(a, b Curve) bool {
	for i := range a {
		if i >= len(b) || math.IsNaN(a[i]) != math.IsNaN(b[i]) || math.Abs(a[i]-b[i]) > 5.0001e-6*math.Abs(a[i]) {
			return false
		}
	}
	return len(a) == len(b)
})

func TestRoundTrip(t *testing.T) {
	for name, r := range scenarios() {
		t.Run(name, func(t *testing.T) {
			first := mustWrite(t, r)
			back, err := Read(bytes.NewReader(first))
			if err != nil {
				t.Fatal(err)
			}
			second := mustWrite(t, back)
			if !bytes.Equal(first, second) {
				t.Errorf("written, read and written again differs:\n%s", cmp.Diff(string(first), string(second)))
			}
			again := mustWrite(t, scenarios()[name])
			if !bytes.Equal(first, again) {
				t.Error("the same report gave other bytes")
			}
			if name != "ordinary" && name != "silent" {
				return // the others are variations; comparing values is slow
			}
			if d := cmp.Diff(withoutNil(reflect.ValueOf(r)).Interface(), withoutNil(reflect.ValueOf(back)).Interface(), sameJSON, sameCurve); d != "" {
				t.Errorf("values changed: %s", d)
			}
		})
	}
}

func TestWriteDoesNotAlterTheReport(t *testing.T) {
	r := silent()
	mustWrite(t, r)
	if r.Changes != nil || r.Land.Points != nil {
		t.Error("Write filled lists of the caller's report")
	}
}

func TestWriteRefuses(t *testing.T) {
	tests := []struct {
		name   string
		damage func(*Report)
		want   string
	}{
		{"NaN in a measure", func(r *Report) { r.Before.IntegratedLUFS = ptr(math.NaN()) }, "before.integrated_lufs is NaN"},
		{"infinity in the groove", func(r *Report) { r.After.Groove.LandUsedMM = ptr(math.Inf(1)) }, "after.groove.land_used_mm is +Inf"},
		{"infinity in a curve", func(r *Report) { r.Series.PitchUM[3] = math.Inf(-1) }, "series.pitch_um[3] is -Inf"},
		{"NaN in a change", func(r *Report) { r.Changes[2].MaxDB = math.NaN() }, "changes[2].max_db is NaN"},
		{"NaN where met", func(r *Report) { r.Before.MarkWhere("x", Place{TS: math.NaN()}) }, "before.where.x.t_s is NaN"},
		{"null without reason", func(r *Report) { r.Before.LoudnessRangeLU = nil }, `before.loudness_range_lu is null without a reason`},
		{"null groove without reason", func(r *Report) { r.After.Groove.MinWidthUM = nil }, `unavailable["groove.min_width_um"]`},
		{"ready with a blocked reason", func(r *Report) { r.Verdict = Verdict{Ready, []Reason{{Code: "x", Text: "x", Severity: Blocked}}} }, `verdict.state is "ready", its reasons call for "blocked"`},
		{"blocked without a reason", func(r *Report) { r.Verdict = Verdict{State: Blocked} }, `its reasons call for "ready"`},
		{"unknown severity", func(r *Report) { r.Verdict.Reasons[0].Severity = "bad" }, "want attention or blocked"},
		{"change of an unknown stage", func(r *Report) { r.Changes[0].Stage = "polish" }, `changes[0].stage "polish" is not in stages`},
		{"change ends before it starts", func(r *Report) { r.Changes[1].EndS = -1 }, "changes[1].end_s -1 is before"},
		{"two chosen levels", func(r *Report) { r.Ladder[0].Chosen = true }, "2 rows marked chosen"},
		{"curves of unequal length", func(r *Report) { r.Series.RadiusMM = r.Series.RadiusMM[1:] }, "series.radius_mm has 1099 points, want 1100"},
		{"too many points", func(r *Report) { r.Series = Series{TS: make(Curve, MaxPoints+1)} }, "at most 1200"},
		{"loudness of unequal length", func(r *Report) { r.Before.Loudness.TS = nil }, "before.loudness: curves have"},
		{"hash of the wrong length", func(r *Report) { r.Outputs[0].SHA256 = "abc" }, "outputs[0].sha256"},
		{"track numbers out of order", func(r *Report) { r.Tracks[1].Number = 4 }, "tracks[1].number is 4, want 2"},
		{"count below the list", func(r *Report) { r.ChangesTotal = 3 }, "changes_total is 3 but 47"},
		{"other schema", func(r *Report) { r.Schema = "x/9" }, `schema is "x/9"`},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			r := fixture()
			tc.damage(r)
			var b bytes.Buffer
			err := r.Write(&b)
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got error %v, want one with %q", err, tc.want)
			}
			if b.Len() != 0 {
				t.Error("bytes were written in spite of the error")
			}
		})
	}
}

func ptr(x float64) *float64 { return &x }

func TestReadRefuses(t *testing.T) {
	good := string(mustWrite(t, fixture()))
	tests := []struct{ name, in, want string }{
		{"nothing", "", "not JSON"},
		{"not JSON", "%PDF", "not JSON"},
		{"another layout", `{"schema":"discsafe-report/2"}`, `this version reads "discsafe-report/1"`},
		{"unknown field", strings.Replace(good, `"tool"`, `"tools"`, 1), `unknown field "tools"`},
		{"text for a number", strings.Replace(good, `"level_db": 1.5`, `"level_db": "1.5"`, 1), "cut.level_db"},
		{"two documents", good + good, "not JSON"},
		{"cut short", good[:len(good)/2], "not JSON"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Read(strings.NewReader(tc.in))
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got error %v, want one with %q", err, tc.want)
			}
		})
	}
}

func TestVerdictOf(t *testing.T) {
	att, blk := Reason{Code: "a", Severity: Attention, Text: "a"}, Reason{Code: "b", Severity: Blocked, Text: "b"}
	tests := []struct {
		name    string
		in      []Reason
		state   State
		leading string
	}{
		{"none", nil, Ready, ""},
		{"one attention", []Reason{att}, Attention, "a"},
		{"blocked comes first", []Reason{att, blk, att}, Blocked, "b"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			v := VerdictOf(tc.in)
			if v.State != tc.state || len(v.Reasons) != len(tc.in) || (len(tc.in) > 0 && v.Reasons[0].Code != tc.leading) {
				t.Errorf("got %+v, want state %s led by %q", v, tc.state, tc.leading)
			}
		})
	}
}

// TestReduceKeepsExtremes: whatever comes in, the extreme survives, the length
// is bounded and curves stay aligned.
func TestReduceKeepsExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 5000).Draw(t, "v")
		points := rapid.IntRange(1, 1300).Draw(t, "points")
		lo, hi, first := Reduce(v, points, KeepMin), Reduce(v, points, KeepMax), Reduce(v, points, KeepFirst)
		if len(lo) > points || len(lo) != len(hi) || len(lo) != len(first) {
			t.Fatalf("lengths %d %d %d for %d points", len(lo), len(hi), len(first), points)
		}
		wantLo, wantHi := math.Inf(1), math.Inf(-1)
		for _, x := range v {
			wantLo, wantHi = math.Min(wantLo, x), math.Max(wantHi, x)
		}
		gotLo, gotHi := math.Inf(1), math.Inf(-1)
		for i := range lo {
			gotLo, gotHi = math.Min(gotLo, lo[i]), math.Max(gotHi, hi[i])
			if lo[i] > first[i] || hi[i] < first[i] {
				t.Fatalf("interval %d: first %g is outside %g..%g", i, first[i], lo[i], hi[i])
			}
		}
		if gotLo != wantLo || gotHi != wantHi || first[0] != v[0] {
			t.Fatalf("extremes %g..%g, want %g..%g", gotLo, gotHi, wantLo, wantHi)
		}
	})
}

func TestReduceGaps(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	got := Reduce([]float64{nan, 2, 3, nan, nan, nan, inf, 1}, 4, KeepMin)
	want := Curve{2, 3, nan, 1}
	if d := cmp.Diff(want, got, nanEqual); d != "" {
		t.Error(d)
	}
	if got := Reduce(nil, 4, KeepMax); len(got) != 0 {
		t.Errorf("nothing became %v", got)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"schema":"discsafe-report/1","verdict":{"state":"ready","reasons":[]}}`))
	// Small seeds: large ones stall the fuzzer in minimising.
	var b bytes.Buffer
	if err := json.Compact(&b, mustWrite(f, silent())); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, in []byte) {
		r, err := Read(bytes.NewReader(in))
		if err != nil {
			return
		}
		// What was read can be written, and its pages can be made.
		out := mustWrite(t, r)
		if !json.Valid(out) {
			t.Fatal("wrote something that is not JSON")
		}
		var page bytes.Buffer
		if err := WriteHTML(&page, r); err != nil {
			t.Fatal(err)
		}
		if err := WriteCuttingSheet(&page, r); err != nil {
			t.Fatal(err)
		}
	})
}

func ExampleReport_Write() {
	r := silent()
	r.Side.Title = "Fog, Unaccompanied"
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		fmt.Println(err)
		return
	}
	back, err := Read(&b)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(back.Side.Title, back.Verdict.State, back.Before.Unavailable["integrated_lufs"])
	// Output: Fog, Unaccompanied attention digital silence
}
