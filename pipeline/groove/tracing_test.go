package groove

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"
)

// Exact offset curve of a sine by an independent run over 2e5 points, beside
// the leading orders; derived. Tolerance: the last digit given.
var tracingTable = []struct {
	amplitude, wavelength, tip         float64 // um
	c, d2, d2Lead, d2Two, d3, d3Lead   float64
	fundamental, fundamentalLead, d3Ok float64
}{
	{1, 100, 18, 0.0711, 0.03546, 0.03553, 0.03546, 0.001884, 0.001894, 0.999370, 0.999369, 1e-6},
	{2, 100, 18, 0.1421, 0.07049, 0.07106, 0.07048, 0.007421, 0.007575, 0.997497, 0.997475, 1e-6},
	{4, 100, 18, 0.2842, 0.13771, 0.14212, 0.13748, 0.02797, 0.03030, 0.990239, 0.989901, 1e-5},
	{0.5, 30, 18, 0.3948, 0.19057, 0.19739, 0.19045, 0.05414, 0.05845, 0.980749, 0.980518, 1e-5},
	{1, 50, 7, 0.1105, 0.05491, 0.05527, 0.05491, 0.004505, 0.004582, 0.998485, 0.998473, 1e-6},
}

func TestTracingOfSine(t *testing.T) {
	for _, c := range tracingTable {
		t.Run(fmt.Sprintf("A %g, wavelength %g, R %g um", c.amplitude, c.wavelength, c.tip), func(t *testing.T) {
			exact := TraceSine(c.amplitude, c.wavelength, c.tip)
			within(t, "c", exact.C, c.c, 5e-5)
			within(t, "D2", exact.D2, c.d2, 1e-5)
			within(t, "D3", exact.D3, c.d3, c.d3Ok)
			within(t, "fundamental", exact.Fundamental, c.fundamental, 1e-6)
			lead := EstimateSineTracing(c.amplitude, c.wavelength, c.tip)
			within(t, "c/2", lead.C/2, c.d2Lead, 1e-5)
			within(t, "D2, two terms", lead.D2, c.d2Two, 1e-5)
			within(t, "D3, leading", lead.D3, c.d3Lead, 1e-5)
			within(t, "fundamental, leading", lead.Fundamental, c.fundamentalLead, 1e-6)
			ratioWithin(t, "mean shift", exact.MeanShiftUM, lead.MeanShiftUM, 0.02) // next order, c^2/8
			ratioWithin(t, "two terms hold", lead.D2, exact.D2, 0.003)
		})
	}
}

// harmonic is the displacement of the sine of a whole number of cycles over
// the samples, as amplitude.
func harmonic(x []float64, cycles int) float64 {
	return cmplx.Abs(phasor(x, cycles))
}

func phasor(x []float64, cycles int) complex128 {
	var sum complex128
	for i, v := range x {
		sum += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*float64(i*cycles%len(x))/float64(len(x)))
	}
	return sum * complex(2/float64(len(x)), 0)
}

// tracers are the three ways to trace one period of a wall of whole cycles:
// by search, by offset curve, and as a stream.
var tracers = []struct {
	name  string
	trace func(t *testing.T, wall, slope func(x float64) float64, period float64, points int, tip float64) []float64
}{
	{"dilation", func(t *testing.T, wall, _ func(float64) float64, period float64, points int, tip float64) []float64 {
		x, _, margin := sampled(wall, nil, period, points, tip)
		Dilate(x, x, period/float64(points), tip)
		return x[margin : margin+points]
	}},
	{"offset curve", func(t *testing.T, wall, slope func(float64) float64, period float64, points int, tip float64) []float64 {
		x, s, margin := sampled(wall, slope, period, points, tip)
		TraceOffset(x, x, s, period/float64(points), tip)
		return x[margin : margin+points]
	}},
	{"stream", func(t *testing.T, wall, _ func(float64) float64, period float64, points int, tip float64) []float64 {
		// The points of the period at 96 kHz set the groove speed.
		const rate = 96000
		speed := period * 1e-6 * rate / float64(points)
		tracer, err := NewTracer(tip, rate, speed)
		if err != nil {
			t.Fatal(err)
		}
		settle := (tracer.Delay()/points + 2) * points
		x := make([]float64, settle+tracer.Delay()+points)
		for i := range x {
			x[i] = wall(period * float64(i%points) / float64(points))
		}
		if err := tracer.Process(x, x, speed); err != nil {
			t.Fatal(err)
		}
		return x[settle+tracer.Delay():]
	}},
}

// sampled takes one period with enough on either side that the ends do not
// matter.
func sampled(wall, slope func(float64) float64, period float64, points int, tip float64) (x, s []float64, margin int) {
	step := period / float64(points)
	margin = int(tip/step) + 3
	x, s = make([]float64, points+2*margin), make([]float64, points+2*margin)
	for i := range x {
		at := float64(i-margin) * step
		x[i] = wall(at)
		if slope != nil {
			s[i] = slope(at)
		}
	}
	return x, s, margin
}

func sineWall(amplitude, wavelength float64) (wall, slope func(float64) float64) {
	k := 2 * math.Pi / wavelength
	return func(x float64) float64 { return amplitude * math.Sin(k*x) },
		func(x float64) float64 { return amplitude * k * math.Cos(k*x) }
}

// All three must reproduce the exact harmonics. 0.2 %: interpolation between 24
// or more points per cycle; the stream has 24 per cycle at 96 kHz, so 4 kHz and
// its harmonics to 12 kHz.
func TestTracersAgreeWithExactHarmonics(t *testing.T) {
	for _, c := range tracingTable {
		exact := TraceSine(c.amplitude, c.wavelength, c.tip)
		wall, slope := sineWall(c.amplitude, c.wavelength)
		for _, tr := range tracers {
			t.Run(fmt.Sprintf("%s, A %g, wavelength %g, R %g", tr.name, c.amplitude, c.wavelength, c.tip), func(t *testing.T) {
				points := 24
				if tr.name != "stream" {
					points = 96
				}
				p := tr.trace(t, wall, slope, c.wavelength, points, c.tip)
				first := harmonic(p, 1)
				ratioWithin(t, "fundamental", first/c.amplitude, exact.Fundamental, 1e-4)
				ratioWithin(t, "D2", 2*harmonic(p, 2)/first, exact.D2, 0.002)
				ratioWithin(t, "D3", 3*harmonic(p, 3)/first, exact.D3, 0.002)
				within(t, "mean shift", real(phasor(p, 0))/2, exact.MeanShiftUM, 0.002*exact.MeanShiftUM)
			})
		}
	}
}

// C17 and its neighbours: physical cases, velocity per channel. The problem is that
// of Pierce and Hunt, JASA 10, 14 (1938); the values are derived, an independent
// run over the offset curve. 1 %.
func TestTracingOfTones(t *testing.T) {
	lp := mustDisc(t, "12in-33")
	for _, c := range []struct {
		name                  string
		hz, v, radius         float64
		c, d2, d2Lead, d3, wd float64
	}{
		{"1 kHz, 5 cm/s, inside (C17)", 1000, 0.05, 60.3, 0.1276, 0.0627, 0.0638, 0, 0},
		{"3 kHz, 3.5355 cm/s, inside", 3000, 0.05 / math.Sqrt2, 60.3, 0, 0.1324, 0.1354, 0.0261, 0.0275},
		{"10 kHz, 3.5355 cm/s, outside", 10000, 0.05 / math.Sqrt2, 146.05, 0, 0.0765, 0.0769, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			speed := lp.GrooveSpeed(c.radius)
			amplitude, wavelength := 1e6*SineDisplacement(c.v, c.hz), 1e6*speed/c.hz
			exact, lead := TraceSine(amplitude, wavelength, 18), EstimateSineTracing(amplitude, wavelength, 18)
			if c.c > 0 {
				ratioWithin(t, "c", exact.C, c.c, 0.001)
			}
			ratioWithin(t, "c by limits", exact.C, SineAcceleration(c.v, c.hz)/CurvatureLimitMS2(speed, 18), 1e-12)
			ratioWithin(t, "D2", exact.D2, c.d2, 0.01)
			ratioWithin(t, "D2 leading", lead.C/2, c.d2Lead, 0.002)
			if c.d3 > 0 { // 5 cm/s lateral has these walls
				ratioWithin(t, "D3", exact.D3, c.d3, 0.01)
				ratioWithin(t, "D3 leading", lead.D3, c.wd, 0.003)
			}
		})
	}
}

// C15, C16 and T2 on all three tracers: one channel 2 um, wavelength 100 um, R
// 18 um; then both channels in phase. That even orders cancel sideways and pinch is
// in Pierce and Hunt, JASA 10, 14 (1938), for two walls in Corrington and Murakami,
// RCA Review 19, 216 (1958) (both from memory); the values are derived. 0.5 % and
// 1 %.
func TestOneChannelAndLateral(t *testing.T) {
	up, upSlope := sineWall(2, 100)
	down, downSlope := sineWall(-2, 100) // the right channel's wall moves against its signal
	for _, tr := range tracers {
		t.Run(tr.name, func(t *testing.T) {
			l := tr.trace(t, up, upSlope, 100, 96, 18)
			r := tr.trace(t, down, downSlope, 100, 96, 18)
			negate(r)
			first := harmonic(l, 1)
			ratioWithin(t, "fundamental", first/2, 0.99750, 0.005)
			ratioWithin(t, "D2", 2*harmonic(l, 2)/first, 0.0705, 0.005)
			ratioWithin(t, "D3", 3*harmonic(l, 3)/first, 0.00742, 0.005)
			y, z := make([]float64, len(l)), make([]float64, len(l))
			LateralVerticalBlock(y, z, l, r)
			within(t, "second harmonic of y", harmonic(y, 2)/harmonic(y, 1), 0, 1e-9)
			within(t, "fundamental of z", harmonic(z, 1)/harmonic(y, 1), 0, 1e-9)
			ratioWithin(t, "pinch z2/y1", harmonic(z, 2)/harmonic(y, 1), 0.0352, 0.01)
			ratioWithin(t, "pinch by formula", TraceSine(2, 100, 18).PinchRatio(), 0.0352, 0.01)
		})
	}
	// T2: before any tracing, a mono sine's centre line is that sine (common
	// practice, no source). THD below 1e-9.
	x := make([]float64, 960)
	for i := range x {
		x[i] = up(float64(i) / 960 * 100)
	}
	y, z := make([]float64, len(x)), make([]float64, len(x))
	LateralVerticalBlock(y, z, x, x)
	for h := 2; h < 20; h++ {
		within(t, fmt.Sprint("harmonic ", h), harmonic(y, h)/harmonic(y, 1), 0, 1e-9)
	}
}

// C18 and its neighbour: two tones in one channel, r 60.3 mm at 33
// 1/3, R 18 um. Two tones as a measure of tracing: Roys, Proc. IRE 1947 (from
// memory); the values are derived. 1 %.
func TestTwoTones(t *testing.T) {
	speed := mustDisc(t, "12in-33").GrooveSpeed(60.3)
	for _, c := range []struct {
		name           string
		f1, v1, f2, v2 float64
		base           float64 // Hz, of which both are whole multiples
		product        float64 // Hz
		exact, leading float64
	}{
		{"5000 + 5400 Hz (C18)", 5000, 0.005, 5400, 0.005, 200, 400, 0.002556, 0.002553},
		{"400 Hz + 4 kHz", 400, 0.0354, 4000, 0.00885, 400, 3600, 0.1640, 0.1627},
	} {
		period := 1e6 * speed / c.base
		a1, a2 := 1e6*SineDisplacement(c.v1, c.f1), 1e6*SineDisplacement(c.v2, c.f2)
		k1, k2 := 2*math.Pi*c.f1/speed*1e-6, 2*math.Pi*c.f2/speed*1e-6
		wall := func(x float64) float64 { return a1*math.Sin(k1*x) + a2*math.Sin(k2*x) }
		slope := func(x float64) float64 { return a1*k1*math.Cos(k1*x) + a2*k2*math.Cos(k2*x) }
		ratioWithin(t, c.name+", leading", TwoToneTracing(c.v1, c.product, speed, 18), c.leading, 0.001)
		for _, tr := range tracers {
			t.Run(c.name+", "+tr.name, func(t *testing.T) {
				p := tr.trace(t, wall, slope, period, int(96000/c.base), 18)
				m := int(c.product / c.base)
				m2 := int(c.f2 / c.base)
				got := float64(m) * harmonic(p, m) / (float64(m2) * harmonic(p, m2)) // velocities, re tone 2 as traced
				ratioWithin(t, "product", got, c.exact, 0.01)
			})
		}
	}
}

// bruteForce is the definition on a grid so fine (tip/4000) that its error is
// below 1e-6 um.
func bruteForce(wall func(float64) float64, at, tip float64) float64 {
	best := math.Inf(-1)
	const n = 4000
	for i := -n; i <= n; i++ {
		u := tip * float64(i) / n
		best = math.Max(best, wall(at+u)+math.Sqrt(tip*tip-u*u)-tip)
	}
	return best
}

// Beyond the cusp only the definition is left as oracle. The walls are sums of
// sines with sharpness c up to 4. Tolerance 0.2 % of the wall's peak: search on
// the definition's grid errs by less than 1e-6, the tracers interpolate.
func TestBeyondTheCusp(t *testing.T) {
	for _, c := range []struct {
		name          string
		a1, a2, phase float64
		m1, m2        int
		tip           float64
	}{
		{"c 0.9", 2.28, 0, 0, 1, 2, 10}, {"c 1.5", 3.8, 0, 0, 1, 2, 10}, {"c 4", 10.1, 0, 0, 1, 2, 10},
		{"two tones", 4, 1.5, 1, 1, 5, 12.7}, {"many folds", 6, 1, 0.3, 1, 7, 18},
	} {
		const period = 100.0
		k := 2 * math.Pi / period
		wall := func(x float64) float64 {
			return c.a1*math.Sin(k*float64(c.m1)*x) + c.a2*math.Sin(k*float64(c.m2)*x+c.phase)
		}
		slope := func(x float64) float64 {
			return k * (c.a1*float64(c.m1)*math.Cos(k*float64(c.m1)*x) + c.a2*float64(c.m2)*math.Cos(k*float64(c.m2)*x+c.phase))
		}
		for _, tr := range tracers[:2] {
			t.Run(c.name+", "+tr.name, func(t *testing.T) {
				const points = 240
				p := tr.trace(t, wall, slope, period, points, c.tip)
				for i := 0; i < points; i += 7 {
					want := bruteForce(wall, period*float64(i)/points, c.tip)
					within(t, fmt.Sprint("point ", i), p[i], want, 0.002*c.a1)
				}
			})
		}
	}
}

func TestTraceSineIsContinuousAtTheCusp(t *testing.T) {
	const wavelength, tip = 50.0, 18.0
	k := 2 * math.Pi / wavelength
	cusp := 1 / (tip * k * k)
	below, above := TraceSine(0.9999*cusp, wavelength, tip), TraceSine(1.0001*cusp, wavelength, tip)
	ratioWithin(t, "fundamental", above.Fundamental, below.Fundamental, 0.001)
	ratioWithin(t, "D2", above.D2, below.D2, 0.002)
	ratioWithin(t, "D3", above.D3, below.D3, 0.005)
	ratioWithin(t, "mean shift", above.MeanShiftUM, below.MeanShiftUM, 0.002)
}

// What holds of any dilation by a tip: it never lies below the wall or above
// its peak (1 % for interpolation at the kink where the wall is held), and a lift
// goes through.
func TestDilationProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "samples")
		step := rapid.Float64Range(0.5, 5).Draw(t, "step")
		tip := rapid.Float64Range(3, 30).Draw(t, "tip")
		lift := rapid.Float64Range(-20, 20).Draw(t, "lift")
		peak := rapid.Float64Range(0.1, 20).Draw(t, "peak")
		f, g := make([]float64, n), make([]float64, n)
		for i := range f {
			f[i] = peak * math.Sin(0.2*float64(i)+0.001*float64(i*i))
			g[i] = f[i] + lift
		}
		pf, pg := make([]float64, n), make([]float64, n)
		Dilate(pf, f, step, tip)
		Dilate(pg, g, step, tip)
		const rounding = 1e-9
		for i := range f {
			if pf[i] < f[i]-rounding || pf[i] > peak*1.01 {
				t.Fatalf("sample %d: wall %g, traced %g, peak %g", i, f[i], pf[i], peak)
			}
			if math.Abs(pg[i]-pf[i]-lift) > rounding {
				t.Fatalf("sample %d: a lift of %g became %g", i, lift, pg[i]-pf[i])
			}
		}
		Dilate(f, f, step, tip)
		for i := range f {
			if f[i] != pf[i] {
				t.Fatalf("sample %d: in place %g, apart %g", i, f[i], pf[i])
			}
		}
	})
}

func TestShapeErrorsPanic(t *testing.T) {
	for name, call := range map[string]func(){
		"Dilate lengths":      func() { Dilate(make([]float64, 2), make([]float64, 3), 1, 1) },
		"Dilate step":         func() { Dilate(nil, nil, 0, 1) },
		"Dilate tip":          func() { Dilate(nil, nil, 1, math.NaN()) },
		"TraceOffset lengths": func() { TraceOffset(make([]float64, 2), make([]float64, 2), nil, 1, 1) },
		"TraceOffset step":    func() { TraceOffset(nil, nil, nil, -1, 1) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			call()
		}()
	}
	Dilate(nil, nil, 1, 1)
	TraceOffset(nil, nil, nil, 1, 1)
}
