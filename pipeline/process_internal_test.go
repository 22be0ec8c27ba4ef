package pipeline

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
)

// scaler is a stage that delays and multiplies: left by gain, right by its
// opposite.
type scaler struct {
	gain float64
	late *delayLine
}

func (s *scaler) Delay() int { return s.late.n }
func (s *scaler) Reset()     {}
func (s *scaler) Process(b audio.Block) {
	s.late.process(b)
	for i := range b.L {
		b.L[i] *= s.gain
		b.R[i] *= -s.gain
	}
}

// The chain keeps mix and sum of changes in step with the treated programme:
// out = mix + changes in every frame, whatever the delays and the blocks, and
// mix is what went in, late by the sum of the delays.
func TestChainAccountsForEveryChange(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		const most = 97
		var links []*link
		want := 0
		for i := rapid.IntRange(0, 4).Draw(rt, "stages"); i > 0; i-- {
			d := rapid.IntRange(0, 300).Draw(rt, "delay")
			shadow := rapid.IntRange(0, 3).Draw(rt, "kind") == 0
			links = append(links, &link{proc: &scaler{gain: rapid.Float64Range(-2, 2).Draw(rt, "gain"), late: newDelayLine(d, most)}, shadow: shadow})
			if !shadow {
				want += d
			}
		}
		c := newChain(links, most)
		if c.delay != want {
			rt.Fatalf("chain is %d frames late, want %d", c.delay, want)
		}
		n := rapid.IntRange(1, 1500).Draw(rt, "frames")
		in := audio.NewBlock(n)
		for i := range in.L {
			in.L[i], in.R[i] = math.Sin(float64(i)*0.7), math.Cos(float64(i)*1.3)
		}
		b, mix, delta := audio.NewBlock(most), audio.NewBlock(most), audio.NewBlock(most)
		for at := 0; at < n; {
			k := min(rapid.IntRange(1, most).Draw(rt, "block"), n-at)
			x, m, d := b.Slice(0, k), mix.Slice(0, k), delta.Slice(0, k)
			copy(x.L, in.L[at:])
			copy(x.R, in.R[at:])
			copy(m.L, x.L)
			copy(m.R, x.R)
			c.run(x, m, d)
			for i := range x.L {
				was := audio.Block{L: []float64{0}, R: []float64{0}}
				if j := at + i - want; j >= 0 {
					was = in.Slice(j, j+1)
				}
				if m.L[i] != was.L[0] || m.R[i] != was.R[0] {
					rt.Fatalf("frame %d: mix %g, %g; want %g, %g", at+i, m.L[i], m.R[i], was.L[0], was.R[0])
				}
				// Four sums of numbers below 16.
				if math.Abs(m.L[i]+d.L[i]-x.L[i]) > 1e-13 || math.Abs(m.R[i]+d.R[i]-x.R[i]) > 1e-13 {
					rt.Fatalf("frame %d: mix %g and changes %g make %g, the chain gave %g", at+i, m.L[i], d.L[i], m.L[i]+d.L[i], x.L[i])
				}
			}
			at += k
		}
	})
}

func TestDelayLine(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		late := rapid.IntRange(0, 500).Draw(rt, "delay")
		const most = 64
		d := newDelayLine(late, most)
		b := audio.NewBlock(most)
		for at := 0; at < 2000; {
			k := rapid.IntRange(0, most).Draw(rt, "block")
			if k == 0 { // an empty block changes nothing
				d.process(b.Slice(0, 0))
				k = 1
			}
			x := b.Slice(0, k)
			for i := range x.L {
				x.L[i], x.R[i] = float64(at+i+1), -float64(at+i+1)
			}
			d.process(x)
			for i := range x.L {
				want := float64(max(at+i+1-late, 0))
				if x.L[i] != want || x.R[i] != -want {
					rt.Fatalf("frame %d, %d late: %g, want %g", at+i, late, x.L[i], want)
				}
			}
			at += k
		}
	})
}
