package programme

import "math"

// voice gives sample n of one channel. Voices keep state, so they are asked
// for n = 0, 1, 2, ... once each.
type voice func(n int64) float64

// stereo gives frame n of both channels, under the same rule.
type stereo func(n int64) (l, r float64)

func db(v float64) float64 { return math.Pow(10, v/20) }

// tone is a sine of the given peak level; turns is its phase at n = 0.
func tone(rate int, hz, dbfs, turns float64) voice {
	a, step := db(dbfs), hz/float64(rate)
	return func(n int64) float64 {
		_, f := math.Modf(float64(n)*step + turns)
		return a * math.Sin(2*math.Pi*f)
	}
}

// sweep rises exponentially from lowHz to highHz over the duration.
func sweep(rate int, lowHz, highHz, durationS, dbfs float64) voice {
	a, k := db(dbfs), math.Log(highHz/lowHz)/durationS
	return func(n int64) float64 {
		t := float64(n) / float64(rate)
		_, f := math.Modf(lowHz * (math.Exp(k*t) - 1) / k)
		return a * math.Sin(2*math.Pi*f)
	}
}

// white is Gaussian noise of the given RMS level.
func white(seed uint64, rmsDBFS float64) voice {
	g, a := seeded(seed), db(rmsDBFS)
	return func(int64) float64 { return clip(a * g.gauss()) }
}

// pink is noise whose power falls about 3 dB per octave: a sum of held random
// values, each held twice as long as the one before (from memory).
func pink(seed uint64, rmsDBFS float64) voice {
	const octaves = 16
	g := seeded(seed)
	var held [octaves]float64
	a := db(rmsDBFS) * math.Sqrt(3.0/(octaves+1))
	return func(n int64) float64 {
		sum := g.flat()
		for i := range held {
			if n%(1<<(i+1)) == 1<<i {
				held[i] = g.flat()
			}
			sum += held[i]
		}
		return clip(a * sum)
	}
}

// band passes v through a second-order band-pass with 0 dB at hz.
func band(rate int, hz, q float64, v voice) voice {
	w := 2 * math.Pi * hz / float64(rate)
	s, c := math.Sincos(w)
	alpha := s / (2 * q)
	b0, a1, a2 := alpha/(1+alpha), -2*c/(1+alpha), (1-alpha)/(1+alpha)
	var x1, x2, y1, y2 float64
	return func(n int64) float64 {
		x := v(n)
		y := b0*(x-x2) - a1*y1 - a2*y2
		x2, x1, y2, y1 = x1, x, y1, y
		return y
	}
}

// lowpass is a one-pole low-pass.
func lowpass(rate int, hz float64, v voice) voice {
	k := 1 - math.Exp(-2*math.Pi*hz/float64(rate))
	var y float64
	return func(n int64) float64 {
		y += k * (v(n) - y)
		return y
	}
}

// shape multiplies a voice by a function of time in seconds.
func shape(rate int, v voice, env func(t float64) float64) voice {
	return func(n int64) float64 { return v(n) * env(float64(n)/float64(rate)) }
}

// sum adds voices.
func sum(vs ...voice) voice {
	return func(n int64) float64 {
		var s float64
		for _, v := range vs {
			s += v(n)
		}
		return s
	}
}

func silent() voice                  { return func(int64) float64 { return 0 } }
func constant(c float64) voice       { return func(int64) float64 { return c } }
func gain(dB float64, v voice) voice { g := db(dB); return func(n int64) float64 { return g * v(n) } }

// driven squashes a voice against full scale, the sound of an over-limited
// master.
func driven(driveDB, peakDBFS float64, v voice) voice {
	d, p := db(driveDB), db(peakDBFS)
	return func(n int64) float64 { return p * math.Tanh(d*v(n)) }
}

// square is a naive square wave: full-scale steps between two samples.
func square(rate int, hz, dbfs float64) voice {
	a, step := db(dbfs), hz/float64(rate)
	return func(n int64) float64 {
		if _, f := math.Modf(float64(n) * step); f < 0.5 {
			return a
		}
		return -a
	}
}

// saw is a sum of the harmonics of hz below topHz, 1/k each.
func saw(rate int, hz, topHz, dbfs float64) voice {
	a, step := db(dbfs), hz/float64(rate)
	top := min(int(topHz/hz), 40)
	return func(n int64) float64 {
		_, f := math.Modf(float64(n) * step)
		s1, c1 := math.Sincos(2 * math.Pi * f)
		// sin(k x) by the recurrence sin((k+1)x) = 2 cos x sin kx - sin((k-1)x).
		prev, cur, out := 0.0, s1, 0.0
		for k := 1; k <= top; k++ {
			out += cur / float64(k)
			prev, cur = cur, 2*c1*cur-prev
		}
		return a * out * 0.55
	}
}

// struck gives the time since the last stroke of a regular beat, and its count.
func struck(t, period, offset float64) (since float64, count int) {
	if t < offset {
		return math.Inf(1), -1
	}
	k := math.Floor((t - offset) / period)
	return t - offset - k*period, int(k)
}

// kick is a bass drum on a beat: a sine falling from about 150 to 50 Hz.
func kick(rate int, period, offset, dbfs float64) voice {
	a := db(dbfs)
	return func(n int64) float64 {
		d, _ := struck(float64(n)/float64(rate), period, offset)
		if d > 0.6 {
			return 0
		}
		turns := 50*d + 100*0.03*(1-math.Exp(-d/0.03))
		return a * math.Exp(-d/0.12) * (1 - math.Exp(-d/0.002)) * math.Sin(2*math.Pi*turns)
	}
}

// burst is band-passed noise on a beat, decaying with the time constant.
func burst(rate int, seed uint64, hz, q, period, offset, decayS, dbfs float64) voice {
	noise := band(rate, hz, q, white(seed, dbfs))
	return func(n int64) float64 {
		v := noise(n)
		d, _ := struck(float64(n)/float64(rate), period, offset)
		if d > 12*decayS {
			return 0
		}
		return v * math.Exp(-d/decayS) * (1 - math.Exp(-d/0.001))
	}
}

// sibilance is a run of s sounds: noise around 5-9 kHz, 120 ms each, rising
// and falling in 15 ms.
func sibilance(rate int, seed uint64, period, offset, dbfs float64) voice {
	noise := sum(band(rate, 6200, 1.2, white(seed, dbfs)), band(rate, 8400, 2, white(seed+1, dbfs)))
	return func(n int64) float64 {
		v := noise(n)
		d, _ := struck(float64(n)/float64(rate), period, offset)
		if d > 0.12 {
			return 0
		}
		return v * math.Min(1, math.Min(d, 0.12-d)/0.015)
	}
}

// plucked is a decaying note of the scale on every beat, chosen by the seed.
func plucked(rate int, seed uint64, rootHz, period, offset, topHz, dbfs float64) voice {
	steps := [...]float64{0, 3, 5, 7, 10, 12}
	a := db(dbfs)
	return func(n int64) float64 {
		d, k := struck(float64(n)/float64(rate), period, offset)
		if k < 0 {
			return 0
		}
		g := seeded(seed + uint64(k)*977)
		hz := rootHz * math.Pow(2, steps[int(g.unit()*float64(len(steps)))]/12)
		var out float64
		for h := 1.0; h <= 6 && h*hz < topHz; h++ {
			_, f := math.Modf(h * hz * d)
			out += math.Sin(2*math.Pi*f) / (h * h) * math.Exp(-d*h/0.5)
		}
		release := math.Min(1, (period-d)/0.005)
		return a * out * release * (1 - math.Exp(-d/0.003))
	}
}

func clip(v float64) float64 { return math.Max(-1, math.Min(1, v)) }

// Ways to lay voices across the two channels.
func both(v voice) stereo { return func(n int64) (float64, float64) { x := v(n); return x, x } }
func anti(v voice) stereo { return func(n int64) (float64, float64) { x := v(n); return x, -x } }
func leftOnly(v voice) stereo {
	return func(n int64) (float64, float64) { return v(n), 0 }
}
func rightOnly(v voice) stereo {
	return func(n int64) (float64, float64) { return 0, v(n) }
}
func pair(l, r voice) stereo { return func(n int64) (float64, float64) { return l(n), r(n) } }

// midSide lays one voice in the middle and one in opposition.
func midSide(m, s voice) stereo {
	return func(n int64) (float64, float64) {
		a, b := m(n), s(n)
		return a + b, a - b
	}
}

// mix adds layers.
func mix(layers ...stereo) stereo {
	return func(n int64) (l, r float64) {
		for _, s := range layers {
			a, b := s(n)
			l, r = l+a, r+b
		}
		return l, r
	}
}

// envelope multiplies both channels by a function of time in seconds.
func envelope(rate int, s stereo, env func(t float64) float64) stereo {
	return func(n int64) (float64, float64) {
		l, r := s(n)
		g := env(float64(n) / float64(rate))
		return g * l, g * r
	}
}
