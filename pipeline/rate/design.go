package rate

import (
	"fmt"
	"slices"

	"discsafe/pipeline/dsp"
)

// The quality of every conversion. The tests hold each figure for all 30 pairs
// of rates.
const (
	// PassRippleDB is the largest deviation from 0 dB in the pass band.
	PassRippleDB = 0.01
	// StopDB is the least attenuation of everything that would become an image
	// or an alias.
	StopDB = 120.0

	// passOfNyquist makes the pass band end at 20 kHz, the end of hearing, when
	// the lower rate is 44.1 kHz, and in proportion at the others.
	passOfNyquist = 20000.0 / 22050.0

	// designDB leaves 4 dB for what Kaiser's estimate of the length is short
	// of, and for images adding up. A window design has equal ripple in both
	// bands, so the pass band is flat within 1e-5 dB.
	designDB = StopDB + 4
)

// rates are the sampling rates discsafe reads and writes, in Hz.
var rates = [...]int{44100, 48000, 88200, 96000, 176400, 192000}

// PassHz is the last frequency passed within PassRippleDB in a conversion
// between two rates in Hz: 0.907 of half the lower one, 20 kHz at 44.1 kHz.
func PassHz(fromHz, toHz int) float64 { return StopHz(fromHz, toHz) * passOfNyquist }

// StopHz is the frequency from which on everything is StopDB down: half the
// lower of the two rates in Hz.
func StopHz(fromHz, toHz int) float64 { return float64(min(fromHz, toHz)) / 2 }

// bank is a low-pass cut into phases. Output frame m lies at source position
// m*down/up = q + p/up, with q and p whole and p < up, and is
//
//	y[m] = sum over i < width of h[p][i]*x[q-before+i]
//
// Rows of stored taps stand in the order in which output frames need them, row
// m mod up for frame m, so that memory is read straight on. A row is all of
// h[p], or, when there is but one phase, its first half with the tap in the
// middle halved, as that phase is symmetric.
type bank struct {
	up, down int // the ratio of the rates in lowest terms
	before   int // source frames in reach before position q
	width    int // source frames in reach
	stored   int // taps of a row, a multiple of tapGroup
	taps     []float64
}

// newBank designs the filter at the common multiple of both rates and centres
// it on the output frame, so that it has no delay.
func newBank(fromHz, toHz int) (*bank, error) {
	up, down, err := ratio(fromHz, toHz)
	if err != nil {
		return nil, err
	}
	h, err := dsp.LowPass(float64(up)*float64(fromHz), PassHz(fromHz, toHz), StopHz(fromHz, toHz), designDB)
	if err != nil {
		return nil, fmt.Errorf("converting %d Hz to %d Hz: %w", fromHz, toHz, err)
	}
	mid := (len(h) - 1) / 2
	b := &bank{up: up, down: down}
	if up == 1 {
		b.stored = wholeGroups(mid + 1)
		b.before, b.width = b.stored-1, 2*b.stored-1
		b.taps = make([]float64, b.stored)
		copy(b.taps[b.before-mid:], h[:mid])
		b.taps[b.before] = h[mid] / 2
		return b, nil
	}
	b.before = mid / up
	b.stored = wholeGroups(b.before + 1 + (mid+up-1)/up)
	b.width = b.stored
	b.taps = make([]float64, up*b.stored)
	for row := range up {
		_, p := b.at(int64(row))
		for i := range b.width {
			if k := mid + p - (i-b.before)*up; k >= 0 && k < len(h) {
				// Only every up-th sample at the common rate is not zero.
				b.taps[row*b.stored+i] = h[k] * float64(up)
			}
		}
	}
	return b, nil
}

// wholeGroups rounds a number of taps up to what the kernels take.
func wholeGroups(taps int) int { return (taps + tapGroup - 1) / tapGroup * tapGroup }

// frames is the length of n source frames after conversion, rounded to the
// nearest frame, halves up.
func (b *bank) frames(n int64) int64 {
	up, down := int64(b.up), int64(b.down)
	return (2*n*up + down) / (2 * down)
}

// at gives the source position of output frame m: frame q and phase p.
func (b *bank) at(m int64) (q int64, p int) {
	t := m * int64(b.down)
	return t / int64(b.up), int(t % int64(b.up))
}

// ratio reduces toHz/fromHz to lowest terms.
func ratio(fromHz, toHz int) (up, down int, err error) {
	for _, hz := range []int{fromHz, toHz} {
		if !slices.Contains(rates[:], hz) {
			return 0, 0, fmt.Errorf("converting %d Hz to %d Hz: %d Hz is no sampling rate of a mix: want one of 44100, 48000, 88200, 96000, 176400, 192000", fromHz, toHz, hz)
		}
	}
	a, b := toHz, fromHz
	for b != 0 {
		a, b = b, a%b
	}
	return toHz / a, fromHz / a, nil
}

// Describe states what Convert does between two rates in Hz, in one sentence
// for a report.
func Describe(fromHz, toHz int) string {
	if fromHz == toHz {
		return fmt.Sprintf("Sampling rate kept at %d Hz, samples unchanged.", fromHz)
	}
	up, down, err := ratio(fromHz, toHz)
	if err != nil {
		return fmt.Sprintf("No conversion from %d Hz to %d Hz: sampling rate not supported.", fromHz, toHz)
	}
	return fmt.Sprintf("Sampling rate converted from %d Hz to %d Hz (ratio %d:%d, Kaiser-windowed sinc, linear phase, no delay): "+
		"flat within %g dB up to %.2f kHz, images and aliases at least %g dB down from %.2f kHz on.",
		fromHz, toHz, up, down, PassRippleDB, PassHz(fromHz, toHz)/1000, StopDB, StopHz(fromHz, toHz)/1000)
}
