package wav_test

import (
	"bytes"
	"encoding/binary"
	"testing"

	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
	"discsafe/pipeline/audio/wav"
)

// What stands around the samples is known before they are, and is what the
// writer, read by other programs elsewhere, writes.
func TestAroundIsWhatTheWriterWrites(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		frames := rapid.IntRange(0, 300).Draw(rt, "frames")
		p := wav.WriterParams{SampleRateHz: rapid.SampledFrom([]int{44100, 96000, 192000}).Draw(rt, "rate"), BitDepth: rapid.SampledFrom([]int{16, 24}).Draw(rt, "bits"), Extensible: rapid.Bool().Draw(rt, "extensible")}
		if rapid.Bool().Draw(rt, "bext") {
			p.Bext = fullBext()
		}
		if rapid.Bool().Draw(rt, "cues") {
			p.Cues = []wav.Cue{{Frame: 0, Label: "odd"}, {Frame: int64(frames), Label: "even"}}
		}
		l, r := noise(frames, p.BitDepth, 7)
		head, tail, err := wav.Around(p, int64(frames))
		if err != nil {
			rt.Fatal(err)
		}
		samples := make([]byte, frames*2*p.BitDepth/8)
		pack := pcm.PackInt24
		if p.BitDepth == 16 {
			pack = pcm.PackInt16
		}
		pack(samples, l, r)
		if want := write(t, p, l, r); !bytes.Equal(want, bytes.Join([][]byte{head, samples, tail}, nil)) {
			rt.Errorf("%d frames of %d bits: another file than the writer's", frames, p.BitDepth)
		}
	})
}

// Beyond 4 GiB the sizes stand in ds64 (EBU Tech 3306), as the writer has it.
func TestAroundBeyondRIFF(t *testing.T) {
	const frames = 1 << 30
	head, _, err := wav.Around(wav.WriterParams{SampleRateHz: 96000, BitDepth: 24}, frames)
	if err != nil {
		t.Fatal(err)
	}
	if string(head[:4]) != "RF64" || string(head[12:16]) != "ds64" || binary.LittleEndian.Uint64(head[28:]) != 6*frames {
		t.Errorf("%q, %q, %d bytes of samples", head[:4], head[12:16], binary.LittleEndian.Uint64(head[28:]))
	}
	for _, p := range []wav.WriterParams{{SampleRateHz: 8000, BitDepth: 24}, {SampleRateHz: 96000, BitDepth: 20}, {SampleRateHz: 96000, BitDepth: 16, Encoding: audio.EncodingFloat},
		{SampleRateHz: 96000, BitDepth: 24, Cues: []wav.Cue{{Frame: frames + 1}}}} {
		if _, _, err := wav.Around(p, frames); err == nil {
			t.Errorf("%+v is taken", p)
		}
	}
}
