package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

// fakeEngine answers by the title of the plan or the name of the file, so that
// scripts can ask for every outcome without computing one.
type fakeEngine struct{}

func (fakeEngine) Prepare(ctx context.Context, plan *sideplan.Plan, opt workOptions) (*report.Report, error) {
	for i := range 3 {
		opt.Progress(progress{Pass: "measuring", PassNumber: 1 + i/2, Passes: 2, Fraction: float64(i) / 2, RealTime: 100})
	}
	switch plan.Title {
	case "fails":
		return nil, errors.New("measuring: disk on fire")
	case "waits":
		if err := os.WriteFile("waiting", nil, 0o644); err != nil {
			return nil, err
		}
		<-ctx.Done()
		return nil, ctx.Err()
	case "cracked":
		return nil, &audio.FormatError{File: "one.wav", Code: "wav-truncated", AtS: 1.5, Detail: "the file ends early", Hint: "export it again"}
	}
	r := fakeReport(plan)
	if plan.Title == "blocked" {
		r.Verdict = report.VerdictOf([]report.Reason{{Code: "land", Severity: report.Blocked, Text: "the side does not fit", Hint: "shorten it",
			Where: &report.Place{TS: 61.5, Track: 1}}})
	}
	if err := os.MkdirAll(opt.OutDir, 0o755); err != nil {
		return nil, err
	}
	return r, writeFake(opt.OutDir, r)
}

// writeFake writes a folder that a worker takes for a result.
func writeFake(dir string, r *report.Report) error {
	var rep bytes.Buffer
	if err := r.Write(&rep); err != nil {
		return err
	}
	m := report.Manifest{Schema: report.ManifestSchema, Tool: r.Tool, RecipeSHA256: strings.Repeat("0", 64)}
	for name, data := range map[string][]byte{"premaster.wav": []byte("no sound"), "report.json": rep.Bytes()} {
		h, err := report.HashOf(name, bytes.NewReader(data))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), data, 0o644)
		}
		if err != nil {
			return err
		}
		m.Outputs = append(m.Outputs, h)
	}
	var b bytes.Buffer
	if err := m.Write(&b); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, report.ManifestName), b.Bytes(), 0o644)
}

func fakeReport(plan *sideplan.Plan) *report.Report {
	num := report.Num
	r := &report.Report{
		Schema: report.Schema, Tool: report.Tool{Name: "discsafe", Version: "test"},
		Side: report.Side{Side: plan.Side, Title: plan.Title, RoomName: plan.Room.Name, LengthS: 95.25},
		Plan: json.RawMessage(`{}`), Room: json.RawMessage(`{}`),
		Verdict: report.VerdictOf(nil),
		Cut: report.Cut{LevelDB: 1.5, FileGainDB: 0.5, LatheGainDB: 1,
			Reference: report.Reference{VelocityCMS: 5, Axis: "lateral", Kind: "peak", HZ: 1000, DBFS: -14}},
		After: report.Measures{IntegratedLUFS: num(-14.2), MaxTruePeakDBTP: num(-0.4),
			Groove: report.Groove{MinWidthUM: num(25.4), MaxDepthUM: num(71.8), CurvatureRatioMax: num(0.98), SlopeRatioMax: num(0.61)}},
		Stages: []report.Stage{
			{ID: "sum-lows", Active: true},
			{ID: "de-ess", Active: true, MaxChangeDB: num(-2.26), TreatedS: 1.25},
			{ID: "limit-sides"},
		},
		Land:    report.Land{PlannedMM: num(11.2), AvailableMM: num(14), EndRadiusMM: num(56.8), AverageLPI: num(171)},
		Outputs: []report.File{{Role: "premaster", Name: "premaster.wav", Bytes: 1, SHA256: strings.Repeat("0", 64)}},
	}
	r.Before.ExplainNulls("test")
	r.After.ExplainNulls("test")
	r.Land.ExplainNulls("test")
	return r
}

func (fakeEngine) Measure(_ context.Context, path string, disc groove.Disc, room groove.Room, opt workOptions) (*report.Measurement, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, &audio.FormatError{File: path, Code: "missing", AtS: -1, Detail: "no such file"}
	}
	raw, err := report.RawOf(room)
	if err != nil {
		return nil, err
	}
	m := &report.Measurement{
		Schema: report.MeasurementSchema, Tool: report.Tool{Name: "discsafe", Version: opt.Version},
		File: report.File{Role: "mix", Name: path, Bytes: 1, SHA256: strings.Repeat("0", 64), Container: "wav", SampleRate: 48000, BitDepth: 24},
		Disc: report.Disc{ID: disc.ID}, Room: raw, Verdict: report.VerdictOf(nil),
		Reading: report.Measures{LengthS: 30, IntegratedLUFS: report.Num(-14.2)},
	}
	m.Reading.ExplainNulls("test")
	m.Land.ExplainNulls("test")
	return m, nil
}

func (fakeEngine) Check(_ context.Context, dir string) (*checkResult, error) {
	if _, err := os.Stat(filepath.Join(dir, report.ManifestName)); err != nil {
		return nil, &inputError{errors.New(dir + " holds no manifest.json; is it a prepared side?")}
	}
	r := &checkResult{Files: 6, Measures: 24, Faults: []string{}}
	if _, err := os.Stat(filepath.Join(dir, "damaged")); err == nil {
		r.Faults = append(r.Faults, "premaster.wav is missing; prepare the side again")
	}
	return r, nil
}
