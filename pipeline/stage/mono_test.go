package stage

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/stage/stagetest"
)

// TestMonoSumMakesASideOfNothing: a mono cut has no side signal at all, not
// almost none (IEC 60098 6.2.2: equal channels move the groove sideways only).
func TestMonoSumMakesASideOfNothing(t *testing.T) {
	in := stagetest.Programme(44100, 20000, 5)
	out := stagetest.Feed(MonoSum{}, in, 999)
	for i := range out.L {
		if out.L[i]-out.R[i] != 0 {
			t.Fatalf("frame %d: side %g", i, out.L[i]-out.R[i])
		}
		if want := (in.L[i] + in.R[i]) / 2; out.L[i] != want {
			t.Fatalf("frame %d: %g, want the mean %g", i, out.L[i], want)
		}
	}
}

func TestMonoSumOnItsEdges(t *testing.T) {
	tiny := 5e-324
	for _, c := range []struct {
		name       string
		l, r, want float64
	}{
		{"opposition vanishes", 0.7, -0.7, 0},
		{"one channel halves", 1, 0, 0.5},
		{"equal channels pass", 0.1, 0.1, 0.1},
		{"full scale", 1, 1, 1},
		{"negative zero", math.Copysign(0, -1), math.Copysign(0, -1), math.Copysign(0, -1)},
		{"smallest number", tiny, tiny, tiny},
	} {
		b := audio.Block{L: []float64{c.l}, R: []float64{c.r}}
		MonoSum{}.Process(b)
		if math.Float64bits(b.L[0]) != math.Float64bits(c.want) || math.Float64bits(b.R[0]) != math.Float64bits(c.want) {
			t.Errorf("%s: (%g, %g), want %g twice", c.name, b.L[0], b.R[0], c.want)
		}
	}
}

func ExampleMonoSum() {
	b := audio.Block{L: []float64{0.5, 0.25}, R: []float64{0, 0.25}}
	MonoSum{}.Process(b)
	fmt.Println(b.L, b.R)
	// Output: [0.25 0.25] [0.25 0.25]
}
