package pipeline

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/groove"
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
// and the premaster's meters and groove peaks against the report. Damage is a result, not an
// error; an error means that the check could not be made. A folder that Analyse
// made has no premaster, nor has that of an arrangement: its files are verified and
// nothing is measured.
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
	if slices.ContainsFunc(m.Outputs, func(h report.FileHash) bool { return h.Name == report.ArrangementName }) {
		if _, err := readFile(filepath.Join(dir, report.ArrangementName), report.ReadArrangement); err != nil {
			return nil, fmt.Errorf("checking %s: %w", dir, err)
		}
		return c, nil
	}
	r, err := readFile(filepath.Join(dir, ReportName), report.Read)
	if err != nil {
		return nil, fmt.Errorf("checking %s: %w", dir, err)
	}
	c.compare("input", m.Inputs, r.Inputs)
	c.compare("output", m.Outputs, r.Outputs)
	if slices.ContainsFunc(m.Outputs, func(h report.FileHash) bool { return h.Name == TimelineName }) {
		fault, err := checkTimeline(filepath.Join(dir, TimelineName), r)
		if err != nil {
			return nil, fmt.Errorf("checking %s: %w", dir, err)
		}
		if fault != "" {
			c.Faults = append(c.Faults, fault)
		}
	}
	if r.Analysed() {
		for _, o := range m.Outputs {
			if o.Name != ReportName && o.Name != ReportPageName && o.Name != TimelineName {
				c.Faults = append(c.Faults, fmt.Sprintf("the report says that nothing was written, the manifest lists %s", o.Name))
			}
		}
		return c, nil
	}
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
	g, err := newGroovePeaks(r, src.Format().SampleRateHz)
	if err != nil {
		return fmt.Errorf("checking the premaster: %w", err)
	}
	t := &teller{ctx: ctx, rateHz: src.Format().SampleRateHz, frames: src.Frames()}
	if _, err := each(src, defaultBlock, t, func(b audio.Block) error {
		m.Add(b)
		g.pred.Add(b)
		return nil
	}); err != nil {
		return err
	}
	g.pred.Flush(src.Frames())
	got := m.Result()
	for _, f := range []struct {
		name      string
		want, got *float64
	}{
		{"integrated_lufs", r.After.IntegratedLUFS, got.IntegratedLUFS}, {"loudness_range_lu", r.After.LoudnessRangeLU, got.LoudnessRangeLU},
		{"max_momentary_lufs", r.After.MaxMomentaryLUFS, got.MaxMomentaryLUFS}, {"max_short_term_lufs", r.After.MaxShortTermLUFS, got.MaxShortTermLUFS},
		{"max_true_peak_dbtp", r.After.MaxTruePeakDBTP, got.MaxTruePeakDBTP}, {"sample_peak_dbfs", r.After.SamplePeakDBFS, got.SamplePeakDBFS},
		{"correlation", r.After.Correlation, got.Correlation}, {"side_to_mid_db", r.After.SideToMidDB, got.SideToMidDB},
		{"groove.lateral_peak_um", r.After.Groove.LateralPeakUM, &g.lateralUM}, {"groove.vertical_peak_um", r.After.Groove.VerticalPeakUM, &g.verticalUM},
		{"groove.lateral_velocity_peak_cm_s", r.After.Groove.LateralVelocityCMS, &g.lateralCMS}, {"groove.acceleration_peak_m_s2", r.After.Groove.AccelerationPeakMS2, &g.accelMS2},
	} {
		c.Measures++
		if (f.want == nil) != (f.got == nil) || (f.want != nil && math.Abs(*f.want-*f.got) > 1e-6*math.Max(1, math.Abs(*f.want))) {
			c.Faults = append(c.Faults, fmt.Sprintf("%s of the premaster measures %s, the report says %s", f.name, show(f.got), show(f.want)))
		}
	}
	return nil
}

// groovePeaks are the greatest motions of the premaster's groove at the cut
// level: what can be computed again without the land plan.
type groovePeaks struct {
	pred                                        *groove.Predictor
	lateralUM, verticalUM, lateralCMS, accelMS2 float64
}

func newGroovePeaks(r *report.Report, rateHz int) (*groovePeaks, error) {
	var room groove.Room
	if err := json.Unmarshal(r.Room, &room); err != nil {
		return nil, fmt.Errorf("room in the report: %w", err)
	}
	gain := audio.FromDB(r.Cut.LevelDB)
	g := &groovePeaks{}
	scale := room.Reference.ChannelVelocityFullScale() / audio.FromDB(r.Cut.FileGainDB)
	pred, err := groove.NewPredictor(groove.NewSectors(rateHz, r.Side.Disc.RevolutionS), scale, false, func(m groove.Motion) {
		g.lateralUM = math.Max(g.lateralUM, gain*math.Max(float64(m.LateralMaxUM), -float64(m.LateralMinUM)))
		g.verticalUM = math.Max(g.verticalUM, gain*math.Max(float64(m.VerticalMaxUM), -float64(m.VerticalMinUM)))
		g.lateralCMS = math.Max(g.lateralCMS, 100*gain*float64(m.LateralSpeed))
		g.accelMS2 = math.Max(g.accelMS2, gain*float64(m.WallAccel))
	})
	g.pred = pred
	return g, err
}

func show(p *float64) string {
	if p == nil {
		return "nothing"
	}
	return fmt.Sprintf("%.6f", *p)
}
