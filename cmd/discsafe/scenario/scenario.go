// Package scenario makes the sound of the demonstration: three short invented
// tracks, synthesised from fixed seeds, and a side plan for them. Each gives
// some of the stages an honest reason to act. It knows the WAV writer and the
// form of a side plan, and nothing of the pipeline.
//
// Entry point: Write.
package scenario

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

// PlanName is the name of the side plan that Write makes. A folder that holds
// it is a former demonstration.
const PlanName = "demo-side.yaml"

// Write makes mixes and side plan in dir, which must exist, and returns the
// path of the plan. The same version writes the same bytes every time.
func Write(ctx context.Context, dir string) (string, error) {
	if err := os.MkdirAll(filepath.Join(dir, "mixes"), 0o755); err != nil {
		return "", fmt.Errorf("making the demonstration: %w", err)
	}
	for _, t := range tracks() {
		if err := ctx.Err(); err != nil {
			return "", err
		}
		if err := writeMix(filepath.Join(dir, "mixes", t.File), t.make()); err != nil {
			return "", fmt.Errorf("making %s: %w", t.File, err)
		}
	}
	path := filepath.Join(dir, PlanName)
	if err := os.WriteFile(path, []byte(planText()), 0o644); err != nil {
		return "", fmt.Errorf("making the demonstration: %w", err)
	}
	return path, nil
}

// writeMix writes 24-bit samples, rounded to the nearest; a mix of music needs
// no dither at that depth to serve as an example.
func writeMix(path string, m *mix) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w, err := wav.Create(f, wav.WriterParams{SampleRateHz: Rate, Encoding: audio.EncodingPCM, BitDepth: 24})
	if err != nil {
		return err
	}
	if err := w.WriteInt(integers(m.l), integers(m.r)); err != nil {
		return err
	}
	return w.Close()
}

func integers(v []float64) []int32 {
	const full = 1 << 23
	out := make([]int32, len(v))
	for i, x := range v {
		out[i] = int32(min(full-1, max(-full, math.RoundToEven(x*full))))
	}
	return out
}

// planText is the side plan. A side of a minute and a half would never leave
// the outer edge, where everything is easy; this one starts further in, as if
// it were the end of a longer side.
func planText() string {
	var b strings.Builder
	b.WriteString(`# Demonstration: three invented tracks at the inner end of a 7 inch side.
side: A
title: Invented Evening
artist: The Invented Trio
catalogue: INV-DEMO
inscription: INV-DEMO-A
disc:
  id: 7in-45
  outer_mm: 64        # starts further in than the format allows, to show the inner grooves
  inner_quality_mm: 54
level: fit
room: generic         # ask your room for its own figures
tracks:
`)
	for _, t := range tracks() {
		fmt.Fprintf(&b, "  - file: mixes/%s\n    title: %s\n    isrc: %s\n    gap_s: %g\n", t.File, t.Title, t.ISRC, t.GapS)
	}
	return b.String()
}
