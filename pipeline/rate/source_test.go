package rate_test

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/rate"
)

// pairs are all conversions there are.
func pairs() (all [][2]int) {
	rates := []int{44100, 48000, 88200, 96000, 176400, 192000}
	for _, from := range rates {
		for _, to := range rates {
			if from != to {
				all = append(all, [2]int{from, to})
			}
		}
	}
	return all
}

// clip is a source in memory that cannot seek.
type clip struct {
	hz      int
	samples audio.Block
	stated  int64      // frames, when it lies about them
	piece   func() int // largest number of frames of a Read
	failAt  int        // frame that cannot be read
	failErr error      // nil means io.EOF at the end only
	pos     int
	ended   int // number of io.EOF given
	closed  int
}

func newClip(hz int, samples audio.Block) *clip {
	return &clip{hz: hz, samples: samples, stated: int64(samples.Len())}
}

func (c *clip) Format() audio.Format {
	return audio.Format{SampleRateHz: c.hz, Channels: 1, BitDepth: 24, Encoding: audio.EncodingPCM, Container: "wav"}
}
func (c *clip) Frames() int64 { return c.stated }
func (c *clip) Close() error  { c.closed++; return nil }
func (c *clip) Read(b audio.Block) (int, error) {
	end, want := c.samples.Len(), b.Len()
	if c.piece != nil {
		want = min(want, c.piece())
	}
	if c.failErr != nil {
		end = min(end, c.failAt)
	}
	n := copy(b.L[:want], c.samples.L[c.pos:end])
	copy(b.R[:want], c.samples.R[c.pos:end])
	c.pos += n
	switch {
	case n > 0 || want == 0:
		return n, nil
	case c.failErr != nil:
		return 0, c.failErr
	}
	c.ended++
	return 0, io.EOF
}

// tape is a clip that can seek.
type tape struct{ *clip }

func (t tape) SeekFrame(frame int64) error {
	if frame < 0 || frame > int64(t.samples.Len()) {
		return fmt.Errorf("seek to %d", frame)
	}
	t.pos = int(frame)
	return nil
}

func noise(frames int, seed uint64) audio.Block {
	rng := rand.New(rand.NewPCG(seed, 0))
	b := audio.NewBlock(frames)
	for i := range b.L {
		b.L[i], b.R[i] = rng.Float64()-0.5, rng.Float64()-0.5
	}
	return b
}

func convert(t testing.TB, src audio.Source, hz int) audio.Source {
	t.Helper()
	out, err := rate.Convert(src, hz)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// fataler is what *testing.T and *rapid.T share.
type fataler interface {
	Helper()
	Fatalf(format string, args ...any)
}

// readAll reads src to its end in blocks of the sizes given and checks every
// call against the contract of audio.Source.
func readAll(t fataler, src audio.Source, block func() int) audio.Block {
	t.Helper()
	all, err := readSome(t, src, block)
	if err != nil {
		t.Fatalf("reading: %v", err)
	}
	if int64(all.Len()) != src.Frames() {
		t.Fatalf("%d frames delivered, %d stated", all.Len(), src.Frames())
	}
	return all
}

// readSome reads src to its end or to an error, which it returns.
func readSome(t fataler, src audio.Source, block func() int) (audio.Block, error) {
	t.Helper()
	var all audio.Block
	for {
		b := audio.NewBlock(block())
		n, err := src.Read(b)
		all.L, all.R = append(all.L, b.L[:n]...), append(all.R, b.R[:n]...)
		switch {
		case err != nil && n > 0:
			t.Fatalf("%d frames together with %v", n, err)
		case errors.Is(err, io.EOF):
			if _, again := src.Read(b); !errors.Is(again, io.EOF) {
				t.Fatalf("reading after the end: %v, want io.EOF", again)
			}
			return all, nil
		case err != nil:
			return all, err
		case n == 0 && b.Len() > 0:
			t.Fatalf("neither frames nor an error")
		}
	}
}

func always(n int) func() int { return func() int { return n } }

func convertAll(t *testing.T, fromHz, toHz int, x audio.Block) audio.Block {
	t.Helper()
	return readAll(t, convert(t, newClip(fromHz, x), toHz), always(4096))
}
