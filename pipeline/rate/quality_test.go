package rate_test

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/rate"
)

// Tolerances are the figures of the package comment.
const (
	tolGainDB   = rate.PassRippleDB
	tolFrames   = 1e-3
	tolFloorDB  = -rate.StopDB
	edgeSeconds = 0.0025 // longer than the filter rings at any rate
)

// sine is 0.5*sin on the left and 0.5*cos on the right.
func sine(hz, rateHz float64, frames int) audio.Block {
	b := audio.NewBlock(frames)
	for i := range b.L {
		s, c := math.Sincos(2 * math.Pi * hz / rateHz * float64(i))
		b.L[i], b.R[i] = 0.5*s, 0.5*c
	}
	return b
}

// fit finds the sine of a known frequency in x by least squares (two unknowns,
// normal equations) over frames [i, j): amplitude, phase against sin in
// radians, and the RMS of all that is left, which is distortion, noise, images
// and aliases.
func fit(x []float64, hz, rateHz float64, i, j int) (amplitude, phase, rest float64) {
	w := 2 * math.Pi * hz / rateHz
	var ss, sc, cc, xs, xc float64
	for n := i; n < j; n++ {
		s, c := math.Sincos(w * float64(n))
		ss, sc, cc = ss+s*s, sc+s*c, cc+c*c
		xs, xc = xs+x[n]*s, xc+x[n]*c
	}
	det := ss*cc - sc*sc
	a, b := (xs*cc-xc*sc)/det, (xc*ss-xs*sc)/det
	for n := i; n < j; n++ {
		s, c := math.Sincos(w * float64(n))
		d := x[n] - a*s - b*c
		rest += d * d
	}
	return math.Hypot(a, b), math.Atan2(b, a), math.Sqrt(rest / float64(j-i))
}

func TestSinesKeepLevelAndTime(t *testing.T) {
	worstGain, worstTime, worstFloor := 0.0, 0.0, math.Inf(-1)
	for _, p := range pairs() {
		from, to := float64(p[0]), float64(p[1])
		pass := rate.PassHz(p[0], p[1])
		for _, hz := range []float64{50, 997, 0.5 * pass, 0.93 * pass, pass} {
			name := fmt.Sprintf("%d to %d Hz, %.0f Hz", p[0], p[1], hz)
			y := convertAll(t, p[0], p[1], sine(hz, from, int(0.04*from)))
			edge := int(edgeSeconds * to)
			for ch, x := range [][]float64{y.L, y.R} {
				amplitude, phase, rest := fit(x, hz, to, edge, len(x)-edge)
				gain := audio.DB(amplitude / 0.5)
				late := math.Remainder(float64(ch)*math.Pi/2-phase, 2*math.Pi) / (2 * math.Pi * hz) * to
				floor := audio.DB(rest * math.Sqrt2 / amplitude)
				if math.Abs(gain) > tolGainDB || math.Abs(late) > tolFrames || floor > tolFloorDB {
					t.Errorf("%s, channel %d: gain %+.5f dB, %+.2g frames late, distortion and images at %.1f dB; want within %g dB, %g frames, below %g dB",
						name, ch, gain, late, floor, tolGainDB, tolFrames, tolFloorDB)
				}
				worstGain, worstTime, worstFloor = max(worstGain, math.Abs(gain)), max(worstTime, math.Abs(late)), max(worstFloor, floor)
			}
		}
	}
	t.Logf("worst: gain %.2g dB, time %.2g frames, distortion and images %.1f dB", worstGain, worstTime, worstFloor)
}

// What the lower rate cannot carry must be gone, wherever it would fold to.
func TestNothingFoldsBack(t *testing.T) {
	worst := math.Inf(-1)
	for _, p := range pairs() {
		if p[0] < p[1] {
			continue
		}
		from, stop := float64(p[0]), rate.StopHz(p[0], p[1])
		for _, share := range []float64{0, 0.0001, 0.02, 0.1, 0.35, 0.7, 0.99} {
			hz := stop + share*(from/2-stop)
			y := convertAll(t, p[0], p[1], sine(hz, from, int(0.04*from)))
			edge := int(edgeSeconds * float64(p[1]))
			// Left and right are a quarter of a period apart, so their squares
			// add up to the square of the amplitude however few periods are seen.
			sum := 0.0
			for i := edge; i < y.Len()-edge; i++ {
				sum += y.L[i]*y.L[i] + y.R[i]*y.R[i]
			}
			level := audio.DB(math.Sqrt(sum/float64(y.Len()-2*edge)) / 0.5)
			if level > tolFloorDB {
				t.Errorf("%d to %d Hz: %.1f Hz comes back at %.1f dB, want below %g dB", p[0], p[1], hz, level, tolFloorDB)
			}
			worst = max(worst, level)
		}
	}
	t.Logf("worst: %.1f dB", worst)
}

// An impulse on a frame that both rates have in common must stay there, and
// what surrounds it must be symmetric: that is linear phase without delay.
func TestImpulseStaysInPlace(t *testing.T) {
	const tol = 1e-13 // float64 rounding of a sum of some hundred products below 1
	for _, p := range pairs() {
		up, down := p[1]/300, p[0]/300 // not in lowest terms, still common frames
		if p[1]%300 != 0 || p[0]%300 != 0 {
			t.Fatalf("%v: no common frame every 1/300 s", p)
		}
		x := audio.NewBlock(10 * down)
		x.L[5*down], x.R[0] = 1, 1
		y := convertAll(t, p[0], p[1], x)
		at := 5 * up
		for i, v := range y.L {
			if i != at && v >= y.L[at] {
				t.Fatalf("%d to %d Hz: frame %d is %g, higher than the impulse, %g at %d", p[0], p[1], i, v, y.L[at], at)
			}
		}
		for d := range at {
			if diff := y.L[at-d] - y.L[at+d]; math.Abs(diff) > tol {
				t.Fatalf("%d to %d Hz: %d frames either side differ by %g", p[0], p[1], d, diff)
			}
			// Frame 0 too stays at time 0, with the same shape.
			if diff := y.R[d] - y.L[at+d]; math.Abs(diff) > tol {
				t.Fatalf("%d to %d Hz: impulse in frame 0: frame %d differs by %g", p[0], p[1], d, diff)
			}
		}
	}
}

// Raising the rate and lowering it again gives back what was there within the
// pass band. A window design has the same ripple there as in the stop band
// (Kaiser 1974), so both conversions are off by StopDB at most, and 6 dB more
// together.
func TestThereAndBack(t *testing.T) {
	for _, p := range pairs() {
		if p[0] > p[1] {
			continue
		}
		x := audio.NewBlock(p[0] / 10)
		for k := range 12 {
			hz := rate.PassHz(p[0], p[1]) * float64(k+1) / 12
			s := sine(hz, float64(p[0]), x.Len())
			for i := range x.L {
				x.L[i] += s.L[i] / 12
				x.R[i] += s.R[i] / 12
			}
		}
		y := convertAll(t, p[1], p[0], convertAll(t, p[0], p[1], x))
		if y.Len() != x.Len() {
			t.Fatalf("%d to %d Hz and back: %d frames, want %d", p[0], p[1], y.Len(), x.Len())
		}
		edge := int(2 * edgeSeconds * float64(p[0]))
		var diff, all float64
		for i := edge; i < x.Len()-edge; i++ {
			d := y.L[i] - x.L[i]
			diff, all = diff+d*d, all+x.L[i]*x.L[i]
		}
		if db := audio.PowerDB(diff / all); db > tolFloorDB+6 {
			t.Errorf("%d to %d Hz and back: off by %.1f dB, want below %g dB", p[0], p[1], db, tolFloorDB+6)
		}
	}
}
