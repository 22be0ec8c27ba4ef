package pipeline_test

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline"
)

func withTraced(o *pipeline.Options) { o.AsTraced = true }

func traced(t *testing.T, p prepared) pcm {
	t.Helper()
	return readPCM(t, filepath.Join(p.out, pipeline.AsTracedName))
}

func TestAsTracedOnlyOnRequest(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 0.5, quietMusic), innerDisc)
	if _, err := os.Stat(filepath.Join(p.out, pipeline.AsTracedName)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("as-traced.wav is there without being asked for: %v", err)
	}
}

func TestAsTracedSilence(t *testing.T) {
	p := prepare(t, silence(44100, 24, 44100), innerDisc, withTraced)
	got := traced(t, p)
	for i := range got.l {
		if got.l[i] != 0 || got.r[i] != 0 {
			t.Fatalf("frame %d is %d, %d", i, got.l[i], got.r[i])
		}
	}
}

// harmonic returns the amplitude at hz of the middle of a signal, by projection
// on a Hann window.
func harmonic(x []int32, bits, rate int, hz float64) float64 {
	var re, im, sum float64
	n := len(x)
	for i := n / 4; i < 3*n/4; i++ {
		w := 1 - math.Cos(4*math.Pi*float64(i-n/4)/float64(n))
		ph := 2 * math.Pi * hz * float64(i) / float64(rate)
		v := float64(x[i]) / math.Ldexp(1, bits-1)
		re += w * v * math.Cos(ph)
		im += w * v * math.Sin(ph)
		sum += w
	}
	return 2 * math.Hypot(re, im) / sum
}

// At low level on the outside of a disc tracing changes next to nothing: c =
// R A k^2 of a 1 kHz tone at -30 dBFS is 0.001, the second harmonic half that.
func TestAsTracedIsCloseToThePremasterOutside(t *testing.T) {
	mix := sampled(44100, 24, 2, func(t float64) (l, r float64) {
		x := 0.03 * gate(t, 0.05, 1.95) * sine(1000, t)
		return x, 0.7 * x
	})
	p := prepare(t, mix, "disc: 12in-33\nlevel: 0\n", withTraced)
	pre, got := p.premaster(t), traced(t, p)
	if got.frames() != pre.frames() || got.rate != pre.rate || got.bits != 24 {
		t.Fatalf("as-traced has %d frames at %d Hz with %d bit", got.frames(), got.rate, got.bits)
	}
	// 1 %: 40 dB below the tone.
	for i := range got.l {
		if d := math.Abs(float64(got.l[i]-pre.l[i])) / (1 << 23); d > 0.01*0.03 {
			t.Fatalf("left differs by %.2g at frame %d", d, i)
		}
		if d := math.Abs(float64(got.r[i]-pre.r[i])) / (1 << 23); d > 0.01*0.03 {
			t.Fatalf("right differs by %.2g at frame %d", d, i)
		}
	}
}

// One channel alone at the inside: with c = R A k^2 the traced wall has a second
// harmonic of c/4 in displacement and c/2 in velocity, which is what playback
// hears (Pierce, Hunt 1938, from memory), less the fall of the playback curve.
func TestAsTracedSecondHarmonicOfOneChannel(t *testing.T) {
	const amplitude = 0.19952623149688797 // -14 dBFS: 3.5355 cm/s on one wall
	mix := sampled(48000, 24, 2, func(t float64) (l, r float64) {
		return amplitude * gate(t, 0.05, 1.95) * sine(1000, t), 0
	})
	p := prepare(t, mix, innerDisc+"level: 0\n"+chainOf("stage: fit-level"), withTraced)
	got := traced(t, p)
	first, second := harmonic(got.l, 24, 48000, 1000), harmonic(got.l, 24, 48000, 2000)
	radius := *p.report.Land.EndRadiusMM + *p.report.Land.StartRadius
	speed := 2 * math.Pi * radius / 2 * 1e-3 / 1.8
	k := 2 * math.Pi * 1000 / speed
	a := 0.05 / math.Sqrt2 / (2 * math.Pi * 1000)
	c := 12.7e-6 * a * k * k
	// The playback curve falls 2.589 dB from 1 to 2 kHz (IEC 60098 time
	// constants).
	want := c / 2 * math.Pow(10, -2.589/20)
	// 3 %: c/2 is the leading order, c is 0.06.
	if math.Abs(second/first/want-1) > 0.03 {
		t.Errorf("second harmonic %.4f of the first, want %.4f (c = %.4f)", second/first, want, c)
	}
	if math.Abs(first/amplitude-1) > 0.01 {
		t.Errorf("fundamental %.5f, want %.5f", first, amplitude)
	}
	if r := harmonic(got.r, 24, 48000, 1000); r > 1e-6 {
		t.Errorf("the silent wall speaks with %.2g", r)
	}
}

// Louder is worse: the harmonic share grows with level.
func TestAsTracedGrowsWithLevel(t *testing.T) {
	mix := sampled(48000, 24, 1, func(t float64) (l, r float64) {
		return 0.1 * gate(t, 0.05, 0.95) * sine(1000, t), 0
	})
	share := func(level string) float64 {
		got := traced(t, prepare(t, mix, innerDisc+"level: "+level+"\n"+chainOf("stage: fit-level"), withTraced))
		return harmonic(got.l, 24, 48000, 2000) / harmonic(got.l, 24, 48000, 1000)
	}
	low, high := share("-4"), share("4")
	if want := math.Pow(10, 8.0/20); math.Abs(high/low/want-1) > 0.05 {
		t.Errorf("8 dB more raises the share of the second harmonic %.3f times, want %.3f", high/low, want)
	}
}
