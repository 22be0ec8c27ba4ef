package pcm_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

// Expected values follow from two's complement (value/2^(n-1)) and IEEE 754;
// both are exact, so no tolerance.
func TestDecodeKnownPatterns(t *testing.T) {
	tests := []struct {
		name   string
		le, be pcm.Kind
		bytes  []byte // little-endian
		want   float64
	}{
		{"16 bit most negative", pcm.Int16LE, pcm.Int16BE, []byte{0x00, 0x80}, -1},
		{"16 bit most positive", pcm.Int16LE, pcm.Int16BE, []byte{0xFF, 0x7F}, 32767.0 / 32768},
		{"16 bit minus one", pcm.Int16LE, pcm.Int16BE, []byte{0xFF, 0xFF}, -1.0 / 32768},
		{"24 bit most negative", pcm.Int24LE, pcm.Int24BE, []byte{0, 0, 0x80}, -1},
		{"24 bit most positive", pcm.Int24LE, pcm.Int24BE, []byte{0xFF, 0xFF, 0x7F}, 8388607.0 / 8388608},
		{"24 bit one", pcm.Int24LE, pcm.Int24BE, []byte{1, 0, 0}, 1.0 / 8388608},
		{"20 bits one, left-justified in 24", pcm.Int24LE, pcm.Int24BE, []byte{0x10, 0, 0}, 1.0 / 524288},
		{"32 bit most negative", pcm.Int32LE, pcm.Int32BE, []byte{0, 0, 0, 0x80}, -1},
		{"32 bit most positive", pcm.Int32LE, pcm.Int32BE, []byte{0xFF, 0xFF, 0xFF, 0x7F}, 2147483647.0 / 2147483648},
		{"float32 half", pcm.Float32LE, pcm.Float32BE, []byte{0, 0, 0, 0x3F}, 0.5},
		{"float32 smallest denormal", pcm.Float32LE, pcm.Float32BE, []byte{1, 0, 0, 0}, math.SmallestNonzeroFloat32},
		{"float64 minus two", pcm.Float64LE, pcm.Float64BE, []byte{0, 0, 0, 0, 0, 0, 0, 0xC0}, -2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for i, kind := range []pcm.Kind{tt.le, tt.be} {
				src := slices.Clone(tt.bytes)
				if i == 1 {
					slices.Reverse(src)
				}
				got := []float64{99}
				if bad := kind.Decoder()(got, src, kind.Bytes()); bad != -1 {
					t.Fatalf("kind %d: bad sample %d, want none", kind, bad)
				}
				if got[0] != tt.want {
					t.Errorf("kind %d: got %v, want %v", kind, got[0], tt.want)
				}
			}
		})
	}
}

func TestUnknownKind(t *testing.T) {
	if k := pcm.Kind(0); k.Bytes() != 0 || k.Decoder() != nil {
		t.Errorf("kind 0: %d bytes, want 0 and no decoder", k.Bytes())
	}
}

func TestPackedIntegersComeBackEqual(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bits := rapid.SampledFrom([]int{16, 24}).Draw(t, "bits")
		half := int32(1) << (bits - 1)
		n := rapid.IntRange(0, 50).Draw(t, "frames")
		sample := rapid.Int32Range(-half, half-1)
		l := rapid.SliceOfN(sample, n, n).Draw(t, "l")
		r := rapid.SliceOfN(sample, n, n).Draw(t, "r")
		pack, kind := pcm.PackInt24, pcm.Int24LE
		if bits == 16 {
			pack, kind = pcm.PackInt16, pcm.Int16LE
		}
		p := make([]byte, n*bits/4)
		if bad := pack(p, l, r); bad != -1 {
			t.Fatalf("frame %d refused", bad)
		}
		b := audio.NewBlock(n)
		s := pcm.NewStream(bytes.NewReader(p), pcm.Spec{Kind: kind, Channels: 2, SampleRate: 48000, Frames: int64(n)})
		if got, err := s.Read(b); n > 0 && (got != n || err != nil) {
			t.Fatalf("read %d frames and %v, want %d", got, err, n)
		}
		for i := range n {
			if b.L[i]*float64(half) != float64(l[i]) || b.R[i]*float64(half) != float64(r[i]) {
				t.Fatalf("frame %d: got %v %v, want %d %d over %d", i, b.L[i], b.R[i], l[i], r[i], half)
			}
		}
	})
}

func TestPackRefusesWhatDoesNotFit(t *testing.T) {
	p := make([]byte, 64)
	tests := []struct {
		name string
		pack func() int
		want int
	}{
		{"16 bit too high on the left", func() int { return pcm.PackInt16(p, []int32{0, 32768}, []int32{0, 0}) }, 1},
		{"16 bit too low on the right", func() int { return pcm.PackInt16(p, []int32{0, 0}, []int32{-32769, 0}) }, 0},
		{"16 bit extremes fit", func() int { return pcm.PackInt16(p, []int32{32767}, []int32{-32768}) }, -1},
		{"24 bit too high on the right", func() int { return pcm.PackInt24(p, []int32{0, 0}, []int32{0, 8388608}) }, 1},
		{"24 bit too low on the left", func() int { return pcm.PackInt24(p, []int32{-8388609}, []int32{0}) }, 0},
		{"24 bit extremes fit", func() int { return pcm.PackInt24(p, []int32{8388607}, []int32{-8388608}) }, -1},
		{"float NaN", func() int { return pcm.PackFloat32(p, []float64{0, math.NaN()}, []float64{0, 0}) }, 1},
		{"float too large for 32 bits", func() int { return pcm.PackFloat32(p, []float64{1e39}, []float64{0}) }, 0},
		{"float above full scale fits", func() int { return pcm.PackFloat32(p, []float64{3}, []float64{-3}) }, -1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.pack(); got != tt.want {
				t.Errorf("bad frame %d, want %d", got, tt.want)
			}
		})
	}
}

func TestRateAccepted(t *testing.T) {
	var got []int
	for hz := range 400000 {
		if pcm.RateAccepted(hz) {
			got = append(got, hz)
		}
	}
	if diff := cmp.Diff([]int{44100, 48000, 88200, 96000, 176400, 192000}, got); diff != "" {
		t.Errorf("accepted rates (-want +got):\n%s", diff)
	}
}

// brokenDisk fails after some bytes.
type brokenDisk struct {
	data []byte
	err  error
}

func (d brokenDisk) ReadAt(p []byte, off int64) (int, error) {
	n := copy(p, d.data[min(off, int64(len(d.data))):])
	if n < len(p) {
		return n, d.err
	}
	return n, nil
}

func TestStreamErrors(t *testing.T) {
	nan := binary.LittleEndian.AppendUint32(make([]byte, 4*24000+4*24000), math.Float32bits(float32(math.NaN())))
	nan = append(nan, make([]byte, 400)...)
	huge := binary.BigEndian.AppendUint64(make([]byte, 8), math.Float64bits(1e300))
	tests := []struct {
		name  string
		spec  pcm.Spec
		data  []byte
		cause error
		n     int
		want  string
	}{
		{"file cut while it is read", pcm.Spec{Name: "a.wav", Prefix: "wav", Kind: pcm.Int16LE, Channels: 2, SampleRate: 48000, Frames: 96000},
			make([]byte, 4*48000), io.EOF, 0,
			"wav-truncated a.wav: the file became shorter while it was read: 192000 of 262144 bytes at offset 0 at 0:01.000; wait until the copy has finished, then try again"},
		{"disk error", pcm.Spec{Name: "a.wav", Prefix: "wav", Kind: pcm.Int16LE, Channels: 2, SampleRate: 48000, Frames: 96000},
			make([]byte, 10), errors.New("input/output error"), 0,
			"wav-read a.wav: cannot be read at 0:00.000: input/output error; check the disk or network and try again"},
		{"NaN on the left", pcm.Spec{Name: "a.wav", Prefix: "wav", Kind: pcm.Float32LE, Channels: 2, SampleRate: 48000, Frames: 24010},
			nan, io.EOF, 24000,
			"wav-nonfinite a.wav: sample 24000 is NaN, not a number that can be cut at 0:00.500; export the mix again, as 24-bit integers if the fault stays"},
		{"absurd level in mono", pcm.Spec{Name: "a.aif", Prefix: "aiff", Kind: pcm.Float64BE, Channels: 1, SampleRate: 48000, Frames: 2},
			huge, io.EOF, 1,
			"aiff-absurd-level a.aif: sample 1 is 1e+300, more than 4294967296 times full scale at 0:00.000; the file is damaged or its float samples are not scaled to 1.0: export the mix again"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := pcm.NewStream(brokenDisk{tt.data, tt.cause}, tt.spec)
			b := audio.NewBlock(int(tt.spec.Frames))
			n, err := s.Read(b)
			var fe *audio.FormatError
			if !errors.As(err, &fe) {
				t.Fatalf("got error %v, want a FormatError", err)
			}
			if got := fe.Code + " " + err.Error(); got != tt.want || n != tt.n {
				t.Errorf("got %d frames and %q\nwant %d and %q", n, got, tt.n, tt.want)
			}
			if again, err2 := s.Read(b); again != 0 || err2 != err {
				t.Errorf("second read gave %d and %v, want the same error", again, err2)
			}
		})
	}
}

func TestSeekOutside(t *testing.T) {
	s := pcm.NewStream(bytes.NewReader(make([]byte, 40)), pcm.Spec{Name: "a.wav", Kind: pcm.Int16LE, Channels: 2, SampleRate: 48000, Frames: 10})
	for _, frame := range []int64{-1, 11} {
		if s.SeekFrame(frame) == nil {
			t.Errorf("frame %d: no error", frame)
		}
	}
	if err := s.SeekFrame(10); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Read(audio.NewBlock(1)); n != 0 || err != io.EOF {
		t.Errorf("at the end: got %d, %v, want 0, EOF", n, err)
	}
}

func BenchmarkDecode24(b *testing.B) {
	src := make([]byte, 240<<10)
	l, r := make([]float64, len(src)/6), make([]float64, len(src)/6)
	decode := pcm.Int24LE.Decoder()
	b.SetBytes(int64(len(src)))
	for b.Loop() {
		decode(l, src, 6)
		decode(r, src[3:], 6)
	}
}
