package pipeline_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

// Sides for the tests of this package are made here: sound from formulas, WAVE
// files by a writer and a reader of their own, so that a fault of the codecs
// cannot hide itself.

// smallDisc is the inside of a 7 in disc, where the groove is slow: 0.33 m/s at
// 70 mm and 45 turns a minute.
const smallDisc = "disc: {id: 7in-45, outer_mm: 70, inner_quality_mm: 54}\n"

// innerDisc is the inside of a 12 in disc: 0.216 m/s at 62 mm. The first
// groove is the last one that anybody would cut.
const innerDisc = "disc: {id: 12in-33, outer_mm: 62, inner_quality_mm: 58}\n"

// pcm is a whole file as integers.
type pcm struct {
	rate, bits int
	l, r       []int32
}

func (p pcm) frames() int { return len(p.l) }

// equalTo tells where two programmes first differ, -1 if nowhere.
func (p pcm) firstDiffering(q pcm) int {
	if len(p.l) != len(q.l) {
		return min(len(p.l), len(q.l))
	}
	for i := range p.l {
		if p.l[i] != q.l[i] || p.r[i] != q.r[i] {
			return i
		}
	}
	return -1
}

// wave is a stereo signal of time in seconds, 1 is full scale.
type wave func(t float64) (l, r float64)

// sampled turns a wave into integers, rounded to the nearest.
func sampled(rate, bits int, seconds float64, w wave) pcm {
	n := int(math.Round(seconds * float64(rate)))
	p := pcm{rate: rate, bits: bits, l: make([]int32, n), r: make([]int32, n)}
	k := math.Ldexp(1, bits-1)
	q := func(x float64) int32 { return int32(math.Max(-k, math.Min(k-1, math.RoundToEven(x*k)))) }
	for i := range p.l {
		l, r := w(float64(i) / float64(rate))
		p.l[i], p.r[i] = q(l), q(r)
	}
	return p
}

func putLE(b []byte, bits int, v int32) []byte {
	for s := 0; s < bits; s += 8 {
		b = append(b, byte(v>>s))
	}
	return b
}

// bytesOfWAV is a plain RIFF WAVE file (RIFF 1991) of one or two channels; of
// one channel it takes the left.
func (p pcm) bytesOfWAV(channels int) []byte {
	var data []byte
	for i := range p.l {
		data = putLE(data, p.bits, p.l[i])
		if channels == 2 {
			data = putLE(data, p.bits, p.r[i])
		}
	}
	return wavFile(1, channels, p.rate, p.bits, data)
}

func wavFile(tag, channels, rate, bits int, data []byte) []byte {
	le := binary.LittleEndian
	frame := channels * bits / 8
	b := append([]byte("RIFF"), le.AppendUint32(nil, uint32(36+len(data)+len(data)%2))...)
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, uint16(tag))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*frame))
	b = le.AppendUint16(b, uint16(frame))
	b = le.AppendUint16(b, uint16(bits))
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

// floatWAV is a 32-bit float file of two channels.
func floatWAV(rate int, l, r []float32) []byte {
	var data []byte
	for i := range l {
		data = binary.LittleEndian.AppendUint32(data, math.Float32bits(l[i]))
		data = binary.LittleEndian.AppendUint32(data, math.Float32bits(r[i]))
	}
	return wavFile(3, 2, rate, 32, data)
}

func put(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
}

// chunksOf walks the chunks of a RIFF file.
func chunksOf(t testing.TB, path string) map[string][]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(b) < 12 || string(b[:4]) != "RIFF" || string(b[8:12]) != "WAVE" {
		t.Fatalf("%s is not a RIFF WAVE file", path)
	}
	if n := int(binary.LittleEndian.Uint32(b[4:])) + 8; n != len(b) {
		t.Fatalf("%s says it has %d bytes, it has %d", path, n, len(b))
	}
	out := map[string][]byte{}
	for at := 12; at+8 <= len(b); {
		n := int(binary.LittleEndian.Uint32(b[at+4:]))
		out[string(b[at:at+4])] = b[at+8 : at+8+n]
		at += 8 + n + n%2
	}
	return out
}

// readPCM reads a stereo PCM file.
func readPCM(t testing.TB, path string) pcm {
	t.Helper()
	c := chunksOf(t, path)
	f, d := c["fmt "], c["data"]
	if tag, ch := binary.LittleEndian.Uint16(f), binary.LittleEndian.Uint16(f[2:]); tag != 1 || ch != 2 {
		t.Fatalf("%s has format %d and %d channels, want PCM stereo", path, tag, ch)
	}
	p := pcm{rate: int(binary.LittleEndian.Uint32(f[4:])), bits: int(binary.LittleEndian.Uint16(f[14:]))}
	w := p.bits / 8
	at := func(i int) int32 {
		var v int32
		for k := 0; k < w; k++ {
			v |= int32(d[i+k]) << (8*k + 32 - p.bits)
		}
		return v >> (32 - p.bits)
	}
	for i := 0; i+2*w <= len(d); i += 2 * w {
		p.l, p.r = append(p.l, at(i)), append(p.r, at(i+w))
	}
	return p
}

// readFloat reads a stereo 32-bit float file.
func readFloat(t testing.TB, path string) (l, r []float32) {
	t.Helper()
	c := chunksOf(t, path)
	f, d := c["fmt "], c["data"]
	if tag, ch := binary.LittleEndian.Uint16(f), binary.LittleEndian.Uint16(f[2:]); tag != 3 || ch != 2 {
		t.Fatalf("%s has format %d and %d channels, want float stereo", path, tag, ch)
	}
	for i := 0; i+8 <= len(d); i += 8 {
		l = append(l, math.Float32frombits(binary.LittleEndian.Uint32(d[i:])))
		r = append(r, math.Float32frombits(binary.LittleEndian.Uint32(d[i+4:])))
	}
	return l, r
}

// prepared is a side that was made, with where it lies.
type prepared struct {
	dir    string // of plan and mixes
	out    string
	report *report.Report
}

func (p prepared) premaster(t testing.TB) pcm {
	t.Helper()
	return readPCM(t, filepath.Join(p.out, pipeline.PremasterName))
}

func (p prepared) difference(t testing.TB) (l, r []float32) {
	t.Helper()
	return readFloat(t, filepath.Join(p.out, pipeline.DifferenceName))
}

// loadPlan writes plan text into dir and loads it.
func loadPlan(t testing.TB, dir, text string) *sideplan.Plan {
	t.Helper()
	path := filepath.Join(dir, "plan.yaml")
	put(t, path, []byte(text))
	p, err := sideplan.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// onePlan is the plan of a side with one mix, mix.wav.
func onePlan(extra string) string { return "side: A\ntracks: [{file: mix.wav}]\n" + extra }

// prepare makes a side of one mix.
func prepare(t testing.TB, mix pcm, extra string, change ...func(*pipeline.Options)) prepared {
	t.Helper()
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), mix.bytesOfWAV(2))
	return prepareIn(t, dir, onePlan(extra), change...)
}

// prepareIn makes a side of the mixes that lie in dir.
func prepareIn(t testing.TB, dir, plan string, change ...func(*pipeline.Options)) prepared {
	t.Helper()
	p := prepared{dir: dir, out: filepath.Join(dir, "out")}
	opt := pipeline.Options{OutDir: p.out, Version: "test"}
	for _, c := range change {
		c(&opt)
	}
	r, err := pipeline.Prepare(context.Background(), loadPlan(t, dir, plan), opt)
	if err != nil {
		t.Fatalf("prepare: %v", err)
	}
	p.report = r
	return p
}

// sine, burst and the like are parts of waves.

func sine(hz, t float64) float64 { return math.Sin(2 * math.Pi * hz * t) }

// gate rises and falls between two times with raised cosines of 20 ms.
func gate(t, from, to float64) float64 {
	const ramp = 0.02
	x := math.Min(t-from, to-t)
	switch {
	case x <= 0:
		return 0
	case x >= ramp:
		return 1
	}
	return (1 - math.Cos(math.Pi*x/ramp)) / 2
}

// quietMusic is a mild programme that no stage needs to touch at 0 dB: a few
// partials around 300 Hz to 1 kHz, mostly mid, 24 dB under full scale.
func quietMusic(t float64) (l, r float64) {
	m := 0.03*sine(311, t) + 0.02*sine(622.5, t)*math.Abs(sine(0.7, t)) + 0.01*sine(1244.3, t)
	s := 0.004 * sine(830.1, t)
	return m + s, m - s
}

// sibilant is quietMusic with 10 kHz from 1.5 to 1.7 s, which at the inside of
// a disc bends a wall tighter than the design tip can follow.
func sibilant(amplitude float64) wave {
	return func(t float64) (l, r float64) {
		l, r = quietMusic(t)
		x := amplitude * gate(t, 1.5, 1.7) * sine(10000, t)
		return l + x, r + 0.8*x
	}
}

// opposed is quietMusic with 400 Hz in opposition from 1.5 to 1.8 s, which
// drives the groove up and down.
func opposed(amplitude float64) wave {
	return func(t float64) (l, r float64) {
		l, r = quietMusic(t)
		x := amplitude * gate(t, 1.5, 1.8) * sine(400, t)
		return l + x, r - x
	}
}

// caps that stay out of the way of a test.
const wideCaps = "caps: {max_treated_share: 1, max_reduction_db: 20, min_level_db: -20}\n"

func chainOf(ids ...string) string {
	s := "chain:\n"
	for _, id := range ids {
		s += fmt.Sprintf("  - %s\n", id)
	}
	return s
}
