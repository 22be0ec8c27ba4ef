package wav_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

func f32(x float32) []byte { return le32(int64(math.Float32bits(x))) }
func f64(x float64) []byte { return le64(math.Float64bits(x)) }

// Byte patterns and values follow from the format documents named in doc.go.
func TestReadsEveryAcceptedFormat(t *testing.T) {
	tests := []struct {
		name string
		p    []byte
		want audio.Format
		l, r []float64
	}{
		{"16 bit stereo", file("RIFF", fmtPart(1, 2, 44100, 16), ck("data", 0, 0x40, 0, 0x80)),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 16, Encoding: "pcm", Container: "wav"}, []float64{0.5}, []float64{-1}},
		{"24 bit stereo", file("RIFF", fmtPart(1, 2, 48000, 24), ck("data", 0, 0, 0x20, 0, 0, 0xE0)),
			audio.Format{SampleRateHz: 48000, Channels: 2, BitDepth: 24, Encoding: "pcm", Container: "wav"}, []float64{0.25}, []float64{-0.25}},
		{"24 bit mono, odd data chunk", file("RIFF", fmtPart(1, 1, 88200, 24), ck("data", 0, 0, 0x40)),
			audio.Format{SampleRateHz: 88200, Channels: 1, BitDepth: 24, Encoding: "pcm", Container: "wav"}, []float64{0.5}, []float64{0.5}},
		{"32 bit stereo", file("RIFF", fmtPart(1, 2, 96000, 32), ck("data", 0, 0, 0, 0x40, 1, 0, 0, 0)),
			audio.Format{SampleRateHz: 96000, Channels: 2, BitDepth: 32, Encoding: "pcm", Container: "wav"}, []float64{0.5}, []float64{math.Ldexp(1, -31)}},
		{"20 bit, plain header", file("RIFF", fmtPart(1, 2, 96000, 20), ck("data", 0x10, 0, 0, 0, 0, 0x80)),
			audio.Format{SampleRateHz: 96000, Channels: 2, BitDepth: 20, Encoding: "pcm", Container: "wav"}, []float64{math.Ldexp(1, -19)}, []float64{-1}},
		{"20 in 24, extensible", file("RIFF", extPart(1, 2, 176400, 24, 20, 3), ck("data", 0x10, 0, 0, 0, 0, 0x80)),
			audio.Format{SampleRateHz: 176400, Channels: 2, BitDepth: 20, Encoding: "pcm", Container: "wav"}, []float64{math.Ldexp(1, -19)}, []float64{-1}},
		{"24 in 32, extensible", file("RIFF", extPart(1, 2, 192000, 32, 24, 0), ck("data", 0, 1, 0, 0, 0, 0, 0, 0xC0)),
			audio.Format{SampleRateHz: 192000, Channels: 2, BitDepth: 24, Encoding: "pcm", Container: "wav"}, []float64{math.Ldexp(1, -23)}, []float64{-0.5}},
		{"16 bit extensible mono on the centre speaker", file("RIFF", extPart(1, 1, 44100, 16, 16, 4), ck("data", 0, 0x40)),
			audio.Format{SampleRateHz: 44100, Channels: 1, BitDepth: 16, Encoding: "pcm", Container: "wav"}, []float64{0.5}, []float64{0.5}},
		{"extensible that leaves the valid bits out", file("RIFF", extPart(1, 2, 44100, 24, 0, 3), ck("data", 0, 0, 0x40, 0, 0, 0x20)),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 24, Encoding: "pcm", Container: "wav"}, []float64{0.5}, []float64{0.25}},
		{"float 32", file("RIFF", fmtPart(3, 2, 44100, 32), ck("data", cat(f32(0.5), f32(-1.75))...)),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 32, Encoding: "float", Container: "wav"}, []float64{0.5}, []float64{-1.75}},
		{"float 64 extensible", file("RIFF", extPart(3, 2, 44100, 64, 64, 3), ck("data", cat(f64(0.1), f64(-0.2))...)),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 64, Encoding: "float", Container: "wav"}, []float64{0.1}, []float64{-0.2}},
		{"float 32 mono", file("RIFF", fmtPart(3, 1, 44100, 32), ck("data", cat(f32(0.5), f32(1))...)),
			audio.Format{SampleRateHz: 44100, Channels: 1, BitDepth: 32, Encoding: "float", Container: "wav"}, []float64{0.5, 1}, []float64{0.5, 1}},
		{"RF64", riffSize(file("RF64", ds64Part(76, 4), fmtPart(1, 2, 44100, 16), ck("data", 0, 0x40, 0, 0x80).lying(0xFFFFFFFF)), 0xFFFFFFFF),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 16, Encoding: "pcm", Container: "rf64"}, []float64{0.5}, []float64{-1}},
		{"BW64 with 32-bit sizes filled in", file("BW64", ds64Part(76, 4), fmtPart(1, 2, 44100, 16), ck("data", 0, 0x40, 0, 0x80)),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 16, Encoding: "pcm", Container: "bw64"}, []float64{0.5}, []float64{-1}},
		{"unknown and metadata chunks around the data", file("RIFF", ck("JUNK", 1, 2, 3), fmtPart(1, 2, 44100, 16), ck("LIST", 'I', 'N', 'F', 'O'), ck("data", 0, 0x40, 0, 0x80), ck("id3 ", 9)),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 16, Encoding: "pcm", Container: "wav"}, []float64{0.5}, []float64{-1}},
		{"bytes after the end of the form", append(good(), "trailing rubbish"...),
			audio.Format{SampleRateHz: 44100, Channels: 2, BitDepth: 16, Encoding: "pcm", Container: "wav"},
			[]float64{513. / 32768, 1541. / 32768, 2569. / 32768, 3597. / 32768}, []float64{1027. / 32768, 2055. / 32768, 3083. / 32768, 4111. / 32768}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := openBytes(tt.p)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, r.Format()); diff != "" {
				t.Errorf("format (-want +got):\n%s", diff)
			}
			gl, gr := readAll(t, r, 3)
			if diff := cmp.Diff([][]float64{tt.l, tt.r}, [][]float64{gl, gr}); diff != "" {
				t.Errorf("samples (-want +got):\n%s", diff)
			}
			if f := r.GoAudioFormat(); f.SampleRate != tt.want.SampleRateHz || f.NumChannels != tt.want.Channels {
				t.Errorf("library format %+v", f)
			}
		})
	}
}

func TestBlockSizeDoesNotMatter(t *testing.T) {
	// Longer than the read buffer, so that blocks straddle its border.
	l, r := noise(100003, 24, 1)
	p := write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24}, l, r)
	src, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	wantL, wantR := readAll(t, src, 1<<20)
	for _, block := range []int{1, 7, 64, 4096, 43690, 43691} {
		if err := src.SeekFrame(0); err != nil {
			t.Fatal(err)
		}
		gl, gr := readAll(t, src, block)
		if !cmp.Equal(wantL, gl) || !cmp.Equal(wantR, gr) {
			t.Errorf("block of %d frames gives other samples", block)
		}
	}
}

func TestSeekFrameLandsOnTheFrame(t *testing.T) {
	l, r := noise(90000, 16, 2)
	src, err := openBytes(write(t, wav.WriterParams{SampleRateHz: 44100, BitDepth: 16}, l, r))
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.IntRange(0, len(l)-1).Draw(t, "frame")
		b := audio.NewBlock(rapid.IntRange(1, 5000).Draw(t, "block"))
		if err := src.SeekFrame(int64(at)); err != nil {
			t.Fatal(err)
		}
		n, err := src.Read(b)
		if want := min(b.Len(), len(l)-at); n != want || err != nil {
			t.Fatalf("read %d frames and %v, want %d", n, err, want)
		}
		for i := range n {
			if b.L[i]*32768 != float64(l[at+i]) || b.R[i]*32768 != float64(r[at+i]) {
				t.Fatalf("frame %d differs", at+i)
			}
		}
	})
}

func TestReadDoesNotAllocate(t *testing.T) {
	l, r := noise(200000, 24, 4)
	src, err := openBytes(write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24}, l, r))
	if err != nil {
		t.Fatal(err)
	}
	b := audio.NewBlock(1000)
	if _, err := src.Read(b); err != nil { // the buffer is made on the first call
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(100, func() {
		if _, err := src.Read(b); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations per Read, want 0", n)
	}
}

func TestDataRangeHoldsTheSamples(t *testing.T) {
	l, r := noise(100, 24, 9)
	p := write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Bext: &wav.Bext{}, Cues: []wav.Cue{{Frame: 5, Label: "x"}}}, l, r)
	src, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	off, n := src.DataRange()
	if n != 600 || string(p[off-8:off-4]) != "data" {
		t.Fatalf("range %d+%d is not the data chunk", off, n)
	}
	if got := int32(uint32(p[off])<<8|uint32(p[off+1])<<16|uint32(p[off+2])<<24) >> 8; got != l[0] {
		t.Errorf("first sample there is %d, want %d", got, l[0])
	}
}

func TestBadFloatSamplesNameTheTime(t *testing.T) {
	tests := []struct {
		name string
		bits int
		bad  []byte
		want string
	}{
		{"NaN", 32, f32(float32(math.NaN())), "wav-nonfinite"},
		{"plus infinity", 32, f32(float32(math.Inf(1))), "wav-nonfinite"},
		{"minus infinity in 64 bits", 64, f64(math.Inf(-1)), "wav-nonfinite"},
		{"NaN in 64 bits", 64, f64(math.NaN()), "wav-nonfinite"},
		{"absurd level", 32, f32(1e30), "wav-absurd-level"},
	}
	for _, tt := range tests {
		for _, channel := range []int{0, 1} {
			t.Run(fmt.Sprintf("%s in channel %d", tt.name, channel), func(t *testing.T) {
				const at = 66150 // 1.5 s at 44.1 kHz
				width := tt.bits / 8
				data := make([]byte, 2*width*100000)
				copy(data[(2*at+channel)*width:], tt.bad)
				src, err := openBytes(file("RIFF", fmtPart(3, 2, 44100, tt.bits), ck("data", data...)))
				if err != nil {
					t.Fatal(err)
				}
				b, total := audio.NewBlock(1000), 0
				for err == nil {
					var n int
					n, err = src.Read(b)
					total += n
				}
				fe, ok := err.(*audio.FormatError)
				if !ok || fe.Code != tt.want || fe.AtS != 1.5 || total != at {
					t.Errorf("after %d frames: %v", total, err)
				}
			})
		}
	}
}

func TestOpenFromDisk(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a mix.wav")
	if err := os.WriteFile(path, good(), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := wav.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if l, _ := readAll(t, r, 10); len(l) != 4 {
		t.Errorf("%d frames, want 4", len(l))
	}
	for range 2 { // closing twice is harmless
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for _, bad := range []string{dir, filepath.Join(dir, "nothing.wav")} {
		if _, err := wav.Open(bad); code(err) != "wav-open" {
			t.Errorf("%s: %v, want wav-open", bad, err)
		}
	}
}
