package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/meter"
	"discsafe/pipeline/report"
)

// CheckResult is what a check of an output folder found.
type CheckResult struct {
	Files    int      // files verified against the manifest
	Measures int      // figures measured again
	Faults   []string // what does not match, in words; empty when all is well
}

// Check verifies a folder that Prepare made: every file against the manifest,
// and the premaster's meters against the report. Damage is a result, not an
// error; an error means that the check could not be made.
func Check(ctx context.Context, dir string) (*CheckResult, error) {
	m, err := readFile(filepath.Join(dir, report.ManifestName), report.ReadManifest)
	if err != nil {
		return nil, fmt.Errorf("checking %s: %w", dir, err)
	}
	c := &CheckResult{Files: len(m.Outputs)}
	damage, err := m.Verify(os.DirFS(dir))
	if err != nil {
		return nil, fmt.Errorf("checking %s: %w", dir, err)
	}
	for _, d := range damage {
		c.Faults = append(c.Faults, d.Error())
	}
	if len(c.Faults) > 0 {
		return c, nil // figures of damaged files say nothing
	}
	r, err := readFile(filepath.Join(dir, ReportName), report.Read)
	if err != nil {
		return nil, fmt.Errorf("checking %s: %w", dir, err)
	}
	c.compare("input", m.Inputs, r.Inputs)
	c.compare("output", m.Outputs, r.Outputs)
	return c, c.remeasure(ctx, filepath.Join(dir, PremasterName), r)
}

func readFile[T any](path string, read func(r io.Reader) (T, error)) (_ T, err error) {
	var zero T
	f, err := os.Open(path)
	if err != nil {
		return zero, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return read(f)
}

// compare holds the files that the report names against the manifest.
func (c *CheckResult) compare(what string, hashes []report.FileHash, files []report.File) {
	for i, f := range files {
		k := slices.IndexFunc(hashes, func(h report.FileHash) bool { return h.Name == f.Name && h.SHA256 == f.SHA256 })
		if k < 0 {
			c.Faults = append(c.Faults, fmt.Sprintf("%s %d, %s, has SHA-256 %s in the report, the manifest says otherwise", what, i+1, f.Name, f.SHA256))
		}
	}
}

// remeasure reads the premaster with the same meters as Prepare did.
func (c *CheckResult) remeasure(ctx context.Context, path string, r *report.Report) (err error) {
	src, err := wav.Open(path)
	if err != nil {
		return fmt.Errorf("checking the premaster: %w", err)
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	opt := meter.Options{}
	if x := r.After.CrossoverHz; x != nil {
		opt.CrossoverHz = *x
	}
	m, err := meter.New(src.Format(), opt)
	if err != nil {
		return err
	}
	t := &teller{ctx: ctx, rateHz: src.Format().SampleRateHz, frames: src.Frames()}
	if _, err := each(src, defaultBlock, t, func(b audio.Block) error { m.Add(b); return nil }); err != nil {
		return err
	}
	got := m.Result()
	for _, f := range []struct {
		name      string
		want, got *float64
	}{
		{"integrated_lufs", r.After.IntegratedLUFS, got.IntegratedLUFS}, {"loudness_range_lu", r.After.LoudnessRangeLU, got.LoudnessRangeLU},
		{"max_momentary_lufs", r.After.MaxMomentaryLUFS, got.MaxMomentaryLUFS}, {"max_short_term_lufs", r.After.MaxShortTermLUFS, got.MaxShortTermLUFS},
		{"max_true_peak_dbtp", r.After.MaxTruePeakDBTP, got.MaxTruePeakDBTP}, {"sample_peak_dbfs", r.After.SamplePeakDBFS, got.SamplePeakDBFS},
		{"correlation", r.After.Correlation, got.Correlation}, {"side_to_mid_db", r.After.SideToMidDB, got.SideToMidDB},
	} {
		c.Measures++
		if (f.want == nil) != (f.got == nil) || (f.want != nil && math.Abs(*f.want-*f.got) > 1e-6) {
			c.Faults = append(c.Faults, fmt.Sprintf("%s of the premaster measures %s, the report says %s", f.name, show(f.got), show(f.want)))
		}
	}
	return nil
}

func show(p *float64) string {
	if p == nil {
		return "nothing"
	}
	return fmt.Sprintf("%.6f", *p)
}
