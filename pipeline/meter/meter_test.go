package meter

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"discsafe/pipeline/audio"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func pcm24(rateHz int) audio.Format {
	return audio.Format{SampleRateHz: rateHz, Channels: 2, BitDepth: 24, Encoding: audio.EncodingPCM, Container: "wav"}
}

func read(t testing.TB, f audio.Format, opt Options, l, r []float64) Reading {
	t.Helper()
	m, err := New(f, opt)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(audio.Block{L: l, R: r})
	return m.Result()
}

func sine(rateHz int, hz, amp, seconds float64) []float64 {
	x := make([]float64, int(math.Round(seconds*float64(rateHz))))
	for n := range x {
		x[n] = amp * math.Sin(2*math.Pi*hz*float64(n)/float64(rateHz))
	}
	return x
}

func times(x []float64, g float64) []float64 {
	y := make([]float64, len(x))
	for i := range x {
		y[i] = g * x[i]
	}
	return y
}

func noise(n int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.Float64() - 0.5
	}
	return x
}

func near(t *testing.T, what string, got *float64, want, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: no value, want %.3f", what, want)
	} else if math.Abs(*got-want) > tol {
		t.Errorf("%s: got %.4f, want %.4f +- %g", what, *got, want, tol)
	}
}

var rates = []int{44100, 48000, 88200, 96000, 176400, 192000}

// TestToneAtEveryRate: 997 Hz, -20 dBFS, in phase. Loudness: ITU-R
// BS.1770-5 Annex 1 (0 dBFS in both reads 0.00 LKFS), 0.01 LU; the rest is
// arithmetic of a sine.
func TestToneAtEveryRate(t *testing.T) {
	for _, rate := range rates {
		t.Run(fmt.Sprint(rate), func(t *testing.T) {
			seconds := 4.0
			if rate == 44100 {
				seconds = 65 // long enough for a loudness range
			}
			x := sine(rate, 997, 0.1, seconds)
			r := read(t, pcm24(rate), Options{}, x, x)
			near(t, "integrated", r.IntegratedLUFS, -20, 0.01)
			near(t, "momentary", r.MaxMomentaryLUFS, -20, 0.02)
			near(t, "short-term", r.MaxShortTermLUFS, -20, 0.01)
			if seconds > 60 {
				near(t, "range", r.LoudnessRangeLU, 0, 0.01)
				near(t, "range low", r.LoudnessRangeLowLUFS, -20, 0.01)
			}
			near(t, "true peak", r.MaxTruePeakDBTP, -20, 0.02)
			near(t, "sample peak", r.SamplePeakDBFS, -20, 0.02)
			near(t, "RMS", r.RMSDBFS, -20, 0.001)
			near(t, "crest", r.CrestDB, 3.0103, 0.02)
			near(t, "peak to loudness", r.PeakToLoudnessLU, 0, 0.03)
			near(t, "DC", r.DCOffset, 0, 1e-5)
			near(t, "correlation", r.Correlation, 1, 1e-12)
			if r.ClippedRuns != 0 || r.SideToMidDB != nil || r.Unavailable["side_to_mid_db"] != whyNoSide {
				t.Errorf("clipped runs %d, side to mid %v (%s)", r.ClippedRuns, r.SideToMidDB, r.Unavailable["side_to_mid_db"])
			}
			if n := len(r.Loudness.MomentaryMaxLUFS); n != int(seconds*10) {
				t.Errorf("%d points of loudness over time, want %g", n, seconds*10)
			}
			near(t, "momentary at 2 s", r.Loudness.MomentaryMaxLUFS[20], -20, 0.011)
		})
	}
}

// TestImage: known mixes of mid and side.
func TestImage(t *testing.T) {
	const rate = 48000
	low, high := sine(rate, 60, 0.2, 4), sine(rate, 2000, 0.2, 4)
	for _, c := range []struct {
		name                            string
		mid, side                       []float64
		correlation, sideToMid, belowDB float64 // NaN: does not exist
	}{
		{"mono", low, times(low, 0), 1, math.NaN(), math.NaN()},
		{"opposite", times(low, 0), low, -1, math.NaN(), math.NaN()},
		{"low side at half", low, times(low, 0.5), math.NaN(), -6.0206, -6.0206},
		// Side is 2 kHz, mid 60 Hz: equal powers, nothing of side in the lows
		// (-90 dB by the Butterworth slope; the onset leaves more).
		{"high side", low, high, 0, 0, -55},
		{"one channel", times(low, 0.5), times(low, 0.5), math.NaN(), 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, r := make([]float64, len(low)), make([]float64, len(low))
			for i := range l {
				l[i], r[i] = c.mid[i]+c.side[i], c.mid[i]-c.side[i]
			}
			got := read(t, pcm24(rate), Options{}, l, r)
			if !math.IsNaN(c.correlation) {
				near(t, "correlation", got.Correlation, c.correlation, 1e-6)
			}
			if math.IsNaN(c.sideToMid) {
				if got.SideToMidDB != nil || got.SideToMidBelowCrossoverDB != nil {
					t.Errorf("side to mid %v, below the crossover %v, want none", got.SideToMidDB, got.SideToMidBelowCrossoverDB)
				}
				return
			}
			near(t, "side to mid", got.SideToMidDB, c.sideToMid, 1e-4)
			if c.belowDB < -50 {
				if *got.SideToMidBelowCrossoverDB > c.belowDB {
					t.Errorf("below the crossover %.1f dB, want under %g", *got.SideToMidBelowCrossoverDB, c.belowDB)
				}
				return
			}
			near(t, "below the crossover", got.SideToMidBelowCrossoverDB, c.belowDB, 1e-3)
		})
	}
}

// TestLowestCorrelation: 1 s of opposite channels in 10 s of equal ones, and
// a last second in which the right channel is too quiet to count.
func TestLowestCorrelation(t *testing.T) {
	const rate = 44100
	l := noise(11*rate, 1)
	r := times(l, 1)
	for i := 4 * rate; i < 5*rate; i++ {
		r[i] = -l[i]
	}
	for i := 10 * rate; i < len(r); i++ {
		r[i] = -1e-5 * l[i]
	}
	got := read(t, pcm24(rate), Options{}, l, r)
	if m := got.LowestCorrelation400MS; m == nil || math.Abs(m.Value+1) > 1e-12 || m.AtS < 4 || m.AtS > 4.6 {
		t.Errorf("400 ms: %+v, want -1 within 4 to 4.6 s", m)
	}
	// 2 s equal, 1 s opposite: (2-1)/3.
	if m := got.LowestCorrelation3S; m == nil || math.Abs(m.Value-1.0/3) > 0.02 || m.AtS < 2 || m.AtS > 4 {
		t.Errorf("3 s: %+v, want 1/3 within 2 to 4 s", m)
	}
}

func TestDCOffset(t *testing.T) {
	l, r := sine(48000, 100, 0.1, 1), sine(48000, 100, 0.1, 1)
	for i := range l {
		l[i] += 0.001
		r[i] -= 0.02
	}
	got := read(t, pcm24(48000), Options{}, l, r)
	near(t, "left", got.DCOffsetLeft, 0.001, 1e-9)
	near(t, "right", got.DCOffsetRight, -0.02, 1e-9)
	near(t, "larger", got.DCOffset, -0.02, 1e-9)
}

// TestClippedRuns: three or more consecutive samples at or above full scale.
func TestClippedRuns(t *testing.T) {
	const top24 = 1 - 1.0/(1<<23)
	for _, c := range []struct {
		name    string
		format  audio.Format
		opt     Options
		l       []float64
		runs    int
		longest int64
		firstS  float64
	}{
		{"two are not a run", pcm24(8000), Options{}, []float64{0, top24, top24, 0, -1, -1}, 0, 0, 0},
		{"three at the end", pcm24(8000), Options{}, []float64{0, 0, top24, -1, top24}, 1, 3, 2.0 / 8000},
		{"two runs", pcm24(8000), Options{}, []float64{1, 1, 1, 0, -1, -1, -1, -1, 0}, 2, 4, 0},
		{"one step below is not clipped", pcm24(8000), Options{}, []float64{1 - 2.0/(1<<23), 1 - 2.0/(1<<23), 1 - 2.0/(1<<23)}, 0, 0, 0},
		{"16 bits", audio.Format{SampleRateHz: 8000, BitDepth: 16, Encoding: audio.EncodingPCM}, Options{}, []float64{0, 32767.0 / 32768, 32767.0 / 32768, 32767.0 / 32768}, 1, 3, 1.0 / 8000},
		{"float below one", audio.Format{SampleRateHz: 8000, BitDepth: 32, Encoding: audio.EncodingFloat}, Options{}, []float64{top24, top24, top24}, 0, 0, 0},
		{"float above one", audio.Format{SampleRateHz: 8000, BitDepth: 32, Encoding: audio.EncodingFloat}, Options{}, []float64{1.5, 1, 2}, 1, 3, 0},
		{"own threshold", pcm24(8000), Options{FullScale: 0.5}, []float64{0, 0.5, 0.6, -0.7}, 1, 3, 1.0 / 8000},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := read(t, c.format, c.opt, c.l, make([]float64, len(c.l)))
			if got.ClippedRuns != c.runs || got.LongestClippedRunFrames != c.longest {
				t.Errorf("%d runs, longest %d, want %d and %d", got.ClippedRuns, got.LongestClippedRunFrames, c.runs, c.longest)
			}
			if c.runs > 0 {
				near(t, "first", got.FirstClippedAtS, c.firstS, 1e-12)
			}
		})
	}
	both := read(t, pcm24(8000), Options{}, []float64{0, 1, 1, 1}, []float64{1, 1, 1, 0})
	if both.ClippedRuns != 2 || *both.FirstClippedAtS != 0 {
		t.Errorf("one run per channel: %d runs from %v", both.ClippedRuns, *both.FirstClippedAtS)
	}
}

// TestUltrasonic: a tone above the band limit reads its level.
func TestUltrasonic(t *testing.T) {
	x := sine(96000, 24000, 0.01, 1)
	got := read(t, pcm24(96000), Options{}, x, times(x, 0.5))
	near(t, "25 kHz", got.UltrasonicRMSDBFS, -40, 0.05)
	got = read(t, pcm24(32000), Options{}, sine(32000, 1000, 0.1, 1), sine(32000, 1000, 0.1, 1))
	if got.UltrasonicRMSDBFS != nil || !strings.Contains(got.Unavailable["ultrasonic_rms_dbfs"], "half the sampling rate") {
		t.Errorf("at 32 kHz: %v (%s)", got.UltrasonicRMSDBFS, got.Unavailable["ultrasonic_rms_dbfs"])
	}
}

// TestEveryGapHasAReason: a nil field has a reason under its JSON name, a
// field with a value has none, and the reading is valid JSON.
func TestEveryGapHasAReason(t *testing.T) {
	const rate = 11025
	tone, quiet := sine(rate, 440, 0.3, 61), make([]float64, 61*rate)
	for _, c := range []struct {
		name string
		l, r []float64
		want []string // nil fields, among others where "..." is given
	}{
		{"empty", nil, nil, []string{"integrated_lufs", "dc_offset", "correlation", "max_true_peak_dbtp", "..."}},
		{"one frame", tone[1:2], tone[1:2], []string{"integrated_lufs", "loudness_over_time", "..."}},
		{"silence", quiet, quiet, []string{"integrated_lufs", "loudness_range_lu", "max_true_peak_dbtp", "true_peak_at", "correlation", "side_to_mid_db", "crest_db", "..."}},
		{"half a second", tone[:rate/2], tone[:rate/2], []string{"loudness_range_lu", "max_short_term_lufs", "..."}},
		{"mono", tone, tone, []string{"side_to_mid_db", "side_to_mid_below_crossover_db", "first_clipped_at_s"}},
		{"left only", tone, quiet, []string{"correlation", "lowest_correlation_400ms", "lowest_correlation_3s", "first_clipped_at_s"}},
		{"opposite", tone, times(tone, -1), []string{"side_to_mid_db", "side_to_mid_below_crossover_db", "first_clipped_at_s"}},
		{"stereo noise", noise(61*rate, 1), noise(61*rate, 2), []string{"first_clipped_at_s"}},
		{"beyond measure", times(tone, 1e200), times(tone, 1e200), measured[:]},
		{"clipped stereo noise", times(noise(61*rate, 1), 1e3), times(noise(61*rate, 2), 1e3), []string{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := read(t, pcm24(rate), Options{BandLimitHz: 4000}, c.l, c.r)
			missing := map[string]bool{}
			v := reflect.ValueOf(got)
			for i := range v.NumField() {
				name := strings.Split(v.Type().Field(i).Tag.Get("json"), ",")[0]
				if v.Field(i).Kind() != reflect.Pointer {
					continue
				}
				missing[name] = v.Field(i).IsNil()
				if why := got.Unavailable[name]; (why != "") != v.Field(i).IsNil() {
					t.Errorf("%s: nil %v, reason %q", name, v.Field(i).IsNil(), why)
				}
			}
			for name := range got.Unavailable {
				if !missing[name] {
					t.Errorf("reason for %q, which is no nil field", name)
				}
			}
			open := false
			for _, name := range c.want {
				if name == "..." {
					open = true
				} else if !missing[name] {
					t.Errorf("%s has a value, want none", name)
				}
			}
			if !open && len(got.Unavailable) != len(c.want) {
				t.Errorf("missing %v, want %v", got.Unavailable, c.want)
			}
			for _, b := range got.ThirdOctaves {
				if (b.Why == "") != (b.SideToMidDB != nil) {
					t.Errorf("band %g Hz: side to mid %v, reason %q", b.Hz, b.SideToMidDB, b.Why)
				}
			}
			text, err := json.Marshal(got)
			if err != nil {
				t.Fatal(err)
			}
			var back Reading
			if err := json.Unmarshal(text, &back); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(got, back); d != "" {
				t.Errorf("round trip through JSON:\n%s", d)
			}
		})
	}
}

// TestReportKeys holds the names that the report's before and after share with
// other readers.
func TestReportKeys(t *testing.T) {
	text, err := json.Marshal(Reading{})
	if err != nil {
		t.Fatal(err)
	}
	var keys map[string]any
	if err := json.Unmarshal(text, &keys); err != nil {
		t.Fatal(err)
	}
	for _, k := range []string{
		"integrated_lufs", "loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs", "max_true_peak_dbtp", "sample_peak_dbfs",
		"dc_offset", "correlation", "side_to_mid_db", "side_to_mid_below_crossover_db", "clipped_runs",
	} {
		if _, ok := keys[k]; !ok {
			t.Errorf("no key %q", k)
		}
	}
}

// TestResultIsFinite: whatever finite samples come, the reading is valid JSON,
// which has no infinities.
func TestResultIsFinite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, err := New(pcm24(8000), Options{BandLimitHz: 2000})
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(0, 8).Draw(t, "blocks") {
			scale := math.Pow(10, rapid.Float64Range(-320, 308).Draw(t, "exponent"))
			x := noise(rapid.IntRange(0, 8000).Draw(t, "frames"), rapid.Uint64().Draw(t, "seed"))
			m.Add(audio.Block{L: times(x, scale), R: times(x, scale*rapid.Float64Range(-1, 1).Draw(t, "right"))})
		}
		if _, err := json.Marshal(m.Result()); err != nil {
			t.Fatal(err)
		}
	})
}

// TestSeriesKeepsExtremes: a long programme is decimated to at most 1,000
// points and a burst of half a second stays visible.
func TestSeriesKeepsExtremes(t *testing.T) {
	hops := make([]float64, 24*60*10)
	for i := range hops {
		hops[i] = 1e-4
	}
	for i := 7003; i < 7008; i++ {
		hops[i] = 1e-2
	}
	s := series(hops)
	if n := len(s.MomentaryMaxLUFS); n > seriesMostPoints || n < seriesMostPoints/2 {
		t.Errorf("%d points, want 500 to 1,000", n)
	}
	highest, lowest := -200.0, 0.0
	for i, v := range s.MomentaryMaxLUFS {
		highest, lowest = max(highest, *v), min(lowest, *s.MomentaryMinLUFS[i])
	}
	if math.Abs(highest+20.69) > 0.005 || math.Abs(lowest+40.69) > 0.005 {
		t.Errorf("extremes %.2f and %.2f LUFS, want -20.69 and -40.69", highest, lowest)
	}
	if s.ShortTermMinLUFS[0] != nil || s.ShortTermMinLUFS[len(s.ShortTermMinLUFS)-1] == nil {
		t.Error("short-term exists before 3 s or not at the end")
	}
}

// TestProperties: the partition changes no bit, Result does not disturb, and
// swapped channels and gain change what they should only.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]int{8000, 11025, 44100}).Draw(t, "rate")
		n := rapid.IntRange(0, 40000).Draw(t, "frames")
		seed := rapid.Uint64().Draw(t, "seed")
		width := rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(1e-4, 1)).Draw(t, "width")
		l, r := noise(n, seed), noise(n, seed+1)
		for i := range r {
			r[i] = (1-width)*l[i] + width*r[i] + 0.01
		}
		measure := func(l, r []float64, cut bool) Reading {
			m, err := New(pcm24(rate), Options{FullScale: 0.45})
			if err != nil {
				t.Fatal(err)
			}
			for i := 0; i < n; {
				k := n - i
				if cut {
					k = min(k, rapid.SampledFrom([]int{1, 7, 64, 1000, 4096, 20000}).Draw(t, "block"))
					if k == 64 {
						m.Result()
					}
				}
				m.Add(audio.Block{L: l[i : i+k], R: r[i : i+k]})
				i += k
			}
			return m.Result()
		}
		whole := measure(l, r, false)
		if d := cmp.Diff(whole, measure(l, r, true)); d != "" {
			t.Fatalf("partition changed the reading:\n%s", d)
		}

		swapped := measure(r, l, false)
		swapped.DCOffsetLeft, swapped.DCOffsetRight = swapped.DCOffsetRight, swapped.DCOffsetLeft
		if p := swapped.TruePeakAt; p != nil {
			p.Channel = map[string]string{"left": "right", "right": "left"}[p.Channel]
		}
		if d := cmp.Diff(whole, swapped, close(1e-6)); d != "" {
			t.Fatalf("swapped channels changed the reading:\n%s", d)
		}

		// Half the level, half the clip threshold: levels fall 6.02 dB, ratios
		// and places stay.
		m, err := New(pcm24(rate), Options{FullScale: 0.225})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(audio.Block{L: times(l, 0.5), R: times(r, 0.5)})
		half := m.Result()
		for _, pair := range [][2]*float64{
			{whole.IntegratedLUFS, half.IntegratedLUFS}, {whole.MaxMomentaryLUFS, half.MaxMomentaryLUFS}, {whole.MaxShortTermLUFS, half.MaxShortTermLUFS},
			{whole.MaxTruePeakDBTP, half.MaxTruePeakDBTP}, {whole.SamplePeakDBFS, half.SamplePeakDBFS}, {whole.RMSDBFS, half.RMSDBFS},
			{whole.UltrasonicRMSDBFS, half.UltrasonicRMSDBFS},
		} {
			if (pair[0] == nil) != (pair[1] == nil) {
				t.Fatalf("a level exists at one gain only")
			}
			if pair[0] != nil && math.Abs(*pair[0]-*pair[1]-6.020599913279624) > 1e-9 {
				t.Fatalf("half the level: %g and %g", *pair[0], *pair[1])
			}
		}
		same := func(r Reading) []any {
			return []any{r.Correlation, r.SideToMidDB, r.SideToMidBelowCrossoverDB, r.CrestDB, r.TruePeakAt, r.ClippedRuns, r.LongestClippedRunFrames, r.FirstClippedAtS}
		}
		if d := cmp.Diff(same(whole), same(half), close(1e-9)); d != "" {
			t.Fatalf("half the level changed a ratio or a place:\n%s", d)
		}
	})
}

// close compares floats within tol, for sums taken in another order: a side
// signal 115 dB under mid keeps 1e-9 dB.
func close(tol float64) cmp.Option {
	return cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= tol })
}

func TestNewRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		f    audio.Format
		opt  Options
	}{
		{"no rate", audio.Format{}, Options{}},
		{"low rate", pcm24(4000), Options{}},
		{"crossover", pcm24(48000), Options{CrossoverHz: 5000}},
		{"negative crossover", pcm24(48000), Options{CrossoverHz: -1}},
		{"band limit", pcm24(48000), Options{BandLimitHz: 100}},
		{"full scale", pcm24(48000), Options{FullScale: -1}},
		{"NaN", pcm24(48000), Options{FullScale: math.NaN()}},
	} {
		if _, err := New(c.f, c.opt); err == nil || !strings.HasPrefix(err.Error(), "meter: ") {
			t.Errorf("%s: error %v, want one that begins with meter:", c.name, err)
		}
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	m, err := New(pcm24(48000), Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := audio.Block{L: noise(4096, 1), R: noise(4096, 2)}
	if n := testing.AllocsPerRun(200, func() { m.Add(b) }); n != 0 {
		t.Errorf("Add allocates %g times", n)
	}
}

func Example() {
	m, err := New(audio.Format{SampleRateHz: 48000, BitDepth: 24, Encoding: audio.EncodingPCM}, Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	x := sine(48000, 1000, 0.1, 10)
	m.Add(audio.Block{L: x, R: x})
	r := m.Result()
	fmt.Printf("%.1f LUFS, %.1f dBTP, correlation %.2f\n", *r.IntegratedLUFS, *r.MaxTruePeakDBTP, *r.Correlation)
	fmt.Println("loudness range:", r.Unavailable["loudness_range_lu"])
	// Output:
	// -20.0 LUFS, -20.0 dBTP, correlation 1.00
	// loudness range: programme under 60 s
}
