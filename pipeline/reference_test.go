//go:build reference

// The reference suite holds discsafe against general-purpose tools that were
// written by others: sox for the playback curve, SciPy for filters, ffmpeg for
// loudness. Missing tools fail; nothing is skipped.
//
//	go test -tags reference -run TestReference ./pipeline
package pipeline_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"os/exec"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage"
	"discsafe/testdata/scipy"
)

// thirds are the preferred third-octave frequencies from 20 Hz to 20 kHz (ISO
// 266).
var thirds = []float64{20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000,
	1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000}

// levelAt is the magnitude in dB of the spectrum of x at one frequency.
func levelAt(x []float64, rate int, hz float64) float64 {
	var sum complex128
	step := -2 * math.Pi * hz / float64(rate)
	for i, v := range x {
		if v != 0 {
			sum += complex(v, 0) * cmplx.Rect(1, math.Mod(step*float64(i), 2*math.Pi))
		}
	}
	return 20 * math.Log10(cmplx.Abs(sum))
}

// soxPlayback filters x with sox's playback curve. sox normalises it to 0 dB at
// 1 kHz.
func soxPlayback(t *testing.T, x []float64, rate int) []float64 {
	t.Helper()
	raw := make([]byte, 0, 4*len(x))
	for _, v := range x {
		raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(float32(v)))
	}
	cmd := exec.Command("sox", "-V1", "-D", "-t", "f32", "-r", fmt.Sprint(rate), "-c", "1", "-", "-t", "f32", "-", "riaa")
	cmd.Stdin = bytes.NewReader(raw)
	var fault bytes.Buffer
	cmd.Stderr = &fault
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("sox riaa: %v\n%s", err, fault.String())
	}
	y := make([]float64, len(out)/4)
	for i := range y {
		y[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(out[4*i:])))
	}
	return y
}

func impulse(rate int, seconds, level float64) []float64 {
	x := make([]float64, int(seconds*float64(rate)))
	x[0] = level
	return x
}

// TestReferencePlaybackCurve: the exact playback curve against sox. sox's
// filters are fits in z; measured against the closed form they are within 0.03 dB
// from 50 Hz to 20 kHz and 0.065 dB at 20 Hz at 88.2 and 96 kHz, but off by up to
// 0.28 dB at 48 kHz and 0.45 dB at 44.1 kHz, so only the two high rates serve.
func TestReferencePlaybackCurve(t *testing.T) {
	for _, rate := range []int{88200, 96000} {
		const level = 0.01 // no clipping inside sox
		y := soxPlayback(t, impulse(rate, 2, level), rate)
		at1k := levelAt(y, rate, 1000)
		for _, hz := range thirds {
			tol := 0.05
			if hz < 50 {
				tol = 0.07
			}
			got, want := groove.PlaybackGainDB(hz), levelAt(y, rate, hz)-at1k
			if math.Abs(got-want) > tol {
				t.Errorf("%d Hz, %g Hz: playback gain %.3f dB, sox %.3f, want within %g", rate, hz, got, want, tol)
			}
		}
	}
}

// TestReferenceRecordAndPlay: the displacement discsafe predicts, differentiated
// to velocity and played back by sox, gives the signal back: flat within 0.1 dB
// (sox's own 0.065 and the predictor's 0.03).
func TestReferenceRecordAndPlay(t *testing.T) {
	const rate, scale = 96000, 0.1772
	// The predicted motion is proportional to the scale; 1 kHz, peak 1.0 gives
	// scale metres per second.
	x := impulse(rate, 2, 1)
	d := make([]float64, len(x))
	groove.NewSideDisplacement(rate, scale).Process(d, x)
	peak := 0.0
	for _, v := range d {
		peak = math.Max(peak, math.Abs(v))
	}
	for i := range d {
		d[i] *= 0.01 / peak
	}
	y := soxPlayback(t, d, rate)
	at := func(hz float64) float64 { return levelAt(y, rate, hz) + 20*math.Log10(2*math.Pi*hz) }
	flat := at(1000)
	for _, hz := range thirds {
		if got := at(hz) - flat; math.Abs(got) > 0.1 {
			t.Errorf("%g Hz: recorded and played back %+.3f dB re 1 kHz, want 0 within 0.1", hz, got)
		}
	}
}

// wantFilter is one digital high-pass to be computed by SciPy: a Butterworth of
// the order, applied twice for Linkwitz-Riley; or two equal first orders.
type wantFilter struct {
	Order int       `json:"order"`
	Twice bool      `json:"twice"`
	Hz    float64   `json:"hz"`
	Rate  int       `json:"rate"`
	At    []float64 `json:"at"`
}

func scipyLevels(t *testing.T, filters []wantFilter) [][]float64 {
	t.Helper()
	const program = `
import json, sys, numpy as np
from scipy.signal import butter, sosfreqz
out = []
for f in json.load(sys.stdin):
    sos = butter(f["order"], f["hz"], "highpass", fs=f["rate"], output="sos")
    _, h = sosfreqz(sos, worN=np.array(f["at"]), fs=f["rate"])
    if f["twice"]: h = h * h
    out.append(list(20*np.log10(np.maximum(np.abs(h), 1e-30))))
json.dump(out, sys.stdout)
`
	var out [][]float64
	if scipy.Ask(t, program, filters, &out); len(out) != len(filters) {
		t.Fatalf("scipy answered %d filters of %d", len(out), len(filters))
	}
	return out
}

// response is what a stage does to an impulse, in the left channel.
func response(p stage.Processor, rate int, right float64) []float64 {
	b := audio.NewBlock(2*rate + p.Delay())
	at := rate / 2 // room for what rings before the impulse in linear phase
	b.L[at], b.R[at] = 1, right
	p.Process(b)
	return b.L
}

// TestReferenceFilters: the high-passes of block-infrasonic and sum-lows against
// SciPy, measured through the stages, at every rate; 0.05 dB wherever the
// response is above -60 dB.
func TestReferenceFilters(t *testing.T) {
	type measured struct {
		name string
		y    []float64
	}
	var got []measured
	var want []wantFilter
	add := func(name string, order int, twice bool, hz float64, rate int, y []float64) {
		got = append(got, measured{name, y})
		want = append(want, wantFilter{Order: order, Twice: twice, Hz: hz, Rate: rate, At: thirds})
	}
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		for _, slope := range []int{12, 24} {
			for _, hz := range []float64{16, 30} {
				p := stage.NewBlockInfrasonic(stage.BlockInfrasonicParams{CutoffHz: hz, SlopeDB: slope}, rate)
				add(fmt.Sprintf("block-infrasonic %g Hz %d dB/oct at %d", hz, slope, rate), 2, slope == 24, hz, rate, response(p, rate, 1))
			}
		}
		for _, c := range []struct {
			slope, order int
			twice        bool
			phase        string
		}{
			{6, 1, false, stage.PhaseMinimum}, {12, 2, false, stage.PhaseMinimum}, {24, 2, true, stage.PhaseMinimum},
			{6, 1, false, stage.PhaseLinear}, {12, 2, false, stage.PhaseLinear}, {24, 2, true, stage.PhaseLinear},
			{12, 1, true, stage.PhaseMatched}, {24, 2, true, stage.PhaseMatched},
		} {
			for _, hz := range []float64{60, 150, 300} {
				p, err := stage.NewSumLows(stage.SumLowsParams{CrossoverHz: hz, SlopeDB: c.slope, Phase: c.phase}, rate)
				if err != nil {
					t.Fatal(err)
				}
				add(fmt.Sprintf("sum-lows %g Hz %d dB/oct %s at %d", hz, c.slope, c.phase, rate), c.order, c.twice, hz, rate, response(p, rate, -1))
			}
		}
	}
	worst := 0.0
	for i, levels := range scipyLevels(t, want) {
		for k, w := range levels {
			if w < -60 {
				continue
			}
			d := math.Abs(levelAt(got[i].y, want[i].Rate, thirds[k]) - w)
			worst = math.Max(worst, d)
			if d > 0.05 {
				t.Errorf("%s: %g Hz off by %.3f dB from SciPy's %.3f", got[i].name, thirds[k], d, w)
			}
		}
	}
	t.Logf("worst difference from SciPy: %.4f dB", worst)
}

// TestReferenceBandLimit: flat within 0.05 dB to the cutoff, at least 75 dB down
// (five under the design, for the ripple of a Kaiser design) where the stop band
// begins: a quarter above the cutoff or at half the rate.
func TestReferenceBandLimit(t *testing.T) {
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		p, err := stage.NewBandLimit(stage.BandLimitParams{CutoffHz: 20000}, rate)
		if err != nil {
			t.Fatal(err)
		}
		y := response(p, rate, 1)
		for _, hz := range append([]float64{19000, 19900}, thirds...) {
			if d := levelAt(y, rate, hz); math.Abs(d) > 0.05 {
				t.Errorf("%d Hz: %.4f dB at %g Hz, want 0 within 0.05", rate, d, hz)
			}
		}
		for hz := 25000.0; hz < float64(rate)/2; hz += 1000 {
			if d := levelAt(y, rate, hz); d > -75 {
				t.Errorf("%d Hz: %.1f dB at %g Hz, want at most -75", rate, d, hz)
			}
		}
	}
}
