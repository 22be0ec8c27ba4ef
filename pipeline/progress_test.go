package pipeline_test

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

func TestProgress(t *testing.T) {
	var seen []pipeline.Progress
	var at []time.Time
	prepare(t, sampled(96000, 24, 4, sibilant(0.12)), innerDisc+"level: 0\n"+wideCaps, func(o *pipeline.Options) {
		o.AsTraced, o.BlockFrames = true, 64
		o.Progress = func(p pipeline.Progress) { seen, at = append(seen, p), append(at, time.Now()) }
	})
	if len(seen) == 0 {
		t.Fatal("no progress was told")
	}
	within := 0
	for i, p := range seen {
		if p.Fraction < 0 || p.Fraction > 1 || p.RealTime < 0 || p.Pass == "" || p.PassNumber < 1 || p.PassNumber > p.Passes {
			t.Errorf("call %d makes no sense: %+v", i, p)
		}
		if i == 0 {
			continue
		}
		q := seen[i-1]
		if p.PassNumber < q.PassNumber || p.PassNumber == q.PassNumber && (p.Fraction < q.Fraction || p.Pass != q.Pass) {
			t.Errorf("call %d goes back: %+v after %+v", i, p, q)
		}
		if p.Passes < q.Passes {
			t.Errorf("call %d: passes shrink from %d to %d", i, q.Passes, p.Passes)
		}
		if p.PassNumber > q.PassNumber && (q.Fraction != 1 || p.Fraction != 0 || p.PassNumber != q.PassNumber+1) {
			t.Errorf("call %d: pass %d begins at %g, pass %d ended at %g", i, p.PassNumber, p.Fraction, q.PassNumber, q.Fraction)
		}
		if p.PassNumber == q.PassNumber && p.Fraction > 0 && p.Fraction < 1 {
			within++
		}
	}
	// 20 a second between begin and end of a pass.
	if most := int(at[len(at)-1].Sub(at[0])/(50*time.Millisecond)) + 1; within > most {
		t.Errorf("%d calls within passes, want at most %d", within, most)
	}
	if last := seen[len(seen)-1]; last.Fraction != 1 || last.PassNumber != last.Passes {
		t.Errorf("the last call is %+v, want the end of the last pass", last)
	}
	if first := seen[0]; first.PassNumber != 1 || first.Fraction != 0 {
		t.Errorf("the first call is %+v, want the start of the first pass", first)
	}
}

// A run stops within a block of being cancelled: nothing more is told.
func TestCancellationIsQuick(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(96000, 24, 30, sibilant(0.12)).bytesOfWAV(2))
	plan := loadPlan(t, dir, onePlan(innerDisc+wideCaps))
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	cancelled, calls := false, 0
	_, err := pipeline.Prepare(ctx, plan, pipeline.Options{OutDir: filepath.Join(dir, "out"), BlockFrames: 64, Progress: func(p pipeline.Progress) {
		if !cancelled && p.Fraction > 0 && p.Fraction < 1 {
			cancelled = true
			stop()
		} else if cancelled {
			calls++
		}
	}})
	if !cancelled {
		t.Fatal("no pass was told of half way")
	}
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
	if calls > 0 {
		t.Errorf("progress was told %d times after cancelling", calls)
	}
}

func TestDeadlineIsKept(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(96000, 24, 4, sibilant(0.12)).bytesOfWAV(2))
	ctx, stop := context.WithTimeout(context.Background(), time.Millisecond)
	defer stop()
	if _, err := pipeline.Prepare(ctx, loadPlan(t, dir, onePlan(innerDisc)), pipeline.Options{OutDir: filepath.Join(dir, "out")}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v, want context.DeadlineExceeded", err)
	}
}

func TestMeasureAndCheckCanBeCancelled(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 1, quietMusic), innerDisc)
	ctx, stop := context.WithCancel(context.Background())
	stop()
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pipeline.Measure(ctx, filepath.Join(p.dir, "mix.wav"), disc, groove.DefaultRoom(), pipeline.Options{TempDir: t.TempDir()}); !errors.Is(err, context.Canceled) {
		t.Errorf("measure: %v, want context.Canceled", err)
	}
	if _, err := pipeline.Check(ctx, p.out); !errors.Is(err, context.Canceled) {
		t.Errorf("check: %v, want context.Canceled", err)
	}
}

func TestMeasure(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "mix.wav")
	put(t, path, sampled(48000, 24, 3, sibilant(0.12)).bytesOfWAV(2))
	disc, err := groove.LookupDisc("7in-45")
	if err != nil {
		t.Fatal(err)
	}
	before := tree(t, dir)
	temp := t.TempDir()
	m, err := pipeline.Measure(context.Background(), path, disc, groove.DefaultRoom(), pipeline.Options{Version: "test", TempDir: temp})
	if err != nil {
		t.Fatal(err)
	}
	sameTree(t, "measured folder", before, tree(t, dir))
	sameTree(t, "envelopes", map[string]string{"/": ""}, tree(t, temp))
	if m.Reading.LengthS != 3 || m.File.Frames != 144000 || m.Reading.Groove.CurvatureRatioMax == nil {
		t.Errorf("measurement %+v", m.File)
	}
	var f *audio.FormatError
	if _, err := pipeline.Measure(context.Background(), filepath.Join(dir, "none.wav"), disc, groove.DefaultRoom(), pipeline.Options{}); !errors.As(err, &f) {
		t.Errorf("%T: %v; want an audio.FormatError", err, err)
	}
}
