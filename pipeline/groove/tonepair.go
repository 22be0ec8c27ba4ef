package groove

import (
	"math"
	"math/cmplx"
)

// Tone is a sine of one channel.
type Tone struct {
	HZ         float64
	VelocityMS float64 // peak, along the 45 degree axis
}

// PairTracing is what a tip makes of two tones in one channel.
type PairTracing struct {
	C            float64 // sum of both curvature ratios: the sharpest point there can be
	DifferenceHZ float64 // |f2 - f1| on the grid of TracePair
	// Difference is the product at DifferenceHZ, as velocity over that of the second
	// tone as traced; 0 for tones of one frequency.
	Difference float64
}

// PairGridHZ is the grid to which TracePair rounds frequencies, so that both fit
// into one period.
const PairGridHZ = 20

// TracePair is TraceSine for two tones: Fourier integrals over the exact offset
// curve of their sum up to the cusp, over the dilation beyond. For small c it is
// TwoToneTracing. Frequencies must be above zero and below 24 kHz. Derived.
func TracePair(first, second Tone, speedMS, tipUM float64) PairTracing {
	n1, n2 := max(1, int(math.Round(first.HZ/PairGridHZ))), max(1, int(math.Round(second.HZ/PairGridHZ)))
	period := speedMS * 1e6 / PairGridHZ // um
	wave := func(n int, v float64) (amplitude, k float64) {
		return 1e6 * SineDisplacement(v, float64(n)*PairGridHZ), 2 * math.Pi * float64(n) / period
	}
	a1, k1 := wave(n1, first.VelocityMS)
	a2, k2 := wave(n2, second.VelocityMS)
	out := PairTracing{C: tipUM * (a1*k1*k1 + a2*k2*k2), DifferenceHZ: math.Abs(float64(n2-n1)) * PairGridHZ}
	if n1 == n2 {
		return out
	}
	// 32 points in the shortest wave hold the integrand's harmonics.
	points := 1
	for points < 32*max(n1, n2) {
		points *= 2
	}
	order := [2]int{n2, max(n1, n2) - min(n1, n2)}
	var series [2]complex128
	add := func(p, weight, angle float64) {
		for i, m := range order {
			series[i] += cmplx.Rect(p*weight, -float64(m)*angle)
		}
	}
	if out.C < 1 {
		for i := range points {
			at := 2 * math.Pi * float64(i) / float64(points)
			s1, c1 := math.Sincos(float64(n1) * at)
			s2, c2 := math.Sincos(float64(n2) * at)
			slope := a1*k1*c1 + a2*k2*c2
			shift, drop := offsetPoint(slope, tipUM)
			stretch := 1 + tipUM*(a1*k1*k1*s1+a2*k2*k2*s2)/math.Pow(1+slope*slope, 1.5)
			add(a1*s1+a2*s2+drop, stretch, at-2*math.Pi*shift/period)
		}
	} else {
		step := period / float64(points)
		margin := int(tipUM/step) + 1
		wall := make([]float64, points+2*margin)
		for i := range wall {
			at := 2 * math.Pi * float64(i-margin) / float64(points)
			wall[i] = a1*math.Sin(float64(n1)*at) + a2*math.Sin(float64(n2)*at)
		}
		Dilate(wall, wall, step, tipUM)
		for i := range points {
			add(wall[margin+i], 1, 2*math.Pi*float64(i)/float64(points))
		}
	}
	out.Difference = float64(order[1]) * cmplx.Abs(series[1]) / (float64(n2) * cmplx.Abs(series[0]))
	return out
}
