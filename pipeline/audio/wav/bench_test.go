package wav_test

import (
	"bytes"
	"io"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

// benchFrames is 10 s at 96 kHz: 5.8 MB at 24 bits.
const benchFrames = 960000

func benchmarkDecode(b *testing.B, p []byte) {
	src, err := wav.New("bench.wav", bytes.NewReader(p), int64(len(p)))
	if err != nil {
		b.Fatal(err)
	}
	block := audio.NewBlock(2048)
	_, n := src.DataRange()
	b.SetBytes(n)
	b.ReportAllocs()
	for b.Loop() {
		if err := src.SeekFrame(0); err != nil {
			b.Fatal(err)
		}
		for {
			if _, err := src.Read(block); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkDecode24(b *testing.B) {
	l, r := noise(benchFrames, 24, 1)
	benchmarkDecode(b, write(b, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24}, l, r))
}

func BenchmarkDecode16(b *testing.B) {
	l, r := noise(benchFrames, 16, 1)
	benchmarkDecode(b, write(b, wav.WriterParams{SampleRateHz: 96000, BitDepth: 16}, l, r))
}

func BenchmarkDecodeFloat32(b *testing.B) {
	benchmarkDecode(b, file("RIFF", fmtPart(3, 2, 96000, 32), ck("data", make([]byte, 8*benchFrames)...)))
}

func BenchmarkEncode24(b *testing.B) {
	l, r := noise(benchFrames, 24, 1)
	b.SetBytes(6 * benchFrames)
	b.ReportAllocs()
	for b.Loop() {
		w, err := wav.Create(nullFile{}, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24})
		if err != nil {
			b.Fatal(err)
		}
		for a := 0; a < len(l); a += 2048 {
			e := min(a+2048, len(l))
			if err := w.WriteInt(l[a:e], r[a:e]); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
