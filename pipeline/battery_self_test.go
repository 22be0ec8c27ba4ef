//go:build battery

package pipeline_test

import (
	"math"
	"testing"
)

// The verifier is itself checked, on closed forms, before it judges anything.

const referenceFS = 0.05 / math.Sqrt2 / 0.19952623149688797 // 5 cm/s lateral peak, 1 kHz, -14 dBFS

// flatPlan is a groove of constant pitch and depth.
func flatPlan(outerMM, pitchUM, depthUM, revS, seconds float64) *groovePlan {
	return &groovePlan{
		t:        []float64{0, seconds},
		radiusUM: []float64{1000 * outerMM, 1000*outerMM - pitchUM*seconds/revS},
		depthUM:  []float64{depthUM, depthUM},
	}
}

func twoTones(rate int, seconds, hz, l, r, fadeS float64) sound {
	n := int(seconds * float64(rate))
	s := sound{rate: rate, l: make([]float64, n), r: make([]float64, n)}
	for i := range n {
		t := float64(i) / float64(rate)
		edge := math.Min(1, math.Min(t, seconds-t)/fadeS)
		g := math.Pow(math.Sin(math.Pi/2*edge), 2) * math.Sin(2*math.Pi*hz*t)
		s.l[i], s.r[i] = l*g, r*g
	}
	return s
}

var selfBounds = bounds{minWidthUM: 25, maxDepthUM: 80, minLandUM: 10, backFacet: 1, clearance: math.Tan(35 * math.Pi / 180), tipUM: 18, revolutionS: 1.8}

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: %.6g, want %.6g within %.2g", what, got, want, tol)
	}
}

// Steady lateral tones at 5 cm/s lateral peak, flat level: excursion and
// acceleration by v = 2 pi f A through the recording characteristic
// (IEC 60098 time constants). Slope is v/V, curvature a R/V^2 per wall.
// 0.1 %: the values are printed to four digits.
func TestVerifierTones(t *testing.T) {
	speed := 2 * math.Pi * 0.0603 / 1.8
	for _, c := range []struct {
		hz, lateralUM, velocityCMS, accelMS2 float64
		rate                                 int
	}{
		{100, 17.64, 1.108, 6.962, 44100},
		{315, 13.92, 2.754, 54.51, 48000},
		{1000, 7.958, 5.000, 314.2, 44100},
		{5000, 4.10, 12.87, 4042, 48000},
		{10000, 3.87, 24.31, 15271, 44100},
		{15000, 3.82, 36.04, 33969, 96000},
		{15000, 3.82, 36.04, 33969, 44100},
		{19000, 0, 45.485, 54301, 48000},
	} {
		a := dbToRatio(-14)
		s := twoTones(c.rate, 2, c.hz, a, a, 0.3)
		f, err := verify(s, referenceFS, flatPlan(60.3, 0, 30, 1.8, 2), selfBounds)
		if err != nil {
			t.Fatal(err)
		}
		if c.lateralUM > 0 && c.hz < 2000 { // the peak is taken on the grid only
			within(t, "lateral peak", f.lateralPeakUM, c.lateralUM, 0.002*c.lateralUM)
		}
		within(t, "vertical peak", f.verticalPeakUM, 0, 1e-9)
		within(t, "slope ratio", f.slope.value, c.velocityCMS/100/speed, 0.001*f.slope.value)
		within(t, "curvature ratio", f.curvature.value, c.accelMS2/math.Sqrt2*18e-6/(speed*speed), 0.003*f.curvature.value)
		within(t, "width", f.minWidthUM.value, 60, 1e-9)
	}
}

// L = -R with 10.96 um per channel in a 56 um groove leaves 25.0 um (RIAA
// 1963's least width, secondary; geometry of the 90 degree V, derived).
func TestVerifierWidthAndDepth(t *testing.T) {
	const hz = 200
	perChannel := 10.96e-6 * 2 * math.Pi * hz / cabs(characteristic(hz)) / referenceFS
	f, err := verify(twoTones(44100, 4, hz, perChannel, -perChannel, 0.3), referenceFS, flatPlan(100, 100, 28, 1.8, 4), selfBounds)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "width um", f.minWidthUM.value, 25.0, 0.05)
	within(t, "depth um", f.maxDepthUM.value, 28+10.96*math.Sqrt2, 0.05)
	within(t, "lateral um", f.lateralPeakUM, 0, 1e-9)
	// Deepening: -z' = 2 pi f z over V tan(clearance).
	z := 10.96e-6 * math.Sqrt2
	within(t, "deepening", f.deepening.value, 2*math.Pi*hz*z/(2*math.Pi*0.1/1.8*selfBounds.clearance), 2e-4)
}

// L = R = 15 um lateral, opposite phase one revolution apart, pitch 100 um,
// width 60 um: land 10.0 um; at 99 um it is 9.0 um and a violation (geometry
// of the 90 degree V, derived).
func TestVerifierLand(t *testing.T) {
	const rate, rev = 44100, 1.8
	hz := 100.5 / rev // half a cycle more each revolution
	a := 15e-6 / math.Sqrt2 * 2 * math.Pi * hz / cabs(characteristic(hz)) / referenceFS
	for _, c := range []struct {
		pitch, land float64
		broken      bool
	}{{100, 10, false}, {99, 9, true}} {
		s := twoTones(rate, 8, hz, a, a, 0.5)
		f, err := verify(s, referenceFS, flatPlan(120, c.pitch, 30, rev, 8), selfBounds)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "land um", f.minLandUM.value, c.land, 0.01)
		if got := len(f.violations(selfBounds)) > 0; got != c.broken {
			t.Errorf("pitch %g: violations %v, want broken %v", c.pitch, f.violations(selfBounds), c.broken)
		}
	}
}

// Windows must give what one transform gives: a long programme of changing
// tones in windows against the same in one piece. 1e-4: the 1 Hz floor's
// memory cut at 4 s, and tapered edges.
func TestVerifierWindowsAgree(t *testing.T) {
	const rate, seconds = 44100, 60.0
	n := int(rate * seconds)
	s := sound{rate: rate, l: make([]float64, n), r: make([]float64, n)}
	for i := range n {
		x := float64(i) / rate
		g := 0.1 * math.Min(1, seconds-x) * (1 + 0.6*math.Sin(2*math.Pi*x/23))
		s.l[i] = g * math.Sin(2*math.Pi*(70*x+2.1*x*x))
		s.r[i] = g * math.Sin(2*math.Pi*(3000*x+20*x*x)+1)
	}
	plan := func() *groovePlan { return flatPlan(100, 120, 40, 1.8, seconds) }
	whole := verifyIn(1<<22, s, referenceFS, plan(), selfBounds)
	parts := verifyIn(1<<20, s, referenceFS, plan(), selfBounds)
	for _, c := range []struct {
		what        string
		whole, part worst
	}{
		{"width", whole.minWidthUM, parts.minWidthUM}, {"depth", whole.maxDepthUM, parts.maxDepthUM},
		{"land", whole.minLandUM, parts.minLandUM}, {"slope", whole.slope, parts.slope},
		{"deepening", whole.deepening, parts.deepening}, {"curvature", whole.curvature, parts.curvature},
	} {
		within(t, c.what, c.part.value, c.whole.value, 1e-4*math.Abs(c.whole.value))
	}
}

// A place between the samples must be found: a tone at a quarter of the grid
// rate sampled 45 degrees from its peaks reads 3.01 dB low on the grid
// (EBU Tech 3341 #16 uses the same signal for true peak).
func TestVerifierSeesBetweenSamples(t *testing.T) {
	ip := newInterpolator()
	x := make([]float64, 400)
	for i := range x {
		x[i] = math.Sin(math.Pi/2*float64(i) + math.Pi/4)
	}
	peak := 0.0
	for i := 150; i < 250; i++ {
		for p := range 8 {
			y := x[i]
			if p > 0 {
				y = ip.at(x, i, p)
			}
			want := math.Sin(math.Pi/2*(float64(i)+float64(p)/8) + math.Pi/4)
			within(t, "interpolated value", y, want, 1e-4)
			peak = math.Max(peak, y)
		}
	}
	within(t, "peak", peak, 1, 1e-4)
}
