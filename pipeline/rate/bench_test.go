package rate_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/rate"
)

// endless delivers the same noise over and over; it costs next to nothing.
type endless struct {
	hz    int
	noise audio.Block
}

func newEndless(hz int) *endless {
	rng := rand.New(rand.NewPCG(1, 2))
	s := &endless{hz: hz, noise: audio.NewBlock(8192)}
	for i := range s.noise.L {
		s.noise.L[i], s.noise.R[i] = rng.Float64()-0.5, rng.Float64()-0.5
	}
	return s
}

func (s *endless) Format() audio.Format { return audio.Format{SampleRateHz: s.hz, Channels: 2} }
func (s *endless) Frames() int64        { return 1 << 40 }
func (s *endless) Close() error         { return nil }
func (s *endless) Read(b audio.Block) (int, error) {
	n := copy(b.L, s.noise.L)
	copy(b.R[:n], s.noise.R)
	return n, nil
}

// BenchmarkConvert reports how many times faster than the sound itself one
// core converts stereo.
func BenchmarkConvert(b *testing.B) {
	for _, c := range [][2]int{{96000, 48000}, {44100, 96000}, {44100, 48000}, {48000, 44100}, {96000, 44100}, {192000, 44100}, {44100, 192000}, {192000, 96000}, {96000, 192000}} {
		b.Run(fmt.Sprintf("%dto%d", c[0], c[1]), func(b *testing.B) {
			src, err := rate.Convert(newEndless(c[0]), c[1])
			if err != nil {
				b.Fatal(err)
			}
			block := audio.NewBlock(c[1] / 10)
			b.ReportAllocs()
			for b.Loop() {
				if n, err := src.Read(block); err != nil || n != block.Len() {
					b.Fatal(n, err)
				}
			}
			b.ReportMetric(0.1*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}
