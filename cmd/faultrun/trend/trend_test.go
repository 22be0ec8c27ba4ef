package trend

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

func line(n int, slope float64, noise func(i int) float64) (t, v []float64) {
	for i := range n {
		x := float64(i) / float64(n)
		t, v = append(t, x), append(v, 20+slope*x+noise(i))
	}
	return t, v
}

func TestSlopeOfALineIsExact(t *testing.T) {
	x, y := line(600, 3, func(int) float64 { return 0 })
	s, err := Of(x, y, 50)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []float64{s.Per, s.Low, s.High} {
		if math.Abs(v-3) > 1e-9 { // rounding
			t.Errorf("%+v, want 3", s)
		}
	}
}

func TestJumpsAndSawTeethDoNotCount(t *testing.T) {
	x, y := line(600, 0.5, func(i int) float64 {
		if i%97 == 0 {
			return 40 // a spike
		}
		return float64(i % 7) // a collector's saw tooth
	})
	s, err := Of(x, y, 50)
	if err != nil {
		t.Fatal(err)
	}
	// Half of a step of the saw tooth, which the medians of blocks of 12 keep.
	if math.Abs(s.Per-0.5) > 0.5 || s.Low > 0.5 || s.High < 0.5 {
		t.Errorf("%+v, want 0.5", s)
	}
}

// The interval holds the truth as often as it says, for independent noise and,
// where the widening matters, for noise whose neighbours are alike.
func TestIntervalHoldsTheTruth(t *testing.T) {
	for _, c := range []struct {
		name  string
		phi   float64 // of a first-order autoregression from block to block
		least int     // of 400
	}{
		{"independent", 0, 372},  // 95 % less four standard errors of the count
		{"neighbours", 0.6, 340}, // lag1 is estimated from 50 blocks, too low on the whole
	} {
		r := rand.New(rand.NewPCG(1, 2))
		held := 0
		for range 400 {
			state := 0.0
			x, y := line(50, 2, func(int) float64 {
				state = c.phi*state + r.NormFloat64()
				return state
			})
			s, err := Of(x, y, 50)
			if err != nil {
				t.Fatal(err)
			}
			if s.Low <= 2 && 2 <= s.High {
				held++
			}
		}
		if held < c.least {
			t.Errorf("%s: the interval held the truth in %d of 400, want %d", c.name, held, c.least)
		}
	}
}

func TestFewSamplesAreRefused(t *testing.T) {
	x, y := line(9, 1, func(int) float64 { return 0 })
	if _, err := Of(x, y, 50); !errors.Is(err, ErrFew) {
		t.Errorf("nine samples: %v", err)
	}
	if _, err := Of(nil, nil, 50); !errors.Is(err, ErrFew) {
		t.Errorf("none: %v", err)
	}
}
