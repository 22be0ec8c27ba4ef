package pipeline_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
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

// premasterOf opens passages of a written premaster.
func premasterOf(p prepared) pipeline.PassageOpener {
	return func(_ context.Context, from, to float64) (audio.Source, error) {
		r, err := wav.Open(filepath.Join(p.out, pipeline.PremasterName))
		if err != nil {
			return nil, err
		}
		rate := float64(r.Format().SampleRateHz)
		f := int64(math.Round(from * rate))
		return &part{r, min(int64(math.Round(to*rate)), r.Frames()) - f, 0}, r.SeekFrame(f)
	}
}

// part is so many frames of a source.
type part struct {
	audio.Source
	n, at int64
}

func (p *part) Frames() int64 { return p.n }
func (p *part) Read(b audio.Block) (int, error) {
	if p.at == p.n {
		return 0, io.EOF
	}
	n, err := p.Source.Read(b.Slice(0, int(min(int64(b.Len()), p.n-p.at))))
	p.at += int64(n)
	return n, err
}

// Computed from a passage of the premaster, as traced is what was written. The
// bound is one step of 24 bit, in a few of a hundred samples where the wall is
// bent most and in hardly any elsewhere: see AsTraced.
func TestAsTracedOfAPassage(t *testing.T) {
	const stepBound, shareBound = 1, 0.05
	for _, c := range []struct {
		rate  int
		extra string
		w     wave
	}{{44100, innerDisc + wideCaps, sibilant(0.2)}, {96000, innerDisc + wideCaps + "level: -1\n", opposed(0.3)},
		{48000, innerDisc + wideCaps, func(t float64) (l, r float64) { l, r = quietMusic(t); return l + 0.2*sine(25, t), r + 0.2*sine(31, t) }}} {
		t.Run(fmt.Sprint(c.rate), func(t *testing.T) {
			p := prepare(t, sampled(c.rate, 24, 9, c.w), c.extra, withTraced)
			cut, err := pipeline.CutOf(p.report)
			if err != nil {
				t.Fatal(err)
			}
			want := traced(t, p)
			for _, span := range [][2]float64{{0, 2}, {1.4, 1.8}, {6.7, 8.2}, {8.5, 100}} {
				src, err := pipeline.AsTraced(t.Context(), cut, premasterOf(p), span[0], span[1])
				if err != nil {
					t.Fatal(err)
				}
				l, r := wholly(t, src)
				from := int(math.Round(span[0] * float64(c.rate)))
				if n := min(int(math.Round(span[1]*float64(c.rate))), want.frames()) - from; len(l) != n {
					t.Fatalf("from %g s: %d frames, want %d", span[0], len(l), n)
				}
				off := 0
				for i := range l {
					a, b := l[i]*(1<<23)-float64(want.l[from+i]), r[i]*(1<<23)-float64(want.r[from+i])
					if math.Abs(a) > stepBound || math.Abs(b) > stepBound {
						t.Fatalf("from %g s, frame %d: off by %g, %g steps", span[0], i, a, b)
					}
					if a != 0 || b != 0 {
						off++
					}
				}
				if share := float64(off) / float64(len(l)); share > shareBound {
					t.Errorf("from %g s: %.2f %% of the frames differ", span[0], 100*share)
				} else {
					t.Logf("from %g s: %d of %d frames differ by a step", span[0], off, len(l))
				}
			}
			if _, err := pipeline.AsTraced(t.Context(), cut, premasterOf(p), 10, 11); err == nil {
				t.Error("a passage beyond the side is there")
			}
		})
	}
}
