package report

import (
	"bytes"
	"strings"
	"testing"
)

// An analysis that claims something of a premaster is refused, and so is a
// prediction in a report on a written one.
func TestAnalysisMayNotClaim(t *testing.T) {
	if err := analysed().Validate(); err != nil {
		t.Fatalf("the fixture: %v", err)
	}
	for _, c := range []struct {
		name, want string
		of         func() *Report
		spoil      func(*Report)
	}{
		{"a figure of a premaster", "after has a value for integrated_lufs", analysed, func(r *Report) { r.After.IntegratedLUFS = Num(-14) }},
		{"a groove of a premaster", "after has a value for min_width_um", analysed, func(r *Report) { r.After.Groove.MinWidthUM = Num(30) }},
		{"an active stage", "stages[1] is active", analysed, func(r *Report) { r.Stages[1].Active = true }},
		{"a stage without prediction", "stages[0] is active or has no prediction", analysed, func(r *Report) { r.Stages[0].Predicted = "" }},
		{"a change", "1 changes and 0 outputs", analysed, func(r *Report) { r.Changes = fixture().Changes[:1] }},
		{"a file", "0 changes and 2 outputs", analysed, func(r *Report) { r.Outputs = fixture().Outputs }},
		{"a proof", "proof claims something", analysed, func(r *Report) { r.Proof.Remeasured = true }},
		{"no prediction", "prediction is missing", analysed, func(r *Report) { r.Prediction = nil }},
		{"a verdict that sounds final", "do not say that the verdict is a prediction", analysed, func(r *Report) { r.Verdict = fixture().Verdict }},
		{"another kind", `kind is "draft"`, fixture, func(r *Report) { r.Kind = "draft" }},
		{"a prediction beside a premaster", "prediction is there", fixture, func(r *Report) { r.Prediction = &Prediction{} }},
		{"a predicted stage beside a premaster", "stages[2].predicted", fixture, func(r *Report) { r.Stages[2].Predicted = PredictedActs }},
		{"a note beside a premaster", `severity is "ready"`, fixture, func(r *Report) {
			r.Verdict.Reasons = append(r.Verdict.Reasons, Reason{Code: NoteCode, Severity: Ready, Text: "so to say"})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := c.of()
			c.spoil(r)
			if err := r.Validate(); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
}

func TestNoCuttingSheetOfAnAnalysis(t *testing.T) {
	var b bytes.Buffer
	if err := WriteCuttingSheet(&b, analysed()); err == nil || b.Len() > 0 {
		t.Errorf("error %v, %d bytes", err, b.Len())
	}
}

func TestPageOfAnAnalysis(t *testing.T) {
	page := rendered()["analysed"].pages["report"]
	for _, want := range []string{"predicted: attention", "This is a prediction: nothing was written", "there is no after", "expected to act", "expected idle", "passages not known", "predicted; at least", "predicted 10.1\u202fµm", "predicted 59.9\u202fmm", "predicted within"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, not := range []string{"</span> within<", "Ready for an engineer", "changed samples", "No passage was treated", "premaster.wav"} {
		if strings.Contains(page, not) {
			t.Errorf("the page says %q", not)
		}
	}
}
