package report

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
)

var sha256Hex = regexp.MustCompile(`^[0-9a-f]{64}$`)

// faults collects what is wrong, each with its field path.
type faults []error

func (f *faults) add(format string, a ...any) { *f = append(*f, fmt.Errorf(format, a...)) }

// Validate returns every rule the report breaks, joined, each with its field
// path: schema name, verdict against reasons, null values without a reason,
// lists that do not fit each other, times and hashes that cannot be.
func (r *Report) Validate() error {
	var f faults
	if r.Schema != Schema {
		f.add("schema is %q, want %q", r.Schema, Schema)
	}
	if err := checkFinite(r); err != nil {
		f = append(f, err)
	}
	checkVerdict(&f, r.Verdict, r.Analysed())
	r.checkKind(&f)
	r.Before.check(&f, "before")
	r.After.check(&f, "after")
	checkNulls(&f, "land", reflect.ValueOf(r.Land), "", r.Land.Unavailable)
	for i, t := range r.Tracks {
		path := fmt.Sprintf("tracks[%d]", i)
		checkNulls(&f, path, reflect.ValueOf(t), "", t.Unavailable)
		if t.EndS < t.StartS {
			f.add("%s.end_s %g is before start_s %g", path, t.EndS, t.StartS)
		}
		if t.Number != i+1 {
			f.add("%s.number is %d, want %d: tracks are numbered in order from 1", path, t.Number, i+1)
		}
	}
	seen := map[string]bool{}
	for i, s := range r.Stages {
		if s.ID == "" || seen[s.ID] {
			f.add("stages[%d].id %q is blank or used twice", i, s.ID)
		}
		seen[s.ID] = true
	}
	for i, c := range r.Changes {
		if !seen[c.Stage] {
			f.add("changes[%d].stage %q is not in stages", i, c.Stage)
		}
		if c.EndS < c.StartS {
			f.add("changes[%d].end_s %g is before start_s %g", i, c.EndS, c.StartS)
		}
	}
	if r.ChangesTotal != 0 && r.ChangesTotal < len(r.Changes) {
		f.add("changes_total is %d but %d changes are listed", r.ChangesTotal, len(r.Changes))
	}
	chosen := 0
	for i, g := range r.Ladder {
		if !isState(g.State) {
			f.add("ladder[%d].state %q is not a verdict", i, g.State)
		}
		if g.Chosen {
			chosen++
		}
	}
	if chosen > 1 {
		f.add("ladder has %d rows marked chosen, at most one can be", chosen)
	}
	for i, x := range r.Inputs {
		checkFile(&f, fmt.Sprintf("inputs[%d]", i), x)
	}
	for i, x := range r.Outputs {
		checkFile(&f, fmt.Sprintf("outputs[%d]", i), x)
	}
	checkSeries(&f, r.Series)
	return errors.Join(f...)
}

// Validate returns every rule the measurement breaks, joined.
func (m *Measurement) Validate() error {
	var f faults
	if m.Schema != MeasurementSchema {
		f.add("schema is %q, want %q", m.Schema, MeasurementSchema)
	}
	if err := checkFinite(m); err != nil {
		f = append(f, err)
	}
	checkVerdict(&f, m.Verdict, false)
	m.Reading.check(&f, "reading")
	checkNulls(&f, "land", reflect.ValueOf(m.Land), "", m.Land.Unavailable)
	checkFile(&f, "file", m.File)
	checkSeries(&f, m.Series)
	return errors.Join(f...)
}

// VerdictOf sorts the reasons, worst first and otherwise in the order given,
// and sets the state they call for.
func VerdictOf(reasons []Reason) Verdict {
	out := slices.Clone(reasons)
	slices.SortStableFunc(out, func(a, b Reason) int { return rank(b.Severity) - rank(a.Severity) })
	v := Verdict{State: Ready, Reasons: out}
	if len(out) > 0 {
		v.State = out[0].Severity
	}
	return v
}

func rank(s State) int { return slices.Index([]State{Ready, Attention, Blocked}, s) }

func isState(s State) bool { return rank(s) >= 0 }

// NoteCode is the code of the reason by which the verdict of an analysis says
// that it is a prediction.
const NoteCode = "prediction"

// checkKind wants of an analysis that it claims nothing about a premaster, and
// of everything else that it predicts nothing.
func (r *Report) checkKind(f *faults) {
	if !r.Analysed() {
		if r.Kind != "" {
			f.add("kind is %q, want %q or none", r.Kind, AnalyseKind)
		}
		if r.Prediction != nil {
			f.add("prediction is there, but the report is about a written premaster")
		}
		for i, s := range r.Stages {
			if s.Predicted != "" {
				f.add("stages[%d].predicted is %q, but the report is about a written premaster", i, s.Predicted)
			}
		}
		return
	}
	if r.Prediction == nil {
		f.add("prediction is missing, but kind is %q", r.Kind)
	}
	if !slices.ContainsFunc(r.Verdict.Reasons, func(x Reason) bool { return x.Code == NoteCode }) {
		f.add("verdict.reasons do not say that the verdict is a prediction (code %q)", NoteCode)
	}
	for _, v := range []reflect.Value{reflect.ValueOf(r.After), reflect.ValueOf(r.After.Groove)} {
		for i := range v.NumField() {
			if t := v.Type().Field(i); t.Type == reflect.TypeFor[*float64]() && !v.Field(i).IsNil() {
				f.add("after has a value for %s, but nothing was written", jsonName(t))
			}
		}
	}
	for i, s := range r.Stages {
		if s.Active || s.Predicted != PredictedActs && s.Predicted != PredictedIdle {
			f.add("stages[%d] is active or has no prediction, but nothing was written", i)
		}
	}
	made := 0 // the time line apart
	for _, o := range r.Outputs {
		if o.Role != TimelineRole {
			made++
		}
	}
	if len(r.Changes) > 0 || r.ChangesTotal > 0 || made > 0 {
		f.add("%d changes and %d outputs are listed, but nothing was written", max(len(r.Changes), r.ChangesTotal), made)
	}
	if p := r.Proof; p.Remeasured || p.BitIdentical || p.Dithered || p.ResidualLSB != nil || p.MonoExact != nil {
		f.add("proof claims something, but nothing was written")
	}
}

func checkVerdict(f *faults, v Verdict, analysed bool) {
	want := Ready
	for i, r := range v.Reasons {
		note := analysed && r.Code == NoteCode && r.Severity == Ready
		if r.Severity != Attention && r.Severity != Blocked && !note {
			f.add("verdict.reasons[%d].severity is %q, want attention or blocked", i, r.Severity)
			continue
		}
		if r.Code == "" || r.Text == "" {
			f.add("verdict.reasons[%d] needs a code and a text", i)
		}
		if rank(r.Severity) > rank(want) {
			want = r.Severity
		}
	}
	if v.State != want {
		f.add("verdict.state is %q, its reasons call for %q", v.State, want)
	}
}

func (m Measures) check(f *faults, path string) {
	checkNulls(f, path, reflect.ValueOf(m), "", m.Unavailable)
	checkNulls(f, path+".groove", reflect.ValueOf(m.Groove), "groove.", m.Unavailable)
	n := len(m.Loudness.TS)
	if len(m.Loudness.Momentary) != n || len(m.Loudness.ShortTerm) != n {
		f.add("%s.loudness: curves have %d, %d and %d points, want equal", path, n, len(m.Loudness.Momentary), len(m.Loudness.ShortTerm))
	}
}

// optional are values that not every run computes: null needs no reason.
// Everything the report's contract names does.
var optional = map[string]bool{
	"loudness_range_low_lufs": true, "loudness_range_high_lufs": true, "crest_db": true, "correlation_lowest": true, "crossover_hz": true,
	"groove.vertical_velocity_peak_cm_s": true, "groove.rms_acceleration_0s1_m_s2": true, "groove.rms_acceleration_1s_m_s2": true,
	"groove.rms_acceleration_10s_m_s2": true, "groove.deepening_ratio_max": true, "groove.time_over_slope_s": true,
	"groove.time_over_curvature_s": true, "groove.time_under_min_width_s": true, "groove.infrasonic_peak_um": true,
	"groove.acceleration_p999_m_s2": true, "groove.tracing_second_harmonic_percent": true,
	// of land and tracks
	"start_radius_mm": true, "min_pitch_um": true, "max_pitch_um": true, "turns": true, "land_before_um": true,
}

// checkNulls wants a reason for every nil number directly in v.
func checkNulls(f *faults, path string, v reflect.Value, prefix string, why map[string]string) {
	for i := range v.NumField() {
		if v.Field(i).Type() != reflect.TypeFor[*float64]() || !v.Field(i).IsNil() {
			continue
		}
		name := prefix + jsonName(v.Type().Field(i))
		if why[name] == "" && !optional[name] {
			f.add("%s.%s is null without a reason in unavailable[%q]", path, strings.TrimPrefix(name, prefix), name)
		}
	}
}

// ExplainNulls gives every value that is null without a reason this one.
func (m *Measures) ExplainNulls(why string) {
	explain(reflect.ValueOf(*m), "", &m.Unavailable, why)
	explain(reflect.ValueOf(m.Groove), "groove.", &m.Unavailable, why)
}

// ExplainNulls gives every value that is null without a reason this one.
func (l *Land) ExplainNulls(why string) { explain(reflect.ValueOf(*l), "", &l.Unavailable, why) }

// ExplainNulls gives every value that is null without a reason this one.
func (t *Track) ExplainNulls(why string) { explain(reflect.ValueOf(*t), "", &t.Unavailable, why) }

func explain(v reflect.Value, prefix string, into *map[string]string, why string) {
	for i := range v.NumField() {
		if v.Field(i).Type() != reflect.TypeFor[*float64]() || !v.Field(i).IsNil() {
			continue
		}
		name := prefix + jsonName(v.Type().Field(i))
		if (*into)[name] != "" {
			continue
		}
		if *into == nil {
			*into = map[string]string{}
		}
		(*into)[name] = why
	}
}

func checkFile(f *faults, path string, x File) {
	if x.Name == "" {
		f.add("%s.name is blank", path)
	}
	if !sha256Hex.MatchString(x.SHA256) {
		f.add("%s.sha256 %q is not 64 lower-case hex digits", path, x.SHA256)
	}
}

func checkSeries(f *faults, s Series) {
	n := len(s.TS)
	if n > MaxPoints {
		f.add("series has %d points, at most %d; reduce with min and max kept", n, MaxPoints)
	}
	eachCurve(reflect.ValueOf(s), "series", func(path string, c Curve) {
		if len(c) != 0 && len(c) != n {
			f.add("%s has %d points, want %d as in series.t_s, or none", path, len(c), n)
		}
	})
}

func eachCurve(v reflect.Value, path string, fn func(string, Curve)) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			eachCurve(v.Field(i), join(path, jsonName(v.Type().Field(i))), fn)
		}
	case reflect.Slice:
		if c, ok := v.Interface().(Curve); ok {
			fn(path, c)
			return
		}
		for i := range v.Len() {
			eachCurve(v.Index(i), fmt.Sprintf("%s[%d]", path, i), fn)
		}
	}
}

func sortedKeys(m reflect.Value) []reflect.Value {
	keys := m.MapKeys()
	slices.SortFunc(keys, func(a, b reflect.Value) int { return strings.Compare(a.String(), b.String()) })
	return keys
}
