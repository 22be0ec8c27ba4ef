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
		// 20 a second within a pass; begin and end may stand closer.
		if p.PassNumber == q.PassNumber && p.Fraction < 1 && q.Fraction > 0 && at[i].Sub(at[i-1]) < 45*time.Millisecond {
			t.Errorf("calls %d and %d are %v apart", i-1, i, at[i].Sub(at[i-1]))
		}
	}
	if last := seen[len(seen)-1]; last.Fraction != 1 || last.PassNumber != last.Passes {
		t.Errorf("the last call is %+v, want the end of the last pass", last)
	}
	if first := seen[0]; first.PassNumber != 1 || first.Fraction != 0 {
		t.Errorf("the first call is %+v, want the start of the first pass", first)
	}
}

// A run stops within a block of being cancelled, in whatever pass.
func TestCancellationIsQuick(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(96000, 24, 8, sibilant(0.12)).bytesOfWAV(2))
	plan := loadPlan(t, dir, onePlan(innerDisc+wideCaps))
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var cancelled time.Time
	calls := 0
	_, err := pipeline.Prepare(ctx, plan, pipeline.Options{OutDir: filepath.Join(dir, "out"), BlockFrames: 64, Progress: func(p pipeline.Progress) {
		if cancelled.IsZero() && p.Fraction > 0 && p.Fraction < 1 {
			cancelled = time.Now()
			stop()
		} else if !cancelled.IsZero() {
			calls++
		}
	}})
	if cancelled.IsZero() {
		t.Fatal("no pass was told of half way")
	}
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
	// A block of 64 frames takes microseconds; 100 ms is a busy machine.
	if d := time.Since(cancelled); d > 100*time.Millisecond {
		t.Errorf("it took %v to stop", d)
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
