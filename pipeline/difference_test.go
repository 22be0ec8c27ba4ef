package pipeline_test

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// requantised is the mix at the file's gain on the premaster's grid, dithered
// as the premaster is.
func requantised(mix pcm, gainDB float64, bits int, mono bool) pcm {
	q := dsp.NewRuler(bits, true)
	out := pcm{rate: mix.rate, bits: bits, l: make([]int32, mix.frames()), r: make([]int32, mix.frames())}
	x := make([]float64, mix.frames())
	k := math.Ldexp(1, 1-mix.bits)
	for ch, c := range []struct{ from, to []int32 }{{mix.l, out.l}, {mix.r, out.r}} {
		for i, v := range c.from {
			x[i] = float64(v) * k
		}
		if mono {
			ch = 0
		}
		q.Quantize(c.to, x, audio.FromDB(gainDB), 0, ch)
	}
	return out
}

// wantDifference holds that difference.wav is premaster less mix, to the bit.
func wantDifference(t *testing.T, p prepared, mix pcm, mono bool) {
	t.Helper()
	pre := p.premaster(t)
	ref := requantised(mix, p.report.Cut.FileGainDB, pre.bits, mono)
	dl, dr := p.difference(t)
	if len(dl) != pre.frames() || pre.frames() != mix.frames() {
		t.Fatalf("difference has %d frames, premaster %d, mix %d", len(dl), pre.frames(), mix.frames())
	}
	step := math.Ldexp(1, 1-pre.bits)
	for i := range dl {
		wl, wr := float32(float64(pre.l[i]-ref.l[i])*step), float32(float64(pre.r[i]-ref.r[i])*step)
		if dl[i] != wl || dr[i] != wr {
			t.Fatalf("difference at frame %d is %g, %g, premaster less mix %g, %g", i, dl[i], dr[i], wl, wr)
		}
	}
}

func TestDifferenceIsPremasterLessMix(t *testing.T) {
	lowsAndSibilance := func(t float64) (l, r float64) {
		l, r = sibilant(0.12)(t)
		x := 0.5 * gate(t, 0.3, 0.9) * sine(55, t)
		return l + x, r - x
	}
	for _, c := range []struct {
		name  string
		rate  int
		bits  int // of the mix
		wave  wave
		extra string
	}{
		{"untouched", 44100, 24, quietMusic, "level: 0\n"},
		{"level only", 44100, 24, quietMusic, "level: 2.7\n"},
		{"16 bit out", 44100, 24, sibilant(0.12), "level: -1.5\noutput: {bit_depth: 16}\n"},
		{"16 bit in and out", 48000, 16, sibilant(0.12), "level: 0\noutput: {bit_depth: 16}\n"},
		{"all stages", 48000, 24, lowsAndSibilance, ""},
		{"96 kHz", 96000, 24, lowsAndSibilance, "level: 1\n"},
		{"opposed", 48000, 24, opposed(0.75), "level: 0\n" + chainOf("stage: limit-sides")},
	} {
		t.Run(c.name, func(t *testing.T) {
			mix := sampled(c.rate, c.bits, 2.5, c.wave)
			p := prepare(t, mix, innerDisc+wideCaps+c.extra)
			wantDifference(t, p, mix, false)
			// Mix and premaster are each rounded within 1.5 steps of TPDF
			// dither and rounding.
			if r := p.report.Proof.ResidualLSB; r == nil || *r > 3 {
				t.Errorf("the stages' changes miss the difference by %v steps, want at most 3", r)
			}
		})
	}
}

func TestDifferenceOfMonoCut(t *testing.T) {
	mix := sampled(44100, 24, 2, opposed(0.2))
	p := prepare(t, mix, "mono: true\n"+innerDisc+wideCaps)
	wantDifference(t, p, mix, true)
	if r := p.report.Proof.ResidualLSB; r == nil || *r > 3 {
		t.Errorf("the stages' changes miss the difference by %v steps, want at most 3", r)
	}
}

// The gain of a track belongs to the mix as the plan places it, not to the
// difference.
func TestTrackGainIsNoDifference(t *testing.T) {
	const rate = 44100
	dir := t.TempDir()
	a := sampled(rate, 24, 1, quietMusic)
	put(t, filepath.Join(dir, "mix.wav"), a.bytesOfWAV(2))
	p := prepareIn(t, dir, "side: A\nlevel: 0\n"+innerDisc+"tracks: [{file: mix.wav, gain_db: -3.5}]\n")
	dl, dr := p.difference(t)
	for i := range dl {
		if dl[i] != 0 || dr[i] != 0 {
			t.Fatalf("difference at frame %d is %g, %g, want zero: no stage acted", i, dl[i], dr[i])
		}
	}
	pre := p.premaster(t)
	want := requantised(a, -3.5, 24, false)
	for i := range pre.l {
		// Float rounding of gain may flip a dithered rounding: one step.
		if d := pre.l[i] - want.l[i]; d < -1 || d > 1 {
			t.Fatalf("frame %d is %d, the mix with -3.5 dB %d", i, pre.l[i], want.l[i])
		}
	}
}

// Where nothing acts within 300 ms, the premaster is the mix; what acts is
// listed with place, limit, before, after and why.
func TestChangesAreListedAndNothingElseChanges(t *testing.T) {
	const rate, clear = 48000, 0.3
	both := func(t float64) (l, r float64) {
		l, r = sibilant(0.12)(t)
		x := 0.75 * gate(t, 2.8, 3.1) * sine(400, t)
		return l + x, r - x
	}
	twice := func(t float64) (l, r float64) {
		l, r = sibilant(0.09)(t)
		x := 0.15 * gate(t, 3, 3.05) * sine(8000, t)
		return l - 0.3*x, r + x
	}
	for _, c := range []struct {
		name   string
		wave   wave
		chain  []string
		limits map[string]string // stage to the measure that must be met
	}{
		{"de-ess", sibilant(0.12), []string{"stage: de-ess", "stage: limit-sides"}, map[string]string{"de-ess": "curvature ratio"}},
		{"de-ess twice", twice, []string{"stage: de-ess"}, map[string]string{"de-ess": "curvature ratio"}},
		{"limit-sides", opposed(0.75), []string{"stage: de-ess", "stage: limit-sides"}, map[string]string{"limit-sides": ""}},
		{"both", both, []string{"stage: de-ess", "stage: limit-sides"}, map[string]string{"de-ess": "curvature ratio", "limit-sides": ""}},
	} {
		t.Run(c.name, func(t *testing.T) {
			mix := sampled(rate, 24, 4, c.wave)
			p := prepare(t, mix, innerDisc+"level: 0\n"+wideCaps+chainOf(c.chain...))
			r := p.report
			for _, reason := range r.Verdict.Reasons {
				if reason.Severity == "blocked" {
					t.Errorf("blocked: %s %v over %v", reason.Code, *reason.Value, *reason.Limit)
				}
			}
			seen := map[string]float64{}
			for i, ch := range r.Changes {
				name := fmt.Sprintf("change %d, %s", i, ch.Stage)
				if ch.Track != 1 || ch.StartS < 0 || ch.EndS <= ch.StartS || ch.EndS > 4 {
					t.Errorf("%s: track %d, %g to %g s", name, ch.Track, ch.StartS, ch.EndS)
				}
				if ch.RadiusMM > 62 || ch.RadiusMM < r.Land.Points[len(r.Land.Points)-1].RadiusMM-0.1 {
					t.Errorf("%s: radius %g mm is not on the side", name, ch.RadiusMM)
				}
				if ch.Limit == nil || ch.Before == nil || ch.After == nil || ch.Why == "" || ch.MaxDB >= 0 || ch.Measure == "" {
					t.Errorf("%s: incomplete: %+v", name, ch)
					continue
				}
				if *ch.Before <= *ch.Limit {
					t.Errorf("%s: before %g is within the limit %g", name, *ch.Before, *ch.Limit)
				}
				// 1.0002: the runner's own allowance for rounding.
				if *ch.After > *ch.Limit*1.0002 {
					t.Errorf("%s: after %g is above the limit %g", name, *ch.After, *ch.Limit)
				}
				if *ch.After < 0.97**ch.Limit {
					t.Errorf("%s: after %g uses less than 97 %% of the limit %g: more was taken away than needed", name, *ch.After, *ch.Limit)
				}
				if want := c.limits[ch.Stage]; want != "" && ch.Measure != want {
					t.Errorf("%s: measure %q, want %q", name, ch.Measure, want)
				}
				seen[ch.Stage]++
			}
			for stage := range c.limits {
				if seen[stage] == 0 {
					t.Errorf("no change of %s is listed", stage)
				}
			}
			pre := p.premaster(t)
			for i := range pre.l {
				at := float64(i) / rate
				near := false
				for _, ch := range r.Changes {
					near = near || at > ch.StartS-clear && at < ch.EndS+clear
				}
				if !near && (pre.l[i] != mix.l[i] || pre.r[i] != mix.r[i]) {
					t.Fatalf("%.4f s: no change is listed near, and %d, %d became %d, %d", at, mix.l[i], mix.r[i], pre.l[i], pre.r[i])
				}
			}
		})
	}
}

// A limiting stage works on the moments the planner meant, also behind stages
// that delay: otherwise it watches the wrong sectors.
func TestLimitersWorkBehindDelayingStages(t *testing.T) {
	both := func(t float64) (l, r float64) {
		l, r = sibilant(0.12)(t)
		// 45 ms bursts: shorter than the delay of de-ess, so that a limiter
		// that watches the wrong moments misses them whole.
		x := 0.75 * gate(t, 1.45, 1.495) * sine(700, t)
		return l + x, r - x
	}
	for _, c := range []struct {
		name, room string
		wave       wave
		chain      []string
		want       []string
	}{
		{"de-ess behind sum-lows of linear phase", "", sibilant(0.12), []string{"{stage: sum-lows, when: always, phase: linear, slope: 24}", "stage: de-ess"}, []string{"de-ess"}},
		{"de-ess behind band-limit", "", sibilant(0.12), []string{"{stage: band-limit, when: always}", "stage: de-ess"}, []string{"de-ess"}},
		{"limit-sides behind sum-lows of linear phase", "", opposed(0.75), []string{"{stage: sum-lows, when: always, phase: linear, slope: 24}", "stage: limit-sides"}, []string{"limit-sides"}},
		{"limit-sides behind de-ess", "room: {depth: {variable: false}}\n", both, []string{"stage: de-ess", "stage: limit-sides"}, []string{"de-ess", "limit-sides"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := prepare(t, sampled(48000, 24, 2.5, c.wave), innerDisc+"level: 0\n"+wideCaps+c.room+chainOf(c.chain...))
			for _, id := range c.want {
				found := false
				for _, s := range p.report.Stages {
					found = found || s.ID == id && s.Active
				}
				if !found {
					t.Errorf("%s did nothing", id)
				}
			}
			for _, r := range p.report.Verdict.Reasons {
				if r.Severity == "blocked" {
					t.Errorf("blocked: %s %.4f over %.4f at %.3f s", r.Code, *r.Value, *r.Limit, r.Where.TS)
				}
			}
			if n := p.report.Proof.Tightenings; n > 1 {
				t.Errorf("tightened %d times, want at most 1", n)
			}
			for _, ch := range p.report.Changes {
				if ch.After != nil && ch.Limit != nil && *ch.After < 0.97**ch.Limit {
					t.Errorf("%s at %.3f s: after %.4f uses less than 97 %% of the limit", ch.Stage, ch.StartS, *ch.After)
				}
			}
		})
	}
}

// Before and after of a change are held against the same limit as the groove
// figures of the report.
func TestChangeBeforeIsTheGrooveBefore(t *testing.T) {
	for _, c := range []struct {
		name, chain string
		wave        wave
	}{
		{"curvature", "stage: de-ess", sibilant(0.12)},
		{"vertical", "stage: limit-sides", opposed(0.75)},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := prepare(t, sampled(96000, 24, 2.5, c.wave), innerDisc+"level: 0\n"+wideCaps+"room: {depth: {variable: false}}\n"+chainOf(c.chain)).report
			if len(r.Changes) != 1 {
				t.Fatalf("%d changes, want 1", len(r.Changes))
			}
			// With depth fixed at 30 um the groove may rise 17.5 and fall 50.
			want := *r.Before.Groove.CurvatureRatioMax
			if c.name == "vertical" {
				want = (30 - *r.Before.Groove.MinWidthUM/2) / 17.5
			}
			// 0.5 %: the stage computes on one sector, the meter on the whole.
			if got := *r.Changes[0].Before; math.Abs(got/want-1) > 0.005 {
				t.Errorf("before %.4f of the limit, the groove before says %.4f", got, want)
			}
		})
	}
}
