package pipeline_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"discsafe/pipeline"
	"discsafe/pipeline/report"
)

// analyse analyses the plan in dir that was prepared before.
func analyse(t *testing.T, dir string) (*report.Report, string) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(dir, "plan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "analysis")
	r, err := pipeline.Analyse(context.Background(), loadPlan(t, dir, string(raw)), pipeline.Options{OutDir: out, Version: "test"})
	if err != nil {
		t.Fatalf("analyse: %v", err)
	}
	return r, out
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// What an analysis says of the mixes, and its plan, are those of preparing the
// same side; what it predicts comes near to what preparing then finds.
func TestAnalysisAgreesWithPreparing(t *testing.T) {
	lowsAndSibilance := func(t float64) (l, r float64) {
		l, r = sibilant(0.12)(t)
		x := 0.5 * gate(t, 0.3, 0.9) * sine(55, t)
		return l + x, r - x
	}
	for _, c := range []struct {
		name  string
		wave  wave
		extra string
		acts  []string
	}{
		{"untouched", quietMusic, "level: 0\n", nil},
		{"level only", quietMusic, "level: -2.5\n", []string{"fit-level"}},
		{"sibilant", sibilant(0.12), "level: 0\n" + wideCaps, []string{"de-ess"}},
		{"lows and sibilance", lowsAndSibilance, "level: 0\n" + wideCaps, []string{"block-infrasonic", "sum-lows", "de-ess"}},
		{"opposed", opposed(0.75), "level: 0\n" + wideCaps + chainOf("stage: limit-sides"), []string{"limit-sides"}},
		{"mono", opposed(0.2), "mono: true\nlevel: 0\n", []string{"mono"}},
		{"estimate", sibilant(0.12), "level: 0\n" + wideCaps + chainOf("{stage: de-ess, mode: estimate}"), nil},
		{"fit", sibilant(0.05), "", []string{"fit-level"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := prepare(t, sampled(44100, 24, 2.5, c.wave), innerDisc+c.extra)
			if n := p.report.Proof.Tightenings; n != 0 && c.name != "fit" {
				t.Fatalf("the example needs %d corrections, so preparing moves on from its first plan", n)
			}
			r, _ := analyse(t, p.dir)
			same := func(what string, a, b any) {
				t.Helper()
				if d := cmp.Diff(asJSON(t, b), asJSON(t, a)); d != "" {
					t.Errorf("%s differs (-prepared +analysed):\n%s", what, d)
				}
			}
			same("before", r.Before, p.report.Before)
			same("plan", r.Plan, p.report.Plan)
			same("limits", r.Limits, p.report.Limits)
			same("inputs", r.Inputs, p.report.Inputs)
			same("cut level", []any{r.Cut.LevelDB, r.Cut.Why}, []any{p.report.Cut.LevelDB, p.report.Cut.Why})
			// Least land and the fixed pitch follow the programme as treated.
			a, b := r.Land, p.report.Land
			a.MinLandUM, a.FixedPitchMM, b.MinLandUM, b.FixedPitchMM = nil, nil, nil, nil
			same("land", a, b)
			same("radius", r.Series.RadiusMM, p.report.Series.RadiusMM)
			same("groove of the mixes over time", r.Series.BeforeGroove, p.report.Series.BeforeGroove)

			var acts []string
			for i, s := range r.Stages {
				if s.ID != p.report.Stages[i].ID || s.Active || !strings.HasPrefix(s.Decided, "Predicted. ") {
					t.Errorf("stage %d: %+v", i, s)
				}
				if s.Predicted == report.PredictedActs {
					acts = append(acts, s.ID)
				}
				if was := p.report.Stages[i]; (s.Predicted == report.PredictedActs) != was.Active {
					t.Errorf("%s: %s is predicted, preparing finds active %v", s.ID, s.Predicted, was.Active)
				}
			}
			if c.name != "fit" && !slices.Equal(acts, c.acts) {
				t.Errorf("predicted to act: %v, want %v", acts, c.acts)
			}
			if r.Verdict.State != p.report.Verdict.State {
				t.Errorf("verdict %s, prepared %s: %+v against %+v", r.Verdict.State, p.report.Verdict.State, r.Verdict.Reasons, p.report.Verdict.Reasons)
			}
			// What is found may stay below what was predicted, for a stage that holds one limit lowers more than that
			// one; above it only by what requantising and later stages move peaks: 1 %.
			const over = 1.01
			g := p.report.After.Groove
			for _, f := range []struct {
				name      string
				got, want *float64
			}{{"curvature", r.Prediction.CurvatureRatioMax, g.CurvatureRatioMax}, {"slope", r.Prediction.SlopeRatioMax, g.SlopeRatioMax},
				{"depth", r.Prediction.MaxDepthUM, g.MaxDepthUM}, {"land used", r.Prediction.LandUsedMM, g.LandUsedMM}} {
				if f.got == nil || f.want == nil || *f.want > over**f.got {
					t.Errorf("%s: predicted %v, found %v", f.name, show(f.got), show(f.want))
				}
			}
			if got, want := r.Prediction.MinWidthUM, g.MinWidthUM; got == nil || *want < *got/over {
				t.Errorf("width: predicted %v, found %v", show(got), show(want))
			}
		})
	}
}

func show(p *float64) any {
	if p == nil {
		return nil
	}
	return *p
}

// An analysis writes report, page and manifest; it claims nothing of a
// premaster, and Check verifies it.
func TestAnalysisClaimsNothing(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 3, sibilant(0.12)).bytesOfWAV(2))
	put(t, filepath.Join(dir, "plan.yaml"), []byte(onePlan(innerDisc+"level: 1\n"+wideCaps)))
	r, out := analyse(t, dir)
	var names []string
	for n := range tree(t, out) {
		names = append(names, strings.TrimPrefix(n, "/"))
	}
	slices.Sort(names)
	if want := []string{"", "manifest.json", "report.html", "report.json", "timeline.bin"}; !slices.Equal(slices.Compact(names), want) {
		t.Errorf("files %q, want %q", names, want)
	}
	if r.After.IntegratedLUFS != nil || r.After.Unavailable["integrated_lufs"] != "analyse only: nothing was written" || r.After.Unavailable["groove.min_width_um"] == "" {
		t.Errorf("after: %+v", r.After)
	}
	if len(r.Changes) > 0 || len(r.Outputs) != 1 || r.Outputs[0].Role != report.TimelineRole || r.Proof.Remeasured || r.Proof.ResidualLSB != nil {
		t.Errorf("changes %v, outputs %v, proof %+v", r.Changes, r.Outputs, r.Proof)
	}
	if x := r.Verdict.Reasons[len(r.Verdict.Reasons)-1]; x.Code != "prediction" || x.Severity != report.Ready {
		t.Errorf("last reason %+v, want the note that this is a prediction", x)
	}
	page, err := os.ReadFile(filepath.Join(out, "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"predicted: ready", "This is a prediction", "there is no after", "expected to act"} {
		if !bytes.Contains(page, []byte(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if bytes.Contains(page, []byte("Ready for an engineer to sign off")) {
		t.Error("the page calls an analysed side ready to sign off")
	}
	got, err := pipeline.Check(context.Background(), out)
	if err != nil || len(got.Faults) > 0 || got.Files != 3 || got.Measures != 0 {
		t.Errorf("check: %+v, %v", got, err)
	}
	again := filepath.Join(dir, "again")
	if _, err := pipeline.Analyse(context.Background(), loadPlan(t, dir, onePlan(innerDisc+"level: 1\n"+wideCaps)), pipeline.Options{OutDir: again, Version: "test", BlockFrames: 333}); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(tree(t, out), tree(t, again)); d != "" {
		t.Errorf("another analysis differs:\n%.2000s", d)
	}
}

// An analysis takes the place of an analysis, never of a prepared side; a
// prepared side takes the place of an analysis.
func TestAnalysisKeepsAPreparedSide(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 1, quietMusic), innerDisc+"level: 0\n")
	before := tree(t, p.out)
	plan := loadPlan(t, p.dir, onePlan(innerDisc+"level: 0\n"))
	var refused *pipeline.FolderError
	if _, err := pipeline.Analyse(context.Background(), plan, pipeline.Options{OutDir: p.out, Version: "test"}); !errors.As(err, &refused) {
		t.Errorf("analysing over a prepared side: %v", err)
	}
	if d := cmp.Diff(before, tree(t, p.out)); d != "" {
		t.Error("the prepared side was touched")
	}
	_, out := analyse(t, p.dir)
	analyse(t, p.dir)
	if _, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: out, Version: "test"}); err != nil {
		t.Fatalf("preparing over an analysis: %v", err)
	}
	if d := cmp.Diff(before, tree(t, out)); d != "" {
		t.Error("the side prepared over an analysis differs from the first")
	}
	for n := range tree(t, p.dir) {
		if strings.Contains(n, ".partial-") {
			t.Errorf("left behind: %s", n)
		}
	}
}

// A premaster cannot be passed off as unmeasured by calling its report an
// analysis.
func TestCheckOfADisguisedAnalysis(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 1, quietMusic), innerDisc+"level: 0\n")
	_, out := analyse(t, p.dir)
	for _, n := range []string{report.ManifestName, "report.json", "report.html", "timeline.bin"} {
		b, err := os.ReadFile(filepath.Join(out, n))
		if err != nil {
			t.Fatal(err)
		}
		if n == report.ManifestName {
			pre := p.premasterHash(t)
			b = bytes.Replace(b, []byte(`"outputs": [`), []byte(`"outputs": [`+pre+`,`), 1)
		}
		put(t, filepath.Join(p.out, n), b)
	}
	for _, n := range []string{"difference.wav", "cutting-sheet.html"} {
		if err := os.Remove(filepath.Join(p.out, n)); err != nil {
			t.Fatal(err)
		}
	}
	got, err := pipeline.Check(context.Background(), p.out)
	if err != nil || len(got.Faults) == 0 || !strings.Contains(got.Faults[0], "premaster.wav") {
		t.Errorf("%+v, %v; want a fault that names premaster.wav", got, err)
	}
}

// premasterHash is the premaster's entry of the manifest, as JSON.
func (p prepared) premasterHash(t *testing.T) string {
	t.Helper()
	f, err := os.Open(filepath.Join(p.out, pipeline.PremasterName))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h, err := report.HashOf(pipeline.PremasterName, f)
	if err != nil {
		t.Fatal(err)
	}
	return asJSON(t, h)
}
