package land

import "math"

// music returns a synthetic need series of the given length: 70 um at rest,
// plus the excursions of both neighbouring turns from an envelope of loud kicks
// at beat rate (30-60 um), a sustained part with crescendos, quiet passages and
// drops. No source: made up to have the shapes that cost land. Deterministic.
func music(minutes, secondsPerTurn float64, sectorsPerTurn int, seed uint64) []float32 {
	tau := secondsPerTurn / float64(sectorsPerTurn)
	n := int(minutes * 60 / tau)
	rng := lcg(seed)
	exc := make([]float64, n+sectorsPerTurn)
	for t0 := 0.0; t0 < float64(n)*tau; {
		length := 15 + 35*rng.next()
		kind := int(5 * rng.next())
		beat := 60 / (85 + 70*rng.next())
		from, to := int(t0/tau), min(len(exc), int((t0+length)/tau))
		lo, hi := 2+6*rng.next(), 10+15*rng.next()
		for i := from; i < to; i++ {
			u := float64(i-from) / float64(to-from)
			level := lo
			switch kind {
			case 1: // crescendo
				level = lo + (hi-lo)*u*u
			case 2: // loud and sustained
				level = hi
			case 3: // drop half way
				if u > 0.5 {
					level = hi
				}
			}
			// Slow swell, and the half wave of a bass note seen at sector rate.
			t := float64(i) * tau
			exc[i] += level * (0.75 + 0.25*math.Sin(2*math.Pi*t/7.3)) * (0.6 + 0.4*math.Abs(math.Sin(2*math.Pi*41*t)))
		}
		if kind >= 2 {
			for b := t0; b < t0+length; b += beat {
				a := 15 + 15*rng.next()
				for i := int(b / tau); i < min(len(exc), int((b+0.5)/tau)); i++ {
					t := float64(i)*tau - b
					if t < 0 {
						continue
					}
					f := 48 + 60*math.Exp(-t/0.03)
					exc[i] += a * math.Exp(-t/0.12) * (0.3 + 0.7*math.Abs(math.Sin(2*math.Pi*f*t)))
				}
			}
		}
		t0 += length
	}
	need := make([]float32, n)
	for i := 0; i+sectorsPerTurn < n; i++ {
		need[i] = float32(70 + exc[i] + exc[i+sectorsPerTurn])
	}
	return need
}

// lcg is a small generator (D. Knuth, TAOCP vol. 2, MMIX constants) so that the
// series never changes with the standard library.
type lcg uint64

func (l *lcg) next() float64 {
	*l = *l*6364136223846793005 + 1442695040888963407
	return float64(*l>>11) / (1 << 53)
}
