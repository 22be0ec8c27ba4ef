// Package aiff reads AIFF and AIFF-C files with linear samples: big-endian PCM
// (NONE, twos), little-endian PCM (sowt) and float (fl32, fl64).
//
// Entry point: Open, or New for an open file; the Reader is an audio.Source.
// The rules for what is accepted are those of package wav: one or two
// channels, 16 bits or more, the rates of pcm.RateAccepted, and sizes that
// agree with the real length of the file. It writes nothing.
//
// Sources: Audio Interchange File Format 1.3 (1989), AIFF-C draft (1991). The
// compression ids twos and sowt are common practice, no source.
package aiff

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

const (
	maxChunks      = 256
	formHeadBytes  = 12 // FORM, size, type
	chunkHeadBytes = 8
	commBytes      = 18 // AIFF; AIFF-C adds the compression id and its name
	commCBytes     = 22
	maxCommBytes   = 1 << 10
	ssndHeadBytes  = 8 // offset, block size
	// Tags that a program hung behind the form are harmless. More than this is
	// audio: a size that wrapped at 4 GiB, or a header that was not updated.
	maxTrailing  = 64 << 10
	transferHint = "copy or export the file again"
	exportHint   = "export the mix again as WAV, 24-bit PCM"
)

// Reader streams the audio of one AIFF file. It implements audio.Source and
// adds SeekFrame. Use it from one goroutine.
type Reader struct {
	format audio.Format
	stream *pcm.Stream
	frames int64
	offset int64
	length int64
	closer io.Closer
}

var _ audio.Source = (*Reader)(nil)

// Open opens the AIFF or AIFF-C file at path. A file that cannot be used is an
// *audio.FormatError with a code that starts with "aiff-".
func Open(path string) (*Reader, error) {
	f, size, err := pcm.OpenFile(path, "aiff")
	if err != nil {
		return nil, err
	}
	r, err := New(path, f, size)
	if err != nil {
		return nil, pcm.CloseAfter(err, f)
	}
	r.closer = f
	return r, nil
}

// New reads an AIFF file of the given length in bytes from src, as Open does.
// The name is only used in errors. Close does not close src.
func New(name string, src io.ReaderAt, size int64) (*Reader, error) {
	p := parser{name: name, r: src, size: size}
	if err := p.walk(); err != nil {
		return nil, err
	}
	return p.reader()
}

// Format describes the audio as it stands in the file.
func (r *Reader) Format() audio.Format { return r.format }

// Frames is the exact number of frames in the file.
func (r *Reader) Frames() int64 { return r.frames }

// Read implements audio.Source. It does not allocate after the first call.
func (r *Reader) Read(b audio.Block) (int, error) { return r.stream.Read(b) }

// SeekFrame makes frame the next one that Read delivers; frame may equal
// Frames.
func (r *Reader) SeekFrame(frame int64) error { return r.stream.SeekFrame(frame) }

// DataRange is where the sample data lie in the file, in bytes.
func (r *Reader) DataRange() (offset, length int64) { return r.offset, r.length }

// Close releases the file if Open opened it.
func (r *Reader) Close() error {
	if r.closer == nil {
		return nil
	}
	err := r.closer.Close()
	r.closer = nil
	return err
}

// parser walks the chunks of an untrusted file.
type parser struct {
	name string
	r    io.ReaderAt
	size int64

	compressed bool   // AIFF-C
	comm       []byte // at most maxCommBytes
	haveSSND   bool
	ssndOff    int64 // first byte after the SSND header
	ssndSize   int64 // bytes after the SSND header
	ssndSkip   uint32
	ssndBlock  uint32
}

func (p *parser) fail(code, hint, format string, args ...any) error {
	return &audio.FormatError{File: p.name, Code: code, AtS: -1, Detail: fmt.Sprintf(format, args...), Hint: hint}
}

func (p *parser) readAt(b []byte, at int64) error {
	n, err := p.r.ReadAt(b, at)
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return p.fail("aiff-truncated", transferHint, "the file became shorter while it was read: %d of %d bytes at offset %d", n, len(b), at)
	}
	return &audio.FormatError{
		File: p.name, Code: "aiff-read", AtS: -1, Detail: "cannot be read", Err: err,
		Hint: "check the disk or network and try again",
	}
}

func (p *parser) walk() error {
	if p.size == 0 {
		return p.fail("aiff-empty", "choose another file", "is empty (0 bytes)")
	}
	if p.size < formHeadBytes {
		return p.fail("aiff-truncated", transferHint, "is only %d bytes long, too short for an AIFF header (%d bytes)", p.size, formHeadBytes)
	}
	var head [formHeadBytes]byte
	if err := p.readAt(head[:], 0); err != nil {
		return err
	}
	kind := string(head[8:])
	if string(head[:4]) != "FORM" || kind != "AIFF" && kind != "AIFC" {
		return p.fail("aiff-not-aiff", "choose an AIFF file", "starts with %q and %q, not with FORM and AIFF or AIFC", string(head[:4]), kind)
	}
	p.compressed = kind == "AIFC"
	end := int64(binary.BigEndian.Uint32(head[4:])) + chunkHeadBytes
	if end > p.size {
		return p.fail("aiff-truncated", transferHint, "is %d bytes long but its header promises %d", p.size, end)
	}
	if p.size-end > maxTrailing {
		return p.fail("aiff-size-lies", exportHint, "is %d bytes long but its header ends it after %d: the header is out of date, or wrapped at 4 GiB", p.size, end)
	}
	pos := int64(formHeadBytes)
	for n := 0; end-pos >= chunkHeadBytes; n++ {
		if n == maxChunks {
			return p.fail("aiff-too-many-chunks", exportHint, "has more than %d chunks", maxChunks)
		}
		next, err := p.chunk(pos, end)
		if err != nil {
			return err
		}
		pos = next
	}
	// One stray byte is a pad byte that somebody counted in the form.
	if rest := end - pos; rest > 1 {
		return p.fail("aiff-truncated", transferHint, "ends inside a chunk header: %d of %d bytes at offset %d", rest, chunkHeadBytes, pos)
	}
	return nil
}

func (p *parser) chunk(pos, end int64) (next int64, err error) {
	var head [chunkHeadBytes]byte
	if err := p.readAt(head[:], pos); err != nil {
		return 0, err
	}
	id, off, size := string(head[:4]), pos+chunkHeadBytes, int64(binary.BigEndian.Uint32(head[4:]))
	if left := end - off; size > left {
		if id == "SSND" {
			return 0, p.fail("aiff-truncated", transferHint, "promises %d bytes of audio but ends after %d", size, left)
		}
		return 0, p.fail("aiff-size-lies", exportHint, "has a chunk %q at offset %d that claims %d bytes, %d remain", id, pos, size, left)
	}
	switch id {
	case "COMM":
		want := int64(commBytes)
		if p.compressed {
			want = commCBytes
		}
		if p.comm != nil {
			return 0, p.fail("aiff-duplicate-chunk", exportHint, "has two COMM chunks")
		}
		if size < want || size > maxCommBytes {
			return 0, p.fail("aiff-bad-comm", exportHint, "has a COMM chunk of %d bytes, want %d to %d", size, want, maxCommBytes)
		}
		p.comm = make([]byte, want)
		if err := p.readAt(p.comm, off); err != nil {
			return 0, err
		}
	case "SSND":
		if p.haveSSND {
			return 0, p.fail("aiff-duplicate-chunk", exportHint, "has two SSND chunks")
		}
		if size < ssndHeadBytes {
			return 0, p.fail("aiff-bad-ssnd", exportHint, "has an SSND chunk of %d bytes, want at least %d", size, ssndHeadBytes)
		}
		var h [ssndHeadBytes]byte
		if err := p.readAt(h[:], off); err != nil {
			return 0, err
		}
		p.haveSSND = true
		p.ssndSkip, p.ssndBlock = binary.BigEndian.Uint32(h[:]), binary.BigEndian.Uint32(h[4:])
		p.ssndOff, p.ssndSize = off+ssndHeadBytes, size-ssndHeadBytes
	}
	return off + size + size&1, nil
}

// reader checks COMM against SSND and builds the Reader.
func (p *parser) reader() (*Reader, error) {
	if p.comm == nil {
		return nil, p.fail("aiff-no-comm", exportHint, "has no COMM chunk")
	}
	channels := int(binary.BigEndian.Uint16(p.comm))
	frames := int64(binary.BigEndian.Uint32(p.comm[2:]))
	bits := int(binary.BigEndian.Uint16(p.comm[6:]))
	rate := extended(p.comm[8:18])
	switch {
	case channels < 1:
		return nil, p.fail("aiff-no-channels", exportHint, "has 0 channels")
	case channels > 2:
		return nil, p.fail("aiff-too-many-channels", "deliver a stereo or mono mix", "has %d channels, a disc takes 1 or 2", channels)
	case rate != math.Trunc(rate) || rate > 1<<20 || !pcm.RateAccepted(int(rate)):
		return nil, p.fail("aiff-bad-rate", pcm.RateHint, "has a sample rate of %g Hz", rate)
	}
	kind, encoding, err := p.kind(bits)
	if err != nil {
		return nil, err
	}
	if encoding == audio.EncodingFloat {
		bits = 8 * kind.Bytes()
	}
	if frames == 0 {
		return nil, p.fail("aiff-empty", "choose another file", "holds no audio (0 frames)")
	}
	if !p.haveSSND {
		return nil, p.fail("aiff-no-data", exportHint, "has no SSND chunk")
	}
	align := int64(kind.Bytes() * channels)
	if int64(p.ssndSkip) > p.ssndSize {
		return nil, p.fail("aiff-size-lies", exportHint, "starts its audio at byte %d of an SSND chunk that holds %d", p.ssndSkip, p.ssndSize)
	}
	length := frames * align
	room := p.ssndSize - int64(p.ssndSkip)
	if length > room {
		return nil, p.fail("aiff-truncated", transferHint, "promises %d frames (%d bytes) but its SSND chunk holds %d bytes", frames, length, room)
	}
	// Block-aligned files may be filled up to a whole block.
	if room-length >= max(align, int64(p.ssndBlock)) {
		return nil, p.fail("aiff-size-lies", exportHint, "promises %d frames (%d bytes) but its SSND chunk holds %d bytes", frames, length, room)
	}
	r := &Reader{
		format: audio.Format{SampleRateHz: int(rate), Channels: channels, BitDepth: bits, Encoding: encoding, Container: "aiff"},
		frames: frames, offset: p.ssndOff + int64(p.ssndSkip), length: length,
	}
	if p.compressed {
		r.format.Container = "aifc"
	}
	r.stream = pcm.NewStream(p.r, pcm.Spec{
		Name: p.name, Prefix: "aiff", Kind: kind, Channels: channels,
		SampleRate: int(rate), Offset: r.offset, Frames: frames,
	})
	return r, nil
}

// kind maps compression id and bits to a packed form.
func (p *parser) kind(bits int) (pcm.Kind, audio.Encoding, error) {
	id := "NONE"
	if p.compressed {
		id = string(p.comm[18:22])
	}
	switch id {
	case "fl32", "FL32":
		return pcm.Float32BE, audio.EncodingFloat, nil
	case "fl64", "FL64":
		return pcm.Float64BE, audio.EncodingFloat, nil
	case "NONE", "twos", "sowt":
	default:
		return 0, "", p.fail("aiff-unknown-compression", exportHint, "holds audio of type %q, not NONE, twos, sowt, fl32 or fl64", id)
	}
	little := id == "sowt"
	pick := func(be, le pcm.Kind) (pcm.Kind, audio.Encoding, error) {
		if little {
			return le, audio.EncodingPCM, nil
		}
		return be, audio.EncodingPCM, nil
	}
	switch bits {
	case 8:
		return 0, "", p.fail("aiff-8-bit", "deliver the original mix, 16 bits or more", "has samples of 8 bits, too coarse to cut from")
	case 16:
		return pick(pcm.Int16BE, pcm.Int16LE)
	case 20, 24:
		return pick(pcm.Int24BE, pcm.Int24LE)
	case 32:
		return pick(pcm.Int32BE, pcm.Int32LE)
	}
	return 0, "", p.fail("aiff-bad-depth", exportHint, "has samples of %d bits, want 16, 20, 24 or 32", bits)
}

// extended decodes a ten-byte IEEE 754 extended number: sign and 15-bit
// exponent (bias 16383), then a 64-bit mantissa with an explicit leading one.
func extended(p []byte) float64 {
	e := binary.BigEndian.Uint16(p)
	m := binary.BigEndian.Uint64(p[2:])
	if e&0x7FFF == 0x7FFF {
		return math.NaN()
	}
	x := math.Ldexp(float64(m), int(e&0x7FFF)-16383-63)
	if e&0x8000 != 0 {
		return -x
	}
	return x
}
