package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	gowav "github.com/go-audio/wav"

	"discsafe/pipeline/audio"
)

// Cue is a point in the programme with a name, e.g. the start of a track.
type Cue struct {
	ID    uint32 // unique in the file; 0 on writing means: number it
	Frame int64
	Label string // UTF-8; empty for no label
}

// Sizes inside cue and adtl chunks (RIFF, 1991).
const (
	cueHeadBytes  = 4
	cuePointBytes = 24
	lablHeadBytes = 4
)

// metaChunk reads the first metadata chunk with the given id, and list type for
// LIST. It returns nil when there is none.
func (r *Reader) metaChunk(id, listType string) ([]byte, error) {
	for _, c := range r.layout.meta {
		if c.id != id || id == "LIST" && c.size < int64(len(listType)) {
			continue
		}
		if id == "LIST" {
			var kind [4]byte
			if err := r.guard.readAt(kind[:], c.off); err != nil {
				return nil, err
			}
			if string(kind[:]) != listType {
				continue
			}
		}
		if c.size > maxMetaBytes {
			return nil, r.guard.fail("wav-huge-metadata", "remove the metadata or export again", "has a %q chunk of %d bytes, at most %d are read", id, c.size, maxMetaBytes)
		}
		p := make([]byte, c.size)
		return p, r.guard.readAt(p, c.off)
	}
	return nil, nil
}

// Bext returns the Broadcast Wave metadata, nil when the file has none.
func (r *Reader) Bext() (*Bext, error) {
	p, err := r.metaChunk("bext", "")
	if p == nil || err != nil {
		return nil, err
	}
	if len(p) < bextFixedBytes {
		return nil, r.guard.fail("wav-bad-bext", "", "has a bext chunk of %d bytes, want at least %d", len(p), bextFixedBytes)
	}
	return parseBext(p), nil
}

// Cues returns the cue points in the order of the file, with their labels, nil
// when the file has none.
func (r *Reader) Cues() ([]Cue, error) {
	p, err := r.metaChunk("cue ", "")
	if p == nil || err != nil {
		return nil, err
	}
	bad := func(format string, args ...any) error {
		return r.guard.fail("wav-bad-cue", "", "has a cue chunk "+format, args...)
	}
	if len(p) < cueHeadBytes {
		return nil, bad("of %d bytes, want at least %d", len(p), cueHeadBytes)
	}
	n := int64(binary.LittleEndian.Uint32(p))
	if want := cueHeadBytes + n*cuePointBytes; want > int64(len(p)) {
		return nil, bad("of %d bytes that claims %d points", len(p), n)
	}
	if n == 0 {
		return nil, nil
	}
	d := gowav.NewDecoder(sanitised(pcmFmt(), rawChunk{id: "cue ", body: p}))
	d.ReadMetadata()
	if err := d.Err(); err != nil {
		return nil, bad("that cannot be decoded: %v", err)
	}
	if d.Metadata == nil || int64(len(d.Metadata.CuePoints)) != n {
		return nil, bad("that cannot be decoded in full")
	}
	labels, err := r.labels()
	if err != nil {
		return nil, err
	}
	cues := make([]Cue, n)
	for i, c := range d.Metadata.CuePoints {
		id := binary.LittleEndian.Uint32(c.ID[:])
		cues[i] = Cue{ID: id, Frame: int64(c.SampleOffset), Label: labels[id]}
		if cues[i].Frame > r.frames {
			return nil, bad("with point %d at frame %d, after the end of the audio (%d frames)", id, c.SampleOffset, r.frames)
		}
	}
	return cues, nil
}

// labels reads the labl entries of the LIST adtl chunk.
func (r *Reader) labels() (map[uint32]string, error) {
	p, err := r.metaChunk("LIST", "adtl")
	if err != nil {
		return nil, err
	}
	out := map[uint32]string{}
	for id, body := range subChunks(p) {
		if id == "labl" && len(body) >= lablHeadBytes {
			out[binary.LittleEndian.Uint32(body)] = field(body[lablHeadBytes:])
		}
	}
	return out, nil
}

// subChunks iterates over the chunks inside a LIST, and stops at the first
// whose size lies.
func subChunks(list []byte) func(yield func(id string, body []byte) bool) {
	return func(yield func(string, []byte) bool) {
		const listTypeBytes = 4
		for p := list[min(listTypeBytes, len(list)):]; len(p) >= chunkHeadBytes; {
			size := int64(binary.LittleEndian.Uint32(p[4:]))
			if size > int64(len(p)-chunkHeadBytes) {
				return
			}
			if !yield(string(p[:4]), p[chunkHeadBytes:chunkHeadBytes+size]) {
				return
			}
			p = p[chunkHeadBytes+size:]
			// Some writers leave the pad byte out; ids do not start with NUL.
			if size&1 == 1 && len(p) > 0 && p[0] == 0 {
				p = p[1:]
			}
		}
	}
}

// Tags are the parts of a LIST INFO chunk that a cutting sheet can use.
type Tags struct {
	Title, Artist, Product, Engineer, Comments, CreationDate, Software string
}

// Tags returns the LIST INFO texts; all empty when the file has none.
func (r *Reader) Tags() (Tags, error) {
	p, err := r.metaChunk("LIST", "INFO")
	if p == nil || err != nil {
		return Tags{}, err
	}
	// The library trusts the sizes inside the list, so it gets a list made of
	// those that are true.
	var list bytes.Buffer
	list.WriteString("INFO")
	for id, body := range subChunks(p) {
		appendChunk(&list, rawChunk{id: id, body: body})
	}
	d := gowav.NewDecoder(sanitised(pcmFmt(), rawChunk{id: "LIST", body: list.Bytes()}))
	d.ReadMetadata()
	if err := d.Err(); err != nil {
		return Tags{}, r.guard.fail("wav-bad-info", "", "has a LIST INFO chunk that cannot be decoded: %v", err)
	}
	if d.Metadata == nil {
		return Tags{}, nil
	}
	m := d.Metadata
	t := Tags{
		Title: m.Title, Artist: m.Artist, Product: m.Product, Engineer: m.Engineer,
		Comments: m.Comments, CreationDate: m.CreationDate, Software: m.Software,
	}
	for _, s := range []*string{&t.Title, &t.Artist, &t.Product, &t.Engineer, &t.Comments, &t.CreationDate, &t.Software} {
		*s = strings.ToValidUTF8(*s, "?")
	}
	return t, nil
}

// pcmFmt is a plain fmt chunk for views in which only the metadata matter.
func pcmFmt() []byte { return fmtBytes(tagPCM, 2, 44100, 16) }

// PatchLoudness writes the five loudness fields into the bext chunk of a
// finished file, in place, and changes nothing else. A file without bext
// version 2 is an *audio.FormatError.
func PatchLoudness(f *os.File, l Loudness) error {
	st, err := f.Stat()
	if err != nil {
		return fmt.Errorf("patching loudness: %w", err)
	}
	return patchLoudness(f, f.Name(), st.Size(), l)
}

func patchLoudness(f interface {
	io.ReaderAt
	io.WriterAt
}, name string, size int64, l Loudness) error {
	g := guard{name: name, r: f, size: size}
	lay, err := g.walk()
	if err != nil {
		return err
	}
	i := slices.IndexFunc(lay.meta, func(c chunk) bool { return c.id == "bext" })
	if i < 0 || lay.meta[i].size < bextFixedBytes {
		return &audio.FormatError{File: name, Code: "wav-no-bext", AtS: -1, Detail: "has no bext chunk to hold the loudness"}
	}
	off := lay.meta[i].off
	var version [2]byte
	if err := g.readAt(version[:], off+bextOffVersion); err != nil {
		return err
	}
	if v := binary.LittleEndian.Uint16(version[:]); v < bextVersion {
		return g.fail("wav-no-bext", "", "has a bext chunk of version %d, which has no loudness fields", v)
	}
	if _, err := f.WriteAt(l.bytes(), off+bextOffLoudness); err != nil {
		return errors.Join(fmt.Errorf("%s: writing the loudness fields", name), err)
	}
	return nil
}
