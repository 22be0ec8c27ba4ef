package wav

import (
	"bytes"
	"encoding/binary"
	"fmt"

	goaudio "github.com/go-audio/audio"
	gowav "github.com/go-audio/wav"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

// Format tags (Microsoft mmreg.h).
const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE
)

// subFormatTail is what follows the two tag bytes of a KSDATAFORMAT_SUBTYPE
// GUID: {xxxxxxxx-0000-0010-8000-00AA00389B71}, as stored.
const subFormatTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71"

// Speaker masks accepted for two channels: not stated, or front left and right.
const (
	maskUnstated = 0
	maskStereo   = 0x3
)

// sampleFormat is a validated fmt chunk.
type sampleFormat struct {
	format audio.Format
	kind   pcm.Kind
	lib    *goaudio.Format // as the library sees it
}

// sanitised builds a small well-formed RIFF WAVE in memory from content that
// the guard has approved: fmt, metadata chunks, an empty data chunk.
func sanitised(fmtChunk []byte, meta ...rawChunk) *bytes.Reader {
	var b bytes.Buffer
	b.WriteString("RIFF\x00\x00\x00\x00WAVE")
	appendChunk(&b, rawChunk{id: "fmt ", body: fmtChunk})
	for _, m := range meta {
		appendChunk(&b, m)
	}
	appendChunk(&b, rawChunk{id: "data"})
	p := b.Bytes()
	binary.LittleEndian.PutUint32(p[4:], uint32(len(p)-chunkHeadBytes))
	return bytes.NewReader(p)
}

// rawChunk is a chunk in memory.
type rawChunk struct {
	id   string
	body []byte
}

func appendChunk(b *bytes.Buffer, c rawChunk) {
	b.WriteString(c.id)
	b.Write(binary.LittleEndian.AppendUint32(nil, uint32(len(c.body))))
	b.Write(c.body)
	if len(c.body)&1 == 1 {
		b.WriteByte(0)
	}
}

// parseFormat reads the fmt chunk through the library's decoder and checks
// everything that decoder does not.
func (g *guard) parseFormat(lay *layout) (*sampleFormat, error) {
	p := make([]byte, lay.fmt.size)
	if err := g.readAt(p, lay.fmt.off); err != nil {
		return nil, err
	}
	d := gowav.NewDecoder(sanitised(p))
	d.ReadInfo()
	if err := d.Err(); err != nil {
		return nil, g.fail("wav-bad-fmt", exportAgainHint, "has a fmt chunk that cannot be decoded: %v", err)
	}

	tag, channels, bits := d.WavAudioFormat, int(d.NumChans), int(d.BitDepth)
	align := int(binary.LittleEndian.Uint16(p[12:]))
	switch tag {
	case tagPCM, tagFloat, tagExtensible:
	default:
		return nil, g.fail("wav-unknown-tag", exportAgainHint, "holds audio of type 0x%04X%s, not PCM or float", tag, tagName(tag))
	}
	if channels < 1 {
		return nil, g.fail("wav-no-channels", exportAgainHint, "has 0 channels")
	}
	if channels > 2 {
		return nil, g.fail("wav-too-many-channels", "deliver a stereo or mono mix", "has %d channels, a disc takes 1 or 2", channels)
	}
	if hz := int64(d.SampleRate); !pcm.RateAccepted(int(hz)) {
		return nil, g.fail("wav-bad-rate", pcm.RateHint, "has a sample rate of %d Hz", hz)
	}

	valid := bits
	if tag == tagExtensible {
		var err error
		if tag, valid, err = g.parseExtensible(p, channels, bits); err != nil {
			return nil, err
		}
	}
	kind, err := g.sampleKind(tag, bits, valid)
	if err != nil {
		return nil, err
	}
	if want := kind.Bytes() * channels; align != want {
		return nil, g.fail("wav-bad-block-align", exportAgainHint, "says a frame takes %d bytes, but %d channels of %d bits take %d", align, channels, bits, want)
	}
	if rest := lay.data.size % int64(align); rest != 0 {
		return nil, g.fail("wav-partial-frame", transferHint, "holds %d bytes of audio, which is %d frames of %d bytes and %d bytes left over", lay.data.size, lay.data.size/int64(align), align, rest)
	}

	f := audio.Format{
		SampleRateHz: int(d.SampleRate), Channels: channels, BitDepth: valid,
		Encoding: audio.EncodingPCM, Container: containerName(lay.form),
	}
	if tag == tagFloat {
		f.Encoding = audio.EncodingFloat
	}
	return &sampleFormat{format: f, kind: kind, lib: d.Format()}, nil
}

// parseExtensible returns the tag and valid bits of a WAVE_FORMAT_EXTENSIBLE
// fmt chunk.
func (g *guard) parseExtensible(p []byte, channels, bits int) (tag uint16, valid int, err error) {
	const size, extension = 40, 22
	if len(p) < size {
		return 0, 0, g.fail("wav-bad-fmt", exportAgainHint, "has an extensible fmt chunk of %d bytes, want %d", len(p), size)
	}
	if cb := binary.LittleEndian.Uint16(p[16:]); cb < extension {
		return 0, 0, g.fail("wav-bad-fmt", exportAgainHint, "has an extensible fmt chunk with an extension of %d bytes, want %d", cb, extension)
	}
	valid = int(binary.LittleEndian.Uint16(p[18:]))
	if valid == 0 {
		valid = bits // common practice, no source: writers that leave it out
	}
	if valid > bits {
		return 0, 0, g.fail("wav-bad-depth", exportAgainHint, "claims %d valid bits in samples of %d bits", valid, bits)
	}
	mask := binary.LittleEndian.Uint32(p[20:])
	if channels == 2 && mask != maskUnstated && mask != maskStereo {
		return 0, 0, g.fail("wav-bad-channel-mask", "deliver an ordinary stereo mix", "has its two channels on speakers 0x%X, not front left and front right (0x3)", mask)
	}
	tag = binary.LittleEndian.Uint16(p[24:])
	if string(p[26:40]) != subFormatTail || tag != tagPCM && tag != tagFloat {
		return 0, 0, g.fail("wav-unknown-tag", exportAgainHint, "holds audio of extensible type %x%s, not PCM or float", p[24:40], tagName(tag))
	}
	return tag, valid, nil
}

// sampleKind maps tag, container bits and valid bits to a packed form.
func (g *guard) sampleKind(tag uint16, bits, valid int) (pcm.Kind, error) {
	if tag == tagFloat {
		switch {
		case bits == 32 && valid == 32:
			return pcm.Float32LE, nil
		case bits == 64 && valid == 64:
			return pcm.Float64LE, nil
		}
		return 0, g.fail("wav-bad-depth", exportAgainHint, "has float samples of %d bits, want 32 or 64", valid)
	}
	if valid == 8 {
		return 0, g.fail("wav-8-bit", "deliver the original mix, 16 bits or more", "has samples of 8 bits, too coarse to cut from")
	}
	switch valid {
	case 16, 20, 24, 32:
	default:
		return 0, g.fail("wav-bad-depth", exportAgainHint, "has samples of %d bits, want 16, 20, 24 or 32", valid)
	}
	switch (bits + 7) / 8 {
	case 2:
		return pcm.Int16LE, nil
	case 3:
		return pcm.Int24LE, nil
	case 4:
		return pcm.Int32LE, nil
	}
	return 0, g.fail("wav-bad-depth", exportAgainHint, "stores %d-bit samples in %d bits, want at most 32", valid, bits)
}

func containerName(form string) string {
	switch form {
	case "RF64":
		return "rf64"
	case "BW64":
		return "bw64"
	}
	return "wav"
}

// tagName names the usual compressed types so that the user recognises them.
func tagName(tag uint16) string {
	names := map[uint16]string{
		0x0002: "ADPCM", 0x0006: "A-law", 0x0007: "mu-law", 0x0011: "IMA ADPCM",
		0x0031: "GSM 6.10", 0x0050: "MPEG", 0x0055: "MP3", 0x00FF: "AAC", 0x0161: "WMA",
	}
	if n, ok := names[tag]; ok {
		return fmt.Sprintf(" (%s)", n)
	}
	return ""
}
