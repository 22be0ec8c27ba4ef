package pipeline

import (
	"bytes"
	"math"
	"testing"

	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/timeline"
)

// TestWavesBySector: whatever the rate, the speed, the length and the blocks, the
// waves have the sectors of the motion log, and each holds the extremes of
// exactly its own frames.
func TestWavesBySector(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]int{44100, 48000, 88200, 96000, 176400, 192000}).Draw(t, "rate")
		sectors := groove.NewSectors(rate, rapid.SampledFrom([]float64{1.8, 60.0 / 45}).Draw(t, "turn"))
		n := rapid.IntRange(1, 12000).Draw(t, "frames")
		l, r := make([]float64, n), make([]float64, n)
		x := uint32(rapid.IntRange(1, 1<<30).Draw(t, "seed"))
		random := func() float64 { x = x*1664525 + 1013904223; return float64(int32(x)) / (1 << 31) }
		for i := range l {
			l[i], r[i] = random(), random()
		}
		w, err := newWaves(sectors, "")
		if err != nil {
			t.Fatal(err)
		}
		defer w.close()
		for at := 0; at < n; {
			end := min(n, at+rapid.IntRange(1, 5000).Draw(t, "block"))
			w.add(audio.Block{L: l[at:end], R: r[at:end]})
			at = end
		}
		w.flush()
		count := sectors.Count(int64(n))
		if w.mid.Len() != count || w.side.Len() != count {
			t.Fatalf("%d and %d sectors of waves for %d", w.mid.Len(), w.side.Len(), count)
		}
		var b bytes.Buffer
		sectorS := sectors.SecondsPerTurn / groove.SectorsPerTurn
		head := timeline.Head{LengthS: float64(count) * sectorS, RateHz: rate, RevolutionS: sectors.SecondsPerTurn, PerTurn: groove.SectorsPerTurn, Sectors: count}
		if err := timeline.Write(&b, head, []timeline.LaneStrip{{Strip: w.mid}, {Strip: w.side}}); err != nil {
			t.Fatal(err)
		}
		f, err := timeline.Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.Window(0, head.LengthS, count)
		if err != nil {
			t.Fatal(err)
		}
		for i := range count {
			for k, sign := range []float64{1, -1} {
				lo, hi := math.Inf(1), math.Inf(-1)
				for j := sectors.StartFrame(i); j < min(sectors.StartFrame(i+1), int64(n)); j++ {
					v := (l[j] + sign*r[j]) / 2
					lo, hi = min(lo, v), max(hi, v)
				}
				c := got.Lanes[k]
				if !(c.Min[i] <= lo && c.Min[i] > lo-waveStep*1.01 && c.Max[i] >= hi && c.Max[i] < hi+waveStep*1.01) {
					t.Fatalf("sector %d, lane %d: %g to %g, want %g to %g", i, k, c.Min[i], c.Max[i], lo, hi)
				}
			}
		}
	})
}
