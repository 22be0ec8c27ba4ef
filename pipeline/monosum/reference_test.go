//go:build reference

package monosum

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/testdata/scipy"
)

// Power of a channel and of the mean of both by octaves, as SciPy's spectral
// estimate (Welch's method) has it, cut at the edges of IEC 61260-1 in base two.
const welchProgram = `
import json, sys
import numpy as np
from scipy.signal import welch
rate = int(sys.argv[1])
x = np.frombuffer(sys.stdin.buffer.read(), dtype="<f8").reshape(-1, 2)
def octaves(y):
    f, p = welch(y, rate, window="hann", nperseg=1 << 15)
    out = []
    for b in range(10):
        mid = 1000 * 2.0 ** (b - 5)
        out.append(float(p[(f >= mid / 2**0.5) & (f < mid * 2**0.5)].sum()) * (f[1] - f[0]))
    return out
stereo = [(a + b) / 2 for a, b in zip(octaves(x[:, 0]), octaves(x[:, 1]))]
json.dump({"stereo": stereo, "mono": octaves(x.mean(axis=1))}, sys.stdout)
`

// Noise that the right channel has a quarter of a millisecond later, as spaced
// microphones do: alike in the bass, opposed at 2 kHz, everything above.
// 0.3 dB: the two cut the noise into other blocks; two minutes leave 1/sqrt(1400 k)
// of the power of k lines in a block. A level may be 0.6 dB apart: its octave is cut
// at lines of 11.7 Hz, so that of 62.5 Hz has 4 of them for 3.8.
func TestOctavesAgainstSciPy(t *testing.T) {
	const rate, seconds = 48000, 120
	rnd := rand.New(rand.NewPCG(9, 9))
	l, r := make([]float64, rate*seconds), make([]float64, rate*seconds)
	for i := range l {
		l[i] = 0.05 * rnd.NormFloat64()
		if i >= rate/4000 {
			r[i] = l[i-rate/4000]
		}
	}
	m, err := New(rate)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(audio.Block{L: l, R: r})
	got := m.Result()
	raw := make([]byte, 0, 16*len(l))
	for i := range l {
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(l[i]))
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(r[i]))
	}
	var want struct{ Stereo, Mono [Bands]float64 }
	scipy.Run(t, welchProgram, raw, &want, "48000")
	least, most := math.Inf(1), 0.0
	for b, x := range got.Bands {
		if level := 10 * math.Log10(want.Stereo[b]); math.Abs(x.StereoDBFS-level) > 0.6 {
			t.Errorf("%g Hz: %.2f dBFS, SciPy %.2f", x.Hz, x.StereoDBFS, level)
		}
		loss := 10 * math.Log10(want.Stereo[b]/want.Mono[b])
		if math.Abs(x.LossDB-loss) > 0.3 {
			t.Errorf("%g Hz: %.2f dB lost in mono, SciPy %.2f", x.Hz, x.LossDB, loss)
		}
		least, most = math.Min(least, loss), math.Max(most, loss)
	}
	if least > 0.1 || most < 5 {
		t.Errorf("losses from %g to %g dB: all alike, so nothing was tried", least, most)
	}
	t.Logf("losses from %.2f to %.2f dB", least, most)
}
