package rate

import (
	"math"
	"testing"
)

// response is the zero-phase response of the whole bank at hz, from the taps
// as they are used: the product of up phases, each a tap at its distance in
// time from the output frame. A linear-phase filter without delay has no
// imaginary part.
func (b *bank) response(fromHz int, hz float64) (re, im float64) {
	w := 2 * math.Pi * hz / float64(fromHz)
	for row := range b.up {
		_, p := b.at(int64(row))
		for i := range b.width {
			tap := 0.0
			switch {
			case b.up > 1:
				tap = b.taps[row*b.stored+i]
			case i == b.before:
				tap = 2 * b.taps[i]
			default:
				tap = b.taps[min(i, b.width-1-i)]
			}
			s, c := math.Sincos(w * (float64(p)/float64(b.up) - float64(i-b.before)))
			re += tap * c
			im -= tap * s
		}
	}
	return re / float64(b.up), im / float64(b.up)
}

func TestResponseKeepsTheStatedFigures(t *testing.T) {
	const tolIm = 1e-12 // float64 rounding of up to 120,000 products
	ripple, leak := 0.0, math.Inf(-1)
	seen := map[[2]int]bool{}
	for _, from := range rates {
		for _, to := range rates {
			if from == to {
				continue
			}
			b, err := newBank(from, to)
			if err != nil {
				t.Fatal(err)
			}
			key := [2]int{b.up, b.down}
			if seen[key] {
				continue // the same filter at another scale
			}
			seen[key] = true
			pass, stop := PassHz(from, to), StopHz(from, to)
			for k := range 12 {
				hz := pass * float64(k) / 11
				re, im := b.response(from, hz)
				dev := 20 * math.Log10(math.Abs(re))
				if math.Abs(dev) > PassRippleDB || re < 0 || math.Abs(im) > tolIm {
					t.Errorf("%d to %d Hz at %.1f Hz: %+.5f dB, imaginary part %g", from, to, hz, dev, im)
				}
				ripple = max(ripple, math.Abs(dev))
			}
			// Finely next to the edge, where side lobes are highest (0.011 of it
			// wide), then in wider steps to the end of the band.
			top := float64(from) * float64(b.up) / 2
			for k := range 24 {
				hz := min(stop*(1+0.001*float64(k)), top)
				if k >= 16 {
					hz = stop + (top-stop)*float64(k-15)/8
				}
				re, _ := b.response(from, hz)
				db := 20 * math.Log10(math.Abs(re))
				if db > -StopDB {
					t.Errorf("%d to %d Hz at %.1f Hz: %.1f dB", from, to, hz, db)
				}
				leak = max(leak, db)
			}
		}
	}
	t.Logf("worst: ripple %.2g dB, stop band %.1f dB, %d filters", ripple, leak, len(seen))
}

// The folded kernel must agree with the plain one and both with a plain sum.
func TestKernels(t *testing.T) {
	const tol = 1e-14 // rounding of 47 products of at most 1
	half := make([]float64, 3*tapGroup)
	full := make([]float64, 6*tapGroup) // one more than 2*len(half)-1, to be whole groups
	for i := range half {
		half[i] = 1 / float64(i+2)
		full[i], full[2*len(half)-2-i] = half[i], half[i]
	}
	full[len(half)-1] = 2 * half[len(half)-1]
	l, r := make([]float64, len(full)+3), make([]float64, len(full)+3)
	for i := range l {
		l[i], r[i] = math.Sin(float64(i*i)), math.Cos(float64(3*i))
	}
	var wantL, wantR float64
	for i, c := range full {
		wantL, wantR = wantL+c*l[i], wantR+c*r[i]
	}
	gotL, gotR := dot(full, l, r)
	foldL, foldR := dotFolded(half, l, r)
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"left", gotL, wantL}, {"right", gotR, wantR}, {"left, folded", foldL, wantL}, {"right, folded", foldR, wantR}} {
		if math.Abs(c.got-c.want) > tol {
			t.Errorf("%s: %.17g, want %.17g", c.name, c.got, c.want)
		}
	}
}
