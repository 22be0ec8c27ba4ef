package pcm

import (
	"encoding/binary"
	"math"
)

// PackInt16 interleaves and packs l and r as 16-bit little-endian frames into
// dst, 4 bytes a frame. It returns the index of the first frame with a value
// outside [-32768, 32767], or -1; nothing from that frame on is packed. It
// panics when the slices do not fit.
func PackInt16(dst []byte, l, r []int32) (bad int) {
	r = r[:len(l)]
	for i, a := range l {
		b := r[i]
		if a != int32(int16(a)) || b != int32(int16(b)) {
			return i
		}
		binary.LittleEndian.PutUint32(dst[4*i:], uint32(uint16(a))|uint32(b)<<16)
	}
	return -1
}

// PackInt24 is PackInt16 for 24 bits, 6 bytes a frame, range
// [-8388608, 8388607].
func PackInt24(dst []byte, l, r []int32) (bad int) {
	r = r[:len(l)]
	for i, a := range l {
		b := r[i]
		if a != a<<8>>8 || b != b<<8>>8 {
			return i
		}
		s := dst[6*i : 6*i+6 : 6*i+6]
		u := uint64(uint32(a)&0xFFFFFF) | uint64(uint32(b)&0xFFFFFF)<<24
		binary.LittleEndian.PutUint32(s, uint32(u))
		binary.LittleEndian.PutUint16(s[4:], uint16(u>>32))
	}
	return -1
}

// PackFloat32 interleaves and packs l and r as 32-bit IEEE 754 little-endian
// frames into dst, 8 bytes a frame, rounding to the nearest float32. It
// returns the index of the first frame that is not finite as a float32, or -1.
func PackFloat32(dst []byte, l, r []float64) (bad int) {
	r = r[:len(l)]
	for i, a := range l {
		x, y := float32(a), float32(r[i])
		if !usable(float64(x)) || !usable(float64(y)) {
			return i
		}
		u := uint64(math.Float32bits(x)) | uint64(math.Float32bits(y))<<32
		binary.LittleEndian.PutUint64(dst[8*i:], u)
	}
	return -1
}
