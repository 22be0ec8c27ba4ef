package kernel

import "golang.org/x/sys/cpu"

// fast is fixed for the life of the process.
var fast = cpu.X86.HasAVX2

const correlateWidth = 32

func correlateFast(dst, x, taps []float64) (done int) {
	n := len(dst) / correlateWidth * correlateWidth
	if !fast || n == 0 {
		return 0
	}
	correlateAVX2(&dst[0], &x[0], &taps[0], n, len(taps))
	return n
}

func deriveFast(v, a, d []float64, t *Taps9, lanes *[12]float64) (done int) {
	n := len(v) / 4 * 4
	if !fast || n == 0 {
		return 0
	}
	deriveAVX2(&v[0], &a[0], &d[0], t, lanes, n)
	return n
}

// correlateAVX2 does n outputs, a multiple of 32.
//
//go:noescape
func correlateAVX2(dst, x, taps *float64, n, m int)

// deriveAVX2 does n outputs, a multiple of 4, and leaves the lanes of Derive.
//
//go:noescape
func deriveAVX2(v, a, d *float64, t *Taps9, lanes *[12]float64, n int)

func pairFast(dl, dr, l, r []float64, t *PairTaps, s *PairState) bool {
	if !fast {
		return false
	}
	pairAVX(&dl[0], &dr[0], &l[0], &r[0], t, s, len(l))
	return true
}

// pairAVX runs both channels in the two lanes of one register.
//
//go:noescape
func pairAVX(dl, dr, l, r *float64, t *PairTaps, s *PairState, n int)

func extremesFast(l, r []float64, s *[8][4]float64) (done int) {
	n := len(l) / 4 * 4
	if !fast || n == 0 {
		return 0
	}
	extremesAVX2(&l[0], &r[0], s, n)
	return n
}

// extremesAVX2 does n samples, a multiple of 4, and updates the lanes of
// Extremes.
//
//go:noescape
func extremesAVX2(l, r *float64, s *[8][4]float64, n int)

// indexFast skips groups of four that do not hold v.
func indexFast(x, y []float64, mix, v float64) (done int) {
	n := len(x) / 4 * 4
	if !fast || n == 0 {
		return 0
	}
	return indexAVX2(&x[0], &y[0], n, int(mix), v)
}

// indexAVX2 returns the start of the first group of four, of n/4, in which
// x + mix*y equals v, or n.
//
//go:noescape
func indexAVX2(x, y *float64, n, mix int, v float64) int
