package programme

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"math"
	"os"
)

// Encoding is the sample form of a generated file.
type Encoding int

// The forms written.
const (
	PCM24 Encoding = iota
	PCM16
	Float32
)

func (e Encoding) bytes() int { return [...]int{3, 2, 4}[e] }

// writeWAV streams frames of s into a plain WAVE file (IBM/Microsoft 1991).
// Samples are clipped to the range of the encoding, integers are rounded
// without dither.
func writeWAV(path string, rate, channels int, frames int64, enc Encoding, s stereo) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
	}()
	w := bufio.NewWriterSize(f, 1<<20)
	size := frames * int64(channels*enc.bytes())
	if size > math.MaxUint32-64 {
		return fmt.Errorf("%s: %d bytes of sound do not fit a plain WAVE file", path, size)
	}
	tag := uint16(1)
	if enc == Float32 {
		tag = 3
	}
	align := channels * enc.bytes()
	var h []byte
	h = append(h, "RIFF"...)
	h = binary.LittleEndian.AppendUint32(h, uint32(36+size+size%2))
	h = append(h, "WAVEfmt "...)
	h = binary.LittleEndian.AppendUint32(h, 16)
	h = binary.LittleEndian.AppendUint16(h, tag)
	h = binary.LittleEndian.AppendUint16(h, uint16(channels))
	h = binary.LittleEndian.AppendUint32(h, uint32(rate))
	h = binary.LittleEndian.AppendUint32(h, uint32(rate*align))
	h = binary.LittleEndian.AppendUint16(h, uint16(align))
	h = binary.LittleEndian.AppendUint16(h, uint16(8*enc.bytes()))
	h = append(h, "data"...)
	h = binary.LittleEndian.AppendUint32(h, uint32(size))
	if _, err := w.Write(h); err != nil {
		return err
	}
	buf := make([]byte, 0, 16)
	for n := range frames {
		l, r := s(n)
		buf = appendSample(buf[:0], enc, l)
		if channels == 2 {
			buf = appendSample(buf, enc, r)
		}
		if _, err := w.Write(buf); err != nil {
			return err
		}
	}
	if size%2 == 1 {
		if err := w.WriteByte(0); err != nil {
			return err
		}
	}
	return w.Flush()
}

func appendSample(b []byte, enc Encoding, v float64) []byte {
	switch enc {
	case PCM16:
		return binary.LittleEndian.AppendUint16(b, uint16(int16(integer(v, 1<<15))))
	case Float32:
		return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
	default:
		i := integer(v, 1<<23)
		return append(b, byte(i), byte(i>>8), byte(i>>16))
	}
}

// integer rounds v to steps of 1/scale within [-scale, scale-1].
func integer(v, scale float64) int32 {
	return int32(math.Max(-scale, math.Min(scale-1, math.RoundToEven(v*scale))))
}
