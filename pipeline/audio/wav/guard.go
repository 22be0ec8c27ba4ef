package wav

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strconv"

	"discsafe/pipeline/audio"
)

// Limits on what the guard accepts before it looks at any content.
const (
	maxChunks    = 256     // ordinary files have fewer than 20
	maxFmtBytes  = 1 << 10 // 16, 18 or 40 in practice
	maxMetaBytes = 1 << 20 // one bext, cue, LIST or smpl chunk
	maxDS64Bytes = 1 << 10 // 28 plus 12 for each further huge chunk
	// Tags that a program hung behind the form are harmless. More than this is
	// audio: a size that wrapped at 4 GiB, or a header that was not updated.
	maxTrailing     = 64 << 10
	unknownSize32   = 0xFFFFFFFF
	headerBytes     = 12 // form id, size, "WAVE"
	chunkHeadBytes  = 8  // id, size
	ds64MinBytes    = 28
	ds64EntryBytes  = 12
	seekableHint    = "write the file again with a program that finishes its header (not through a pipe)"
	transferHint    = "copy or export the file again"
	exportAgainHint = "export the mix again as WAV, 24-bit PCM"
)

// chunk is where a chunk's content lies in the file.
type chunk struct {
	id   string
	off  int64 // first byte of the content
	size int64 // content without header and pad byte
}

// layout is the outcome of the guard: the chunks that matter, all of them
// inside the file.
type layout struct {
	form string // "RIFF", "RF64" or "BW64"
	fmt  chunk
	data chunk
	meta []chunk // bext, cue, LIST, smpl in file order
}

// guard walks chunk headers. It reads 8 bytes a chunk and the ds64 chunk, and
// steps over everything else.
type guard struct {
	name string
	r    io.ReaderAt
	size int64
}

func (g *guard) fail(code, hint, format string, args ...any) error {
	return &audio.FormatError{
		File: g.name, Code: code, AtS: -1,
		Detail: fmt.Sprintf(format, args...), Hint: hint,
	}
}

// readAt fills p from offset at. The caller has checked that it lies inside
// the file, so a short read means that the file changed.
func (g *guard) readAt(p []byte, at int64) error {
	n, err := g.r.ReadAt(p, at)
	if n == len(p) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return g.fail("wav-truncated", transferHint, "the file became shorter while it was read: %d of %d bytes at offset %d", n, len(p), at)
	}
	return &audio.FormatError{
		File: g.name, Code: "wav-read", AtS: -1, Detail: "cannot be read", Err: err,
		Hint: "check the disk or network and try again",
	}
}

// sizes64 is the content of a ds64 chunk (EBU Tech 3306, ITU-R BS.2088).
type sizes64 struct {
	riff, data uint64
	other      []sizeEntry
}

type sizeEntry struct {
	id   string
	size uint64
}

func (g *guard) walk() (*layout, error) {
	if g.size == 0 {
		return nil, g.fail("wav-empty", "choose another file", "is empty (0 bytes)")
	}
	if g.size < headerBytes {
		return nil, g.fail("wav-truncated", transferHint, "is only %d bytes long, too short for a WAVE header (%d bytes)", g.size, headerBytes)
	}
	var head [headerBytes]byte
	if err := g.readAt(head[:], 0); err != nil {
		return nil, err
	}
	form := string(head[:4])
	switch form {
	case "RIFF", "RF64", "BW64":
	case "RIFX":
		return nil, g.fail("wav-big-endian", exportAgainHint, "is a big-endian RIFX file")
	default:
		return nil, g.fail("wav-not-wave", "choose a WAVE file", "starts with %q, not with RIFF, RF64 or BW64", form)
	}
	if string(head[8:]) != "WAVE" {
		return nil, g.fail("wav-not-wave", "choose a WAVE file", "is a RIFF file of type %q, not WAVE", string(head[8:]))
	}

	formSize := int64(binary.LittleEndian.Uint32(head[4:]))
	pos := int64(headerBytes)
	var ds64 *sizes64
	if form != "RIFF" {
		var next int64
		var err error
		if ds64, next, err = g.readDS64(form); err != nil {
			return nil, err
		}
		pos = next
		if formSize == unknownSize32 {
			if ds64.riff > uint64(g.size) {
				return nil, g.tooShort(ds64.riff)
			}
			formSize = int64(ds64.riff)
		}
	} else if formSize == unknownSize32 {
		return nil, g.fail("wav-unknown-size", seekableHint, "has an unknown length in its header (0xFFFFFFFF): it was written to a pipe and never finished")
	}
	if formSize == 0 && g.size > headerBytes {
		return nil, g.unfinished()
	}
	end := formSize + chunkHeadBytes
	if end > g.size {
		return nil, g.tooShort(uint64(formSize))
	}
	return g.chunks(form, pos, end, ds64)
}

func (g *guard) tooShort(formSize uint64) error {
	return g.fail("wav-truncated", transferHint, "is %d bytes long but its header promises %s", g.size, plus8(formSize))
}

// plus8 renders size+8 without overflow.
func plus8(size uint64) string {
	if size > 1<<62 {
		return "more than 2^62"
	}
	return strconv.FormatUint(size+chunkHeadBytes, 10)
}

func (g *guard) readDS64(form string) (*sizes64, int64, error) {
	if g.size < headerBytes+chunkHeadBytes+ds64MinBytes {
		return nil, 0, g.fail("wav-truncated", transferHint, "is only %d bytes long, too short for an %s header", g.size, form)
	}
	var head [chunkHeadBytes]byte
	if err := g.readAt(head[:], headerBytes); err != nil {
		return nil, 0, err
	}
	if string(head[:4]) != "ds64" {
		return nil, 0, g.fail("wav-no-ds64", exportAgainHint, "is an %s file whose first chunk is %q, not ds64", form, string(head[:4]))
	}
	size := int64(binary.LittleEndian.Uint32(head[4:]))
	if size < ds64MinBytes || size > maxDS64Bytes || headerBytes+chunkHeadBytes+size > g.size {
		return nil, 0, g.fail("wav-bad-ds64", exportAgainHint, "has a ds64 chunk of %d bytes, want %d to %d inside the file", size, ds64MinBytes, maxDS64Bytes)
	}
	p := make([]byte, size)
	if err := g.readAt(p, headerBytes+chunkHeadBytes); err != nil {
		return nil, 0, err
	}
	s := &sizes64{riff: binary.LittleEndian.Uint64(p), data: binary.LittleEndian.Uint64(p[8:])}
	entries := int64(binary.LittleEndian.Uint32(p[24:]))
	if entries*ds64EntryBytes > size-ds64MinBytes {
		return nil, 0, g.fail("wav-bad-ds64", exportAgainHint, "has a ds64 chunk of %d bytes that claims %d table entries", size, entries)
	}
	for i := range entries {
		e := p[ds64MinBytes+i*ds64EntryBytes:]
		s.other = append(s.other, sizeEntry{id: string(e[:4]), size: binary.LittleEndian.Uint64(e[4:])})
	}
	return s, headerBytes + chunkHeadBytes + size + size&1, nil
}

// chunks walks from pos to end, the end of the RIFF form.
func (g *guard) chunks(form string, pos, end int64, ds64 *sizes64) (*layout, error) {
	lay := &layout{form: form}
	seenData := false
	for n := 0; end-pos >= chunkHeadBytes; n++ {
		if n == maxChunks {
			return nil, g.fail("wav-too-many-chunks", exportAgainHint, "has more than %d chunks", maxChunks)
		}
		var head [chunkHeadBytes]byte
		if err := g.readAt(head[:], pos); err != nil {
			return nil, err
		}
		c := chunk{id: string(head[:4]), off: pos + chunkHeadBytes}
		var err error
		if c.size, err = g.chunkSize(c, head[4:], end, ds64); err != nil {
			if seenData && lay.data.size == 0 {
				return nil, g.unfinished()
			}
			return nil, err
		}
		switch c.id {
		case "fmt ":
			if lay.fmt.id != "" {
				return nil, g.fail("wav-duplicate-chunk", exportAgainHint, "has two fmt chunks")
			}
			if c.size < 16 || c.size > maxFmtBytes {
				return nil, g.fail("wav-bad-fmt", exportAgainHint, "has a fmt chunk of %d bytes, want 16 to %d", c.size, maxFmtBytes)
			}
			lay.fmt = c
		case "data":
			if seenData {
				return nil, g.fail("wav-duplicate-chunk", exportAgainHint, "has two data chunks")
			}
			if lay.fmt.id == "" {
				return nil, g.fail("wav-no-fmt", exportAgainHint, "has its data chunk before any fmt chunk")
			}
			lay.data, seenData = c, true
		case "bext", "cue ", "LIST", "smpl":
			lay.meta = append(lay.meta, c)
		}
		pos = c.off + c.size + c.size&1
	}
	// One stray byte is a pad byte that somebody counted in the form.
	if rest := end - pos; rest > 1 {
		if seenData && lay.data.size == 0 {
			return nil, g.unfinished()
		}
		return nil, g.fail("wav-truncated", transferHint, "ends inside a chunk header: %d of %d bytes at offset %d", rest, chunkHeadBytes, pos)
	}
	return lay, g.complete(lay, seenData, end)
}

func (g *guard) complete(lay *layout, seenData bool, end int64) error {
	switch {
	case lay.fmt.id == "" && !seenData && end < g.size-chunkHeadBytes:
		return g.fail("wav-size-lies", exportAgainHint, "is %d bytes long but its header promises %d and no audio in them", g.size, end)
	case lay.fmt.id == "":
		return g.fail("wav-no-fmt", exportAgainHint, "has no fmt chunk")
	case !seenData && end < g.size-chunkHeadBytes:
		return g.fail("wav-size-lies", exportAgainHint, "is %d bytes long but its header promises %d and no audio in them", g.size, end)
	case !seenData:
		return g.fail("wav-no-data", exportAgainHint, "has no data chunk")
	case lay.data.size == 0 && end < g.size:
		return g.unfinished()
	case lay.data.size == 0:
		return g.fail("wav-empty", "choose another file", "holds no audio (data chunk of 0 bytes)")
	case g.size-end > maxTrailing:
		return g.fail("wav-size-lies", exportAgainHint, "is %d bytes long but its header ends it after %d: the header is out of date, or wrapped at 4 GiB", g.size, end)
	}
	return nil
}

// unfinished is a file whose writer never came back to fill in the sizes.
func (g *guard) unfinished() error {
	return g.fail("wav-unfinished", seekableHint, "is %d bytes long but its header says 0: the recording was never closed", g.size)
}

// chunkSize resolves the size of c and checks that it lies before end.
func (g *guard) chunkSize(c chunk, field []byte, end int64, ds64 *sizes64) (int64, error) {
	size := uint64(binary.LittleEndian.Uint32(field))
	if size == unknownSize32 {
		switch {
		case ds64 != nil && c.id == "data":
			size = ds64.data
		case ds64 != nil:
			for _, e := range ds64.other {
				if e.id == c.id {
					size = e.size
					break
				}
			}
		case c.id == "data":
			return 0, g.fail("wav-unknown-size", seekableHint, "has an unknown amount of audio (data size 0xFFFFFFFF): it was written to a pipe and never finished")
		}
	}
	left := end - c.off
	if size <= uint64(left) {
		return int64(size), nil
	}
	if c.id == "data" {
		if end < g.size {
			return 0, g.fail("wav-size-lies", exportAgainHint, "promises %d bytes of audio, but its own header ends the file after %d of them", size, left)
		}
		return 0, g.fail("wav-truncated", transferHint, "promises %d bytes of audio but ends after %d", size, left)
	}
	return 0, g.fail("wav-size-lies", exportAgainHint, "has a chunk %q at offset %d that claims %d bytes, %d remain", c.id, c.off-chunkHeadBytes, size, left)
}
