package pipeline_test

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"discsafe/pipeline"
)

// noise is seeded white noise of the given peak, so that every bit of every
// sample is used.
func noise(seed uint64, rate, bits, frames int, peak float64) pcm {
	p := pcm{rate: rate, bits: bits, l: make([]int32, frames), r: make([]int32, frames)}
	k := peak * math.Ldexp(1, bits-1)
	next := func() int32 {
		seed = seed*6364136223846793005 + 1442695040888963407 // MMIX, Knuth
		return int32(k * float64(int32(seed>>32)) / (1 << 31))
	}
	for i := range p.l {
		p.l[i], p.r[i] = next(), next()
	}
	return p
}

// wantIdentical holds everything a side must be whose PCM was not to change:
// the promise "no stage active and 0 dB means bit-identical PCM, no dither".
func wantIdentical(t *testing.T, p prepared, want pcm) {
	t.Helper()
	got := p.premaster(t)
	if got.frames() != want.frames() || got.rate != want.rate || got.bits != want.bits {
		t.Fatalf("premaster has %d frames at %d Hz with %d bit, want %d at %d with %d", got.frames(), got.rate, got.bits, want.frames(), want.rate, want.bits)
	}
	if i := got.firstDiffering(want); i >= 0 {
		t.Errorf("frame %d is %d, %d, the mix has %d, %d", i, got.l[i], got.r[i], want.l[i], want.r[i])
	}
	dl, dr := p.difference(t)
	if len(dl) != want.frames() {
		t.Errorf("difference has %d frames, want %d", len(dl), want.frames())
	}
	for i := range dl {
		if dl[i] != 0 || dr[i] != 0 {
			t.Errorf("difference is %g, %g at frame %d, want zero", dl[i], dr[i], i)
			break
		}
	}
	proof := p.report.Proof
	if !proof.BitIdentical || proof.Dithered || proof.Tightenings != 0 {
		t.Errorf("proof says bit identical %v, dithered %v, tightenings %d", proof.BitIdentical, proof.Dithered, proof.Tightenings)
	}
	if proof.ResidualLSB == nil || *proof.ResidualLSB != 0 {
		t.Errorf("residual %v, want 0", proof.ResidualLSB)
	}
	if p.report.Cut.FileGainDB != 0 {
		t.Errorf("file gain %g dB, want 0", p.report.Cut.FileGainDB)
	}
	for _, s := range p.report.Stages {
		if s.Active {
			t.Errorf("stage %s is reported as active", s.ID)
		}
	}
}

// widened is p with more bits: the same sound.
func widened(p pcm, bits int) pcm {
	q := pcm{rate: p.rate, bits: bits}
	for i := range p.l {
		q.l, q.r = append(q.l, p.l[i]<<(bits-p.bits)), append(q.r, p.r[i]<<(bits-p.bits))
	}
	return q
}

func joined(parts ...pcm) pcm {
	q := pcm{rate: parts[0].rate, bits: parts[0].bits}
	for _, p := range parts {
		q.l, q.r = append(q.l, p.l...), append(q.r, p.r...)
	}
	return q
}

func (p pcm) part(from, to int) pcm {
	return pcm{rate: p.rate, bits: p.bits, l: p.l[from:to], r: p.r[from:to]}
}

func silence(rate, bits, frames int) pcm {
	return pcm{rate: rate, bits: bits, l: make([]int32, frames), r: make([]int32, frames)}
}

// A peak of -62 dB keeps white noise within every limit at 62 mm, and what lies
// above 20 kHz below -60 dBFS: its wall
// acceleration stays below 300 m/s2.
const tame = 0.0008

func TestUntouchedSideIsBitIdentical(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		for _, c := range []struct{ in, out int }{{16, 16}, {16, 24}, {24, 24}} {
			t.Run(fmt.Sprintf("%d Hz, %d to %d bit", rate, c.in, c.out), func(t *testing.T) {
				mix := noise(1, rate, c.in, 3*rate+1, tame)
				p := prepare(t, mix, fmt.Sprintf("%slevel: 0\noutput: {bit_depth: %d}\n", innerDisc, c.out))
				wantIdentical(t, p, widened(mix, c.out))
			})
		}
	}
}

func TestUntouchedSideOfSeveralTracksIsBitIdentical(t *testing.T) {
	const rate = 44100
	dir := t.TempDir()
	a, b, c := noise(1, rate, 24, rate, tame), noise(2, rate, 24, 2*rate, tame), noise(3, rate, 24, rate+7, tame)
	put(t, filepath.Join(dir, "a.wav"), a.bytesOfWAV(2))
	put(t, filepath.Join(dir, "b.wav"), b.bytesOfWAV(2))
	put(t, filepath.Join(dir, "c.wav"), c.bytesOfWAV(1))
	p := prepareIn(t, dir, "side: B\nlevel: 0\n"+innerDisc+`tracks:
  - {file: a.wav, gap_s: 0.25}
  - {file: b.wav, gap_s: 1.5, trim: {start_s: 0.5, end_s: 1.25}}
  - {file: c.wav, gap_s: 0, title: third}
`)
	mono := pcm{rate: rate, bits: 24, l: c.l, r: c.l}
	wantIdentical(t, p, joined(silence(rate, 24, rate/4), a, silence(rate, 24, 3*rate/2), b.part(rate/2, rate*5/4), mono))
	for i, want := range []struct{ start, end float64 }{{0.25, 1.25}, {2.75, 3.5}, {3.5, 4.5 + 7.0/rate}} {
		got := p.report.Tracks[i]
		if math.Abs(got.StartS-want.start) > 1e-9 || math.Abs(got.EndS-want.end) > 1e-9 {
			t.Errorf("track %d is reported from %.6f to %.6f s, want %.6f to %.6f", i+1, got.StartS, got.EndS, want.start, want.end)
		}
	}
}

func TestUntouchedMonoFileIsBitIdentical(t *testing.T) {
	const rate = 48000
	dir := t.TempDir()
	mix := noise(4, rate, 16, 2*rate, tame)
	mix.r = mix.l
	put(t, filepath.Join(dir, "mix.wav"), mix.bytesOfWAV(1))
	p := prepareIn(t, dir, onePlan(innerDisc+"level: 0\noutput: {bit_depth: 16}\n"))
	wantIdentical(t, p, mix)
}

// Samples outside the mix's word length are rounded, and then dither is due:
// a 24-bit mix in a 16-bit premaster is not the mix.
func TestShorterWordsAreDithered(t *testing.T) {
	mix := noise(5, 44100, 24, 44100, tame)
	p := prepare(t, mix, innerDisc+"level: 0\noutput: {bit_depth: 16}\n")
	if proof := p.report.Proof; proof.BitIdentical || !proof.Dithered {
		t.Errorf("24 bit to 16 bit: proof says bit identical %v, dithered %v", proof.BitIdentical, proof.Dithered)
	}
	got := p.premaster(t)
	for i := range got.l {
		// TPDF dither of two steps peak to peak and rounding: 1.5 steps.
		if d := math.Abs(float64(got.l[i]) - float64(mix.l[i])/256); d > 1.5 {
			t.Fatalf("frame %d is %g steps from the mix, want at most 1.5", i, d)
		}
	}
}

func TestEstimateListsAndChangesNothing(t *testing.T) {
	mix := sampled(48000, 24, 3, sibilant(0.12))
	p := prepare(t, mix, innerDisc+"level: 0\n"+wideCaps+chainOf("{stage: de-ess, mode: estimate}", "{stage: limit-sides, mode: estimate}"))
	wantIdentical(t, p, mix)
	if len(p.report.Changes) == 0 {
		t.Fatal("de-ess in mode estimate lists no change")
	}
	applied := prepare(t, mix, innerDisc+"level: 0\n"+wideCaps+chainOf("stage: de-ess", "stage: limit-sides"))
	if got, want := len(p.report.Changes), len(applied.report.Changes); got != want {
		t.Errorf("estimate lists %d changes, apply %d", got, want)
	}
	for i, c := range p.report.Changes {
		if !c.Estimate {
			t.Errorf("change %d of %s is not marked as an estimate", i, c.Stage)
		}
		if c.After != nil {
			t.Errorf("change %d of %s states a value after treatment, %g, though nothing was treated", i, c.Stage, *c.After)
		}
		if want := applied.report.Changes[i]; c.StartS != want.StartS || c.EndS != want.EndS || math.Abs(c.MaxDB-want.MaxDB) > 0.01 {
			t.Errorf("change %d is estimated as %.3f-%.3f s, %.2f dB; applied it is %.3f-%.3f s, %.2f dB", i, c.StartS, c.EndS, c.MaxDB, want.StartS, want.EndS, want.MaxDB)
		}
	}
	if p.report.Verdict.State != "attention" {
		t.Errorf("a broken curvature limit that is only estimated gives %s, want attention", p.report.Verdict.State)
	}
}

func TestEstimateOfLimitSides(t *testing.T) {
	mix := sampled(48000, 24, 3, opposed(0.75))
	p := prepare(t, mix, innerDisc+"level: 0\n"+wideCaps+chainOf("{stage: limit-sides, mode: estimate}"))
	wantIdentical(t, p, mix)
	if len(p.report.Changes) == 0 || !p.report.Changes[0].Estimate {
		t.Fatalf("changes %v, want an estimate", p.report.Changes)
	}
	// Width and depth are the cutter's limits and hard.
	if p.report.Verdict.State != "blocked" {
		t.Errorf("a broken width that is only estimated gives %s, want blocked", p.report.Verdict.State)
	}
}

func TestMonoCut(t *testing.T) {
	// The side signal of a mono cut is exactly zero (IEC 60098 6.2.2: a mono
	// groove has lateral modulation only).
	for _, c := range []struct{ name, extra string }{
		{"untouched", "level: 0\n"},
		{"louder", "level: 3.3\n" + wideCaps},
		{"quieter, 16 bit", "level: -1.7\noutput: {bit_depth: 16}\n" + wideCaps},
		{"fitted", wideCaps},
	} {
		t.Run(c.name, func(t *testing.T) {
			mix := sampled(48000, 24, 3, func(t float64) (l, r float64) {
				l, r = sibilant(0.12)(t)
				return l + 0.3*gate(t, 0.2, 1)*sine(60, t), r - 0.25*gate(t, 0.2, 1)*sine(60, t)
			})
			p := prepare(t, mix, "mono: true\n"+innerDisc+c.extra)
			got := p.premaster(t)
			for i := range got.l {
				if got.l[i] != got.r[i] {
					t.Fatalf("frame %d: left %d, right %d", i, got.l[i], got.r[i])
				}
			}
			if m := p.report.Proof.MonoExact; m == nil || !*m {
				t.Errorf("proof.mono_exact %v, want true", m)
			}
			if v := p.report.After.Groove.VerticalPeakUM; v == nil || *v != 0 {
				t.Errorf("vertical peak %v um, want 0", v)
			}
			if v := p.report.After.SideToMidDB; v != nil {
				t.Errorf("side to mid %g dB, want null: there is no side signal", *v)
			}
			if !p.report.Side.Mono || len(p.report.Changes) == 0 || p.report.Changes[0].Stage != "mono" {
				t.Errorf("the mono cut is not reported: side.mono %v, changes %+v", p.report.Side.Mono, p.report.Changes)
			}
		})
	}
}

func TestMonoCutOfEqualChannelsIsBitIdentical(t *testing.T) {
	mix := noise(6, 48000, 24, 2*48000, tame)
	mix.r = mix.l
	p := prepare(t, mix, "mono: true\nlevel: 0\n"+innerDisc)
	wantIdentical(t, p, mix)
}

func TestStagesMayBeLeftOut(t *testing.T) {
	mix := sampled(48000, 24, 2.5, func(t float64) (l, r float64) {
		l, r = sibilant(0.12)(t)
		x := 0.5 * gate(t, 0.3, 0.9) * sine(55, t)
		return l + x, r - x
	})
	for _, c := range []struct {
		name   string
		chain  string
		active []string
	}{
		{"empty chain", "chain: []\n", nil},
		{"only sum-lows", chainOf("stage: sum-lows"), []string{"sum-lows"}},
		{"only de-ess", chainOf("stage: de-ess"), []string{"de-ess"}},
		{"only limit-sides", chainOf("stage: limit-sides"), []string{"limit-sides"}},
		{"filters in another order", chainOf("{stage: sum-lows, when: always}", "{stage: band-limit, when: always}", "{stage: block-infrasonic, when: always}", "stage: de-ess"),
			[]string{"sum-lows", "band-limit", "block-infrasonic", "de-ess"}},
		{"all always", chainOf("{stage: block-infrasonic, when: always, slope: 24}", "{stage: band-limit, when: always}", "{stage: sum-lows, when: always, phase: linear, slope: 24}", "stage: de-ess", "stage: limit-sides", "stage: fit-level"),
			[]string{"block-infrasonic", "band-limit", "sum-lows", "de-ess"}},
		{"matched", chainOf("{stage: sum-lows, when: always, phase: matched}", "stage: de-ess"), []string{"sum-lows", "de-ess"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := prepare(t, mix, innerDisc+"level: 0\n"+wideCaps+c.chain)
			var active []string
			for _, s := range p.report.Stages {
				if s.Active {
					active = append(active, s.ID)
				}
			}
			if fmt.Sprint(active) != fmt.Sprint(c.active) {
				t.Errorf("active stages %v, want %v", active, c.active)
			}
			if got := p.premaster(t); got.frames() != mix.frames() {
				t.Errorf("premaster has %d frames, the mix %d", got.frames(), mix.frames())
			}
			if len(c.active) == 0 {
				wantIdentical(t, p, mix)
				if p.report.Verdict.State != "blocked" {
					t.Errorf("verdict %s without any stage, want blocked", p.report.Verdict.State)
				}
			}
		})
	}
}

// Options never change a sample.
func TestOptionsChangeNoSample(t *testing.T) {
	mix := sampled(44100, 24, 2, sibilant(0.1))
	plain := prepare(t, mix, innerDisc+wideCaps).premaster(t)
	with := prepare(t, mix, innerDisc+wideCaps, func(o *pipeline.Options) { o.AsTraced, o.Timing, o.Version = true, true, "another" }).premaster(t)
	if i := plain.firstDiffering(with); i >= 0 {
		t.Errorf("frame %d differs", i)
	}
}
