package wav_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"runtime"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

func openName(src io.ReaderAt, size int64) (*wav.Reader, error) {
	return wav.New("mix.wav", src, size)
}

func seeds() [][]byte {
	var m memFile
	w, err := wav.Create(&m, wav.WriterParams{SampleRateHz: 48000, BitDepth: 24, Bext: fullBext(), Cues: []wav.Cue{{Frame: 1, Label: "one"}}})
	if err != nil {
		panic(err)
	}
	if err := errors.Join(w.WriteInt([]int32{1, 2}, []int32{3, 4}), w.Close()); err != nil {
		panic(err)
	}
	return [][]byte{
		m.p, good(),
		file("RF64", ds64Part(76, 4), fmtPart(1, 2, 44100, 16), ck("data", 0, 0x40, 0, 0x80).lying(0xFFFFFFFF)),
		file("RIFF", fmtPart(3, 1, 44100, 32), ck("data", f32(0.5)...)),
		file("RIFF", fmtPart(3, 2, 44100, 64), ck("data", cat(f64(0.5), f64(math.NaN()))...)),
		file("RIFF", extPart(1, 2, 96000, 24, 20, 3), ck("LIST", cat([]byte("INFOINAM"), le32(3), []byte("abc\x00"))...), ck("data", make([]byte, 12)...)),
	}
}

// FuzzWAV: no panic, bounded memory, and what opens delivers exactly Frames
// frames or ends in a typed error.
func FuzzWAV(f *testing.F) {
	for _, s := range seeds() {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := openName(bytes.NewReader(p), int64(len(p)))
		if err != nil {
			runtime.ReadMemStats(&after)
			if code(err) == "" {
				t.Fatalf("untyped error %v", err)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 1<<20 {
				t.Fatalf("%d bytes allocated to refuse %d bytes", n, len(p))
			}
			return
		}
		for _, err := range metaErrors(r) {
			if err != nil && code(err) == "" {
				t.Fatalf("untyped metadata error %v", err)
			}
		}
		if r.Frames() <= 0 || r.Frames() > int64(len(p)) {
			t.Fatalf("%d frames in %d bytes", r.Frames(), len(p))
		}
		b, total := audio.NewBlock(97), int64(0)
		for {
			n, err := r.Read(b)
			total += int64(n)
			if err == io.EOF {
				break
			}
			if err != nil {
				if code(err) == "" {
					t.Fatalf("untyped error %v", err)
				}
				return
			}
			if n == 0 {
				t.Fatal("no progress")
			}
			for i := range n {
				if s := math.Abs(b.L[i]) + math.Abs(b.R[i]); math.IsNaN(s) || math.IsInf(s, 0) {
					t.Fatal("sample is not finite")
				}
			}
		}
		if total != r.Frames() {
			t.Fatalf("read %d frames, Frames says %d", total, r.Frames())
		}
	})
}

func metaErrors(r *wav.Reader) []error {
	_, errB := r.Bext()
	_, errC := r.Cues()
	_, errT := r.Tags()
	return []error{errB, errC, errT}
}

// FuzzBext: any bext content of legal length is read, and writing what was
// read gives a chunk that reads back the same.
func FuzzBext(f *testing.F) {
	l, r := []int32{1}, []int32{2}
	seed := write(f, wav.WriterParams{SampleRateHz: 48000, BitDepth: 16, Bext: fullBext()}, l, r)
	at := bytes.Index(seed, []byte("bext")) + 8
	f.Add(seed[at : at+620])
	f.Add(make([]byte, 602))
	f.Fuzz(func(t *testing.T, body []byte) {
		src, err := openBytes(file("RIFF", fmtPart(1, 2, 44100, 16), ck("bext", body...), ck("data", 0, 0, 0, 0)))
		if err != nil {
			t.Fatal(err)
		}
		b, err := src.Bext()
		if err != nil {
			if code(err) == "" || len(body) >= 602 && len(body) <= 1<<20 {
				t.Fatalf("%d bytes: %v", len(body), err)
			}
			return
		}
		var m memFile
		w, err := wav.Create(&m, wav.WriterParams{SampleRateHz: 48000, BitDepth: 16, Bext: b})
		if err != nil {
			return // dates that are none, text that grew by its line ends
		}
		if err := errors.Join(w.WriteInt(l, r), w.Close()); err != nil {
			t.Fatal(err)
		}
		again := rewrite(t, m.p)
		if !bytes.Equal(m.p, again) {
			t.Fatalf("second round differs:\n%q\n%q", m.p, again)
		}
	})
}

// rewrite reads the bext of a file and writes the file again.
func rewrite(t *testing.T, p []byte) []byte {
	src, err := openBytes(p)
	if err != nil {
		t.Fatal(err)
	}
	b, err := src.Bext()
	if err != nil {
		t.Fatal(err)
	}
	return write(t, wav.WriterParams{SampleRateHz: 48000, BitDepth: 16, Bext: b}, []int32{1}, []int32{2})
}
