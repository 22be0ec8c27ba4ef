package rate_test

import (
	"errors"
	"io"
	"io/fs"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/rate"
)

func TestEqualRatesReturnTheSource(t *testing.T) {
	src := newClip(48000, noise(10, 1))
	if got := convert(t, src, 48000); got != audio.Source(src) {
		t.Errorf("got %T, want the source itself", got)
	}
}

func TestRatesThatAreNotSupported(t *testing.T) {
	tests := []struct {
		name     string
		from, to int
		want     string
	}{
		{"to 32 kHz", 44100, 32000, "converting 44100 Hz to 32000 Hz: 32000 Hz is no sampling rate of a mix: want one of 44100, "},
		{"from 8 kHz", 8000, 48000, "converting 8000 Hz to 48000 Hz: 8000 Hz is no sampling rate of a mix: want one of 44100, "},
		{"to zero", 44100, 0, "0 Hz is no sampling rate"},
		{"to a negative rate", 44100, -44100, "-44100 Hz is no sampling rate"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			src, err := rate.Convert(newClip(tt.from, noise(1, 1)), tt.to)
			if err == nil || !strings.Contains(err.Error(), tt.want) || src != nil {
				t.Errorf("got %v, %v, want an error with %q", src, err, tt.want)
			}
		})
	}
	for _, frames := range []int64{-1, 1<<50 + 1} {
		src := newClip(44100, noise(1, 1))
		src.stated = frames
		if _, err := rate.Convert(src, 48000); err == nil || !strings.Contains(err.Error(), "want 0..1125899906842624") {
			t.Errorf("%d frames: %v", frames, err)
		}
	}
}

func TestFormatKeepsAllButTheRate(t *testing.T) {
	src := newClip(96000, noise(10, 1))
	out := convert(t, src, 44100)
	want := src.Format()
	want.SampleRateHz = 44100
	if diff := cmp.Diff(want, out.Format()); diff != "" {
		t.Errorf("format (-want +got):\n%s", diff)
	}
	if err := out.Close(); err != nil || src.closed != 1 {
		t.Errorf("close: %v, the source was closed %d times, want once", err, src.closed)
	}
}

// Lengths by hand: n*out/in, rounded, halves up.
func TestLength(t *testing.T) {
	tests := []struct {
		name     string
		n        int
		from, to int
		want     int64
	}{
		{"nothing", 0, 44100, 48000, 0},
		{"one second up", 44100, 44100, 48000, 48000},
		{"one second down", 192000, 192000, 44100, 44100},
		{"a half is rounded up", 1, 96000, 48000, 1},
		{"two become one", 2, 96000, 48000, 1},
		{"three become two", 3, 96000, 48000, 2},
		{"a quarter is lost", 1, 192000, 48000, 0},
		{"0.2297 is lost", 1, 192000, 44100, 0},
		{"0.6891 becomes one", 3, 192000, 44100, 1},
		{"one becomes four", 1, 44100, 192000, 4},
		{"1.0884 becomes one", 1, 44100, 48000, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			src := newClip(tt.from, noise(tt.n, 1))
			out := convert(t, src, tt.to)
			if out.Frames() != tt.want {
				t.Errorf("%d frames, want %d", out.Frames(), tt.want)
			}
			readAll(t, out, always(16))
			if src.pos != tt.n || src.ended == 0 {
				t.Errorf("the source was read to frame %d of %d and its end %d times", src.pos, tt.n, src.ended)
			}
		})
	}
}

// Any rates, length, block sizes and pieces of the source give the samples of
// one big block and the length of exact arithmetic.
func TestBlocksDoNotMatter(t *testing.T) {
	all := pairs()
	rapid.Check(t, func(t *rapid.T) {
		p := all[rapid.IntRange(0, len(all)-1).Draw(t, "pair")]
		n := rapid.IntRange(0, 9000).Draw(t, "frames")
		most := rapid.SampledFrom([]int{1, 7, 64, 4096, 20000}).Draw(t, "block")
		seed := rapid.Uint64().Draw(t, "seed")

		x := noise(n, seed)
		whole, err := rate.Convert(newClip(p[0], x), p[1])
		if err != nil {
			t.Fatal(err)
		}
		want := readAll(t, whole, always(1<<16))
		exact := new(big.Rat).Add(big.NewRat(int64(n)*int64(p[1]), int64(p[0])), big.NewRat(1, 2))
		if length := new(big.Int).Quo(exact.Num(), exact.Denom()).Int64(); int64(want.Len()) != length {
			t.Fatalf("%d frames, want %d", want.Len(), length)
		}

		rng := rand.New(rand.NewPCG(seed, 1))
		src := newClip(p[0], x)
		src.piece = func() int { return rng.IntN(1000) } // now and then nothing
		pieces, err := rate.Convert(src, p[1])
		if err != nil {
			t.Fatal(err)
		}
		got := readAll(t, pieces, func() int { return rng.IntN(most + 1) })
		if i := firstDifference(got, want); i >= 0 {
			t.Fatalf("frame %d differs in blocks of up to %d", i, most)
		}
	})
}

// firstDifference is the first frame in which a and b differ at all, or -1.
func firstDifference(a, b audio.Block) int {
	if a.Len() != b.Len() {
		return min(a.Len(), b.Len())
	}
	for i := range a.L {
		if a.L[i] != b.L[i] || a.R[i] != b.R[i] {
			return i
		}
	}
	return -1
}

func TestChannelsAreTreatedAlike(t *testing.T) {
	for _, p := range [][2]int{{96000, 48000}, {44100, 96000}} {
		x := noise(3000, 5)
		plain := convertAll(t, p[0], p[1], x)
		swapped := convertAll(t, p[0], p[1], audio.Block{L: x.R, R: x.L})
		if i := firstDifference(plain, audio.Block{L: swapped.R, R: swapped.L}); i >= 0 {
			t.Errorf("%v: swapping the channels changes frame %d", p, i)
		}
		silent := convertAll(t, p[0], p[1], audio.NewBlock(3000))
		if i := firstDifference(silent, audio.NewBlock(silent.Len())); i >= 0 {
			t.Errorf("%v: silence gives %g in frame %d", p, silent.L[i], i)
		}
	}
}

func TestSeekGivesTheSamplesOfReadingOn(t *testing.T) {
	for _, p := range pairs() {
		x := noise(4500, 3) // more than one piece of the source
		want := convertAll(t, p[0], p[1], x)
		out := convert(t, tape{newClip(p[0], x)}, p[1])
		seeker, ok := out.(interface{ SeekFrame(int64) error })
		if !ok {
			t.Fatalf("%v: no SeekFrame though the source has it", p)
		}
		n := want.Len()
		for _, at := range []int{n/2 + 1, 0, n, n - 1, n - 200} {
			if err := seeker.SeekFrame(int64(at)); err != nil {
				t.Fatalf("%v: seek to %d: %v", p, at, err)
			}
			got, err := readSome(t, out, always(777))
			if err != nil {
				t.Fatalf("%v: after a seek to %d: %v", p, at, err)
			}
			if i := firstDifference(got, want.Slice(at, n)); i >= 0 {
				t.Fatalf("%v: frame %d after a seek to %d of %d differs", p, i, at, n)
			}
		}
		for _, at := range []int{-1, n + 1} {
			if err := seeker.SeekFrame(int64(at)); err == nil || !strings.Contains(err.Error(), "outside 0..") {
				t.Errorf("%v: seek to %d: %v", p, at, err)
			}
		}
	}
	if _, ok := convert(t, newClip(44100, noise(1, 1)), 48000).(interface{ SeekFrame(int64) error }); ok {
		t.Error("SeekFrame though the source has none: a caller would not fall back to reading on")
	}
}

// lame is a source whose seek fails.
type lame struct{ *clip }

func (lame) SeekFrame(int64) error { return fs.ErrClosed }

func TestFailedSeekIsToldUntilTheNext(t *testing.T) {
	out := convert(t, lame{newClip(44100, noise(500, 1))}, 48000)
	err := out.(interface{ SeekFrame(int64) error }).SeekFrame(100)
	if !errors.Is(err, fs.ErrClosed) || !strings.Contains(err.Error(), "seeking to frame 100") {
		t.Errorf("got %v", err)
	}
	if n, err := out.Read(audio.NewBlock(10)); n != 0 || !errors.Is(err, fs.ErrClosed) {
		t.Errorf("reading on: %d, %v: samples from an unknown place", n, err)
	}
}

func TestErrorsOfTheSource(t *testing.T) {
	typed := &audio.FormatError{File: "a.wav", Code: "wav-nonfinite", AtS: 0.05, Detail: "sample 4410 is NaN"}
	x := noise(9000, 7)
	tests := []struct {
		name string
		err  error
		want string
		is   error
	}{
		{"a format error as it is", typed, "a.wav: sample 4410 is NaN at 0:00.050", typed},
		{"another with rates and time", fs.ErrClosed, "converting 88200 Hz to 48000 Hz at 0:00.050: file already closed", fs.ErrClosed},
	}
	clean := convertAll(t, 88200, 48000, x)
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, block := range []int{1, 64, 100000} {
				src := newClip(88200, x)
				src.failAt, src.failErr = 4410, tt.err
				out := convert(t, src, 48000)
				got, err := readSome(t, out, always(block))
				if err == nil || err.Error() != tt.want || !errors.Is(err, tt.is) {
					t.Fatalf("got %v, want %q", err, tt.want)
				}
				if _, again := out.Read(audio.NewBlock(8)); !errors.Is(again, tt.is) {
					t.Errorf("reading on: %v", again)
				}
				// 4410 frames last as long as 2400 at 48 kHz; the filter needs
				// some 90 more (2 ms).
				if n := got.Len(); n < 2400-100 || n > 2400-80 {
					t.Errorf("blocks of %d: %d frames before the error, want 2300 to 2320", block, n)
				}
				if i := firstDifference(got, clean.Slice(0, got.Len())); i >= 0 {
					t.Errorf("frame %d before the error is not what it is without", i)
				}
			}
		})
	}
}

func TestSourceThatLiesAboutItsLength(t *testing.T) {
	tests := []struct {
		name   string
		frames int
		stated int64
		code   string
		is     error
	}{
		{"ends early", 4410, 4500, "rate-source-short", io.ErrUnexpectedEOF},
		{"goes on", 4410, 4400, "rate-source-long", nil},
		{"has nothing", 0, 1000, "rate-source-short", io.ErrUnexpectedEOF},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			src := newClip(44100, noise(tt.frames, 1))
			src.stated = tt.stated
			_, err := readSome(t, convert(t, src, 48000), always(512))
			fault := (*audio.FormatError)(nil)
			if !errors.As(err, &fault) || fault.Code != tt.code || tt.is != nil && !errors.Is(err, tt.is) {
				t.Fatalf("got %v, want code %s", err, tt.code)
			}
			if wantS := float64(min(tt.frames, int(tt.stated))) / 44100; fault.AtS != wantS {
				t.Errorf("at %v s, want %v", fault.AtS, wantS)
			}
		})
	}
}

// A source that never gets anywhere must not hang the side.
func TestSourceThatDeliversNothing(t *testing.T) {
	src := newClip(44100, noise(100, 1))
	src.piece = always(0)
	_, err := readSome(t, convert(t, src, 48000), always(512))
	if !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("got %v, want io.ErrNoProgress", err)
	}
}

// late fails after its last frame, as a decoder does that checks a sum.
type late struct{ *clip }

func (l late) Read(b audio.Block) (int, error) {
	n, err := l.clip.Read(b)
	if errors.Is(err, io.EOF) {
		return 0, &audio.FormatError{File: "a.flac", Code: "flac-md5", AtS: -1, Detail: "the checksum differs"}
	}
	return n, err
}

func TestChecksumOfTheSourceIsHeard(t *testing.T) {
	for _, frames := range []int{0, 1, 5000} {
		out := convert(t, late{newClip(192000, noise(frames, 1))}, 44100)
		got, err := readSome(t, out, always(512))
		fault := (*audio.FormatError)(nil)
		if !errors.As(err, &fault) || fault.Code != "flac-md5" || int64(got.Len()) != out.Frames() {
			t.Errorf("%d frames: %d of %d delivered, then %v, want the error of the decoder", frames, got.Len(), out.Frames(), err)
		}
	}
}

func TestReadDoesNotAllocate(t *testing.T) {
	for _, p := range [][2]int{{96000, 48000}, {44100, 96000}, {192000, 44100}} {
		out := convert(t, newEndless(p[0]), p[1])
		b := audio.NewBlock(3000)
		got := testing.AllocsPerRun(5, func() {
			if _, err := out.Read(b); err != nil {
				t.Fatal(err)
			}
		})
		if got != 0 {
			t.Errorf("%v: %g allocations per Read, want none", p, got)
		}
	}
}

func TestDescribe(t *testing.T) {
	tests := []struct {
		name     string
		from, to int
		want     string
	}{
		{"down", 96000, 44100, "Sampling rate converted from 96000 Hz to 44100 Hz (ratio 147:320, Kaiser-windowed sinc, linear phase, no delay): " +
			"flat within 0.01 dB up to 20.00 kHz, images and aliases at least 120 dB down from 22.05 kHz on."},
		{"up", 48000, 96000, "Sampling rate converted from 48000 Hz to 96000 Hz (ratio 2:1, Kaiser-windowed sinc, linear phase, no delay): " +
			"flat within 0.01 dB up to 21.77 kHz, images and aliases at least 120 dB down from 24.00 kHz on."},
		{"equal", 48000, 48000, "Sampling rate kept at 48000 Hz, samples unchanged."},
		{"not supported", 48000, 32000, "No conversion from 48000 Hz to 32000 Hz: sampling rate not supported."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, rate.Describe(tt.from, tt.to)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
