package groove

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
)

// Walls are what Predictor sees: the extremes of each sector, the means, and no
// difference for any block.
func TestWallsAreThoseOfThePredictor(t *testing.T) {
	for _, rate := range []int{44100, 96000, 192000} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) {
			s := NewSectors(rate, 1.8)
			n := 2 * rate
			b := audio.NewBlock(n)
			for i := range n {
				at := float64(i) / float64(rate)
				b.L[i] = 0.3*math.Sin(2*math.Pi*97*at) + 0.1*math.Sin(2*math.Pi*5100*at)
				b.R[i] = 0.2 * math.Sin(2*math.Pi*311*at)
			}
			var log []Motion
			p, err := NewPredictor(s, 0.17, false, func(m Motion) { log = append(log, m) })
			if err != nil {
				t.Fatal(err)
			}
			p.Add(b)
			p.Flush(int64(n))
			run := func(block int) (l, r []float64) {
				w, err := NewWalls(s, 0.17, func(dl, dr []float64) { l, r = append(l, dl...), append(r, dr...) })
				if err != nil {
					t.Fatal(err)
				}
				for i := 0; i < n; i += block {
					w.Add(b.Slice(i, min(i+block, n)))
				}
				w.Add(audio.NewBlock(w.Reach() + 1))
				return l, r
			}
			l, r := run(4096)
			if want := int(float64(n) * s.AnalysisRateHz() / float64(rate)); len(l) < want {
				t.Fatalf("%d samples, want %d", len(l), want)
			}
			for _, block := range []int{1, 777, n} {
				if block == 1 && rate > 44100 {
					continue // says nothing new, and takes its time
				}
				l2, r2 := run(block)
				for i := range l2 {
					if l2[i] != l[i] || r2[i] != r[i] {
						t.Fatalf("blocks of %d: sample %d differs", block, i)
					}
				}
			}
			for sector := range len(log) - 1 {
				from, to := s.analysisStart(sector), s.analysisStart(sector+1)
				outer, mean := math.Inf(-1), 0.0
				for i := from; i < to; i++ {
					outer = max(outer, math.Sqrt2*r[i])
					mean += l[i] / float64(to-from)
				}
				// 0.02 um: the predictor refines crests between samples; 1e-4: float32.
				if m := log[sector]; math.Abs(outer-float64(m.OuterMaxUM)) > 0.02 || math.Abs(mean-float64(m.MeanLUM)) > 1e-4 {
					t.Fatalf("sector %d: outer edge %.4f um and mean %.5f, in the log %.4f and %.5f", sector, outer, mean, m.OuterMaxUM, m.MeanLUM)
				}
			}
		})
	}
}
