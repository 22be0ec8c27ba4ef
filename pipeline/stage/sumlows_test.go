package stage

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/stage/stagetest"
)

// closedForm is the analogue magnitude of a slope, x = f/crossover. Matched
// needs slopes an all-pass can follow: its 12 dB/oct is two equal first orders.
func closedForm(p SumLowsParams, x float64) float64 {
	switch {
	case p.SlopeDB == 6:
		return x / math.Hypot(1, x)
	case p.SlopeDB == 12 && p.Phase == PhaseMatched:
		return x * x / (1 + x*x)
	case p.SlopeDB == 12:
		return x * x / math.Sqrt(1+x*x*x*x)
	default:
		return x * x * x * x / (1 + x*x*x*x)
	}
}

var sumLowsShapes = []SumLowsParams{
	{SlopeDB: 6, Phase: PhaseMinimum}, {SlopeDB: 12, Phase: PhaseMinimum}, {SlopeDB: 24, Phase: PhaseMinimum},
	{SlopeDB: 12, Phase: PhaseMatched}, {SlopeDB: 24, Phase: PhaseMatched},
	{SlopeDB: 6, Phase: PhaseLinear}, {SlopeDB: 12, Phase: PhaseLinear}, {SlopeDB: 24, Phase: PhaseLinear},
}

// sideResponse measures what becomes of a side impulse; origin is its frame.
func sideResponse(t *testing.T, p SumLowsParams, rate int) (side []float64, origin int) {
	t.Helper()
	f := must[*SumLowsFilter](t)(NewSumLows(p, rate))
	after := int(10 / p.CrossoverHz * float64(rate))
	before := 0
	if f.lin != nil {
		before = f.lin.half + 1
		after = before
	}
	out := pulse(f, 1, -1, before, after)
	mid, side := midAndSide(out)
	for i, m := range mid {
		if m != 0 {
			t.Fatalf("%+v at %d: a side impulse leaves %g in mid at frame %d", p, rate, m, i)
		}
	}
	return side, before
}

// TestSumLowsResponse holds every slope and phase to its closed form at every
// rate. 0.03 dB: the bilinear transform at 500 Hz and 44.1 kHz, and the finite
// kernel of linear.
func TestSumLowsResponse(t *testing.T) {
	for _, rate := range allRates {
		for _, p := range sumLowsShapes {
			for _, fc := range []float64{100, 500} {
				p.CrossoverHz = fc
				side, origin := sideResponse(t, p, rate)
				for _, x := range []float64{0.25, 0.5, 1, 2, 5} {
					got, want := db(spectrumAt(side, origin, rate, x*fc)), 20*math.Log10(closedForm(p, x))
					if math.Abs(got-want) > 0.03 {
						t.Errorf("slope %d, %s, %g Hz at %d: %.3f dB at %g Hz, want %.3f", p.SlopeDB, p.Phase, fc, rate, got, x*fc, want)
					}
				}
			}
		}
	}
}

// TestSumLowsPublishedFigures: first order -3.01 dB at the crossover and -6.99
// an octave below, Butterworth -3.01 and -12.30, Linkwitz-Riley -6.02 and
// -24.61 (Linkwitz, JAES 24, 1976). 0.02 dB: the figures have two decimals.
func TestSumLowsPublishedFigures(t *testing.T) {
	for _, c := range []struct {
		slope            int
		phase            string
		atFC, octaveDown float64
	}{
		{6, PhaseMinimum, -3.01, -6.99}, {12, PhaseMinimum, -3.01, -12.30}, {24, PhaseMinimum, -6.02, -24.61},
		{6, PhaseLinear, -3.01, -6.99}, {12, PhaseLinear, -3.01, -12.30}, {24, PhaseLinear, -6.02, -24.61},
		{12, PhaseMatched, -6.02, -13.98}, {24, PhaseMatched, -6.02, -24.61},
	} {
		side, o := sideResponse(t, SumLowsParams{CrossoverHz: 150, SlopeDB: c.slope, Phase: c.phase}, 96000)
		if g := db(spectrumAt(side, o, 96000, 150)); math.Abs(g-c.atFC) > 0.02 {
			t.Errorf("slope %d, %s: %.3f dB at the crossover, want %.2f", c.slope, c.phase, g, c.atFC)
		}
		if g := db(spectrumAt(side, o, 96000, 75)); math.Abs(g-c.octaveDown) > 0.02 {
			t.Errorf("slope %d, %s: %.3f dB an octave below, want %.2f", c.slope, c.phase, g, c.octaveDown)
		}
	}
}

// tone is a steady sine of opposite sign, or of equal sign, in the channels.
func tone(rate, frames int, hz, left, right float64) audio.Block {
	b := audio.NewBlock(frames)
	for i := range b.L {
		s := math.Sin(2 * math.Pi * hz * float64(i) / float64(rate))
		b.L[i], b.R[i] = left*s, right*s
	}
	return b
}

// TestSumLowsOnASteadyTone: 50 Hz in opposition through Butterworth at 150 Hz
// comes out 19.14 dB lower, 10 lg(1+3^4); equal channels come out as the same
// bits. 0.05 dB: the closed form is analogue.
func TestSumLowsOnASteadyTone(t *testing.T) {
	const rate = 44100
	for _, phase := range []string{PhaseMinimum, PhaseLinear} {
		p := SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: phase}
		out := stagetest.Feed(must[*SumLowsFilter](t)(NewSumLows(p, rate)), tone(rate, rate, 50, 0.5, -0.5), 1000)
		peak := 0.0
		for _, v := range out.L[rate/2 : rate*3/4] {
			peak = math.Max(peak, math.Abs(v))
		}
		if g := 20 * math.Log10(peak/0.5); math.Abs(g+19.14) > 0.05 {
			t.Errorf("%s: 50 Hz in opposition comes out at %.3f dB, want -19.14", phase, g)
		}
		mono := tone(rate, rate/4, 50, 0.5, 0.5)
		out = stagetest.Feed(must[*SumLowsFilter](t)(NewSumLows(p, rate)), mono, 1000)
		wantSame(t, phase+", equal channels, left", out.L, mono.L)
		wantSame(t, phase+", equal channels, right", out.R, mono.R)
	}
}

// TestSumLowsPhases: matched keeps mid and side in step everywhere, so a sound
// panned between the channels does not tilt near the crossover; linear moves no
// frequency at all. 0.5 degree is far below what is heard; what is found is
// rounding and the window.
func TestSumLowsPhases(t *testing.T) {
	const fc = 150.0
	for _, rate := range []int{44100, 192000} {
		for _, p := range sumLowsShapes {
			p.CrossoverHz = fc
			f := must[*SumLowsFilter](t)(NewSumLows(p, rate))
			before := 0
			if f.lin != nil {
				before = f.lin.half + 1
			}
			out := pulse(f, 1, 0, before, rate/10)
			mid, side := midAndSide(out)
			worst := 0.0
			for hz := 20.0; hz < 20000; hz *= 1.25 {
				m, s := spectrumAt(mid, before, rate, hz), spectrumAt(side, before, rate, hz)
				switch p.Phase {
				case PhaseMatched:
					if g := db(2 * m); math.Abs(g) > 0.001 {
						t.Errorf("slope %d at %d: mid changes by %.4f dB at %g Hz", p.SlopeDB, rate, g, hz)
					}
					worst = math.Max(worst, math.Abs(cmplx.Phase(s/m)))
				case PhaseLinear:
					worst = math.Max(worst, math.Abs(cmplx.Phase(s)))
				}
			}
			if deg := worst * 180 / math.Pi; deg > 0.5 {
				t.Errorf("slope %d, %s at %d: phases part by %.2f degrees", p.SlopeDB, p.Phase, rate, deg)
			}
		}
	}
}

// TestSumLowsLeavesMidAlone: in minimum and linear L+R stays what it was, but
// for the rounding of one sum, 2^-52 of full scale.
func TestSumLowsLeavesMidAlone(t *testing.T) {
	in := stagetest.Programme(48000, 20000, 4)
	for _, p := range sumLowsShapes {
		if p.Phase == PhaseMatched {
			continue
		}
		p.CrossoverHz = 200
		out := stagetest.Feed(must[*SumLowsFilter](t)(NewSumLows(p, 48000)), in, 777)
		for i := range in.L {
			if d := (out.L[i] + out.R[i]) - (in.L[i] + in.R[i]); math.Abs(d) > 0x1p-52 {
				t.Fatalf("slope %d, %s: L+R changes by %g at frame %d", p.SlopeDB, p.Phase, d, i)
			}
		}
	}
}

// TestSumLowsLinearTakesAllDC: what is left of a constant side is rounding.
func TestSumLowsLinearTakesAllDC(t *testing.T) {
	for _, slope := range []int{6, 12, 24} {
		f := must[*SumLowsFilter](t)(NewSumLows(SumLowsParams{CrossoverHz: 100, SlopeDB: slope, Phase: PhaseLinear}, 44100))
		in := audio.NewBlock(30000)
		for i := range in.L {
			in.L[i], in.R[i] = 0.3, -0.1
		}
		out := stagetest.Feed(f, in, 4096)
		if s := (out.L[15000] - out.R[15000]) / 2; math.Abs(s) > 1e-12 {
			t.Errorf("slope %d: of a constant side of 0.2, %g is left", slope, s)
		}
	}
}

func TestSumLowsRefusesMatchedFirstOrder(t *testing.T) {
	_, err := NewSumLows(SumLowsParams{CrossoverHz: 150, SlopeDB: 6, Phase: PhaseMatched}, 48000)
	if err == nil || !strings.Contains(err.Error(), "slope 12 or 24") {
		t.Errorf("got %v, want an error that says which slopes there are", err)
	}
}

func ExampleNewSumLows() {
	p, err := NewSumLows(SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: PhaseMinimum}, 48000)
	if err != nil {
		fmt.Println(err)
		return
	}
	out := pulse(p, 1, -1, 0, 48000)
	fmt.Printf("side %.2f dB at 50 Hz\n", db(spectrumAt(out.L, 0, 48000, 50)))
	// Output: side -19.14 dB at 50 Hz
}
