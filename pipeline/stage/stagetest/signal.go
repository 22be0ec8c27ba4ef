package stagetest

import (
	"math"
	"math/rand/v2"

	"discsafe/pipeline/audio"
)

// Feed runs p over a whole programme in blocks of the given size as the runner
// does: Delay zeros follow the programme, the first Delay output frames are
// dropped, the length is kept. The input is not changed.
func Feed(p Processor, in audio.Block, block int) audio.Block {
	return feed(p, in, func() int { return block })
}

func feed(p Processor, in audio.Block, size func() int) audio.Block {
	n, d := in.Len(), p.Delay()
	b := audio.NewBlock(n + d)
	copy(b.L, in.L)
	copy(b.R, in.R)
	for i := 0; i < n+d; {
		j := min(i+size(), n+d)
		p.Process(b.Slice(i, j))
		i = j
	}
	return b.Slice(d, n+d)
}

// Programme is frames of music-like test sound, the same for the same seed:
// bursts of bass in opposition, bursts of treble unequal in the channels, a
// steady tone in the middle and a little noise. It stays within full scale.
func Programme(rateHz, frames int, seed uint64) audio.Block {
	rng := rand.New(rand.NewPCG(seed, 3))
	b := audio.NewBlock(frames)
	phase := rng.Float64() * 2 * math.Pi
	for i := range b.L {
		t := float64(i) / float64(rateHz)
		bass := burst(t, 0.31, 0.05) * math.Sin(2*math.Pi*110*t+phase)
		treble := burst(t+0.1, 0.23, 0.02) * math.Sin(2*math.Pi*8000*t+phase)
		mid := 0.15 * math.Sin(2*math.Pi*440*t)
		n, m := 0.02*(rng.Float64()-0.5), 0.02*(rng.Float64()-0.5)
		b.L[i] = mid + 0.4*bass + 0.3*treble + n
		b.R[i] = mid - 0.35*bass + 0.1*treble + m
	}
	return b
}

// burst is a bell of the given width, repeated.
func burst(t, every, width float64) float64 {
	x := (math.Mod(t, every) - every/2) / width
	return math.Exp(-x * x)
}

// equal gives both channels the left one.
func equal(b audio.Block) audio.Block {
	c := audio.NewBlock(b.Len())
	copy(c.L, b.L)
	copy(c.R, b.L)
	return c
}

// swapped exchanges the channels.
func swapped(b audio.Block) audio.Block { return audio.Block{L: b.R, R: b.L} }
