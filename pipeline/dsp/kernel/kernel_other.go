//go:build !amd64

package kernel

func correlateFast(dst, x, taps []float64) (done int) { return 0 }

func deriveFast(v, a, d []float64, t *Taps9, lanes *[12]float64) (done int) { return 0 }

func pairFast(dl, dr, l, r []float64, t *PairTaps, s *PairState) bool { return false }

func extremesFast(l, r []float64, s *[8][4]float64) (done int) { return 0 }

func indexFast(x, y []float64, mix, v float64) (done int) { return 0 }
