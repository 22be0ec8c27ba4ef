//go:build battery

package pipeline_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/sideplan"
	"discsafe/testdata/programme"
)

// The same inputs, plan, room and version give the same bytes, whatever the
// block size, the number of cores, or the run.
func TestDeterminism(t *testing.T) {
	type way struct{ block, cores int }
	for _, c := range []struct {
		id      string
		seconds float64
		ways    []way
	}{
		{"band-hot", 6, []way{{0, 1}, {0, 2}, {64, 2}, {4096, 1}, {65536, 2}, {0, 2}}},
		{"kick-alternating", 5, []way{{0, 1}, {64, 1}, {4096, 2}, {65536, 2}}},
		{"sibilant-left-96", 4, []way{{0, 2}, {64, 2}, {65536, 1}}},
		{"square-antiphase", 3, []way{{0, 2}, {7, 1}, {4096, 2}}},
		{"rumble-8", 3, []way{{0, 1}, {7, 2}, {65536, 2}}},
		{"ultrasonic-noise-192", 1.5, []way{{0, 2}, {7, 2}, {64, 1}}},
		{"float-over", 2, []way{{0, 2}, {1, 2}, {7, 1}}},
		{"wide-mids", 2, []way{{0, 2}, {1, 1}, {7, 2}}},
		{"one-frame", 0, []way{{0, 2}, {1, 1}, {65536, 2}}},
	} {
		t.Run(c.id, func(t *testing.T) {
			p, err := programme.ByID(c.id)
			if err != nil {
				t.Fatal(err)
			}
			p.DurationS = c.seconds
			dir := t.TempDir()
			planPath, err := p.Build(dir)
			if err != nil {
				t.Fatal(err)
			}
			var first map[string][]byte
			for i, w := range c.ways {
				got := preparedBytes(t, planPath, filepath.Join(dir, fmt.Sprint("out", i)), w.block, w.cores)
				if i == 0 {
					first = got
					continue
				}
				for name, want := range first {
					if !bytes.Equal(got[name], want) {
						t.Errorf("%s with blocks of %d on %d cores differs from blocks of %d on %d cores, first at byte %d of %d (%d)",
							name, w.block, w.cores, c.ways[0].block, c.ways[0].cores, firstDifference(got[name], want), len(got[name]), len(want))
					}
				}
			}
		})
	}
}

func firstDifference(a, b []byte) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}

func preparedBytes(t *testing.T, planPath, out string, block, cores int) map[string][]byte {
	t.Helper()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
	plan, err := sideplan.Load(planPath)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: out, Version: "battery", BlockFrames: block}); err != nil {
		t.Fatalf("prepare with blocks of %d: %v", block, err)
	}
	got := map[string][]byte{}
	for _, name := range []string{"premaster.wav", "difference.wav", "report.json"} {
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		got[name] = b
	}
	// Time taken is the one thing that may differ.
	var report map[string]json.RawMessage
	if err := json.Unmarshal(got["report.json"], &report); err != nil {
		t.Fatal(err)
	}
	delete(report, "timing")
	if got["report.json"], err = json.Marshal(report); err != nil {
		t.Fatal(err)
	}
	return got
}
