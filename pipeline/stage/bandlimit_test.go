package stage

import (
	"math"
	"strings"
	"testing"

	"discsafe/pipeline/dsp"
	"discsafe/pipeline/stage/stagetest"
)

// TestBandLimitResponse: within 0.1 dB to the cutoff, as its parameter says,
// and 80 dB down at 1.25 times it or at half the rate, whichever is lower. 2 dB:
// the length by Kaiser's rule is an estimate (Kaiser 1974).
func TestBandLimitResponse(t *testing.T) {
	for _, rate := range allRates {
		for _, cutoff := range []float64{12000, 16000, 20000, 24000} {
			p, err := NewBandLimit(BandLimitParams{CutoffHz: cutoff}, rate)
			if err != nil {
				if cutoff*1.04 <= float64(rate)/2 {
					t.Errorf("%g Hz at %d: %v", cutoff, rate, err)
				}
				continue
			}
			for hz := 0.0; hz <= cutoff; hz += cutoff / 300 {
				if g := 20 * math.Log10(dsp.Response(p.Taps(), float64(rate), hz)); math.Abs(g) > 0.1 {
					t.Fatalf("%g Hz at %d: %.3f dB at %g Hz, want 0 within 0.1", cutoff, rate, g, hz)
				}
			}
			from := math.Min(cutoff*1.25, float64(rate)/2)
			for hz := from; hz <= float64(rate)/2; hz += 37 {
				if g := 20 * math.Log10(dsp.Response(p.Taps(), float64(rate), hz)); g > -78 {
					t.Fatalf("%g Hz at %d: %.1f dB at %g Hz, want at most -78", cutoff, rate, g, hz)
				}
			}
		}
	}
}

// TestBandLimitIsLinearPhase: what comes out is symmetric about the impulse, to
// the bit, so no frequency is moved in time, and both channels are alike.
func TestBandLimitIsLinearPhase(t *testing.T) {
	p := must[*BandFilter](t)(NewBandLimit(BandLimitParams{CutoffHz: 20000}, 48000))
	n := p.Delay() + 5
	out := pulse(p, 1, -1, n, n+1)
	for k := 1; k <= n; k++ {
		if out.L[n-k] != out.L[n+k] || out.L[n+k] != -out.R[n+k] {
			t.Fatalf("%d frames around the impulse: %g and %g, right %g", k, out.L[n-k], out.L[n+k], out.R[n+k])
		}
	}
	for i, c := range p.Taps() {
		if out.L[n-p.Delay()+i] != c {
			t.Fatalf("tap %d comes out as %g, want %g", i, out.L[n-p.Delay()+i], c)
		}
	}
}

func TestBandLimitKeepsWhatItPasses(t *testing.T) {
	const rate = 96000
	in := stagetest.Programme(rate, 20000, 3) // tones up to 8 kHz and a little noise
	p := must[*BandFilter](t)(NewBandLimit(BandLimitParams{CutoffHz: 20000}, rate))
	out := stagetest.Feed(p, in, 512)
	var diff, sum float64
	for i := range in.L {
		diff += (out.L[i] - in.L[i]) * (out.L[i] - in.L[i])
		sum += in.L[i] * in.L[i]
	}
	// The noise, -49 dB of the sound, loses what lies above 20 kHz of 48.
	if r := 10 * math.Log10(diff/sum); r > -25 {
		t.Errorf("what is taken away is %.1f dB of the sound, want below -25", r)
	}
}

func TestBandLimitRefusesWhereThereIsNoRoom(t *testing.T) {
	for _, c := range []struct {
		cutoff float64
		rate   int
		ok     bool
	}{{24000, 44100, false}, {24000, 48000, false}, {21500, 44100, false}, {21000, 44100, true}, {23000, 48000, true}, {24000, 88200, true}} {
		p, err := NewBandLimit(BandLimitParams{CutoffHz: c.cutoff}, c.rate)
		switch {
		case c.ok && err != nil:
			t.Errorf("%g Hz at %d: %v", c.cutoff, c.rate, err)
		case !c.ok && err == nil:
			t.Errorf("%g Hz at %d: got a filter of %d taps, want an error", c.cutoff, c.rate, len(p.Taps()))
		case !c.ok && !strings.Contains(err.Error(), "cutoff_hz"):
			t.Errorf("%g Hz at %d: %q does not name the field to change", c.cutoff, c.rate, err)
		}
	}
}
