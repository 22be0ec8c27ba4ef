package dsp

// bandSpectrum sums power spectra of two real signals.
type bandSpectrum struct {
	fft       *FFT
	window    []float64
	re, im    []float64
	mid, side []float64 // sums per bin 0 .. N/2-1, four times the power
	windows   int64
	binHz     float64
	scale     float64 // of a bin of one window to mean square
}

func newBandSpectrum(n int, rateHz float64) (*bandSpectrum, error) {
	fft, err := NewFFT(n)
	if err != nil {
		return nil, err
	}
	b := &bandSpectrum{
		fft: fft, window: HannWindow(n), binHz: rateHz / float64(n),
		mid: make([]float64, n/2), side: make([]float64, n/2),
	}
	b.re, b.im = FFTBuffers(n)
	energy := 0.0
	for _, w := range b.window {
		energy += w * w
	}
	b.scale = 2 / (float64(n) * energy) / 4 // one-sided; the separation below leaves a factor 2 of amplitude
	return b, nil
}

// add takes one window and, when from is above 0, returns the mean squares of
// left and right in bins from up.
func (b *bandSpectrum) add(mid, side []float64, from int) (left, right float64) {
	re, im, w := b.re, b.im[:len(b.re)], b.window[:len(b.re)]
	mid, side = mid[:len(re)], side[:len(re)]
	for i := range re {
		re[i], im[i] = w[i]*mid[i], w[i]*side[i]
	}
	b.fft.Forward(re, im)
	b.windows++
	half := len(re) / 2
	if from == 0 {
		from = half
	}
	b.sum(1, from)
	if from == half {
		return 0, 0
	}
	both, cross := b.sum(from, half)
	// |M+S|^2 and |M-S|^2, summed.
	return (both + 2*cross) * b.scale, (both - 2*cross) * b.scale
}

// sum separates mid and side in bins [from, to), adds their powers to the sums
// and returns the power of both and the real part of their cross spectrum.
func (b *bandSpectrum) sum(from, to int) (both, cross float64) {
	n := len(b.re)
	ar, ai := b.re[from:to], b.im[from:to][:to-from]
	br, bi := b.re[n-to+1 : n-from+1][:to-from], b.im[n-to+1 : n-from+1][:to-from]
	mid, side := b.mid[from:to][:to-from], b.side[from:to][:to-from]
	for k := range ar {
		j := len(br) - 1 - k
		mr, mi := ar[k]+br[j], ai[k]-bi[j]
		sr, si := ai[k]+bi[j], br[j]-ar[k]
		m, s := mr*mr+mi*mi, sr*sr+si*si
		mid[k] += m
		side[k] += s
		both += m + s
		cross += mr*sr + mi*si
	}
	return both, cross
}

// power is the mean square of sums between two frequencies.
func (b *bandSpectrum) power(sums []float64, lowerHz, upperHz float64) float64 {
	if b.windows == 0 {
		return 0
	}
	lo, hi := lowerHz/b.binHz+0.5, upperHz/b.binHz+0.5 // bin k covers [k, k+1) here
	total := 0.0
	for k := int(lo); k < len(sums) && float64(k) < hi; k++ {
		total += sums[k] * (min(hi, float64(k+1)) - max(lo, float64(k)))
	}
	return total * b.scale / float64(b.windows)
}
