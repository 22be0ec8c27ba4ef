// Package clip makes the sound and the side plans of a fault run: short tones
// and noise from a seed, as plain WAVE files. The same seed gives the same
// bytes. It has a writer of its own, so that it shares no fault with what is
// tested.
package clip

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
)

// Side is a plan and its only mix.
type Side struct {
	Plan   string
	Name   string // of the mix, in the plan
	Mix    []byte
	SHA256 string // of the mix
}

// RateHz is the sampling rate of every clip.
const RateHz = 44100

// Make makes the side number n of a seed, so many seconds long. The catalogue
// number goes into the plan: builds for fault runs misbehave on some.
func Make(seed, n uint64, seconds float64, catalogue string) *Side {
	s := &Side{Name: fmt.Sprintf("clip-%d.wav", n), Mix: wave(seed, n, seconds)}
	sum := sha256.Sum256(s.Mix)
	s.SHA256 = hex.EncodeToString(sum[:])
	s.Plan = fmt.Sprintf("side: A\ntitle: Fault run %d\ncatalogue: %s\ndisc: 7in-45\ntracks:\n  - file: %s\n", n, catalogue, s.Name)
	return s
}

// MakeUnsound makes a side whose mix, in floating point, has a sample in its
// middle that is no number: its head promises nothing wrong, only who reads the
// sound finds it.
func MakeUnsound(seed, n uint64, seconds float64) *Side {
	s := Make(seed, n, seconds, "FR-UNSOUND")
	samples := s.Mix[44:]
	var b bytes.Buffer
	b.Grow(44 + 2*len(samples))
	b.Write(s.Mix[:44])
	for i := 0; i < len(samples); i += 2 {
		v := float32(int16(binary.LittleEndian.Uint16(samples[i:]))) / 32768
		if i/2 == len(samples)/4 {
			v = float32(math.NaN())
		}
		_ = binary.Write(&b, binary.LittleEndian, v) // a buffer takes everything
	}
	s.Mix = b.Bytes()
	put := func(at int, v uint32) { binary.LittleEndian.PutUint32(s.Mix[at:], v) }
	put(4, uint32(len(s.Mix)-8))
	binary.LittleEndian.PutUint16(s.Mix[20:], 3) // IEEE float
	put(28, 8*RateHz)
	binary.LittleEndian.PutUint16(s.Mix[32:], 8)
	binary.LittleEndian.PutUint16(s.Mix[34:], 32)
	put(40, uint32(len(s.Mix)-44))
	sum := sha256.Sum256(s.Mix)
	s.SHA256 = hex.EncodeToString(sum[:])
	return s
}

// wave is a 16-bit stereo WAVE file (IBM/Microsoft 1991) of two tones and some
// noise that differs between the channels.
func wave(seed, n uint64, seconds float64) []byte {
	r := rand.New(rand.NewPCG(seed, n))
	frames := int(seconds * RateHz)
	low, high := 80+r.Float64()*200, 1000+r.Float64()*4000
	var b bytes.Buffer
	b.Grow(44 + 4*frames)
	put := func(v any) { _ = binary.Write(&b, binary.LittleEndian, v) } // a buffer takes everything
	b.WriteString("RIFF")
	put(uint32(36 + 4*frames))
	b.WriteString("WAVEfmt ")
	put(uint32(16))
	put([]uint16{1, 2})
	put([]uint32{RateHz, 4 * RateHz})
	put([]uint16{4, 16})
	b.WriteString("data")
	put(uint32(4 * frames))
	var frame [4]byte
	for i := range frames {
		t := float64(i) / RateHz
		tone := 0.25*math.Sin(2*math.Pi*low*t) + 0.1*math.Sin(2*math.Pi*high*t)
		for c := range 2 {
			v := tone + 0.05*(r.Float64()*2-1)
			binary.LittleEndian.PutUint16(frame[2*c:], uint16(int16(math.RoundToEven(v*32000))))
		}
		b.Write(frame[:])
	}
	return b.Bytes()
}
