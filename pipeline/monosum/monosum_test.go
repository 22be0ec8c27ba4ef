package monosum

import (
	"math"
	"math/rand/v2"
	"testing"

	"discsafe/pipeline/audio"
)

func run(t *testing.T, rate int, seconds float64, block int, f func(at float64, i int) (l, r float64)) Result {
	t.Helper()
	m, err := New(rate)
	if err != nil {
		t.Fatal(err)
	}
	n := int(seconds * float64(rate))
	b := audio.NewBlock(block)
	for at := 0; at < n; at += block {
		k := min(block, n-at)
		for i := range k {
			b.L[i], b.R[i] = f(float64(at+i)/float64(rate), at+i)
		}
		m.Add(b.Slice(0, k))
	}
	return m.Result()
}

func tone(hz, at float64) float64 { return math.Sin(2 * math.Pi * hz * at) }

// Closed forms: equal channels lose nothing, opposed ones everything, two tones
// at a right angle in phase 3.0103 dB; of a tone in one channel alone half the power
// is left (M = S).
func TestClosedForms(t *testing.T) {
	for name, c := range map[string]struct {
		f    func(at float64, i int) (l, r float64)
		want float64
	}{
		"equal":       {func(at float64, _ int) (l, r float64) { v := 0.3 * tone(1000, at); return v, v }, 0},
		"opposed":     {func(at float64, _ int) (l, r float64) { v := 0.3 * tone(1000, at); return v, -v }, math.Inf(1)},
		"right angle": {func(at float64, _ int) (l, r float64) { return 0.3 * tone(1000, at), 0.3 * tone(1000, at+0.00025) }, 3.0103},
		"one channel": {func(at float64, _ int) (l, r float64) { return 0.3 * tone(1000, at), 0 }, 3.0103},
	} {
		for _, rate := range []int{44100, 48000, 96000, 192000} {
			r := run(t, rate, 3, 1000, c.f)
			b := r.Bands[5]
			if b.Hz != 1000 || !(math.Abs(b.LossDB-c.want) < 0.001 || math.IsInf(c.want, 1) && math.IsInf(b.LossDB, 1)) {
				t.Errorf("%s at %d Hz: %g dB lost in the octave of %g Hz, want %g", name, rate, b.LossDB, b.Hz, c.want)
			}
			// A channel's rms; 0.1 dB for blocks that hold no whole number of waves.
			want := 20 * math.Log10(0.3/math.Sqrt2)
			if name == "one channel" {
				want -= 3.0103
			}
			if math.Abs(b.StereoDBFS-want) > 0.3 {
				t.Errorf("%s at %d Hz: %g dBFS, want %g", name, rate, b.StereoDBFS, want)
			}
			if silent := r.Bands[0]; !math.IsNaN(silent.LossDB) && silent.StereoDBFS > -70 {
				t.Errorf("%s: the octave of 31 Hz has %g dBFS", name, silent.StereoDBFS)
			}
		}
	}
}

// Unrelated noise loses 3.01 dB in every band (expectation of independent signals).
func TestUnrelatedNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	got := run(t, 48000, 60, 4801, func(float64, int) (float64, float64) { return 0.1 * r.NormFloat64(), 0.1 * r.NormFloat64() })
	for _, b := range got.Bands {
		// Two bins of the lowest octave, 700 blocks: 1/sqrt(1400) of the power.
		if math.Abs(b.LossDB-3.0103) > 0.3 {
			t.Errorf("%g Hz: %g dB", b.Hz, b.LossDB)
		}
	}
	if len(got.Passages) != 0 {
		t.Errorf("passages %+v", got.Passages)
	}
}

// A stretch whose bass is opposed is found, with its octave and its time.
func TestPassages(t *testing.T) {
	for _, block := range []int{64, 4096, 48000} {
		got := run(t, 48000, 20, block, func(at float64, _ int) (l, r float64) {
			v := 0.1 * tone(1000, at)
			l, r = v, v
			if at >= 5 && at < 9 {
				x := 0.2 * tone(62.5, at) * math.Min(1, math.Min(at-5, 9-at)/0.2)
				l, r = l+x, r-x
			}
			return l, r
		})
		if len(got.Passages) != 1 {
			t.Fatalf("%d passages: %+v", len(got.Passages), got.Passages)
		}
		p := got.Passages[0]
		if p.Hz != 62.5 || math.Abs(p.StartS-5) > 1.05 || math.Abs(p.EndS-9) > 1.05 || p.LossDB < 20 {
			t.Errorf("block %d: %+v", block, p)
		}
	}
}

func TestSilenceAndNothing(t *testing.T) {
	for _, seconds := range []float64{0, 2} {
		r := run(t, 44100, seconds, 512, func(float64, int) (float64, float64) { return 0, 0 })
		if !math.IsNaN(r.LossDB) || len(r.Passages) > 0 || !math.IsInf(r.Bands[3].StereoDBFS, -1) {
			t.Errorf("%g s: %+v", seconds, r)
		}
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	m, err := New(96000)
	if err != nil {
		t.Fatal(err)
	}
	b := audio.NewBlock(4096)
	if n := testing.AllocsPerRun(20, func() { m.Add(b) }); n > 0 {
		t.Errorf("%g allocations a block", n)
	}
}

func BenchmarkMeter(b *testing.B) {
	m, err := New(96000)
	if err != nil {
		b.Fatal(err)
	}
	block := audio.NewBlock(4096)
	for i := range block.L {
		block.L[i], block.R[i] = math.Sin(float64(i)), math.Cos(float64(i)*1.3)
	}
	b.ReportAllocs()
	for b.Loop() {
		m.Add(block)
	}
	b.ReportMetric(float64(b.N)*4096/96000/b.Elapsed().Seconds(), "x-realtime")
}
