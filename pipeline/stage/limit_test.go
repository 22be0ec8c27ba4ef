package stage

import (
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// feed runs a processor over a whole programme in blocks, drops its delay and
// keeps the length.
func feed(p Processor, l, r []float64, block int) ([]float64, []float64) {
	n, d := len(l), p.Delay()
	b := audio.NewBlock(n + d)
	copy(b.L, l)
	copy(b.R, r)
	for i := 0; i < n+d; i += block {
		p.Process(b.Slice(i, min(i+block, n+d)))
	}
	return b.L[d:], b.R[d:]
}

func motion(s groove.Sectors, scale float64, l, r []float64) []groove.Motion {
	var out []groove.Motion
	p, err := groove.NewPredictor(s, scale, false, func(m groove.Motion) { out = append(out, m) })
	if err != nil {
		panic(err)
	}
	p.Add(audio.Block{L: l, R: r})
	p.Flush(int64(len(l)))
	return out
}

const scale0 = 0.17717 // 5 cm/s lateral at -14 dBFS

func all(n int) SectorSet {
	s := NewSectorSet(n)
	for i := 0; i < n; i++ {
		s.Add(i)
	}
	return s
}

func TestLimitSidesHoldsVertical(t *testing.T) {
	for _, rate := range []int{44100, 96000, 192000} {
		n := 2 * rate
		l, r := make([]float64, n), make([]float64, n)
		for i := range l {
			tt := float64(i) / float64(rate)
			env := math.Exp(-8 * math.Mod(tt, 0.5))
			x := env * math.Sin(2*math.Pi*180*tt) * 0.6
			y := 0.1 * math.Sin(2*math.Pi*1000*tt)
			l[i], r[i] = y+x, y-x*0.9
		}
		s := groove.NewSectors(rate, 1.8)
		c := s.Count(int64(n))
		mk := func() *SideLimiter {
			return NewLimitSides(LimitSidesParams{LookAheadMS: 60}, LimitSidesTask{Sectors: s, Count: c, Watch: all(c), Scale: scale0,
				Room: func(int) (float64, float64) { return 17.5, 40 }})
		}
		before := motion(s, scale0, l, r)
		p := mk()
		ol, or := feed(p, l, r, 4096)
		after := motion(s, scale0, ol, or)
		var b, a float64
		for i := range before {
			b = math.Max(b, float64(before[i].VerticalMaxUM))
			a = math.Max(a, float64(after[i].VerticalMaxUM))
		}
		t.Logf("rate %d: %.3f -> %.3f um, passages %+v", rate, b, a, p.Passages)
		if a > 17.5*1.03 || a < 17.5*0.97 { // 3 %: the side starts in the middle of a burst, and the predictor has a floor at 1 Hz
			t.Errorf("rate %d: vertical peak %.3f um before, %.3f after, want 17.5", rate, b, a)
		}
		for _, blk := range []int{1, 7, 64, 65536} {
			l2, r2 := feed(mk(), l, r, blk)
			for i := range ol {
				if l2[i] != ol[i] || r2[i] != or[i] {
					t.Fatalf("block %d differs at frame %d: %g, want %g", blk, i, l2[i], ol[i])
				}
			}
		}
	}
}

func TestDeEssHoldsAcceleration(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000, 192000} {
		n := 2 * rate
		l, r := make([]float64, n), make([]float64, n)
		seed := uint64(7)
		lp := 0.0
		for i := range l {
			tt := float64(i) / float64(rate)
			seed = seed*6364136223846793005 + 1442695040888963407
			w := float64(int64(seed)) / math.MaxInt64
			lp += 0.3 * (w - lp)
			env := math.Exp(-math.Pow((math.Mod(tt, 0.4)-0.2)/0.03, 2))
			x := env * (0.3*math.Sin(2*math.Pi*8000*tt) + 0.1*lp)
			y := 0.2 * math.Sin(2*math.Pi*500*tt)
			l[i], r[i] = y+x, y+x*0.3
		}
		s := groove.NewSectors(rate, 1.8)
		c := s.Count(int64(n))
		const lim = 4000.
		mk := func() *DeEsser {
			d, err := NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, DeEssTask{Sectors: s, Count: c, Watch: all(c), Scale: scale0,
				Limit: func(int) (float64, float64) { return lim, 1 }})
			if err != nil {
				t.Fatal(err)
			}
			return d
		}
		before := motion(s, scale0, l, r)
		p := mk()
		ol, or := feed(p, l, r, 4096)
		after := motion(s, scale0, ol, or)
		var b, a float64
		for i := range before {
			b = math.Max(b, float64(before[i].WallAccel))
			a = math.Max(a, float64(after[i].WallAccel))
		}
		t.Logf("rate %d: %.1f -> %.1f m/s2, passages %d treated %d", rate, b, a, len(p.Passages), p.Treated)
		if a > lim*1.02 || a < lim*0.97 {
			t.Errorf("rate %d: acceleration %.1f before, %.1f after, want %g", rate, b, a, lim)
		}
		for _, blk := range []int{1, 7, 64, 65536} {
			l2, r2 := feed(mk(), l, r, blk)
			for i := range ol {
				if l2[i] != ol[i] || r2[i] != or[i] {
					t.Fatalf("block %d differs at frame %d: %g, want %g", blk, i, l2[i], ol[i])
				}
			}
		}
	}
}
