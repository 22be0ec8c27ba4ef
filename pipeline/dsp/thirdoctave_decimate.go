package dsp

// decimator halves the rate of a pair of signals some number of times with
// maximally flat half-band filters: Lagrange interpolation at the middle of 2K
// samples, which has 2K zeros at half the rate. The last halving is the
// sharpest, since what it folds back lies nearest.
//
// To 0.16 of the output rate the signal passes within 0.002 dB, and what folds
// onto that band is 75 dB down or more.
type decimator struct {
	stages []*halver
}

// The K of the last halving, the one before, and all others.
const (
	lastHalverK   = 5
	middleHalverK = 3
	firstHalverK  = 2
)

// newDecimator makes a decimator by 2^halvings for blocks of a fixed number of
// frames, a multiple of 2^halvings.
func newDecimator(halvings, frames int) *decimator {
	d := &decimator{}
	for i := range halvings {
		k := firstHalverK
		switch halvings - 1 - i {
		case 0:
			k = lastHalverK
		case 1:
			k = middleHalverK
		}
		frames /= 2
		d.stages = append(d.stages, &halver{k: k, taps: halverTaps(k), a: newHalverChannel(k, frames), b: newHalverChannel(k, frames)})
	}
	return d
}

// process decimates a and b in place and returns how many values are left at
// their front.
func (d *decimator) process(a, b []float64) int {
	n := len(a)
	for _, s := range d.stages {
		s.a.halve(s.k, s.taps, a[:n])
		s.b.halve(s.k, s.taps, b[:n])
		n /= 2
	}
	return n
}

// halver is one half-band filter that keeps every second output:
//
//	y[j] = o[j-K]/2 + sum over i < K of taps[i] (e[j-K-i] + e[j-K+1+i])
//
// with e and o the even and odd samples.
type halver struct {
	k    int
	taps [lastHalverK]float64
	a, b halverChannel
}

// halverChannel holds the even and odd samples of a block, each after as many
// earlier ones as the filter needs.
type halverChannel struct {
	even, odd []float64
}

func newHalverChannel(k, pairs int) halverChannel {
	return halverChannel{even: make([]float64, 2*k-1+pairs), odd: make([]float64, k+pairs)}
}

// halverTaps are half the Lagrange weights of the midpoint, nearest pair
// first; the midpoint itself has 1/2.
func halverTaps(k int) (taps [lastHalverK]float64) {
	for i := range k {
		x, w := float64(2*i+1), 1.0
		for j := -k; j < k; j++ {
			if node := float64(2*j + 1); node != x {
				w *= -node / (x - node)
			}
		}
		taps[i] = w / 2
	}
	return taps
}

// halve writes half as many values over the front of x.
func (c *halverChannel) halve(k int, taps [lastHalverK]float64, x []float64) {
	n := len(x) / 2
	even, odd := c.even[2*k-1:][:n], c.odd[k:][:n]
	for j := range even {
		even[j], odd[j] = x[2*j], x[2*j+1]
	}
	y, o, e := x[:n], c.odd[:n], c.even
	t0, t1, t2, t3, t4 := taps[0], taps[1], taps[2], taps[3], taps[4]
	switch k {
	case firstHalverK:
		e0, e1, e2, e3 := e[:n], e[1:][:n], e[2:][:n], e[3:][:n]
		for j := range y {
			y[j] = 0.5*o[j] + t0*(e1[j]+e2[j]) + t1*(e0[j]+e3[j])
		}
	case middleHalverK:
		e0, e1, e2, e3, e4, e5 := e[:n], e[1:][:n], e[2:][:n], e[3:][:n], e[4:][:n], e[5:][:n]
		for j := range y {
			y[j] = 0.5*o[j] + t0*(e2[j]+e3[j]) + t1*(e1[j]+e4[j]) + t2*(e0[j]+e5[j])
		}
	default:
		for j := range y {
			w := e[j : j+2*lastHalverK]
			y[j] = 0.5*o[j] + t0*(w[4]+w[5]) + t1*(w[3]+w[6]) + t2*(w[2]+w[7]) + t3*(w[1]+w[8]) + t4*(w[0]+w[9])
		}
	}
	copy(c.even, c.even[n:])
	copy(c.odd, c.odd[n:])
}
