package flac

import (
	"errors"
	"io"

	"github.com/mewkiz/flac/meta"
)

const windowBytes = 64 << 10

// window is a buffered reader over part of a file which knows where it stands
// and can look ahead. The library reads a few bytes at a time.
type window struct {
	r   io.ReaderAt
	at  int64 // file offset of the next byte
	end int64
	buf []byte
	p   []byte // unread part of buf
	err error  // of the file, not io.EOF
}

// fill reads on behind p, keeping it.
func (w *window) fill() error {
	if w.buf == nil {
		w.buf = make([]byte, windowBytes)
	}
	n := copy(w.buf, w.p)
	want := min(int64(len(w.buf)-n), w.end-w.at-int64(n))
	m, err := w.r.ReadAt(w.buf[n:int64(n)+want], w.at+int64(n))
	w.p = w.buf[:n+m]
	if int64(m) < want {
		if err == nil || errors.Is(err, io.EOF) {
			w.end = w.at + int64(len(w.p)) // the file became shorter
			return nil
		}
		w.err = err
		return err
	}
	return nil
}

// seek makes the byte at an offset the next one. What was read on behind it stays.
func (w *window) seek(at int64) {
	if on := at - w.at; on >= 0 && on <= int64(len(w.p)) {
		w.p = w.p[on:]
	} else {
		w.p = nil
	}
	w.at, w.err = at, nil
}

// peek returns the next n bytes, fewer at the end. Changing them changes what
// Read delivers.
func (w *window) peek(n int) ([]byte, error) {
	if len(w.p) < n && w.at+int64(len(w.p)) < w.end {
		if err := w.fill(); err != nil {
			return nil, err
		}
	}
	return w.p[:min(n, len(w.p))], nil
}

// Read implements io.Reader.
func (w *window) Read(b []byte) (int, error) {
	if len(w.p) == 0 && len(b) > 0 {
		if w.at >= w.end {
			return 0, io.EOF
		}
		if err := w.fill(); err != nil {
			return 0, err
		}
		if len(w.p) == 0 {
			return 0, io.EOF
		}
	}
	n := copy(b, w.p)
	w.p = w.p[n:]
	w.at += int64(n)
	return n, nil
}

// crc is the CRC-16 over bytes [from, to) of the file.
func (g *guard) crc(from, to int64) (uint16, error) {
	var c uint16
	buf := make([]byte, min(int64(windowBytes), to-from))
	for from < to {
		p := buf[:min(int64(len(buf)), to-from)]
		if err := g.readAt(p, from); err != nil {
			return 0, err
		}
		c = crc16(c, p)
		from += int64(len(p))
	}
	return c, nil
}

// measure finds the length of a stream that does not state it, from the number
// in its last frame: the only frame whose header is valid and whose CRC-16
// holds up to the very end of the file. It reads at most one frame's worth of
// bytes.
func (g *guard) measure(info *meta.StreamInfo, start int64) (int64, error) {
	// A verbatim frame is the longest: samples, and some bytes around them.
	longest := int64(info.BlockSizeMax)*int64(info.NChannels)*int64(info.BitsPerSample+1)/8 + 64
	from := max(start, g.size-longest)
	tail := make([]byte, g.size-from)
	if err := g.readAt(tail, from); err != nil {
		return 0, err
	}
	// Backwards, so that the shortest candidates are checked first. Chance
	// gives a false header in one of twenty such tails (2^-15 for the sync
	// code, 2^-8 for the CRC-8, 400 kB); more than a few are made on purpose.
	const maxCandidates = 8
	for i, tried := len(tail)-2, 0; i >= 0 && tried < maxCandidates; i-- {
		if tail[i] != 0xFF || tail[i+1]&0xFE != 0xF8 {
			continue
		}
		h, ok := parseHeader(tail[i:min(len(tail), i+maxHeaderBytes)])
		if !ok {
			continue
		}
		if tried++; crc16(0, tail[i:]) != 0 {
			continue
		}
		first := h.number
		if !h.variable {
			first *= uint64(info.BlockSizeMax)
		}
		if first < 1<<36 { // what STREAMINFO can hold
			return int64(first) + int64(h.block), nil
		}
	}
	return 0, g.fail("flac-unknown-size", exportHint, "does not say how long it is (it was written to a pipe), and has no whole frame at its end")
}
