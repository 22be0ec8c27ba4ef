package groove

import (
	"math"
	"math/cmplx"
)

// Tracing: what a round tip makes of a wall.
//
// A wall is a ruled surface, so a sphere's centre runs on the surface parallel
// to it at distance R, and each wall is a plane problem of its own, with the
// full radius R, in the plane of x (along the groove) and the wall's normal.
// For a wall f(x), positive towards the tip, with slope s = f'(x):
//
//	x_c = x - R s/sqrt(1+s^2)     p = f + R/sqrt(1+s^2) - R         (offset curve)
//	p(x_c) = max over u of f(x_c+u) + sqrt(R^2-u^2) - R             (dilation)
//
// The second form holds also where the wall is more sharply curved than the
// tip (c > 1, beyond the cusp) and part of it is never touched. Derived; the
// problem is that of Pierce and Hunt, JASA 10, 14 (1938), and Lewis and Hunt,
// JASA 12, 348 (1941), but not compared with them line by line.
//
// For a bi-radial (elliptical) tip the radius of this plane is the smaller,
// side radius; the larger, frontal one only decides where on the wall the tip
// sits. So every function here takes one radius: the spherical radius or the
// side radius.

// offsetPoint returns how far behind its wall point the tip's centre is
// (x - x_c, um) and how far the point of the offset curve lies above the wall
// (p - f, um, never positive).
func offsetPoint(slope, tipUM float64) (shift, drop float64) {
	root := math.Sqrt(1 + slope*slope)
	shift = tipUM * slope / root
	// R/root - R without the cancellation at small slopes.
	return shift, -shift * slope / (1 + root)
}

// CurvatureRatio is c = R A k^2 for a sine of wall displacement: how sharp its
// sharpest point is against the tip; 1 is the cusp. It is also peak channel
// acceleration over CurvatureLimitMS2. All in um.
func CurvatureRatio(amplitudeUM, wavelengthUM, tipUM float64) float64 {
	k := 2 * math.Pi / wavelengthUM
	return tipUM * amplitudeUM * k * k
}

// SineTracing is what a tip makes of a sine of wall displacement.
type SineTracing struct {
	C           float64 // curvature ratio
	Fundamental float64 // displacement of the fundamental over that of the wall
	D2          float64 // second harmonic over fundamental, as velocities
	D3          float64 // third harmonic over fundamental, as velocities
	MeanShiftUM float64 // by how much the tip rides higher on average
}

// PinchRatio is the vertical second harmonic over the lateral fundamental, as
// displacements, when both walls carry this sine in phase (lateral motion): the
// even products of the two walls cancel sideways and add up vertically. c/4 to
// leading order.
func (s SineTracing) PinchRatio() float64 { return s.D2 / 2 }

// EstimateSineTracing is the series of the offset curve in powers of c:
//
//	fundamental 1 - c^2/8      mean shift A c/4
//	D2 = (c/2)(1 - (Ak)^2/4 - 5c^2/24)      D3 = (3/8) c^2
//
// Against the exact value D2 is within 0.3 % for c < 0.4; D3, of leading order
// only, within 2 % for c < 0.15. For lateral motion of amplitude B use
// A = B/sqrt2 and D2 = 0: even orders cancel. Derived.
func EstimateSineTracing(amplitudeUM, wavelengthUM, tipUM float64) SineTracing {
	c := CurvatureRatio(amplitudeUM, wavelengthUM, tipUM)
	ak := 2 * math.Pi * amplitudeUM / wavelengthUM
	return SineTracing{
		C:           c,
		Fundamental: 1 - c*c/8,
		D2:          c / 2 * (1 - ak*ak/4 - 5*c*c/24),
		D3:          3.0 / 8 * c * c,
		MeanShiftUM: amplitudeUM * c / 4,
	}
}

// TraceSine is the same without approximation: Fourier integrals over the
// offset curve up to the cusp, over the dilation beyond. Amplitude and tip must
// be above zero.
func TraceSine(amplitudeUM, wavelengthUM, tipUM float64) SineTracing {
	c := CurvatureRatio(amplitudeUM, wavelengthUM, tipUM)
	var series [4]complex128
	if c < 1 {
		series = offsetSeries(amplitudeUM, wavelengthUM, tipUM)
	} else {
		series = dilationSeries(amplitudeUM, wavelengthUM, tipUM)
	}
	first := cmplx.Abs(series[1])
	return SineTracing{
		C:           c,
		Fundamental: 2 * first / amplitudeUM,
		D2:          2 * cmplx.Abs(series[2]) / first,
		D3:          3 * cmplx.Abs(series[3]) / first,
		MeanShiftUM: real(series[0]),
	}
}

// offsetSeries integrates over x instead of x_c, where the curve is given, so
// nothing is interpolated. The trapezoid rule on a whole period converges
// faster than any power.
func offsetSeries(amplitude, wavelength, tip float64) (series [4]complex128) {
	const points = 8192
	k := 2 * math.Pi / wavelength
	for i := range points {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / points)
		slope := amplitude * k * cos
		shift, drop := offsetPoint(slope, tip)
		p := amplitude*sin + drop
		stretch := 1 + tip*amplitude*k*k*sin/math.Pow(1+slope*slope, 1.5)
		angle := 2*math.Pi*float64(i)/points - k*shift
		for m := range series {
			series[m] += complex(p*stretch/points, 0) * cmplx.Rect(1, -float64(m)*angle)
		}
	}
	return series
}

// dilationSeries takes the upper envelope of the offset curve, which costs the same
// however far beyond the cusp.
func dilationSeries(amplitude, wavelength, tip float64) (series [4]complex128) {
	const points = 2048
	step := wavelength / points
	margin := int(tip/step) + 1
	wall, slope := make([]float64, points+2*margin), make([]float64, points+2*margin)
	for i := range wall {
		sin, cos := math.Sincos(2 * math.Pi * float64(i-margin) / points)
		wall[i], slope[i] = amplitude*sin, amplitude*2*math.Pi/wavelength*cos
	}
	TraceOffset(wall, wall, slope, step, tip)
	for i := range points {
		for m := range series {
			angle := 2 * math.Pi * float64(i*m%points) / points
			series[m] += complex(wall[margin+i]/points, 0) * cmplx.Rect(1, -angle)
		}
	}
	return series
}

// TwoToneTracing is the difference or sum product of two sines in one channel,
// as velocity over that of tone 2 as traced: R v1 |w2 -+ w1| / (2 V^2), leading
// order.
// productHz is f2 - f1 or f2 + f1; v1MS is the peak channel velocity of tone 1.
// Derived.
func TwoToneTracing(v1MS, productHz, grooveSpeedMS, tipUM float64) float64 {
	return v1MS * 2 * math.Pi * math.Abs(productHz) / (2 * CurvatureLimitMS2(grooveSpeedMS, tipUM))
}
