package scenario_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"discsafe/cmd/discsafe/scenario"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/sideplan"
)

func TestWriteMakesAPlanThatLoads(t *testing.T) {
	dir, again := t.TempDir(), t.TempDir()
	path, err := scenario.Write(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := scenario.Write(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	plan, err := sideplan.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(plan.Tracks) != 3 {
		t.Fatalf("want 3 tracks, got %d", len(plan.Tracks))
	}
	for _, tr := range plan.Tracks {
		a, err := os.ReadFile(tr.Path)
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(again, tr.File))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s: two runs gave different bytes", tr.File)
		}
		checkMix(t, tr.Path)
	}
}

// A mix must look like one: 20 to 40 s, peak between -4.5 and 0 dBFS, channels
// that differ, no clipped sample.
func checkMix(t *testing.T, path string) {
	t.Helper()
	src, err := wav.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	f := src.Format()
	if s := float64(src.Frames()) / float64(f.SampleRateHz); f.BitDepth != 24 || f.Channels != 2 || s < 20 || s > 40 {
		t.Errorf("%s: got %+v, %.1f s", path, f, s)
	}
	block := audio.NewBlock(4096)
	peak, side := 0.0, 0.0
	for {
		n, err := src.Read(block)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			peak = max(peak, math.Abs(block.L[i]), math.Abs(block.R[i]))
			side = max(side, math.Abs(block.L[i]-block.R[i]))
		}
	}
	if db := audio.DB(peak); db < -4.5 || db > -0.1 {
		t.Errorf("%s: peak %.2f dBFS, want -4.5 to -0.1", path, db)
	}
	if side == 0 {
		t.Errorf("%s: the channels are equal", path)
	}
}

func TestWriteStopsWhenCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := t.TempDir()
	if _, err := scenario.Write(ctx, dir); !errors.Is(err, context.Canceled) {
		t.Errorf("want context.Canceled, got %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, scenario.PlanName)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a cancelled demonstration must not leave a plan: %v", err)
	}
}
