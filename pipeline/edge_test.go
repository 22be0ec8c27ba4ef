package pipeline_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/report"
)

// constant is a programme whose samples are all the same.
func constant(rate, bits, frames int, l, r float64) pcm {
	return sampled(rate, bits, float64(frames)/float64(rate), func(float64) (float64, float64) { return l, r })
}

func square(hz, amplitude float64) wave {
	return func(t float64) (l, r float64) {
		x := amplitude
		if sine(hz, t) < 0 {
			x = -amplitude
		}
		return x, x
	}
}

// Every programme, however odd, ends in a whole result or a typed error.
func TestOddProgrammes(t *testing.T) {
	const turn = 79380 // frames of a turn at 44.1 kHz and 33 1/3: 1.8 s
	opposedSquare := func(t float64) (l, r float64) {
		l, _ = square(50, 1)(t)
		return l, -l
	}
	for _, c := range []struct {
		name  string
		mix   pcm
		extra string
		nulls []string // figures that cannot exist
	}{
		{"silence", silence(44100, 24, 3*44100), "", []string{"integrated_lufs", "max_true_peak_dbtp", "sample_peak_dbfs", "correlation", "side_to_mid_db"}},
		{"silence asked louder", silence(44100, 24, 44100), "level: 6\n", []string{"max_true_peak_dbtp"}},
		{"silence in mono", silence(44100, 16, 44100), "mono: true\n", []string{"max_true_peak_dbtp"}},
		{"one frame", constant(44100, 24, 1, 0.1, 0.1), "", []string{"integrated_lufs", "groove.min_land_um"}},
		{"one frame of silence", silence(96000, 24, 1), "", []string{"integrated_lufs", "sample_peak_dbfs"}},
		{"two frames", constant(48000, 24, 2, -1, 0.9), "", []string{"integrated_lufs"}},
		{"one sector", sampled(44100, 24, 221.0/44100, quietMusic), "", []string{"integrated_lufs", "groove.min_land_um"}},
		{"one sector less a frame", sampled(44100, 24, 220.0/44100, quietMusic), "", nil},
		{"one turn less a frame", sampled(44100, 24, float64(turn-1)/44100, quietMusic), "", []string{"groove.min_land_um"}},
		{"one turn", sampled(44100, 24, float64(turn)/44100, quietMusic), "", []string{"groove.min_land_um"}},
		{"one turn and a frame", sampled(44100, 24, float64(turn+1)/44100, quietMusic), "", nil},
		{"two turns", sampled(44100, 24, 2*float64(turn)/44100, quietMusic), "", nil},
		{"399 ms", sampled(44100, 24, 0.399, quietMusic), "", []string{"max_momentary_lufs", "integrated_lufs"}},
		{"DC", constant(44100, 24, 2*44100, 0.5, 0.5), "", nil},
		{"DC opposed", constant(44100, 24, 2*44100, 0.5, -0.5), "", nil},
		{"DC without filters", constant(44100, 24, 2*44100, 0.3, 0.3), chainOf("stage: fit-level"), nil},
		{"full-scale square", sampled(44100, 24, 1, square(100, 1)), "", nil},
		{"full-scale square at 0 dB", sampled(44100, 16, 1, square(1000, 1)), "level: 0\n", nil},
		{"full-scale square opposed", sampled(44100, 24, 1, opposedSquare), "", nil},
		{"square opposed, mono", sampled(44100, 24, 1, func(t float64) (l, r float64) { l, _ = square(50, 0.5)(t); return l, -l }), "mono: true\n", []string{"max_true_peak_dbtp"}},
		{"full-scale noise", noise(9, 48000, 24, 48000, 1), "", nil},
		{"full-scale noise at 192 kHz", noise(9, 192000, 24, 48000, 1), "", nil},
		{"alternating full scale", func() pcm {
			p := silence(48000, 24, 24000)
			for i := range p.l {
				p.l[i], p.r[i] = int32(1-2*(i%2))*8388607, int32(1-2*(i%2))*8388607
			}
			return p
		}(), "", nil},
		{"one click", func() pcm {
			p := silence(44100, 24, 2*44100)
			p.l[44100] = 8388607
			return p
		}(), "", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, filepath.Join(dir, "mix.wav"), c.mix.bytesOfWAV(2))
			out := filepath.Join(dir, "out")
			defer func() {
				if v := recover(); v != nil {
					t.Fatalf("panic: %v", v)
				}
			}()
			r, err := pipeline.Prepare(context.Background(), loadPlan(t, dir, onePlan(innerDisc+c.extra)), pipeline.Options{OutDir: out, Version: "test", AsTraced: true})
			if err != nil {
				var f *audio.FormatError
				if !errors.As(err, &f) {
					t.Fatalf("%T: %v; want a result or a typed error", err, err)
				}
				t.Fatalf("a sound file was refused: %v", err)
			}
			p := prepared{dir: dir, out: out, report: r}
			if got := p.premaster(t); got.frames() != c.mix.frames() {
				t.Errorf("premaster has %d frames, the mix %d", got.frames(), c.mix.frames())
			}
			if dl, _ := p.difference(t); len(dl) != c.mix.frames() {
				t.Errorf("difference has %d frames, the mix %d", len(dl), c.mix.frames())
			}
			if got := readPCM(t, filepath.Join(out, pipeline.AsTracedName)); got.frames() != c.mix.frames() {
				t.Errorf("as-traced has %d frames, the mix %d", got.frames(), c.mix.frames())
			}
			if err := r.Validate(); err != nil {
				t.Error(err)
			}
			for _, name := range c.nulls {
				if r.After.Unavailable[name] == "" {
					t.Errorf("%s has no reason for being null: %v", name, r.After.Unavailable)
				}
			}
			got, err := pipeline.Check(context.Background(), out)
			if err != nil || len(got.Faults) > 0 {
				t.Errorf("check: %+v, %v", got, err)
			}
			page, err := os.ReadFile(filepath.Join(out, pipeline.CuttingSheetName))
			if err != nil || len(page) == 0 {
				t.Errorf("cutting sheet: %d bytes, %v", len(page), err)
			}
		})
	}
}

func TestSilenceIsCutAsItIs(t *testing.T) {
	mix := silence(44100, 24, 4*44100)
	p := prepare(t, mix, innerDisc+"level: 0\n")
	wantIdentical(t, p, mix)
	g := p.report.After.Groove
	// An unmodulated groove: 60 um wide, 30 deep, no motion at all.
	for _, c := range []struct {
		name string
		v    *float64
		want float64
	}{
		{"lateral peak", g.LateralPeakUM, 0}, {"vertical peak", g.VerticalPeakUM, 0}, {"width", g.MinWidthUM, 60},
		{"depth", g.MaxDepthUM, 30}, {"acceleration", g.AccelerationPeakMS2, 0},
	} {
		if c.v == nil || math.Abs(*c.v-c.want) > 1e-6 {
			t.Errorf("%s is %v, want %g", c.name, c.v, c.want)
		}
	}
	if len(p.report.Changes) != 0 {
		t.Errorf("%d changes", len(p.report.Changes))
	}
	silent := false
	for _, r := range p.report.Verdict.Reasons {
		silent = silent || r.Code == "silent"
	}
	if !silent || p.report.Verdict.State != report.Attention {
		t.Errorf("verdict %s, %+v; silence must draw attention", p.report.Verdict.State, p.report.Verdict.Reasons)
	}
}

// DC moves the groove aside and is removed when it costs land; the report says
// so.
func TestDCDrawsAttention(t *testing.T) {
	p := prepare(t, constant(44100, 24, 3*44100, 0.01, 0.01), innerDisc+"level: 0\n")
	found := false
	for _, r := range p.report.Verdict.Reasons {
		found = found || r.Code == "dc-offset"
	}
	if !found {
		t.Errorf("reasons %+v, want dc-offset", p.report.Verdict.Reasons)
	}
}

func TestClippedMixDrawsAttention(t *testing.T) {
	p := prepare(t, sampled(44100, 24, 2, func(t float64) (l, r float64) {
		x := math.Max(-1, math.Min(1, 1.6*gate(t, 0.5, 1.5)*sine(220, t)))
		return x, x
	}), smallDisc+"level: -4\n"+wideCaps)
	found := false
	for _, r := range p.report.Verdict.Reasons {
		found = found || r.Code == "clipped"
	}
	if !found {
		t.Errorf("reasons %+v, want clipped", p.report.Verdict.Reasons)
	}
}

// At every rate and on both speeds.
func TestEveryRateAndSpeed(t *testing.T) {
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		for _, disc := range []string{innerDisc, smallDisc} {
			t.Run(fmt.Sprint(rate, disc[11:17]), func(t *testing.T) {
				mix := sampled(rate, 24, 1.8, sibilant(0.2))
				p := prepare(t, mix, disc+"level: 0\n"+wideCaps)
				if p.report.Verdict.State == report.Blocked {
					t.Errorf("blocked: %+v", p.report.Verdict.Reasons)
				}
				if len(p.report.Changes) == 0 {
					t.Error("de-ess had nothing to do")
				}
				wantDifference(t, p, mix, false)
			})
		}
	}
}

// A mix converted to the rate of the output keeps its length in time.
func TestConvertedMix(t *testing.T) {
	for _, c := range []struct{ from, to int }{{44100, 96000}, {96000, 44100}, {48000, 44100}} {
		t.Run(fmt.Sprint(c.from, " to ", c.to), func(t *testing.T) {
			mix := sampled(c.from, 24, 1, func(t float64) (l, r float64) {
				x := 0.05 * gate(t, 0.1, 0.9) * sine(1000, t)
				return x, -x / 2
			})
			p := prepare(t, mix, fmt.Sprintf("%slevel: 0\noutput: {sample_rate: %d}\n%s", innerDisc, c.to, chainOf("stage: fit-level")))
			got := p.premaster(t)
			if got.rate != c.to || got.frames() != c.to {
				t.Fatalf("premaster has %d frames at %d Hz, want %d", got.frames(), got.rate, c.to)
			}
			for i := range got.l {
				x := 0.05 * gate(float64(i)/float64(c.to), 0.1, 0.9) * sine(1000, float64(i)/float64(c.to))
				// 0.01 dB of pass-band ripple is 0.12 %, and two steps of
				// rounding twice.
				tol := 0.0012*0.05 + 4.0/(1<<23)
				if math.Abs(float64(got.l[i])/(1<<23)-x) > tol || math.Abs(float64(got.r[i])/(1<<23)+x/2) > tol {
					t.Fatalf("frame %d is %g, %g; want %g, %g", i, float64(got.l[i])/(1<<23), float64(got.r[i])/(1<<23), x, -x/2)
				}
			}
			if p.report.Proof.BitIdentical && c.from != c.to {
				t.Log("converted mixes count as the mix: bit_identical stands for no stage acting")
			}
		})
	}
}
