package meter

import (
	"math"
	"testing"

	"discsafe/pipeline/audio"
)

func TestPartsHaveTheirOwnPeakAndLoudness(t *testing.T) {
	f := audio.Format{SampleRateHz: 48000, Channels: 2, BitDepth: 24, Encoding: audio.EncodingPCM}
	m, err := New(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var peaks []float64
	for _, amp := range []float64{0.5, 0.25, 0.125} { // 2 s of 997 Hz, then 1 s of silence
		b := audio.NewBlock(3 * 48000)
		for i := range 2 * 48000 {
			b.L[i] = amp * math.Sin(2*math.Pi*997/48000*float64(i))
			b.R[i] = b.L[i]
		}
		m.Add(b)
		p := m.EndPart()
		if p == nil {
			t.Fatal("no peak")
		}
		peaks = append(peaks, *p)
	}
	for i, want := range []float64{-6.02, -12.04, -18.06} {
		if math.Abs(peaks[i]-want) > 0.05 { // the meter's stated worst under-read
			t.Errorf("part %d: %.3f dBTP, want %.2f", i+1, peaks[i], want)
		}
	}
	if whole := m.Result().MaxTruePeakDBTP; whole == nil || math.Abs(*whole+6.02) > 0.05 {
		t.Errorf("whole: %v dBTP, want -6.02", whole)
	}
	// ITU-R BS.1770-5: a 997 Hz sine at 0 dBFS in both channels reads 0.00 LKFS.
	for i, want := range []float64{-6.02, -12.04, -18.06} {
		v, why := m.IntegratedBetween(float64(3*i), float64(3*i+2))
		if v == nil || math.Abs(*v-want) > 0.05 {
			t.Errorf("part %d: %v LUFS (%s), want %.2f", i+1, v, why, want)
		}
	}
	if v, why := m.IntegratedBetween(2.2, 2.4); v != nil || why == "" {
		t.Errorf("200 ms have a loudness, %v", v)
	}
}
