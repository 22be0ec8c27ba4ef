package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"
)

// tone is one stretch of a stereo in-phase sine; level is dBFS of its peak.
type tone struct{ levelDB, seconds float64 }

func repeat(n int, tones ...tone) []tone {
	var out []tone
	for range n {
		out = append(out, tones...)
	}
	return out
}

var silence = math.Inf(-1)

// tones renders stretches of a sine with continuous phase.
func tones(rateHz int, hz float64, parts ...tone) []float64 {
	var x []float64
	end := 0.0
	for _, p := range parts {
		a := math.Pow(10, p.levelDB/20)
		end += p.seconds
		for n := len(x); n < int(math.Round(end*float64(rateHz))); n++ {
			x = append(x, a*math.Sin(2*math.Pi*hz*float64(n)/float64(rateHz)))
		}
	}
	return x
}

func measureLoudness(t testing.TB, rateHz int, l, r []float64) *Loudness {
	t.Helper()
	m, err := NewLoudness(rateHz)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(l, r)
	return m
}

// near fails unless a value exists and lies within tol of want.
func near(t *testing.T, what string, got *float64, reason string, want, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: no value (%s), want %.3f", what, reason, want)
	} else if math.Abs(*got-want) > tol {
		t.Errorf("%s: got %.4f, want %.4f +- %g", what, *got, want, tol)
	}
}

// TestKWeightingTable48kHz is ITU-R BS.1770-5 Annex 1 tables 1 and 2; the
// printed digits allow 1e-12 after rounding (the shelf is printed to 14).
func TestKWeightingTable48kHz(t *testing.T) {
	shelf, hp := KWeighting(48000)
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"shelf b0", shelf.B0, 1.53512485958697}, {"shelf b1", shelf.B1, -2.69169618940638}, {"shelf b2", shelf.B2, 1.19839281085285},
		{"shelf a1", shelf.A1, -1.69065929318241}, {"shelf a2", shelf.A2, 0.73248077421585},
		{"high-pass b0", hp.B0, 1}, {"high-pass b1", hp.B1, -2}, {"high-pass b2", hp.B2, 1},
		{"high-pass a1", hp.A1, -1.99004745483398}, {"high-pass a2", hp.A2, 0.99007225036621},
	} {
		if math.Abs(c.got-c.want) > 1e-12 {
			t.Errorf("%s = %.15f, want %.15f", c.name, c.got, c.want)
		}
	}
}

// TestKWeightingOtherRates compares with coefficients as open implementations
// of ITU-R BS.1770 derive them, to their printed 12 digits.
func TestKWeightingOtherRates(t *testing.T) {
	for rate, want := range map[float64][7]float64{
		44100:  {1.530841230050, -2.650979995155, 1.169079079922, -1.663655113256, 0.712595428073, -1.989169673630, 0.989199035787},
		88200:  {1.557515375580, -2.905627079926, 1.361333977472, -1.830919987962, 0.844142261088, -1.994577515450, 0.994584875878},
		96000:  {1.559714228976, -2.926741578251, 1.378261202316, -1.844609469890, 0.855843322931, -1.995017544725, 0.995023759041},
		192000: {1.572227215091, -3.047283051562, 1.477971340980, -1.922202230607, 0.925117735117, -1.997507222841, 0.997508778356},
	} {
		s, h := KWeighting(rate)
		got := [7]float64{s.B0, s.B1, s.B2, s.A1, s.A2, h.A1, h.A2}
		for i := range got {
			if math.Abs(got[i]-want[i]) > 1e-12 {
				t.Errorf("%g Hz, coefficient %d: got %.13f, want %.12f", rate, i, got[i], want[i])
			}
		}
	}
}

// TestKWeightingGain checks the response against values computed from the
// 48 kHz table of ITU-R BS.1770-5 at 48 kHz (0.001 dB, their rounding), and
// other rates against 48 kHz: the bilinear transform bends the shelf by at most
// 0.006 dB around its corner, and 0.0005 dB is rounding of the values.
func TestKWeightingGain(t *testing.T) {
	gain := func(rate, hz float64) float64 {
		s, h := KWeighting(rate)
		return 20 * math.Log10(cmplx.Abs(s.Response(rate, hz)*h.Response(rate, hz)))
	}
	for _, c := range []struct{ hz, wantDB float64 }{
		{20, -13.275}, {25, -10.393}, {31.5, -7.790}, {50, -3.934}, {100, -1.133}, {500, 0.042},
		{997, 0.691}, {1000, 0.698}, {2000, 3.071}, {4000, 3.968}, {10000, 4.042},
	} {
		if got := gain(48000, c.hz); math.Abs(got-c.wantDB) > 0.001 {
			t.Errorf("48 kHz, %g Hz: %.4f dB, want %.3f", c.hz, got, c.wantDB)
		}
		for _, rate := range []float64{44100, 88200, 96000, 176400, 192000} {
			const tol = 0.0065
			if got := gain(rate, c.hz); math.Abs(got-c.wantDB) > tol {
				t.Errorf("%g Hz rate, %g Hz: %.4f dB, want %.3f +- %g", rate, c.hz, got, c.wantDB, tol)
			}
		}
	}
}

// TestFullScaleSine is ITU-R BS.1770-5 Annex 1: 0 dBFS at 997 Hz in one
// channel reads -3.01 LKFS, so in both 0.00. 0.01 LU covers the rounding of
// the -0.691 offset and the bilinear transform at other rates.
func TestFullScaleSine(t *testing.T) {
	for _, rate := range []int{8000, 11025, 32000, 44100, 48000, 88200, 96000, 176400, 192000} {
		tol := 0.01
		if rate < 44100 {
			tol = 0.25 // the bilinear transform squeezes the shelf below half the rate
		}
		x := tones(rate, 997, tone{0, 5})
		zero := make([]float64, len(x))
		for _, c := range []struct {
			name string
			l, r []float64
			want float64
		}{{"left", x, zero, -3.010}, {"right", zero, x, -3.010}, {"both", x, x, 0}} {
			got, why := measureLoudness(t, rate, c.l, c.r).Integrated()
			near(t, fmt.Sprint(rate, " Hz ", c.name), got, why, c.want, tol)
		}
	}
}

// TestEBU3341 holds minimum-requirement signals of EBU Tech 3341 table 1 to
// its +-0.1 LU, and to values of a reference run within 0.003 LU.
func TestEBU3341(t *testing.T) {
	for _, c := range []struct {
		name    string
		parts   []tone
		i, m, s float64 // expected by EBU Tech 3341; NaN is not asked
		ours    float64 // integrated, reference run
	}{
		{"1", []tone{{-23, 20}}, -23, -23, -23, -22.993},
		{"2", []tone{{-33, 20}}, -33, -33, -33, -32.993},
		{"3", []tone{{-36, 10}, {-23, 60}, {-36, 10}}, -23, math.NaN(), math.NaN(), -23.014},
		{"4", []tone{{-72, 10}, {-36, 10}, {-23, 60}, {-36, 10}, {-72, 10}}, -23, math.NaN(), math.NaN(), -23.014},
		{"5", []tone{{-26, 20}, {-20, 20.1}, {-26, 20}}, -23, math.NaN(), math.NaN(), -22.979},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := tones(48000, 1000, c.parts...)
			m := measureLoudness(t, 48000, x, x)
			i, why := m.Integrated()
			near(t, "I", i, why, c.i, 0.1)
			near(t, "I, reference run", i, why, c.ours, 0.003)
			if !math.IsNaN(c.m) {
				v, why := m.MaxMomentary()
				near(t, "M", v, why, c.m, 0.1)
				v, why = m.MaxShortTerm()
				near(t, "S", v, why, c.s, 0.1)
			}
		})
	}
}

// TestEBU3341Surround is case 6, five channels, from the same kernels: the
// weighted sum of channel powers (1 for L, R, C; 1.41 for the surrounds, ITU-R
// BS.1770-5 Annex 1 table 3) is gated as a whole.
func TestEBU3341Surround(t *testing.T) {
	x28, x24, x30 := tones(48000, 1000, tone{-28, 20}), tones(48000, 1000, tone{-24, 20}), tones(48000, 1000, tone{-30, 20})
	zero := make([]float64, len(x28))
	front := measureLoudness(t, 48000, x28, x28).Hops()
	centre := measureLoudness(t, 48000, x24, zero).Hops()
	back := measureLoudness(t, 48000, x30, x30).Hops()
	for i := range front {
		front[i] += centre[i] + 1.41*back[i]
	}
	got, why := gatedLoudness(front)
	near(t, "I", got, why, -23, 0.1)
	near(t, "I, reference run", got, why, -23.016, 0.003)
}

// TestEBU3341ShortTermConstant is case 9: short-term loudness stays at -23.0
// once 3 s have passed. TestEBU3341MomentaryConstant is case 12, momentary
// after 1 s. Both look at every hop, not only the maximum.
func TestEBU3341ShortTermConstant(t *testing.T) {
	x := tones(48000, 1000, repeat(5, tone{-20, 1.34}, tone{-30, 1.66})...)
	m := measureLoudness(t, 48000, x, x)
	for k, w := range slidingMeans(m.Hops(), hopsPerShortTerm) {
		if d := math.Abs(LUFS(w) + 23); d > 0.1 {
			t.Fatalf("S at hop %d: %.3f, want -23.0 +- 0.1", k+hopsPerShortTerm, LUFS(w))
		}
	}
	v, why := m.MaxShortTerm()
	near(t, "max S", v, why, -23, 0.1)
}

func TestEBU3341MomentaryConstant(t *testing.T) {
	x := tones(48000, 1000, repeat(25, tone{-20, 0.18}, tone{-30, 0.22})...)
	m := measureLoudness(t, 48000, x, x)
	for k, w := range slidingMeans(m.Hops(), hopsPerMomentary)[10-hopsPerMomentary:] {
		if d := math.Abs(LUFS(w) + 23); d > 0.1 {
			t.Fatalf("M at hop %d after 1 s: %.3f, want -23.0 +- 0.1", k, LUFS(w))
		}
	}
	v, why := m.MaxMomentary()
	near(t, "max M", v, why, -23, 0.1)
}

// TestEBU3341MaximaAtAnyOffset is cases 10 and 13: the maximum does not
// depend on where the tone starts against the meter's time grid. +-0.1 LU.
func TestEBU3341MaximaAtAnyOffset(t *testing.T) {
	for k := range 20 {
		x := tones(48000, 1000, tone{silence, 0.15 * float64(k)}, tone{-23, 3}, tone{silence, 1})
		v, why := measureLoudness(t, 48000, x, x).MaxShortTerm()
		near(t, fmt.Sprint("10, k=", k), v, why, -23, 0.1)
		x = tones(48000, 1000, tone{silence, 0.02 * float64(k)}, tone{-23, 0.4}, tone{silence, 1})
		v, why = measureLoudness(t, 48000, x, x).MaxMomentary()
		near(t, fmt.Sprint("13, k=", k), v, why, -23, 0.1)
	}
}

// TestEBU3342 is EBU Tech 3342 table 1, cases 1-4, within its +-1 LU and,
// tighter, 0.01 LU of a reference run. At all rates.
func TestEBU3342(t *testing.T) {
	for _, c := range []struct {
		name   string
		levels []float64
		want   float64
	}{
		{"1", []float64{-20, -30}, 10}, {"2", []float64{-20, -15}, 5},
		{"3", []float64{-40, -20}, 20}, {"4", []float64{-50, -35, -20, -35, -50}, 15},
	} {
		for _, rate := range []int{44100, 48000} {
			var parts []tone
			for _, l := range c.levels {
				parts = append(parts, tone{l, 20})
			}
			x := tones(rate, 1000, parts...)
			r, why := measureLoudness(t, rate, x, x).Range()
			if r == nil {
				t.Fatalf("case %s: no range: %s", c.name, why)
			}
			near(t, "LRA case "+c.name, &r.RangeLU, "", c.want, 1)
			near(t, "LRA case, reference run "+c.name, &r.RangeLU, "", c.want, 0.01)
			near(t, "high less low "+c.name, &r.RangeLU, "", r.HighLUFS-r.LowLUFS, 1e-12)
		}
	}
}

// TestLoudnessNotAvailable: what does not exist is nil with a reason.
func TestLoudnessNotAvailable(t *testing.T) {
	for _, c := range []struct {
		name                                       string
		x                                          []float64
		integrated, momentary, shortT, rangeReason string
	}{
		{"nothing", nil, reasonUnder400ms, reasonUnder400ms, reasonUnder3s, reasonUnder3s},
		{"399 ms", tones(48000, 1000, tone{-20, 0.399}), reasonUnder400ms, reasonUnder400ms, reasonUnder3s, reasonUnder3s},
		{"400 ms", tones(48000, 1000, tone{-20, 0.4}), "", "", reasonUnder3s, reasonUnder3s},
		{"3 s", tones(48000, 1000, tone{-20, 3}), "", "", "", ""},
		{"silence", make([]float64, 5*48000), reasonUnderTheGate, reasonSilence, reasonSilence, reasonUnderTheGate},
		{"under the gate", tones(48000, 1000, tone{-75, 5}), reasonUnderTheGate, "", "", reasonUnderTheGate},
	} {
		m := measureLoudness(t, 48000, c.x, c.x)
		check := func(what string, isNil bool, got, want string) {
			if got != want || isNil != (want != "") {
				t.Errorf("%s, %s: nil %v with reason %q, want %q", c.name, what, isNil, got, want)
			}
		}
		v, why := m.Integrated()
		check("integrated", v == nil, why, c.integrated)
		v, why = m.MaxMomentary()
		check("momentary", v == nil, why, c.momentary)
		v, why = m.MaxShortTerm()
		check("short-term", v == nil, why, c.shortT)
		r, why := m.Range()
		check("range", r == nil, why, c.rangeReason)
	}
}

func TestLoudnessRefusesRates(t *testing.T) {
	for _, rate := range []int{-1, 0, 7999, 2000000} {
		if _, err := NewLoudness(rate); err == nil {
			t.Errorf("NewLoudness(%d) gave no error", rate)
		}
	}
}

// TestLoudnessProperties: gain shifts every loudness by itself, swapped
// channels change nothing (to rounding: the sum of two squares is symmetric),
// and the partition into blocks changes no bit.
func TestLoudnessProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]int{8000, 11025, 22050}).Draw(t, "rate")
		n := rapid.IntRange(0, 4*rate).Draw(t, "frames")
		l, r := randomPair(n, rapid.Uint64().Draw(t, "seed"))
		gainDB := rapid.Float64Range(-40, 20).Draw(t, "gain_db")
		g := math.Pow(10, gainDB/20)
		whole, _ := NewLoudness(rate)
		cut, _ := NewLoudness(rate)
		scaled, _ := NewLoudness(rate)
		whole.Add(l, r)
		for i := 0; i < n; {
			k := min(n-i, rapid.SampledFrom([]int{1, 7, 64, 1000, 4096}).Draw(t, "block"))
			cut.Add(r[i:i+k], l[i:i+k])
			i += k
		}
		for i := range l {
			l[i], r[i] = g*l[i], g*r[i]
		}
		scaled.Add(l, r)
		for i, get := range []func(*Loudness) *float64{
			func(m *Loudness) *float64 { v, _ := m.Integrated(); return v },
			func(m *Loudness) *float64 { v, _ := m.MaxMomentary(); return v },
			func(m *Loudness) *float64 { v, _ := m.MaxShortTerm(); return v },
			func(m *Loudness) *float64 {
				if r, _ := m.Range(); r != nil {
					return &r.HighLUFS
				}
				return nil
			},
		} {
			w, c, s := get(whole), get(cut), get(scaled)
			if (w == nil) != (c == nil) || (w == nil) != (s == nil) {
				t.Fatalf("result %d exists in one of whole, cut, scaled only", i)
			}
			if w == nil {
				continue
			}
			if *w != *c {
				t.Fatalf("result %d: %v whole, %v cut and swapped", i, *w, *c)
			}
			if d := math.Abs(*s - *w - gainDB); d > 1e-9 {
				t.Fatalf("result %d: %g dB of gain moved it by %g", i, gainDB, *s-*w)
			}
		}
	})
}

func TestLoudnessResetEqualsNew(t *testing.T) {
	l, r := randomPair(5*8000, 3)
	used := measureLoudness(t, 8000, r, l)
	used.Reset()
	used.Add(l, r)
	got, _ := used.Integrated()
	want, _ := measureLoudness(t, 8000, l, r).Integrated()
	if *got != *want {
		t.Errorf("after Reset %v, new %v", *got, *want)
	}
}

// TestLoudnessForgetsInSilence: after a programme the filters decay to exact
// zero instead of staying among denormals, where some processors are slow.
func TestLoudnessForgetsInSilence(t *testing.T) {
	m := measureLoudness(t, 48000, sine(48000, 30, 0.5, 0.5), sine(48000, 30, 0.5, 0.5))
	quiet := make([]float64, 10*48000)
	m.Add(quiet, quiet)
	if m.filter.l != (kState{}) || m.filter.r != (kState{}) {
		t.Errorf("10 s after the programme the filters hold %+v", m.filter.l)
	}
}

func ExampleLoudness() {
	m, err := NewLoudness(48000)
	if err != nil {
		fmt.Println(err)
		return
	}
	x := tones(48000, 1000, tone{-23, 20})
	m.Add(x, x)
	lufs, _ := m.Integrated()
	_, reason := measureNothing().Integrated()
	fmt.Printf("%.1f LUFS; empty: %s\n", *lufs, reason)
	// Output: -23.0 LUFS; empty: programme under 400 ms
}

func measureNothing() *Loudness {
	m, _ := NewLoudness(48000)
	return m
}

// reportRealTime reports how many seconds of a programme one second of
// processor time measures.
func reportRealTime(b *testing.B, rateHz, framesPerOp int) {
	perSecond := float64(b.N) * float64(framesPerOp) / b.Elapsed().Seconds()
	b.ReportMetric(perSecond/float64(rateHz), "x-real-time")
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/float64(framesPerOp), "ns/frame")
}

func BenchmarkLoudness(b *testing.B) {
	const frames = 4096
	l, r := randomPair(frames, 1)
	m, err := NewLoudness(96000)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if m.frames > 3000*96000 { // stay within the reserved hour
			m.Reset()
		}
		m.Add(l, r)
	}
	reportRealTime(b, 96000, frames)
}
