package wav_test

import (
	"fmt"
	"io"
	"log"
	"os"
	"path/filepath"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

// A premaster is written as a stream, completed with its measured loudness,
// and read back.
func Example() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "premaster.wav")

	f, err := os.Create(path)
	if err != nil {
		log.Fatal(err)
	}
	w, err := wav.Create(f, wav.WriterParams{
		SampleRateHz: 96000, BitDepth: 24,
		Bext: &wav.Bext{Description: "Side A", CodingHistory: "A=PCM,F=96000,W=24,M=stereo", Loudness: wav.NoLoudness()},
		Cues: []wav.Cue{{Frame: 0, Label: "A1"}, {Frame: 48000, Label: "A2"}},
	})
	if err != nil {
		log.Fatal(err)
	}
	tone := make([]int32, 96000)
	for i := range tone {
		tone[i] = int32(i%96-48) << 16
	}
	if err := w.WriteInt(tone, tone); err != nil {
		log.Fatal(err)
	}
	if err := w.Close(); err != nil {
		log.Fatal(err)
	}
	if err := wav.PatchLoudness(f, wav.Loudness{IntegratedLUFS: -16.03, MaxTruePeakDBTP: -8.5}); err != nil {
		log.Fatal(err)
	}
	if err := f.Close(); err != nil {
		log.Fatal(err)
	}

	r, err := wav.Open(path)
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	b, peak := audio.NewBlock(2048), 0.0
	for {
		n, err := r.Read(b)
		if err == io.EOF {
			break
		}
		if err != nil {
			log.Fatal(err)
		}
		for _, x := range b.L[:n] {
			peak = max(peak, x, -x)
		}
	}
	bext, err := r.Bext()
	if err != nil {
		log.Fatal(err)
	}
	cues, err := r.Cues()
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%d frames, %d bits, peak %.3f, %v LUFS\n", r.Frames(), r.Format().BitDepth, peak, bext.Loudness.IntegratedLUFS)
	for _, c := range cues {
		fmt.Println(c.Label, audio.Timecode(float64(c.Frame)/96000))
	}
	// Output:
	// 96000 frames, 24 bits, peak 0.375, -16.03 LUFS
	// A1 0:00.000
	// A2 0:00.500
}
