//go:build reference

// The reference suite holds the conversion against general-purpose resamplers
// written by others: sox at its very high quality with a steep filter, and the
// soxr library inside ffmpeg at its highest precision with a flat pass band. A missing tool fails; nothing is
// skipped.
//
//	go test -tags reference -run TestReference ./pipeline/rate
package rate_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/rate"
)

// tolReferenceDB bounds the difference in level, the same as the ripple allowed
// in the pass band.
const tolReferenceDB = 0.01

// bandLimited is half a second of sines at random frequencies up to 0.9 of the
// pass band, faded in and out by Hann slopes so that the tools' ways with the
// ends of a file do not matter.
func bandLimited(fromHz, toHz int) audio.Block {
	rng := rand.New(rand.NewPCG(uint64(fromHz), uint64(toHz)))
	x := audio.NewBlock(fromHz / 2)
	const sines = 40
	for range sines {
		wl := 2 * math.Pi * (20 + rng.Float64()*(0.9*rate.PassHz(fromHz, toHz)-20)) / float64(fromHz)
		wr := 2 * math.Pi * (20 + rng.Float64()*(0.9*rate.PassHz(fromHz, toHz)-20)) / float64(fromHz)
		for i := range x.L {
			x.L[i] += 0.5 / sines * math.Sin(wl*float64(i))
			x.R[i] += 0.5 / sines * math.Sin(wr*float64(i))
		}
	}
	n := x.Len()
	for i := range n / 4 {
		g := 0.5 - 0.5*math.Cos(math.Pi*float64(i)/float64(n/4))
		for _, k := range []int{i, n - 1 - i} {
			x.L[k] *= g
			x.R[k] *= g
		}
	}
	return x
}

func packed(x audio.Block) []byte {
	var raw []byte
	for i := range x.L {
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(x.L[i]))
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(x.R[i]))
	}
	return raw
}

func unpacked(raw []byte) audio.Block {
	x := audio.NewBlock(len(raw) / 16)
	for i := range x.L {
		x.L[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[16*i:]))
		x.R[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[16*i+8:]))
	}
	return x
}

func pipe(t *testing.T, in []byte, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Stdin = bytes.NewReader(in)
	var fault bytes.Buffer
	cmd.Stderr = &fault
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, fault.String())
	}
	return out
}

func TestReferenceResamplers(t *testing.T) {
	// What may be left of the difference, against the sound. sox falls by a
	// little towards the end of its pass band, measured -104.7 dB in all; soxr
	// with a Chebyshev pass band does not, measured -135 dB, and is held to
	// StopDB. A time wrong by a hundredth of a frame would leave -37 dB
	// at 10 kHz and 44.1 kHz (2*pi*10/44.1*0.01).
	tools := []struct {
		name       string
		residualDB float64
		run        func(t *testing.T, in []byte, from, to string) []byte
	}{
		// -G against clipping needs a rewound input and is not needed at this level.
		{"sox", -100, func(t *testing.T, in []byte, from, to string) []byte {
			return pipe(t, in, "sox", "-V1", "-D", "-t", "f64", "-r", from, "-c", "2", "-", "-t", "f64", "-", "rate", "-v", "-s", to)
		}},
		{"soxr", -rate.StopDB, func(t *testing.T, in []byte, from, to string) []byte {
			return pipe(t, in, "ffmpeg", "-v", "error", "-f", "f64le", "-ar", from, "-ac", "2", "-i", "-",
				"-af", "aresample="+to+":resampler=soxr:precision=33:cheby=1:osf=dbl", "-f", "f64le", "-")
		}},
	}
	for _, tool := range tools {
		worstGain, worstRest := 0.0, math.Inf(-1)
		for _, p := range pairs() {
			x := bandLimited(p[0], p[1])
			want := unpacked(tool.run(t, packed(x), fmt.Sprint(p[0]), fmt.Sprint(p[1])))
			got := convertAll(t, p[0], p[1], x)
			if d := want.Len() - got.Len(); d < -2 || d > 2 {
				t.Fatalf("%s, %d to %d Hz: %d frames, want %d", tool.name, p[0], p[1], got.Len(), want.Len())
			}
			n := min(want.Len(), got.Len())
			for ch, pair := range [][2][]float64{{got.L, want.L}, {got.R, want.R}} {
				var gw, ww, dd float64
				for i := range n {
					g, w := pair[0][i], pair[1][i]
					gw, ww, dd = gw+g*w, ww+w*w, dd+(g-w)*(g-w)
				}
				gain, rest := audio.DB(gw/ww), audio.PowerDB(dd/ww)
				if !(math.Abs(gain) <= tolReferenceDB) || !(rest <= tool.residualDB) {
					t.Errorf("%s, %d to %d Hz, channel %d: %+.4f dB, residual %.1f dB; want within %g dB, below %g dB",
						tool.name, p[0], p[1], ch, gain, rest, tolReferenceDB, tool.residualDB)
				}
				worstGain, worstRest = max(worstGain, math.Abs(gain)), max(worstRest, rest)
			}
		}
		t.Logf("%s, worst: gain %.2g dB, residual %.1f dB", tool.name, worstGain, worstRest)
	}
}
