package wav

import (
	"bytes"
	"encoding/binary"
	"io"
	"testing"

	"discsafe/pipeline/audio"
)

// sparse is a file of any length that keeps only pages that were written.
type sparse struct {
	pages map[int64][]byte
	pos   int64
	size  int64
}

const page = 64 << 10

func (s *sparse) Write(p []byte) (int, error) {
	n := len(p)
	for len(p) > 0 {
		k, off := s.pos/page, s.pos%page
		if s.pages[k] == nil {
			s.pages[k] = make([]byte, page)
		}
		m := copy(s.pages[k][off:], p)
		p, s.pos = p[m:], s.pos+int64(m)
	}
	s.size = max(s.size, s.pos)
	return n, nil
}

func (s *sparse) Seek(off int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		off += s.pos
	case io.SeekEnd:
		off += s.size
	}
	s.pos = off
	return off, nil
}

func (s *sparse) ReadAt(p []byte, off int64) (int, error) {
	n := 0
	for n < len(p) && off < s.size {
		m := int(min(page-off%page, int64(len(p)-n), s.size-off))
		clear(p[n : n+m])
		if pg := s.pages[off/page]; pg != nil {
			copy(p[n:n+m], pg[off%page:])
		}
		n, off = n+m, off+int64(m)
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (s *sparse) WriteAt(p []byte, off int64) (int, error) {
	s.pos = off
	return s.Write(p)
}

// skip pretends that frames of silence were written.
func skip(w *Writer, s *sparse, frames int64) error {
	if err := w.flush(); err != nil {
		return err
	}
	w.frames += frames
	s.pos += frames * int64(w.align)
	s.size = max(s.size, s.pos)
	return nil
}

// EBU Tech 3306: beyond 4 GiB the form is RF64, both 32-bit sizes are
// 0xFFFFFFFF, the first chunk is ds64 with the true sizes.
func TestBeyond4GiBBecomesRF64(t *testing.T) {
	tests := []struct {
		name   string
		params WriterParams
		frames int64
		want   string
	}{
		{"24 bit, 6 GB", WriterParams{SampleRateHz: 192000, BitDepth: 24, Bext: &Bext{Loudness: NoLoudness()}, Cues: []Cue{{Frame: 999_999_999, Label: "late"}}}, 1_000_000_000, "rf64"},
		{"float, 5 GB", WriterParams{SampleRateHz: 192000, BitDepth: 32, Encoding: audio.EncodingFloat}, 625_000_000, "rf64"},
		{"largest plain file", WriterParams{SampleRateHz: 96000, BitDepth: 16}, (maxRIFF - 72) / 4, "wav"},
		{"one frame more", WriterParams{SampleRateHz: 96000, BitDepth: 16}, (maxRIFF-72)/4 + 1, "rf64"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := &sparse{pages: map[int64][]byte{}}
			w, err := Create(s, tt.params)
			if err != nil {
				t.Fatal(err)
			}
			write := func(v int32) {
				t.Helper()
				if tt.params.Encoding == audio.EncodingFloat {
					err = w.WriteFloat32([]float64{float64(v) / 32768}, []float64{-0.5})
				} else {
					err = w.WriteInt([]int32{v << (tt.params.BitDepth - 16)}, []int32{-1 << (tt.params.BitDepth - 2)})
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			write(123)
			if err := skip(w, s, tt.frames-2); err != nil {
				t.Fatal(err)
			}
			write(-321)
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
			var head [44]byte
			if _, err := s.ReadAt(head[:], 0); err != nil {
				t.Fatal(err)
			}
			if tt.want == "rf64" {
				if string(head[:16]) != "RF64\xFF\xFF\xFF\xFFWAVEds64" {
					t.Errorf("header %q", head[:16])
				}
				if got := binary.LittleEndian.Uint64(head[20:]); got != uint64(s.size)-8 {
					t.Errorf("ds64 form size %d, want %d", got, s.size-8)
				}
				if got := binary.LittleEndian.Uint64(head[36:]); got != uint64(tt.frames) {
					t.Errorf("ds64 sample count %d, want %d", got, tt.frames)
				}
			} else if string(head[:4]) != "RIFF" || int64(binary.LittleEndian.Uint32(head[4:])) != s.size-8 {
				t.Errorf("header %q does not hold the size %d", head[:8], s.size-8)
			}
			r, err := New("big.wav", s, s.size)
			if err != nil {
				t.Fatal(err)
			}
			if r.Frames() != tt.frames || r.Format().Container != tt.want {
				t.Fatalf("%d frames in %s, want %d in %s", r.Frames(), r.Format().Container, tt.frames, tt.want)
			}
			if err := r.SeekFrame(tt.frames - 2); err != nil {
				t.Fatal(err)
			}
			b := audio.NewBlock(4)
			if n, err := r.Read(b); n != 2 || err != nil {
				t.Fatalf("read %d frames, %v, want the last two", n, err)
			}
			if b.L[0] != 0 || b.L[1] != -321./32768 || b.R[1] != -0.5 {
				t.Errorf("last frames %v %v", b.L[:2], b.R[:2])
			}
			cues, err := r.Cues()
			if err != nil || len(cues) != len(tt.params.Cues) {
				t.Errorf("cues %v, %v", cues, err)
			}
			if tt.params.Bext == nil {
				return
			}
			if err := patchLoudness(s, "big.wav", s.size, Loudness{IntegratedLUFS: -16.03}); err != nil {
				t.Fatal(err)
			}
			if b, err := r.Bext(); err != nil || b.Loudness.IntegratedLUFS != -16.03 {
				t.Errorf("patched bext %+v, %v", b, err)
			}
		})
	}
}

// The same promotion with a lowered limit, so that every byte can be compared:
// only the header may differ from the plain file.
func TestRF64DiffersInTheHeaderOnly(t *testing.T) {
	make := func(limit int64) []byte {
		s := &sparse{pages: map[int64][]byte{}}
		w, err := Create(s, WriterParams{SampleRateHz: 48000, BitDepth: 24, Bext: &Bext{}, Cues: []Cue{{Frame: 1, Label: "x"}}})
		if err != nil {
			t.Fatal(err)
		}
		w.limit = limit
		if err := w.WriteInt([]int32{1, 2, 3}, []int32{4, 5, 6}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		p := bytes.Repeat([]byte{0}, int(s.size))
		if _, err := s.ReadAt(p, 0); err != nil {
			t.Fatal(err)
		}
		return p
	}
	plain, big := make(maxRIFF), make(100)
	if len(plain) != len(big) {
		t.Fatalf("%d and %d bytes", len(plain), len(big))
	}
	data := bytes.Index(plain, []byte("data")) // the first: cue points name it again
	for i := range plain {
		inHeader := i < 48 || i >= data+4 && i < data+8
		if plain[i] != big[i] && !inHeader {
			t.Errorf("byte %d differs", i)
		}
	}
	if string(big[:4]) != "RF64" {
		t.Error("not promoted")
	}
}
