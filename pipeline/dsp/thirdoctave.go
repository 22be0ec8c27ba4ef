package dsp

import (
	"fmt"
	"math"
)

// Spectrum measures mid = (L+R)/2 and side = (L-R)/2 of a stereo programme by
// third octaves, below a crossover, and above a band limit.
//
// Third octaves: bands of IEC 61260-1, exact centres 1000 * 10^(n/10) Hz,
// edges 10^(1/20) either side. They are sums of power spectrum bins, a bin
// that straddles an edge being shared in proportion, so a band has the skirts
// of the window and not those of an IEC class 1 filter. Bands to 1.6 kHz come
// from 8,192-point Hann windows of the programme decimated to 11-22 kHz
// (resolution 1.5 Hz at 44.1 and 48 kHz and their multiples), bands from 2 kHz
// from windows of 128 points times the decimation (resolution 94 Hz). Windows
// follow each other without overlap: all of the programme is read, and a
// steady signal is measured exactly, but what lies near the joint of two
// windows counts less, so bands of short events are estimates. A band that
// reaches above half the rate ends there.
//
// Levels are in dB re the power of a full-scale sine: a sine of amplitude 1 in
// both channels in phase reads 0 dBFS in mid, and uniform noise of 1 mean
// square +3.01 dBFS over all bands. A sine at a band centre reads within
// 0.1 dB of its level, from 50 Hz up within 0.01 dB.
//
// Below the crossover: power of mid and side after a fourth-order Butterworth
// low-pass.
//
// Above the band limit: highest mean power, of the louder channel, over 4
// consecutive high windows (43 ms), with a resolution of about 200 Hz at the
// limit. Joints between windows are 5 ms wide, so a burst of 10 ms is not
// missed.
//
// What follows the last complete window is not seen. Results do not depend on
// the size of the blocks added.
type Spectrum struct {
	rateHz    float64
	lowRateHz float64
	limitHz   float64

	mid, side []float64 // the high window under way
	fill      int
	high, low *bandSpectrum
	decimator *decimator
	lowMid    []float64
	lowSide   []float64
	lowFill   int

	cross            crossoverEnergy
	limitBin         int // first high bin above the limit, 0 when not measured
	limitReason      string
	recent           [limitWindows][2]float64 // power of left and right above the limit
	highWindows      int64
	maxAboveLimitPow float64
}

const (
	lowWindow       = 8192
	highWindowBase  = 128 // times the decimation
	lowestLowRateHz = 11000
	limitWindows    = 4
	limitLeastBins  = 4
	splitHz         = 1800 // between the bands 1.6 and 2 kHz
	noLevelDB       = -200 // below this a level is rounding, not signal
)

// SpectrumOptions chooses the two bands that are not third octaves.
type SpectrumOptions struct {
	CrossoverHz float64 // upper end of the low band, 20 to 1000
	BandLimitHz float64 // lower end of the ultrasonic band, at least 2000; above half the rate it does not exist
}

// NewSpectrum returns an analyser for a sampling rate from 8 kHz up.
func NewSpectrum(rateHz int, opt SpectrumOptions) (*Spectrum, error) {
	if err := checkMeterRate("spectrum", rateHz); err != nil {
		return nil, err
	}
	if !(opt.CrossoverHz >= 20 && opt.CrossoverHz <= 1000) {
		return nil, fmt.Errorf("spectrum: crossover %g Hz: want 20 to 1000", opt.CrossoverHz)
	}
	if !(opt.BandLimitHz >= 2000 && opt.BandLimitHz <= maxMeterRateHz) {
		return nil, fmt.Errorf("spectrum: band limit %g Hz: want 2000 or more", opt.BandLimitHz)
	}
	halvings := 0
	for rateHz>>(halvings+1) >= lowestLowRateHz {
		halvings++
	}
	n := highWindowBase << halvings
	s := &Spectrum{
		rateHz: float64(rateHz), lowRateHz: float64(rateHz) / float64(int(1)<<halvings),
		limitHz: opt.BandLimitHz,
		mid:     make([]float64, n), side: make([]float64, n),
		lowMid: make([]float64, lowWindow), lowSide: make([]float64, lowWindow),
		decimator: newDecimator(halvings, n),
	}
	s.cross = newCrossoverEnergy(s.lowRateHz, opt.CrossoverHz)
	var err error
	if s.high, err = newBandSpectrum(n, s.rateHz); err != nil {
		return nil, err
	}
	if s.low, err = newBandSpectrum(lowWindow, s.lowRateHz); err != nil {
		return nil, err
	}
	bin := s.rateHz / float64(n)
	switch {
	case opt.BandLimitHz >= s.rateHz/2:
		s.limitReason = fmt.Sprintf("half the sampling rate is %g Hz, not above the band limit of %g Hz", s.rateHz/2, opt.BandLimitHz)
	case opt.BandLimitHz+limitLeastBins*bin > s.rateHz/2:
		s.limitReason = fmt.Sprintf("half the sampling rate, %g Hz, is too close to the band limit of %g Hz to tell", s.rateHz/2, opt.BandLimitHz)
	default:
		s.limitBin = int(math.Ceil(opt.BandLimitHz/bin + 0.5))
	}
	return s, nil
}

// Add measures the next frames. l and r have equal length; a shorter r
// panics.
func (s *Spectrum) Add(l, r []float64) {
	r = r[:len(l)]
	for len(l) > 0 {
		n := min(len(l), len(s.mid)-s.fill)
		m, d, a, b := s.mid[s.fill:][:n], s.side[s.fill:][:n], l[:n], r[:n]
		for i := range m {
			m[i], d[i] = 0.5*(a[i]+b[i]), 0.5*(a[i]-b[i])
		}
		s.fill += n
		l, r = l[n:], r[n:]
		if s.fill == len(s.mid) {
			s.fill = 0
			s.endWindow()
		}
	}
}

func (s *Spectrum) endWindow() {
	left, right := s.high.add(s.mid, s.side, s.limitBin)
	if s.limitBin > 0 {
		s.recent[s.highWindows%limitWindows] = [2]float64{left, right}
		s.highWindows++
		if s.highWindows >= limitWindows {
			var l, r float64
			for _, p := range s.recent {
				l, r = l+p[0], r+p[1]
			}
			s.maxAboveLimitPow = max(s.maxAboveLimitPow, l/limitWindows, r/limitWindows)
		}
	}
	n := s.decimator.process(s.mid, s.side)
	mid, side := s.mid[:n], s.side[:n]
	s.cross.add(mid, side)
	copy(s.lowMid[s.lowFill:], mid)
	copy(s.lowSide[s.lowFill:], side)
	if s.lowFill += n; s.lowFill == lowWindow {
		s.lowFill = 0
		s.low.add(s.lowMid, s.lowSide, 0)
	}
}

// BelowCrossover is the level of mid and side below the crossover, dB re a
// full-scale sine. A level is nil when there is none.
func (s *Spectrum) BelowCrossover() (midDBFS, sideDBFS *float64, reason string) {
	if s.cross.frames == 0 {
		return nil, nil, fmt.Sprintf("programme under %.0f ms", 1000*float64(len(s.mid))/s.rateHz)
	}
	n := float64(s.cross.frames)
	midDBFS, sideDBFS = sineLevel(s.cross.mid.energy/n), sineLevel(s.cross.side.energy/n)
	switch {
	case midDBFS == nil && sideDBFS == nil:
		reason = reasonSilence
	case midDBFS == nil:
		reason = "no mid signal"
	case sideDBFS == nil:
		reason = "no side signal"
	}
	return midDBFS, sideDBFS, reason
}

// MaxAboveLimit is the highest short-term RMS level of either channel above
// the band limit, dB re the RMS of a full-scale sine.
func (s *Spectrum) MaxAboveLimit() (dbfs *float64, reason string) {
	switch {
	case s.limitBin == 0:
		return nil, s.limitReason
	case s.highWindows < limitWindows:
		return nil, fmt.Sprintf("programme under %.0f ms", 1000*limitWindows*float64(len(s.mid))/s.rateHz)
	}
	if dbfs = sineLevel(s.maxAboveLimitPow); dbfs == nil {
		return nil, fmt.Sprintf("nothing above %g Hz", s.limitHz)
	}
	return dbfs, ""
}

// Band is one third octave. Levels are dB re a full-scale sine, nil when there
// is nothing above -200 dBFS or no complete window.
type Band struct {
	NominalHz         float64 // IEC 61260-1 label
	LowerHz, UpperHz  float64 // exact edges, Upper at most half the rate
	MidDBFS, SideDBFS *float64
}

// Bands returns the third octaves from 20 Hz to 40 kHz whose centre lies below
// half the sampling rate, and the reason why levels are missing when the
// programme was too short.
func (s *Spectrum) Bands() (bands []Band, reason string) {
	for i, nominal := range nominalThirdOctaves {
		centre := 1000 * math.Pow(10, float64(i+lowestThirdOctave)/10)
		if centre >= s.rateHz/2 {
			break
		}
		b := Band{NominalHz: nominal, LowerHz: centre * math.Pow(10, -0.05), UpperHz: min(centre*math.Pow(10, 0.05), s.rateHz/2)}
		src := s.low
		if centre > splitHz {
			src = s.high
		}
		if src.windows == 0 {
			reason = fmt.Sprintf("programme under %.2f s", lowWindow/s.lowRateHz)
		}
		b.MidDBFS = sineLevel(src.power(src.mid, b.LowerHz, b.UpperHz))
		b.SideDBFS = sineLevel(src.power(src.side, b.LowerHz, b.UpperHz))
		bands = append(bands, b)
	}
	return bands, reason
}

// nominalThirdOctaves are the labels of IEC 61260-1 from 20 Hz, n = -17.
var nominalThirdOctaves = [...]float64{
	20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800,
	1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000, 25000, 31500, 40000,
}

const lowestThirdOctave = -17

// sineLevel is the level of a mean square re that of a full-scale sine.
func sineLevel(meanSquare float64) *float64 {
	db := 10 * math.Log10(2*meanSquare)
	if !(db > noLevelDB) {
		return nil
	}
	return &db
}
