package wav_test

import (
	"bytes"
	"fmt"
	"math"
	"testing"

	goaudio "github.com/go-audio/audio"
	gowav "github.com/go-audio/wav"
	"github.com/google/go-cmp/cmp"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

// The oracle of this file is github.com/go-audio/wav: an independent reader
// and writer of plain PCM. Equality is exact.

func TestLibraryReadsOurFilesBitEqual(t *testing.T) {
	for _, bits := range []int{16, 24} {
		for _, ext := range []bool{false, true} {
			for _, frames := range []int{1, 2, 1000, 70001} {
				t.Run(fmt.Sprintf("%d bits, extensible %v, %d frames", bits, ext, frames), func(t *testing.T) {
					l, r := noise(frames, bits, 7)
					p := write(t, wav.WriterParams{
						SampleRateHz: 96000, BitDepth: bits, Extensible: ext,
						Bext: &wav.Bext{Description: "odd", Loudness: wav.NoLoudness(), CodingHistory: "A=PCM"},
						Cues: []wav.Cue{{Frame: 0, Label: "one"}},
					}, l, r)
					d := gowav.NewDecoder(bytes.NewReader(p))
					buf, err := d.FullPCMBuffer()
					if err != nil {
						t.Fatal(err)
					}
					if diff := cmp.Diff(&goaudio.Format{NumChannels: 2, SampleRate: 96000}, buf.Format); diff != "" {
						t.Errorf("format (-want +got):\n%s", diff)
					}
					if int(d.BitDepth) != bits || len(buf.Data) != 2*frames {
						t.Fatalf("library sees %d bits and %d samples, want %d and %d", d.BitDepth, len(buf.Data), bits, 2*frames)
					}
					for i := range l {
						if buf.Data[2*i] != int(l[i]) || buf.Data[2*i+1] != int(r[i]) {
							t.Fatalf("frame %d: library reads %d %d, want %d %d", i, buf.Data[2*i], buf.Data[2*i+1], l[i], r[i])
						}
					}
				})
			}
		}
	}
}

func TestLibraryReadsOurCuePoints(t *testing.T) {
	l, r := noise(5000, 24, 3)
	p := write(t, wav.WriterParams{SampleRateHz: 48000, BitDepth: 24, Cues: []wav.Cue{{Frame: 0, Label: "A1"}, {Frame: 4321, Label: "A2 odd"}}}, l, r)
	d := gowav.NewDecoder(bytes.NewReader(p))
	d.ReadMetadata()
	if d.Err() != nil || d.Metadata == nil {
		t.Fatalf("library finds no metadata: %v", d.Err())
	}
	want := []*gowav.CuePoint{
		{ID: [4]byte{1}, DataChunkID: [4]byte{'d', 'a', 't', 'a'}},
		{ID: [4]byte{2}, Position: 4321, DataChunkID: [4]byte{'d', 'a', 't', 'a'}, SampleOffset: 4321},
	}
	if diff := cmp.Diff(want, d.Metadata.CuePoints); diff != "" {
		t.Errorf("cue points (-want +got):\n%s", diff)
	}
}

func TestWeReadLibraryFilesBitEqual(t *testing.T) {
	for _, bits := range []int{16, 24, 32} {
		for _, channels := range []int{1, 2} {
			t.Run(fmt.Sprintf("%d bits, %d channels", bits, channels), func(t *testing.T) {
				const frames = 30000
				l, r := noise(frames, bits, 11)
				m := &memFile{}
				e := gowav.NewEncoder(m, 44100, bits, channels, 1)
				e.Metadata = &gowav.Metadata{Title: "Étude", Artist: "nobody", Engineer: "somebody"}
				buf := &goaudio.IntBuffer{Format: &goaudio.Format{NumChannels: channels, SampleRate: 44100}, SourceBitDepth: bits}
				for i := range l {
					buf.Data = append(buf.Data, int(l[i]))
					if channels == 2 {
						buf.Data = append(buf.Data, int(r[i]))
					}
				}
				if err := e.Write(buf); err != nil {
					t.Fatal(err)
				}
				if err := e.Close(); err != nil {
					t.Fatal(err)
				}
				rd, err := openBytes(m.p)
				if err != nil {
					t.Fatal(err)
				}
				want := audio.Format{SampleRateHz: 44100, Channels: channels, BitDepth: bits, Encoding: audio.EncodingPCM, Container: "wav"}
				if diff := cmp.Diff(want, rd.Format()); diff != "" {
					t.Errorf("format (-want +got):\n%s", diff)
				}
				gl, gr := readAll(t, rd, 4096)
				if channels == 1 {
					r = l
				}
				full := math.Ldexp(1, bits-1)
				for i := range l {
					if gl[i]*full != float64(l[i]) || gr[i]*full != float64(r[i]) {
						t.Fatalf("frame %d: got %v %v, want %d %d", i, gl[i]*full, gr[i]*full, l[i], r[i])
					}
				}
				tags, err := rd.Tags()
				if diff := cmp.Diff(wav.Tags{Title: "Étude", Artist: "nobody", Engineer: "somebody"}, tags); err != nil || diff != "" {
					t.Errorf("tags (error %v, -want +got):\n%s", err, diff)
				}
			})
		}
	}
}

func TestExcerptClipsAndRounds(t *testing.T) {
	m := &memFile{}
	format := &goaudio.Format{NumChannels: 2, SampleRate: 32000}
	l := []float64{0, 0.5, 1, 1.7, -1, -3, math.NaN(), 1.5 / 32768}
	r := []float64{-0.25, 0, 0, 0, 0, math.Inf(-1), 0, -2.5 / 32768}
	clipped, err := wav.WriteExcerpt(m, format, l, r, 16)
	if err != nil {
		t.Fatal(err)
	}
	// Beyond full scale: 1.0 itself (one step too high for two's complement),
	// 1.7, -3, -Inf, and NaN, which becomes silence.
	if clipped != 5 {
		t.Errorf("%d samples clipped, want 5", clipped)
	}
	buf, err := gowav.NewDecoder(bytes.NewReader(m.p)).FullPCMBuffer()
	if err != nil {
		t.Fatal(err)
	}
	// Halves round to even, so 1.5 -> 2 and -2.5 -> -2.
	want := []int{0, -8192, 16384, 0, 32767, 0, 32767, 0, -32768, 0, -32768, -32768, 0, 0, 2, -2}
	if diff := cmp.Diff(want, buf.Data); diff != "" {
		t.Errorf("samples (-want +got):\n%s", diff)
	}
}

func TestExcerptLongerThanOnePiece(t *testing.T) {
	const frames = 40001
	l, r := noise(frames, 24, 5)
	fl, fr := make([]float64, frames), make([]float64, frames)
	for i := range l {
		fl[i], fr[i] = float64(l[i])/(1<<23), float64(r[i])/(1<<23)
	}
	m := &memFile{}
	if clipped, err := wav.WriteExcerpt(m, &goaudio.Format{NumChannels: 2, SampleRate: 96000}, fl, fr, 24); err != nil || clipped != 0 {
		t.Fatalf("%d clipped, error %v", clipped, err)
	}
	rd, err := openBytes(m.p)
	if err != nil {
		t.Fatal(err)
	}
	gl, gr := readAll(t, rd, 1000)
	if diff := cmp.Diff([][]float64{fl, fr}, [][]float64{gl, gr}); diff != "" {
		t.Error("samples differ")
	}
}

func TestExcerptRefuses(t *testing.T) {
	stereo := &goaudio.Format{NumChannels: 2, SampleRate: 48000}
	tests := []struct {
		name   string
		format *goaudio.Format
		l, r   int
		bits   int
	}{
		{"no format", nil, 1, 1, 16},
		{"mono", &goaudio.Format{NumChannels: 1, SampleRate: 48000}, 1, 1, 16},
		{"no rate", &goaudio.Format{NumChannels: 2}, 1, 1, 16},
		{"32 bits", stereo, 1, 1, 32},
		{"unequal channels", stereo, 1, 2, 16},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := &memFile{}
			if _, err := wav.WriteExcerpt(m, tt.format, make([]float64, tt.l), make([]float64, tt.r), tt.bits); err == nil {
				t.Error("no error")
			}
			if len(m.p) != 0 {
				t.Errorf("%d bytes written all the same", len(m.p))
			}
		})
	}
}

// An excerpt of nothing is still a WAVE file (which the Reader then refuses as
// empty, not as damaged).
func TestExcerptOfNothing(t *testing.T) {
	m := &memFile{}
	if _, err := wav.WriteExcerpt(m, &goaudio.Format{NumChannels: 2, SampleRate: 48000}, nil, nil, 16); err != nil {
		t.Fatal(err)
	}
	if _, err := openBytes(m.p); code(err) != "wav-empty" {
		t.Errorf("got %v, want wav-empty", err)
	}
}
