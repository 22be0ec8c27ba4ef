package meter

import (
	"fmt"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp"
)

// Options says what a Meter looks at besides the fixed set.
type Options struct {
	// CrossoverHz is the upper end of the low band in which side is compared
	// with mid, 20 to 1000 Hz; 0 means 150 Hz.
	CrossoverHz float64
	// BandLimitHz is the lower end of the ultrasonic band, at least 2000 Hz; 0
	// means 20 kHz.
	BandLimitHz float64
	// FullScale is the magnitude from which a sample counts as clipped, above
	// 0; 0 means the largest positive value of the format, 1.0 for float.
	FullScale float64
}

// Defaults of Options.
const (
	DefaultCrossoverHz = 150
	DefaultBandLimitHz = 20000
)

// Meter measures one programme. One goroutine uses it.
type Meter struct {
	rateHz      int
	crossoverHz float64
	bandLimitHz float64

	loudness *dsp.Loudness
	peak     *dsp.TruePeak
	spectrum *dsp.Spectrum
	image    image
	clips    clips
	frames   int64
}

// subBlock is how many frames all kernels look at in turn, so that the second
// and later ones find them in the first-level cache.
const subBlock = 1024

// New returns a meter for a programme of this format. It is an error if the
// sampling rate or an option lies outside its range.
func New(f audio.Format, opt Options) (*Meter, error) {
	if opt.CrossoverHz == 0 {
		opt.CrossoverHz = DefaultCrossoverHz
	}
	if opt.BandLimitHz == 0 {
		opt.BandLimitHz = DefaultBandLimitHz
	}
	if opt.FullScale == 0 {
		opt.FullScale = fullScale(f)
	}
	if !(opt.FullScale > 0) {
		return nil, fmt.Errorf("meter: full scale %g: want a value above 0", opt.FullScale)
	}
	loudness, err := dsp.NewLoudness(f.SampleRateHz)
	if err != nil {
		return nil, fmt.Errorf("meter: %w", err)
	}
	spectrum, err := dsp.NewSpectrum(f.SampleRateHz, dsp.SpectrumOptions{CrossoverHz: opt.CrossoverHz, BandLimitHz: opt.BandLimitHz})
	if err != nil {
		return nil, fmt.Errorf("meter: %w", err)
	}
	return &Meter{
		rateHz: f.SampleRateHz, crossoverHz: opt.CrossoverHz, bandLimitHz: opt.BandLimitHz,
		loudness: loudness, peak: dsp.NewTruePeak(), spectrum: spectrum,
		image: newImage(f.SampleRateHz), clips: clips{fullScale: opt.FullScale},
	}, nil
}

// fullScale is the largest positive sample of a format.
func fullScale(f audio.Format) float64 {
	if f.Encoding != audio.EncodingPCM || f.BitDepth < 2 || f.BitDepth > 52 {
		return 1
	}
	return 1 - math.Ldexp(1, 1-f.BitDepth)
}

// Add measures the next block. Samples are finite, as every audio.Source
// promises. It does not keep or change b.
func (m *Meter) Add(b audio.Block) {
	for i := 0; i < b.Len(); i += subBlock {
		s := b.Slice(i, min(i+subBlock, b.Len()))
		m.image.add(s.L, s.R)
		m.clips.add(s.L, s.R, m.frames)
		m.peak.Add(s.L, s.R)
		m.loudness.Add(s.L, s.R)
		m.spectrum.Add(s.L, s.R)
		m.frames += int64(s.Len())
	}
}
