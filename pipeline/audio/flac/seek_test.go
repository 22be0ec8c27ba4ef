package flac_test

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/mewkiz/flac/meta"
	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/flac"
)

// counted is a file that counts what is read of it.
type counted struct {
	*bytes.Reader
	reads, bytes int64
}

func (c *counted) ReadAt(p []byte, at int64) (int, error) {
	c.reads++
	c.bytes += int64(len(p))
	return c.Reader.ReadAt(p, at)
}

// seekSame holds what follows a seek to what reading from the start gives there.
func seekSame(t rapid.TB, p []byte, wantL, wantR []float64, frame, length int) {
	t.Helper()
	r, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SeekFrame(int64(frame)); err != nil {
		t.Fatalf("seeking to %d of %d: %v", frame, len(wantL), err)
	}
	b := audio.NewBlock(length)
	got := 0
	for got < length {
		n, err := r.Read(b.Slice(got, length))
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		got += n
	}
	if want := min(length, len(wantL)-frame); got != want || !slices.Equal(b.L[:got], wantL[frame:frame+got]) || !slices.Equal(b.R[:got], wantR[frame:frame+got]) {
		t.Fatalf("frame %d of %d: %d frames, want %d, or others than those there", frame, len(wantL), got, want)
	}
}

func noiseStream(t *testing.T) []byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(7, 1))
	sound := make([]int32, 300_000)
	for i := range sound {
		sound[i] = rng.Int32N(1<<24) - 1<<23
	}
	other := slices.Clone(sound)
	slices.Reverse(other)
	return encode(t, meta.StreamInfo{SampleRate: 96000, NChannels: 2, BitsPerSample: 24}, 4096, sound, other)
}

// streams are files of many kinds: noise has most places that look like frames,
// silence has frames of a few bytes, so that places say little about times, and
// what is both misleads a search by proportion.
func streams(t *testing.T) map[string][]byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(7, 1))
	sound := func(frames int, of func(i int) int32) []int32 {
		out := make([]int32, frames)
		for i := range out {
			out[i] = of(i)
		}
		return out
	}
	noise := func(int) int32 { return rng.Int32N(1<<24) - 1<<23 }
	loudAtTheEnd := func(i int) int32 {
		if i < 250_000 {
			return 0
		}
		return noise(i)
	}
	info := func(rate uint32, bits uint8, channels uint8) meta.StreamInfo {
		return meta.StreamInfo{SampleRate: rate, NChannels: channels, BitsPerSample: bits}
	}
	out := map[string][]byte{
		"noise":            noiseStream(t),
		"silence":          encode(t, info(44100, 16, 2), 1024, make([]int32, 3_000_000), make([]int32, 3_000_000)),
		"loud at the end":  encode(t, info(96000, 24, 2), 576, sound(300_000, loudAtTheEnd), sound(300_000, loudAtTheEnd)),
		"quiet at the end": encode(t, info(96000, 24, 1), 4608, sound(600_000, func(i int) int32 { return loudAtTheEnd(500_000 - i) })),
	}
	for _, name := range []string{"stereo-24-96000.flac", "stereo-24-176400.flac", "mono-16-44100.flac", "piped-16-48000.flac"} {
		out[name] = fixture(t, name)
	}
	return out
}

func TestSeekIsReadingFromTheStart(t *testing.T) {
	for name, p := range streams(t) {
		t.Run(name, func(t *testing.T) { seekAnywhere(t, p) })
	}
}

func seekAnywhere(t *testing.T, p []byte) {
	t.Helper()
	r, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	wantL, wantR, err := drain(r, 1<<16)
	if err != nil {
		t.Fatal(err)
	}
	n := len(wantL)
	for _, frame := range []int{0, 1, n / 3, n / 2, n - 4097, n - 1, n} {
		seekSame(t, p, wantL, wantR, max(frame, 0), 3000)
	}
	rapid.Check(t, func(rt *rapid.T) {
		seekSame(rt, p, wantL, wantR, rapid.IntRange(0, n).Draw(rt, "frame"), rapid.IntRange(1, 5000).Draw(rt, "length"))
	})
}

// A reader may go back and forth.
func TestSeekAgainAndAgain(t *testing.T) {
	p := noiseStream(t)
	r, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	want, _, err := drain(r, 4096)
	if err != nil {
		t.Fatal(err)
	}
	b := audio.NewBlock(10)
	for _, frame := range []int64{200_000, 5, 299_999, 100_000, 0} {
		if err := r.SeekFrame(frame); err != nil {
			t.Fatal(err)
		}
		if n, err := r.Read(b); err != nil || !slices.Equal(b.L[:n], want[frame:frame+int64(n)]) {
			t.Errorf("at %d: %v", frame, err)
		}
	}
	for _, frame := range []int64{-1, 300_001} {
		if r.SeekFrame(frame) == nil {
			t.Errorf("seeking to %d of 300000", frame)
		}
	}
}

// TestSeekReadsLittle: the cost grows with the logarithm of the file, if at all.
func TestSeekReadsLittle(t *testing.T) {
	for name, p := range streams(t) {
		t.Run(name, func(t *testing.T) { seekReadsLittle(t, p) })
	}
}

func seekReadsLittle(t *testing.T, p []byte) {
	t.Helper()
	c := &counted{Reader: bytes.NewReader(p)}
	r, err := flac.New("mix.flac", c, int64(len(p)))
	if err != nil {
		t.Fatal(err)
	}
	c.reads, c.bytes = 0, 0
	if err := r.SeekFrame(r.Frames() * 9 / 10); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes of %d in %d reads", c.bytes, len(p), c.reads)
	// As for WAV: five places of a window with its frame, and the last way.
	if c.bytes > 512<<10 {
		t.Errorf("%d bytes of %d read in %d steps", c.bytes, len(p), c.reads)
	}
}

// Damage elsewhere in a file is not in the way; damage where it is read is found
// as by reading from the start.
func TestSeekInADamagedFile(t *testing.T) {
	p := noiseStream(t)
	r, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	wantL, wantR, err := drain(r, 1<<16)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		bad := slices.Clone(p)
		hit := rapid.IntRange(len(p)/10, len(p)*9/10).Draw(rt, "damage at")
		for i := range rapid.IntRange(1, 20_000).Draw(rt, "bytes of damage") {
			if hit+i < len(bad) {
				bad[hit+i] ^= 0x55
			}
		}
		r, err := openBytes(bad)
		if err != nil {
			rt.Fatal(err)
		}
		frame := rapid.IntRange(0, len(wantL)-1).Draw(rt, "frame")
		b := audio.NewBlock(100)
		err = r.SeekFrame(int64(frame))
		n := 0
		if err == nil {
			n, err = r.Read(b)
		}
		if err != nil {
			if code(err) != "flac-bad-frame" && code(err) != "flac-truncated" {
				rt.Fatalf("%v", err)
			}
			return
		}
		if !slices.Equal(b.L[:n], wantL[frame:frame+n]) || !slices.Equal(b.R[:n], wantR[frame:frame+n]) {
			rt.Fatalf("frame %d: other samples than are there", frame)
		}
	})
}

// A stream that ends before the place is reported as by reading.
func TestSeekBehindTheEndOfTheFile(t *testing.T) {
	p := noiseStream(t)
	short := p[:len(p)/20] // its header promises more
	r, err := openBytes(short)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SeekFrame(290_000); code(err) != "flac-truncated" {
		t.Errorf("%v", err)
	}
	if err := r.SeekFrame(0); code(err) != "flac-truncated" {
		t.Error("the error is not kept: " + fmt.Sprint(err))
	}
}
