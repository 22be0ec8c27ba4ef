//go:build battery

package pipeline_test

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
)

// sound is a whole stereo file in memory, read by the battery's own reader so
// that a fault in discsafe's codec cannot hide itself.
type sound struct {
	rate int
	bits int
	l, r []float64
}

func (s sound) frames() int { return len(s.l) }

// readSound reads 16- and 24-bit PCM and 32-bit float WAVE files with one or
// two channels (RIFF 1991; WAVE_FORMAT_EXTENSIBLE by its sub-format's first
// two bytes).
func readSound(path string) (sound, error) {
	f, err := os.Open(path)
	if err != nil {
		return sound{}, err
	}
	defer f.Close()
	in := bufio.NewReaderSize(f, 1<<20)
	var head [12]byte
	if _, err := io.ReadFull(in, head[:]); err != nil {
		return sound{}, fmt.Errorf("%s: header: %w", path, err)
	}
	if string(head[:4]) != "RIFF" || string(head[8:]) != "WAVE" {
		return sound{}, fmt.Errorf("%s: not a RIFF WAVE file", path)
	}
	var s sound
	var tag, channels int
	for {
		var ch [8]byte
		if _, err := io.ReadFull(in, ch[:]); err != nil {
			return sound{}, fmt.Errorf("%s: no data chunk: %w", path, err)
		}
		size := int64(binary.LittleEndian.Uint32(ch[4:]))
		switch string(ch[:4]) {
		case "fmt ":
			b := make([]byte, size+size%2)
			if _, err := io.ReadFull(in, b); err != nil {
				return sound{}, fmt.Errorf("%s: fmt: %w", path, err)
			}
			tag, channels = int(binary.LittleEndian.Uint16(b)), int(binary.LittleEndian.Uint16(b[2:]))
			s.rate, s.bits = int(binary.LittleEndian.Uint32(b[4:])), int(binary.LittleEndian.Uint16(b[14:]))
			if tag == 0xFFFE {
				tag = int(binary.LittleEndian.Uint16(b[24:]))
			}
		case "data":
			return s, s.decode(in, path, size, tag, channels)
		default:
			if _, err := io.CopyN(io.Discard, in, size+size%2); err != nil {
				return sound{}, fmt.Errorf("%s: chunk %q: %w", path, ch[:4], err)
			}
		}
	}
}

func (s *sound) decode(in io.Reader, path string, size int64, tag, channels int) error {
	if channels < 1 || channels > 2 || s.bits == 0 {
		return fmt.Errorf("%s: %d channels of %d bits", path, channels, s.bits)
	}
	bytes := s.bits / 8
	n := int(size) / (bytes * channels)
	s.l, s.r = make([]float64, n), make([]float64, n)
	b := make([]byte, bytes)
	for i := range n {
		for c := range channels {
			if _, err := io.ReadFull(in, b); err != nil {
				return fmt.Errorf("%s: frame %d of %d: %w", path, i, n, err)
			}
			var v float64
			switch {
			case tag == 1 && s.bits == 16:
				v = float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
			case tag == 1 && s.bits == 24:
				v = float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)>>8) / (1 << 23)
			case tag == 3 && s.bits == 32:
				v = float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
			default:
				return fmt.Errorf("%s: format tag %d with %d bits", path, tag, s.bits)
			}
			if c == 0 {
				s.l[i] = v
			} else {
				s.r[i] = v
			}
		}
		if channels == 1 {
			s.r[i] = s.l[i]
		}
	}
	return nil
}
