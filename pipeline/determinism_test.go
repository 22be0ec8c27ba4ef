package pipeline_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/sideplan"
)

// Output bytes depend on inputs, plan, room and version only.
func TestSameInputsGiveTheSameBytes(t *testing.T) {
	everything := func(t float64) (l, r float64) {
		l, r = quietMusic(t)
		x := 0.12 * gate(t, 0.2, 0.3) * sine(10000, t)
		y := 0.8 * gate(t, 0.6, 0.7) * sine(500, t)
		return l + x + y, r + x - y
	}
	for _, c := range []struct {
		name, extra string
		rate        int
		seconds     float64
	}{
		{"default chain", wideCaps, 44100, 1},
		{"all filters", "level: 1\n" + wideCaps + chainOf("{stage: block-infrasonic, when: always, slope: 24}", "{stage: band-limit, when: always}",
			"{stage: sum-lows, when: always, phase: linear}", "stage: de-ess", "stage: limit-sides", "stage: fit-level"), 48000, 0.9},
		{"mono, 16 bit", "mono: true\noutput: {bit_depth: 16}\n" + wideCaps, 96000, 0.5},
		{"estimates", "level: 0\n" + wideCaps + chainOf("{stage: de-ess, mode: estimate}", "{stage: limit-sides, mode: estimate}"), 44100, 0.5},
		{"converted", "level: 0\noutput: {sample_rate: 48000}\n" + wideCaps, 44100, 0.6},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, filepath.Join(dir, "mix.wav"), sampled(c.rate, 24, c.seconds, everything).bytesOfWAV(2))
			plan := loadPlan(t, dir, onePlan(innerDisc+c.extra))
			var first map[string]string
			ways := []struct{ block, cores int }{{0, 2}, {0, 1}, {7, 2}, {64, 2}, {4096, 1}, {65536, 2}}
			if c.name == "default chain" { // the slowest ways once
				ways = append(ways, struct{ block, cores int }{0, 2}, struct{ block, cores int }{1, 2})
			}
			for i, way := range ways {
				out := filepath.Join(dir, fmt.Sprint("out", i))
				cores := runtime.GOMAXPROCS(way.cores)
				r, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: out, Version: "test", AsTraced: true, BlockFrames: way.block})
				runtime.GOMAXPROCS(cores)
				if err != nil {
					t.Fatal(err)
				}
				got := tree(t, out)
				if i == 0 {
					first = got
					written, err := os.ReadFile(filepath.Join(out, pipeline.ReportName))
					if err != nil {
						t.Fatal(err)
					}
					var b bytes.Buffer
					if err := r.Write(&b); err != nil || !bytes.Equal(b.Bytes(), written) {
						t.Errorf("the report returned is not the report written (%v)", err)
					}
					continue
				}
				for name := range first {
					if got[name] != first[name] {
						t.Errorf("%s with blocks of %d on %d cores differs: %s", name, way.block, way.cores, whereJSONDiffers(first[name], got[name]))
					}
				}
				if len(got) != len(first) {
					t.Errorf("%d files, want %d", len(got), len(first))
				}
			}
		})
	}
}

// TestSidesPreparedAtOnce prepares as a worker with several slots does: a side is
// one goroutine, and sides share nothing that is written. It is the test for which
// the race detector is asked in this package.
func TestSidesPreparedAtOnce(t *testing.T) {
	loud := func(t float64) (l, r float64) {
		l, r = quietMusic(t)
		x := 0.12 * gate(t, 0.1, 0.2) * sine(10000, t)
		return l + x, r - x
	}
	sides := []struct {
		name, extra string
		rate        int
	}{
		{"default chain", wideCaps, 44100},
		{"same again", wideCaps, 44100},
		{"converted and mono", "mono: true\noutput: {sample_rate: 48000}\n" + wideCaps, 44100},
		{"estimates", chainOf("{stage: de-ess, mode: estimate}", "{stage: limit-sides, mode: estimate}") + "level: 0\n" + wideCaps, 48000},
	}
	opt := func(out string) pipeline.Options {
		return pipeline.Options{OutDir: out, Version: "test", AsTraced: true}
	}
	plans, alone := make([]*sideplan.Plan, len(sides)), make([]map[string]string, len(sides))
	dir := t.TempDir()
	for i, s := range sides {
		in := filepath.Join(dir, fmt.Sprint("in", i))
		if err := os.Mkdir(in, 0o755); err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(in, "mix.wav"), sampled(s.rate, 24, 0.4, loud).bytesOfWAV(2))
		plans[i] = loadPlan(t, in, onePlan(innerDisc+s.extra))
		out := filepath.Join(dir, fmt.Sprint("alone", i))
		if _, err := pipeline.Prepare(context.Background(), plans[i], opt(out)); err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		alone[i] = tree(t, out)
	}
	// Every plan twice at the same time: a plan is read, never written.
	var all sync.WaitGroup
	errs := make([]error, 2*len(sides))
	for k := range errs {
		all.Go(func() {
			_, errs[k] = pipeline.Prepare(context.Background(), plans[k/2], opt(filepath.Join(dir, fmt.Sprint("at-once", k))))
		})
	}
	all.Wait()
	for k, err := range errs {
		if err != nil {
			t.Errorf("%s: %v", sides[k/2].name, err)
			continue
		}
		got := tree(t, filepath.Join(dir, fmt.Sprint("at-once", k)))
		for name, want := range alone[k/2] {
			if got[name] != want {
				t.Errorf("%s: %s differs from that of the side prepared alone: %s", sides[k/2].name, name, whereJSONDiffers(want, got[name]))
			}
		}
		if len(got) != len(alone[k/2]) {
			t.Errorf("%s: %d files, alone %d", sides[k/2].name, len(got), len(alone[k/2]))
		}
	}
}

// whereJSONDiffers names the first line of two JSON texts that differs, or the
// first byte of anything else.
func whereJSONDiffers(a, b string) string {
	x, y := bytes.Split([]byte(a), []byte("\n")), bytes.Split([]byte(b), []byte("\n"))
	if json.Valid([]byte(a)) {
		for i := range x {
			if i >= len(y) || !bytes.Equal(x[i], y[i]) {
				return fmt.Sprintf("line %d: %s", i+1, x[i])
			}
		}
	}
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			return fmt.Sprintf("byte %d of %d", i, len(a))
		}
	}
	return fmt.Sprintf("%d bytes more", len(b)-len(a))
}
