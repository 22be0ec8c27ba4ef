package stage

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage/stagetest"
)

// randomChain builds stages in the default order, some left out, with settings
// from the whole range that plans allow.
func randomChain(t *testing.T, rng *rand.Rand, rate, frames int) []Processor {
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	pick := func(n ...int) int { return n[rng.IntN(len(n))] }
	turnS := [2]float64{1.8, 4. / 3}[rng.IntN(2)]
	sectors := groove.NewSectors(rate, turnS)
	count := sectors.Count(int64(frames))
	watch := NewSectorSet(count)
	for i := range count {
		if rng.IntN(3) > 0 {
			watch.Add(i)
		}
	}
	scale := in(0.01, 1)
	var chain []Processor
	add := func(p Processor, err error) {
		if err != nil {
			t.Fatal(err)
		}
		chain = append(chain, p)
	}
	if rng.IntN(2) == 0 {
		add(NewBlockInfrasonic(BlockInfrasonicParams{CutoffHz: in(5, 40), SlopeDB: pick(12, 24)}, rate), nil)
	}
	if rng.IntN(2) == 0 {
		add(NewBandLimit(BandLimitParams{CutoffHz: in(12000, 21000)}, rate))
	}
	if rng.IntN(2) == 0 {
		p := SumLowsParams{CrossoverHz: in(30, 500), SlopeDB: pick(6, 12, 24), Phase: []string{PhaseMinimum, PhaseMatched, PhaseLinear}[rng.IntN(3)]}
		if p.Phase == PhaseMatched && p.SlopeDB == 6 {
			p.SlopeDB = 12
		}
		if p.Phase == PhaseLinear {
			p.CrossoverHz = in(200, 500) // long kernels only make the fuzzer slow
		}
		add(NewSumLows(p, rate))
	}
	if rng.IntN(2) == 0 {
		accel, velocity := in(0, 20000), in(0, 0.7)
		add(NewDeEss(DeEssParams{CrossoverHz: in(2000, 10000), LookAheadMS: in(5, 40)},
			DeEssTask{Sectors: sectors, Count: count, Watch: watch, Scale: scale, Limit: func(int) (float64, float64) { return accel, velocity }}))
	}
	if rng.IntN(2) == 0 {
		up, down := in(-5, 50), in(-5, 50)
		add(NewLimitSides(LimitSidesParams{LookAheadMS: in(10, 80)},
			LimitSidesTask{Sectors: sectors, Count: count, Watch: watch, Scale: scale, Room: func(int) (float64, float64) { return up, down }}), nil)
	}
	if rng.IntN(4) == 0 {
		add(MonoSum{}, nil)
	}
	return chain
}

// randomAudio tiles bytes, read as float32 and made finite, over frames. Any
// number a 32-bit float file may hold can come in, not only full scale.
func randomAudio(data []byte, frames int) audio.Block {
	b := audio.NewBlock(frames)
	n := len(data) / 4
	if n == 0 {
		return b
	}
	at := func(i int) float64 {
		v := float64(math.Float32frombits(binary.LittleEndian.Uint32(data[4*(i%n):])))
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0
		}
		return v
	}
	for i := range b.L {
		b.L[i], b.R[i] = at(2*i), at(2*i+1)
	}
	return b
}

// FuzzStages: whatever finite sound comes in, finite sound of the same length
// comes out of any chain a plan can ask for, and nothing panics.
func FuzzStages(f *testing.F) {
	f.Add(uint64(1), uint16(1), []byte{})
	f.Add(uint64(2), uint16(3000), []byte{0, 0, 0x80, 0x3f, 0, 0, 0x80, 0xbf})                         // (1, -1)
	f.Add(uint64(3), uint16(2000), []byte{0xff, 0xff, 0x7f, 0x7f, 0xff, 0xff, 0x7f, 0xff})             // greatest, least float32
	f.Add(uint64(4), uint16(2000), []byte{1, 0, 0, 0, 0, 0, 0, 0x80})                                  // smallest, negative zero
	f.Add(uint64(5), uint16(4000), []byte{0, 0, 0, 0x3f, 0, 0, 0, 0, 0, 0, 0, 0xbf, 0, 0, 0x80, 0x3e}) // treble
	for seed := range uint64(20) {
		f.Add(seed+10, uint16(2500), []byte{0, 0, 0, 0x3f, 0, 0, 0x40, 0xbf, 0, 0, 0, 0x3e})
	}
	f.Fuzz(func(t *testing.T, seed uint64, length uint16, data []byte) {
		rng := rand.New(rand.NewPCG(seed, 8))
		rate := allRates[rng.IntN(len(allRates))]
		frames := int(length) % 6000
		b := randomAudio(data, frames)
		for _, p := range randomChain(t, rng, rate, frames) {
			b = stagetest.Feed(p, b, 1+rng.IntN(5000))
			if b.Len() != frames {
				t.Fatalf("%T: %d frames in, %d out", p, frames, b.Len())
			}
			for i := range b.L {
				if l, r := b.L[i], b.R[i]; math.IsNaN(l) || math.IsInf(l, 0) || math.IsNaN(r) || math.IsInf(r, 0) {
					t.Fatalf("%T at %d Hz: frame %d of %d is (%g, %g)", p, rate, i, frames, l, r)
				}
			}
		}
	})
}
