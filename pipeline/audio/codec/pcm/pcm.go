// Package pcm converts packed samples, as they lie in a file, to and from
// planar float64, and streams a run of packed frames as an audio.Source would.
// The container readers (wav, aiff) and writers sit on top of it.
//
// Entry points: Kind.Decoder for the bulk loops, Stream for reading, PackInt16,
// PackInt24 and PackFloat32 for writing, OpenFile for the regular files that all
// readers take. The package knows nothing of chunks or headers; what it is told
// about a file is only used in error messages.
package pcm

import (
	"encoding/binary"
	"math"
	"slices"
)

// Kind is the packed form of one sample: number type, width, byte order.
type Kind uint8

// The packed forms discsafe reads. Widths are containers: a 20-bit sample is
// stored left-justified in 24 bits and read as such, which gives the same
// value (Microsoft WAVE_FORMAT_EXTENSIBLE; AIFF 1.3 "sample points").
const (
	Int16LE Kind = iota + 1
	Int24LE
	Int32LE
	Float32LE
	Float64LE
	Int16BE
	Int24BE
	Int32BE
	Float32BE
	Float64BE
)

// Bytes is the width of one sample in bytes, 0 for an unknown kind.
func (k Kind) Bytes() int {
	switch k {
	case Int16LE, Int16BE:
		return 2
	case Int24LE, Int24BE:
		return 3
	case Int32LE, Int32BE, Float32LE, Float32BE:
		return 4
	case Float64LE, Float64BE:
		return 8
	}
	return 0
}

// MaxMagnitude is the largest absolute sample value accepted from a float
// file: 2^32, or +192.7 dB above full scale. Nothing an engineer delivers
// comes near it (integers stored unscaled as floats reach 2^31), and squares
// of it stay far from overflow.
const MaxMagnitude = 1 << 32

// rates are the sample rates discsafe works at, in Hz.
var rates = [...]int{44100, 48000, 88200, 96000, 176400, 192000}

// RateAccepted reports whether a sample rate in Hz is one discsafe works at:
// 44100, 48000, 88200, 96000, 176400 or 192000.
func RateAccepted(hz int) bool { return slices.Contains(rates[:], hz) }

// RateHint is what to tell a user whose sample rate is not accepted.
const RateHint = "deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz"

// DecodeFunc converts len(dst) samples of one channel. The first lies at
// src[0], each next one stride bytes further. It returns the index of the
// first sample that is not a usable number (NaN, Inf, beyond MaxMagnitude),
// or -1; samples after it are not converted. Integers of n bits become
// value/2^(n-1), exactly. It never allocates. It panics when src is too short.
type DecodeFunc func(dst []float64, src []byte, stride int) (bad int)

// Decoder returns the bulk loop for a kind, nil for an unknown kind.
func (k Kind) Decoder() DecodeFunc {
	switch k {
	case Int16LE:
		return int16LE
	case Int24LE:
		return int24LE
	case Int32LE:
		return int32LE
	case Float32LE:
		return float32LE
	case Float64LE:
		return float64LE
	case Int16BE:
		return int16BE
	case Int24BE:
		return int24BE
	case Int32BE:
		return int32BE
	case Float32BE:
		return float32BE
	case Float64BE:
		return float64BE
	}
	return nil
}

// All integers are shifted to the top of 32 bits and scaled by 2^-31: both
// steps are exact in float64, and one scale serves every width.
const scale32 = 1.0 / (1 << 31)

func int16LE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		v := int32(uint32(binary.LittleEndian.Uint16(src[k:])) << 16)
		dst[i] = float64(v) * scale32
		k += stride
	}
	return -1
}

func int16BE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		v := int32(uint32(binary.BigEndian.Uint16(src[k:])) << 16)
		dst[i] = float64(v) * scale32
		k += stride
	}
	return -1
}

func int24LE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		s := src[k : k+3 : k+3]
		v := int32(uint32(s[0])<<8 | uint32(s[1])<<16 | uint32(s[2])<<24)
		dst[i] = float64(v) * scale32
		k += stride
	}
	return -1
}

func int24BE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		s := src[k : k+3 : k+3]
		v := int32(uint32(s[2])<<8 | uint32(s[1])<<16 | uint32(s[0])<<24)
		dst[i] = float64(v) * scale32
		k += stride
	}
	return -1
}

func int32LE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(src[k:]))) * scale32
		k += stride
	}
	return -1
}

func int32BE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		dst[i] = float64(int32(binary.BigEndian.Uint32(src[k:]))) * scale32
		k += stride
	}
	return -1
}

// usable is false for NaN as well: every comparison with NaN is false.
func usable(x float64) bool { return math.Abs(x) <= MaxMagnitude }

func float32LE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		x := float64(math.Float32frombits(binary.LittleEndian.Uint32(src[k:])))
		if !usable(x) {
			return i
		}
		dst[i] = x
		k += stride
	}
	return -1
}

func float32BE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		x := float64(math.Float32frombits(binary.BigEndian.Uint32(src[k:])))
		if !usable(x) {
			return i
		}
		dst[i] = x
		k += stride
	}
	return -1
}

func float64LE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		x := math.Float64frombits(binary.LittleEndian.Uint64(src[k:]))
		if !usable(x) {
			return i
		}
		dst[i] = x
		k += stride
	}
	return -1
}

func float64BE(dst []float64, src []byte, stride int) int {
	k := 0
	for i := range dst {
		x := math.Float64frombits(binary.BigEndian.Uint64(src[k:]))
		if !usable(x) {
			return i
		}
		dst[i] = x
		k += stride
	}
	return -1
}
