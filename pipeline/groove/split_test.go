package groove

import (
	"math"
	"testing"

	"discsafe/pipeline/audio"
)

// TestLowPartOfTwoTones: of a low and a high tone, the low part of a sector's
// peak is the acceleration of the low tone there. Closed form: acceleration of a
// tone is 2 pi f times its velocity, which the recording characteristic gives
// (IEC 60098); both tones have a crest together once in each millisecond.
func TestLowPartOfTwoTones(t *testing.T) {
	const lowHz, highHz, lowPart, highPart = 1000, 12000, 0.25, 0.1
	for _, rate := range []int{44100, 48000, 96000, 192000} {
		s := NewSectors(rate, 1.8)
		const scale = 0.3
		var got []Motion
		p, err := NewPredictor(s, scale, false, func(m Motion) { got = append(got, m) })
		if err != nil {
			t.Fatal(err)
		}
		b := audio.NewBlock(rate / 4)
		for i := range b.L {
			at := 2 * math.Pi * float64(i) / float64(rate)
			b.L[i] = lowPart*math.Cos(lowHz*at) + highPart*math.Cos(highHz*at)
		}
		p.Add(b)
		p.Flush(int64(b.Len()))
		wantLow := toneAccel(lowHz, lowPart*scale)
		wantHigh := toneAccel(highHz, highPart*scale)
		m := got[len(got)/2]
		// 2 %: the crests of the two tones, shifted by the characteristic, need not
		// fall together to a sample.
		for _, c := range []struct {
			what      string
			got, want float64
		}{{"peak", float64(m.WallAccel), wantLow + wantHigh}, {"low part, shallow", m.LowFor(SplitShallow), wantLow}, {"low part, deep", m.LowFor(SplitDeep), wantLow}} {
			if math.Abs(c.got/c.want-1) > 0.02 {
				t.Errorf("%d Hz, %s: %.1f m/s2, want %.1f", rate, c.what, c.got, c.want)
			}
		}
	}
}

// toneAccel is the acceleration in m/s2 of a tone whose velocity at 1 kHz would
// be v m/s.
func toneAccel(hz, v float64) float64 {
	return 2 * math.Pi * hz * v * recordedGain(hz)
}

// recordedGain is the recording characteristic of IEC 60098 re 1 kHz, time
// constants 3180, 318 and 75 us.
func recordedGain(hz float64) float64 {
	g := func(f float64) float64 {
		w := 2 * math.Pi * f
		return math.Sqrt((1+w*w*3180e-6*3180e-6)*(1+w*w*75e-6*75e-6)) / math.Sqrt(1+w*w*318e-6*318e-6)
	}
	return g(hz) / g(1000)
}
