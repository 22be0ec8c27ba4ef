package flac

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/mewkiz/flac/meta"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

const (
	maxMetaBlocks  = 1024
	magic          = "fLaC"
	blockHeadBytes = 4
	infoBytes      = 34
	minFrameBytes  = 10    // header 6, two bytes of subframe, CRC-16
	maxBlock       = 65535 // RFC 9639: 65536 is not allowed in STREAMINFO
	transferHint   = "copy or export the file again"
	exportHint     = "encode the mix again, or deliver it as WAV"
)

type guard struct {
	name string
	r    io.ReaderAt
	size int64
}

func (g *guard) fail(code, hint, format string, args ...any) error {
	return g.failAt(-1, code, hint, format, args...)
}

func (g *guard) failAt(atS float64, code, hint, format string, args ...any) error {
	return &audio.FormatError{File: g.name, Code: code, AtS: atS, Detail: fmt.Sprintf(format, args...), Hint: hint}
}

func (g *guard) readAt(p []byte, at int64) error {
	n, err := g.r.ReadAt(p, at)
	if n == len(p) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return g.fail("flac-truncated", transferHint, "ends inside its header: %d of %d bytes at offset %d", n, len(p), at)
	}
	return &audio.FormatError{
		File: g.name, Code: "flac-read", AtS: -1, Detail: "cannot be read", Err: err,
		Hint: "check the disk or network and try again",
	}
}

// streamInfo reads STREAMINFO and returns where the first frame starts. Other
// metadata blocks are stepped over by their length.
func (g *guard) streamInfo() (*meta.StreamInfo, int64, error) {
	if g.size == 0 {
		return nil, 0, g.fail("flac-empty", "choose another file", "is empty (0 bytes)")
	}
	head := make([]byte, len(magic)+blockHeadBytes+infoBytes)
	if g.size < int64(len(head)) {
		return nil, 0, g.fail("flac-truncated", transferHint, "is only %d bytes long, too short for a FLAC header (%d bytes)", g.size, len(head))
	}
	if err := g.readAt(head, 0); err != nil {
		return nil, 0, err
	}
	if string(head[:4]) != magic {
		return nil, 0, g.fail("flac-not-flac", "choose a FLAC file", "starts with %q, not with fLaC", string(head[:4]))
	}
	first := binary.BigEndian.Uint32(head[4:])
	if kind, n := first>>24&0x7F, first&0xFFFFFF; kind != uint32(meta.TypeStreamInfo) || n != infoBytes {
		return nil, 0, g.fail("flac-bad-streaminfo", exportHint, "starts with a metadata block of type %d and %d bytes, not with STREAMINFO (type 0, %d bytes)", kind, n, infoBytes)
	}
	block, err := meta.Parse(bytes.NewReader(head[4:]))
	if err != nil {
		return nil, 0, &audio.FormatError{File: g.name, Code: "flac-bad-streaminfo", AtS: -1, Detail: "has a STREAMINFO block that cannot be decoded", Err: err, Hint: exportHint}
	}
	info, ok := block.Body.(*meta.StreamInfo)
	if !ok {
		return nil, 0, g.fail("flac-bad-streaminfo", exportHint, "has no STREAMINFO block")
	}
	pos, last := int64(len(head)), first>>31 == 1
	for n := 1; !last; n++ {
		if n == maxMetaBlocks {
			return nil, 0, g.fail("flac-too-many-blocks", exportHint, "has more than %d metadata blocks", maxMetaBlocks)
		}
		var h [blockHeadBytes]byte
		if err := g.readAt(h[:], pos); err != nil {
			return nil, 0, err
		}
		word := binary.BigEndian.Uint32(h[:])
		last = word>>31 == 1
		next := pos + blockHeadBytes + int64(word&0xFFFFFF)
		if next > g.size {
			return nil, 0, g.fail("flac-size-lies", exportHint, "has a metadata block at offset %d that claims %d bytes, %d remain", pos, word&0xFFFFFF, g.size-pos-blockHeadBytes)
		}
		pos = next
	}
	return info, pos, g.checkInfo(info, pos)
}

func (g *guard) checkInfo(info *meta.StreamInfo, start int64) error {
	switch {
	case info.NChannels > 2:
		return g.fail("flac-too-many-channels", "deliver a stereo or mono mix", "has %d channels, a disc takes 1 or 2", info.NChannels)
	case !pcm.RateAccepted(int(info.SampleRate)):
		return g.fail("flac-bad-rate", pcm.RateHint, "has a sample rate of %d Hz", info.SampleRate)
	case info.BitsPerSample == 8:
		return g.fail("flac-8-bit", "deliver the original mix, 16 bits or more", "has samples of 8 bits, too coarse to cut from")
	case info.BitsPerSample != 16 && info.BitsPerSample != 20 && info.BitsPerSample != 24:
		return g.fail("flac-bad-depth", exportHint, "has samples of %d bits, want 16, 20 or 24", info.BitsPerSample)
	case info.BlockSizeMin > info.BlockSizeMax:
		return g.fail("flac-bad-streaminfo", exportHint, "claims blocks of %d to %d samples", info.BlockSizeMin, info.BlockSizeMax)
	case start == g.size:
		return g.fail("flac-empty", "choose another file", "holds no audio")
	}
	// A frame of constant samples is the densest there is.
	if most := (uint64(g.size-start)/minFrameBytes + 1) * maxBlock; info.NSamples > most {
		return g.fail("flac-size-lies", transferHint, "promises %d frames of audio, more than its %d bytes can hold", info.NSamples, g.size-start)
	}
	return nil
}
