package aiff_test

import (
	"bytes"
	"embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/aiff"
)

// The fixtures were written by two general-purpose converters (sox 14.4 for
// AIFF, ffmpeg for AIFF-C) from the integers of left and right below.
//
//go:embed testdata
var testdata embed.FS

const fixtureFrames = 50

func abs(n int) int { return max(n, -n) }

func left(n, bits int) int { return (abs(n%40-20)-10)<<(bits-5) + n*n*7919%127 }

func right(n, bits int) int { return left(n, bits)>>1 - n*31%17 }

func openBytes(p []byte) (*aiff.Reader, error) {
	return aiff.New("mix.aiff", bytes.NewReader(p), int64(len(p)))
}

func code(err error) string {
	var fe *audio.FormatError
	if errors.As(err, &fe) {
		return fe.Code
	}
	return ""
}

func drain(s audio.Source, block int) (l, r []float64, err error) {
	b := audio.NewBlock(block)
	for {
		n, err := s.Read(b)
		l, r = append(l, b.L[:n]...), append(r, b.R[:n]...)
		if err == io.EOF {
			return l, r, nil
		}
		if err != nil {
			return l, r, err
		}
	}
}

func TestReadsOtherProgramsFiles(t *testing.T) {
	tests := []struct {
		file string
		bits int // of the integers behind the samples
		want audio.Format
	}{
		{"stereo-24-96000.aiff", 24, audio.Format{SampleRateHz: 96000, Channels: 2, BitDepth: 24, Encoding: "pcm", Container: "aiff"}},
		{"mono-16-44100.aiff", 16, audio.Format{SampleRateHz: 44100, Channels: 1, BitDepth: 16, Encoding: "pcm", Container: "aiff"}},
		{"stereo-16-48000-sowt.aifc", 16, audio.Format{SampleRateHz: 48000, Channels: 2, BitDepth: 16, Encoding: "pcm", Container: "aifc"}},
		{"stereo-24-192000-fl32.aifc", 24, audio.Format{SampleRateHz: 192000, Channels: 2, BitDepth: 32, Encoding: "float", Container: "aifc"}},
		{"stereo-24-88200-fl64.aifc", 24, audio.Format{SampleRateHz: 88200, Channels: 2, BitDepth: 64, Encoding: "float", Container: "aifc"}},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			p, err := testdata.ReadFile("testdata/" + tt.file)
			if err != nil {
				t.Fatal(err)
			}
			r, err := openBytes(p)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, r.Format()); diff != "" {
				t.Errorf("format (-want +got):\n%s", diff)
			}
			for _, block := range []int{1, 7, 64} {
				if err := r.SeekFrame(0); err != nil {
					t.Fatal(err)
				}
				gl, gr, err := drain(r, block)
				if err != nil || len(gl) != fixtureFrames || r.Frames() != fixtureFrames {
					t.Fatalf("%d frames, %v, want %d", len(gl), err, fixtureFrames)
				}
				full := float64(int(1) << (tt.bits - 1))
				for i := range gl {
					wl, wr := left(i, tt.bits), right(i, tt.bits)
					if tt.want.Channels == 1 {
						wr = wl
					}
					if gl[i]*full != float64(wl) || gr[i]*full != float64(wr) {
						t.Fatalf("blocks of %d, frame %d: %v %v, want %d %d", block, i, gl[i]*full, gr[i]*full, wl, wr)
					}
				}
			}
		})
	}
}

type part struct {
	id   string
	size int64 // -1 for the true one
	body []byte
}

func be16(v int) []byte   { return binary.BigEndian.AppendUint16(nil, uint16(v)) }
func be32(v int64) []byte { return binary.BigEndian.AppendUint32(nil, uint32(v)) }

func cat(p ...[]byte) []byte { return bytes.Join(p, nil) }

func file(kind string, parts ...part) []byte {
	p := cat([]byte("FORM"), be32(0), []byte(kind))
	for _, c := range parts {
		size := c.size
		if size < 0 {
			size = int64(len(c.body))
		}
		p = append(append(append(p, c.id...), be32(size)...), c.body...)
		if len(c.body)&1 == 1 {
			p = append(p, 0)
		}
	}
	copy(p[4:], be32(int64(len(p)-8)))
	return p
}

// rate80 encodes a whole number as ten-byte extended (IEEE 754, 1985).
func rate80(hz uint64) []byte {
	if hz == 0 {
		return make([]byte, 10)
	}
	e := 16383 + 63
	for hz>>63 == 0 {
		hz <<= 1
		e--
	}
	return binary.BigEndian.AppendUint64(be16(e), hz)
}

func comm(channels int, frames int64, bits int, rate []byte, compression string) part {
	return part{"COMM", -1, cat(be16(channels), be32(frames), be16(bits), rate, []byte(compression))}
}

func ssnd(offset, block int64, data ...byte) part {
	return part{"SSND", -1, cat(be32(offset), be32(block), data)}
}

func TestSSNDOffsetAndBlocks(t *testing.T) {
	p := file("AIFF", ssnd(2, 16, 9, 9, 0x40, 0, 0xC0, 0, 0, 0, 0, 0), part{"NAME", -1, []byte("odd")}, comm(2, 1, 16, rate80(48000), ""))
	r, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	l, rr, err := drain(r, 9)
	if err != nil || len(l) != 1 || l[0] != 0.5 || rr[0] != -0.5 {
		t.Errorf("got %v %v, %v, want 0.5 -0.5", l, rr, err)
	}
	if off, n := r.DataRange(); n != 4 || p[off] != 0x40 {
		t.Errorf("data range %d+%d", off, n)
	}
}

func damaged() []struct {
	name string
	p    []byte
	want string
} {
	hz := rate80(44100)
	ok, data := comm(2, 1, 16, hz, ""), ssnd(0, 0, 1, 2, 3, 4)
	good := file("AIFF", ok, data)
	sized := func(size int64) []byte { p := bytes.Clone(good); copy(p[4:], be32(size)); return p }
	return []struct {
		name string
		p    []byte
		want string
	}{
		{"empty file", nil,
			`aiff-empty mix.aiff: is empty (0 bytes); choose another file`},
		{"eight bytes", good[:8],
			`aiff-truncated mix.aiff: is only 8 bytes long, too short for an AIFF header (12 bytes); copy or export the file again`},
		{"not AIFF", file("ILBM", ok, data),
			`aiff-not-aiff mix.aiff: starts with "FORM" and "ILBM", not with FORM and AIFF or AIFC; choose an AIFF file`},
		{"longer than the file", sized(1000),
			`aiff-truncated mix.aiff: is 58 bytes long but its header promises 1008; copy or export the file again`},
		{"cut in the audio", sized(int64(len(good)) - 10),
			`aiff-truncated mix.aiff: promises 12 bytes of audio but ends after 10; copy or export the file again`},
		{"half a chunk header", append(sized(int64(len(good))-4), 'C', 'O', 'M', 'M'),
			`aiff-truncated mix.aiff: ends inside a chunk header: 4 of 8 bytes at offset 58; copy or export the file again`},
		{"no COMM", file("AIFF", data),
			`aiff-no-comm mix.aiff: has no COMM chunk; export the mix again as WAV, 24-bit PCM`},
		{"two COMM", file("AIFF", ok, ok, data),
			`aiff-duplicate-chunk mix.aiff: has two COMM chunks; export the mix again as WAV, 24-bit PCM`},
		{"two SSND", file("AIFF", ok, data, data),
			`aiff-duplicate-chunk mix.aiff: has two SSND chunks; export the mix again as WAV, 24-bit PCM`},
		{"no SSND", file("AIFF", ok),
			`aiff-no-data mix.aiff: has no SSND chunk; export the mix again as WAV, 24-bit PCM`},
		{"COMM too short", file("AIFF", part{"COMM", -1, ok.body[:16]}, data),
			`aiff-bad-comm mix.aiff: has a COMM chunk of 16 bytes, want 18 to 1024; export the mix again as WAV, 24-bit PCM`},
		{"COMM of 4 GiB", file("AIFF", part{"COMM", 0xFFFFFFFF, ok.body}, data),
			`aiff-size-lies mix.aiff: has a chunk "COMM" at offset 12 that claims 4294967295 bytes, 38 remain; export the mix again as WAV, 24-bit PCM`},
		{"AIFF-C with the COMM of AIFF", file("AIFC", ok, data),
			`aiff-bad-comm mix.aiff: has a COMM chunk of 18 bytes, want 22 to 1024; export the mix again as WAV, 24-bit PCM`},
		{"SSND of 4 GiB", file("AIFF", ok, part{"SSND", 0xFFFFFFFF, data.body}),
			`aiff-truncated mix.aiff: promises 4294967295 bytes of audio but ends after 12; copy or export the file again`},
		{"SSND too short", file("AIFF", ok, part{"SSND", -1, []byte{0, 0}}),
			`aiff-bad-ssnd mix.aiff: has an SSND chunk of 2 bytes, want at least 8; export the mix again as WAV, 24-bit PCM`},
		{"no frames", file("AIFF", comm(2, 0, 16, hz, ""), ssnd(0, 0)),
			`aiff-empty mix.aiff: holds no audio (0 frames); choose another file`},
		{"4294967295 frames", file("AIFF", comm(2, 1<<32-1, 16, hz, ""), data),
			`aiff-truncated mix.aiff: promises 4294967295 frames (17179869180 bytes) but its SSND chunk holds 4 bytes; copy or export the file again`},
		{"fewer frames than there are", file("AIFF", comm(2, 1, 16, hz, ""), ssnd(0, 0, make([]byte, 400)...)),
			`aiff-size-lies mix.aiff: promises 1 frames (4 bytes) but its SSND chunk holds 400 bytes; export the mix again as WAV, 24-bit PCM`},
		{"audio starts behind its end", file("AIFF", ok, ssnd(1<<31, 0, 1, 2, 3, 4)),
			`aiff-size-lies mix.aiff: starts its audio at byte 2147483648 of an SSND chunk that holds 4; export the mix again as WAV, 24-bit PCM`},
		{"no channels", file("AIFF", comm(0, 1, 16, hz, ""), data),
			`aiff-no-channels mix.aiff: has 0 channels; export the mix again as WAV, 24-bit PCM`},
		{"65535 channels", file("AIFF", comm(65535, 1, 16, hz, ""), data),
			`aiff-too-many-channels mix.aiff: has 65535 channels, a disc takes 1 or 2; deliver a stereo or mono mix`},
		{"8 bits", file("AIFF", comm(2, 1, 8, hz, ""), data),
			`aiff-8-bit mix.aiff: has samples of 8 bits, too coarse to cut from; deliver the original mix, 16 bits or more`},
		{"13 bits", file("AIFF", comm(2, 1, 13, hz, ""), data),
			`aiff-bad-depth mix.aiff: has samples of 13 bits, want 16, 20, 24 or 32; export the mix again as WAV, 24-bit PCM`},
		{"65535 bits", file("AIFF", comm(2, 1, 65535, hz, ""), data),
			`aiff-bad-depth mix.aiff: has samples of 65535 bits, want 16, 20, 24 or 32; export the mix again as WAV, 24-bit PCM`},
		{"rate 0", file("AIFF", comm(2, 1, 16, rate80(0), ""), data),
			`aiff-bad-rate mix.aiff: has a sample rate of 0 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"32 kHz", file("AIFF", comm(2, 1, 16, rate80(32000), ""), data),
			`aiff-bad-rate mix.aiff: has a sample rate of 32000 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"rate is not a number", file("AIFF", comm(2, 1, 16, cat(be16(0x7FFF), make([]byte, 8)), ""), data),
			`aiff-bad-rate mix.aiff: has a sample rate of NaN Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"negative rate", file("AIFF", comm(2, 1, 16, cat(be16(0xC00E), hz[2:]), ""), data),
			`aiff-bad-rate mix.aiff: has a sample rate of -44100 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"rate of 2 to the 16000", file("AIFF", comm(2, 1, 16, cat(be16(0x7FFE), hz[2:]), ""), data),
			`aiff-bad-rate mix.aiff: has a sample rate of +Inf Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"44100.5 Hz", file("AIFF", comm(2, 1, 16, cat(hz[:4], be16(0x8000), make([]byte, 4)), ""), data),
			`aiff-bad-rate mix.aiff: has a sample rate of 44100.5 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"mu-law", file("AIFC", comm(2, 1, 16, hz, "ulaw\x00\x00"), data),
			`aiff-unknown-compression mix.aiff: holds audio of type "ulaw", not NONE, twos, sowt, fl32 or fl64; export the mix again as WAV, 24-bit PCM`},
		{"header out of date", append(bytes.Clone(good), make([]byte, 70000)...),
			`aiff-size-lies mix.aiff: is 70058 bytes long but its header ends it after 58: the header is out of date, or wrapped at 4 GiB; export the mix again as WAV, 24-bit PCM`},
		{"too many chunks", file("AIFF", slices.Repeat([]part{{"ANNO", 0, nil}}, 300)...),
			`aiff-too-many-chunks mix.aiff: has more than 256 chunks; export the mix again as WAV, 24-bit PCM`},
	}
}

func TestDamagedFilesGetAnExactMessage(t *testing.T) {
	for _, tt := range damaged() {
		t.Run(tt.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := openBytes(tt.p)
			runtime.ReadMemStats(&after)
			if got := code(err) + " " + fmt.Sprint(err); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 1<<20 {
				t.Errorf("%d bytes allocated to refuse it", n)
			}
		})
	}
}

func TestCutAtEveryByte(t *testing.T) {
	whole := file("AIFC", comm(2, 2, 24, rate80(96000), "sowt\x00\x00"), ssnd(0, 0, make([]byte, 12)...))
	if _, err := openBytes(whole); err != nil {
		t.Fatal(err)
	}
	for n := range len(whole) {
		if _, err := openBytes(whole[:n]); code(err) == "" {
			t.Errorf("cut after %d bytes: got %v, want a FormatError", n, err)
		}
	}
}

func TestNaN(t *testing.T) {
	nan := binary.BigEndian.AppendUint32(make([]byte, 12), math.Float32bits(float32(math.NaN())))
	r, err := openBytes(file("AIFC", comm(2, 2, 32, rate80(44100), "fl32\x00\x00"), ssnd(0, 0, nan...)))
	if err != nil {
		t.Fatal(err)
	}
	if l, _, err := drain(r, 10); len(l) != 1 || code(err) != "aiff-nonfinite" {
		t.Errorf("%d frames and %v, want 1 and aiff-nonfinite", len(l), err)
	}
}

func TestOpenFromDisk(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "mix.aif")
	if err := os.WriteFile(path, file("AIFF", comm(1, 2, 16, rate80(44100), ""), ssnd(0, 0, 1, 2, 3, 4)), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := aiff.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if l, _, err := drain(r, 3); len(l) != 2 || err != nil {
		t.Errorf("%d frames, %v", len(l), err)
	}
	for range 2 { // closing twice is harmless
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := aiff.Open(dir); code(err) != "aiff-open" {
		t.Errorf("folder: %v, want aiff-open", err)
	}
}

// FuzzAIFF: no panic, bounded memory, and what opens delivers exactly Frames
// frames or ends in a typed error.
func FuzzAIFF(f *testing.F) {
	for _, d := range damaged() {
		if len(d.p) < 4000 {
			f.Add(d.p)
		}
	}
	f.Add(file("AIFF", comm(2, 1, 16, rate80(44100), ""), ssnd(0, 0, 1, 2, 3, 4)))
	f.Add(file("AIFC", comm(1, 1, 64, rate80(96000), "fl64\x00\x00"), ssnd(0, 0, make([]byte, 8)...)))
	f.Add(file("AIFC", comm(1, 2, 24, rate80(96000), "sowt\x00\x00"), ssnd(0, 0, make([]byte, 6)...)))
	f.Fuzz(func(t *testing.T, p []byte) {
		r, err := openBytes(p)
		if err != nil {
			if code(err) == "" {
				t.Fatalf("untyped error %v", err)
			}
			return
		}
		if r.Frames() <= 0 || r.Frames() > int64(len(p)) {
			t.Fatalf("%d frames in %d bytes", r.Frames(), len(p))
		}
		l, _, err := drain(r, 61)
		if err != nil {
			if code(err) == "" {
				t.Fatalf("untyped error %v", err)
			}
			return
		}
		if int64(len(l)) != r.Frames() {
			t.Fatalf("read %d frames, Frames says %d", len(l), r.Frames())
		}
	})
}
