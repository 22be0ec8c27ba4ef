package meter

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
)

// BenchmarkMeter feeds 20 s of coloured noise with a slow swell, so that the
// true-peak search does what it does on music.
func BenchmarkMeter(b *testing.B) {
	for _, rate := range []int{44100, 48000, 96000, 192000} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			l, r := noise(20*rate, 1), noise(20*rate, 2)
			sl, sr := 0.0, 0.0
			for i := range l {
				sl += 0.1 * (l[i] - sl)
				sr += 0.1 * (0.5*l[i] + 0.5*r[i] - sr)
				swell := 1 + 0.5*math.Sin(float64(i)*3/float64(rate))
				l[i], r[i] = sl*swell, sr*swell
			}
			m, err := New(pcm24(rate), Options{})
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				for i := 0; i+2048 <= len(l); i += 2048 {
					m.Add(audio.Block{L: l[i : i+2048], R: r[i : i+2048]})
				}
			}
			b.ReportMetric(20*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
			b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/float64(20*rate), "ns/frame")
		})
	}
}
