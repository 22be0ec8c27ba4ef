package stage

import (
	"math"
	"math/cmplx"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/stage/stagetest"
)

var allRates = []int{44100, 48000, 88200, 96000, 176400, 192000}

// pulse sends an impulse of l and r through a stage, before frames into the
// programme, and returns before+after frames.
func pulse(p Processor, l, r float64, before, after int) audio.Block {
	in := audio.NewBlock(before + after)
	in.L[before], in.R[before] = l, r
	return stagetest.Feed(p, in, 4096)
}

// spectrumAt is the Fourier sum of x at hz with time counted from frame origin.
func spectrumAt(x []float64, origin, rateHz int, hz float64) complex128 {
	w := -2 * math.Pi * hz / float64(rateHz)
	turn := cmplx.Rect(1, w)
	var sum, z complex128
	for i, v := range x {
		if i%1024 == 0 { // restart the rotation: rounding does not pile up
			z = cmplx.Rect(1, w*float64(i-origin))
		}
		sum += complex(v, 0) * z
		z *= turn
	}
	return sum
}

func db(g complex128) float64 { return 20 * math.Log10(cmplx.Abs(g)) }

// midAndSide splits a block.
func midAndSide(b audio.Block) (mid, side []float64) {
	mid, side = make([]float64, b.Len()), make([]float64, b.Len())
	for i, l := range b.L {
		mid[i], side[i] = (l+b.R[i])/2, (l-b.R[i])/2
	}
	return mid, side
}
