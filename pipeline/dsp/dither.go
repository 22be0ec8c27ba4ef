package dsp

import "math"

// Quantizer turns samples into integers of a given depth. A sample that
// already lies on the grid passes unchanged, so that untouched PCM stays
// bit-identical; every other sample gets triangular (TPDF) dither of two
// quantising steps peak to peak (Lipshitz, Wannamaker, Vanderkooy,
// "Quantization and dither: a theoretical survey", JAES 40, 1992) when dither
// is on. The dither depends only on frame number and channel: not on block
// size, order or process.
type Quantizer struct {
	scale  float64
	low    float64 // least and greatest integer written
	limit  float64
	dither bool
	// Clipped counts samples that had to be clipped at full scale.
	Clipped int64
	// Over is the greatest magnitude that was clipped, relative to the greatest
	// that fits; 0 when nothing was.
	Over float64
}

// NewQuantizer makes a quantizer for bitDepth 16 or 24.
func NewQuantizer(bitDepth int, dither bool) *Quantizer {
	s := math.Ldexp(1, bitDepth-1)
	return &Quantizer{scale: s, low: -s, limit: s - 1, dither: dither}
}

// NewRuler makes a quantizer that does not clip, for a programme that is only
// compared with and never written: magnitudes up to 2^7 times full scale at 24
// bit keep their place on the grid.
func NewRuler(bitDepth int, dither bool) *Quantizer {
	return &Quantizer{scale: math.Ldexp(1, bitDepth-1), low: math.MinInt32, limit: math.MaxInt32, dither: dither}
}

// mix64 is the finaliser of splitmix64 (Steele, Lea, Flood 2014).
func mix64(z uint64) uint64 {
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// roundEven rounds to the nearest whole number, halves to even, by adding and
// taking away 1.5 * 2^52, which leaves no room for a fraction. Values beyond
// 2^51 are far outside any grid here and come back nearly as they are.
func roundEven(v float64) float64 {
	const shift = 3 << 51
	return (v + shift) - shift
}

// QuantizeBoth quantizes the same frames of two programmes with the same
// dither: p clipped at full scale, m for comparison only and not clipped, as
// NewRuler does.
func (q *Quantizer) QuantizeBoth(p, m []int32, x, y []float64, gain float64, firstFrame int64, channel int) {
	k := q.scale * gain
	seed := uint64(firstFrame)*2 + uint64(channel)
	y, p, m = y[:len(x)], p[:len(x)], m[:len(x)]
	limit, low := q.limit, q.low
	for i, v := range x {
		v = float64(v * k)
		w := float64(y[i] * k)
		r, s := roundEven(v), roundEven(w)
		if q.dither && (r != v || s != w) {
			d := ditherAt(seed + uint64(i)*2)
			if r != v {
				r = roundEven(v + d)
			}
			if s != w {
				s = roundEven(w + d)
			}
		}
		if r > limit || r < low {
			p[i] = q.clip(r)
		} else {
			p[i] = int32(r)
		}
		if s > math.MaxInt32 || s < math.MinInt32 {
			s = math.Copysign(math.MaxInt32, s)
		}
		m[i] = int32(s)
	}
}

// ditherAt is triangular noise between -1 and 1 step for one sample.
func ditherAt(sample uint64) float64 {
	h := mix64((sample + 1) * 0x9e3779b97f4a7c15)
	const u = 1.0 / (1 << 32)
	return float64(float64(h>>32)*u) - float64(float64(h&0xffffffff)*u)
}

func (q *Quantizer) clip(r float64) int32 {
	if r <= q.limit && r >= q.low {
		return int32(r)
	}
	q.Clipped++
	if r > q.limit {
		q.Over = math.Max(q.Over, r/q.limit)
		return int32(q.limit)
	}
	q.Over = math.Max(q.Over, r/q.low)
	return int32(q.low)
}

// Quantize writes round(x*gain) on the grid. FirstFrame is the frame number of
// x[0] on the side; channel is 0 or 1.
func (q *Quantizer) Quantize(dst []int32, x []float64, gain float64, firstFrame int64, channel int) {
	k := q.scale * gain
	seed := uint64(firstFrame)*2 + uint64(channel)
	for i, v := range x {
		v = float64(v * k)
		r := roundEven(v)
		if r != v && q.dither {
			r = roundEven(v + ditherAt(seed+uint64(i)*2))
		}
		dst[i] = q.clip(r)
	}
}
