package wav_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

// part is a chunk for a hand-made file. size is the size field; -1 means the
// true one.
type part struct {
	id   string
	size int64
	body []byte
}

func ck(id string, body ...byte) part { return part{id, -1, body} }

func (p part) lying(size int64) part { p.size = size; return p }

func le16(v int) []byte    { return binary.LittleEndian.AppendUint16(nil, uint16(v)) }
func le32(v int64) []byte  { return binary.LittleEndian.AppendUint32(nil, uint32(v)) }
func le64(v uint64) []byte { return binary.LittleEndian.AppendUint64(nil, v) }

func cat(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// file joins parts to a form with a true size.
func file(form string, parts ...part) []byte {
	p := cat([]byte(form), le32(0), []byte("WAVE"))
	for _, c := range parts {
		size := c.size
		if size < 0 {
			size = int64(len(c.body))
		}
		p = append(p, c.id...)
		p = append(p, le32(size)...)
		p = append(p, c.body...)
		if len(c.body)&1 == 1 {
			p = append(p, 0)
		}
	}
	copy(p[4:], le32(int64(len(p)-8)))
	return p
}

// riffSize overwrites the size of the form.
func riffSize(p []byte, size int64) []byte {
	p = bytes.Clone(p)
	copy(p[4:], le32(size))
	return p
}

func fmtPart(tag, channels, rate, bits int) part {
	align := channels * ((bits + 7) / 8)
	return ck("fmt ", cat(le16(tag), le16(channels), le32(int64(rate)), le32(int64(rate*align)), le16(align), le16(bits))...)
}

const guidTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71"

func extPart(tag, channels, rate, bits, valid int, mask int64) part {
	p := fmtPart(0xFFFE, channels, rate, bits)
	p.body = cat(p.body, le16(22), le16(valid), le32(mask), le16(tag), []byte(guidTail))
	return p
}

func ds64Part(riff, data uint64) part {
	return ck("ds64", cat(le64(riff), le64(data), le64(0), le32(0))...)
}

// good is the smallest ordinary file: stereo, 44.1 kHz, 16 bits, 4 frames.
func good() []byte {
	return file("RIFF", fmtPart(1, 2, 44100, 16), ck("data", 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16))
}

// openBytes opens p under the name mix.wav.
func openBytes(p []byte) (*wav.Reader, error) {
	return wav.New("mix.wav", bytes.NewReader(p), int64(len(p)))
}

// readAll drains a source in blocks of the given size and checks the promises
// of audio.Source on the way.
func readAll(t *testing.T, s audio.Source, block int) (l, r []float64) {
	t.Helper()
	b := audio.NewBlock(block)
	for {
		n, err := s.Read(b)
		if err == io.EOF {
			if n != 0 {
				t.Fatalf("EOF with %d frames", n)
			}
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 || n > block {
			t.Fatalf("read %d frames of %d without an error", n, block)
		}
		l, r = append(l, b.L[:n]...), append(r, b.R[:n]...)
	}
	if int64(len(l)) != s.Frames() {
		t.Fatalf("read %d frames, Frames says %d", len(l), s.Frames())
	}
	return l, r
}

// code is the reason code of an error, "" when it is not a FormatError.
func code(err error) string {
	var fe *audio.FormatError
	if errors.As(err, &fe) {
		return fe.Code
	}
	return ""
}

// memFile is a file in memory for writers and readers.
type memFile struct {
	p   []byte
	pos int64
}

func (m *memFile) Write(b []byte) (int, error) {
	if need := m.pos + int64(len(b)); need > int64(len(m.p)) {
		m.p = append(m.p, make([]byte, need-int64(len(m.p)))...)
	}
	copy(m.p[m.pos:], b)
	m.pos += int64(len(b))
	return len(b), nil
}

func (m *memFile) Seek(off int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		off += m.pos
	case io.SeekEnd:
		off += int64(len(m.p))
	}
	m.pos = off
	return off, nil
}

// noise is a reproducible run of integers that use all bits, with both
// extremes in it.
func noise(frames, bits int, seed uint64) (l, r []int32) {
	half := int32(1) << (bits - 1)
	next := func() int32 {
		seed ^= seed << 13
		seed ^= seed >> 7
		seed ^= seed << 17
		return int32(seed>>32) >> (32 - bits)
	}
	for range frames {
		l, r = append(l, next()), append(r, next())
	}
	if frames > 1 {
		l[0], r[0], l[1], r[1] = half-1, -half, -half, half-1
	}
	return l, r
}

// write makes a file with the package's own writer.
func write(t testing.TB, p wav.WriterParams, l, r []int32) []byte {
	t.Helper()
	m := &memFile{}
	w, err := wav.Create(m, p)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.WriteInt(l, r); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return m.p
}
