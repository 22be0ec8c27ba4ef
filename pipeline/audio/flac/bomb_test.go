package flac_test

import (
	"bytes"
	"runtime"
	"testing"
	"time"
)

// Headers made to cost much: refused in little time and memory.
func TestHeaderBombs(t *testing.T) {
	head := fixture(t, "piped-16-48000.flac")[:42]
	open := bytes.Clone(head) // STREAMINFO only, length not stated
	open[4] |= 0x80
	wide := bytes.Clone(open) // blocks of 65535 samples
	copy(wide[8:], []byte{0xFF, 0xFF, 0xFF, 0xFF})
	// The start of a frame of 192 samples at 48 kHz, valid by its CRC-8.
	header := []byte{0xFF, 0xF8, 0x1A, 0x18, 0x00}
	header = append(header, crc8(header))
	bombs := map[string][]byte{
		"nothing but frame headers":    append(bytes.Clone(wide), bytes.Repeat(header, 60000)...),
		"frame headers, then zeros":    append(append(bytes.Clone(wide), bytes.Repeat(header, 1000)...), make([]byte, 200000)...),
		"nothing but sync codes":       append(bytes.Clone(wide), bytes.Repeat([]byte{0xFF, 0xF8}, 200000)...),
		"a million metadata blocks":    append(bytes.Clone(head), make([]byte, 4<<20)...),
		"16 MB metadata block":         append(bytes.Clone(head), 1, 0xFF, 0xFF, 0xFF, 0),
		"zeros where audio should be":  append(bytes.Clone(open), make([]byte, 1<<20)...),
		"metadata that never ends":     append(bytes.Clone(head), 1, 0, 0, 0),
		"a picture that is not there":  append(bytes.Clone(head), 0x86, 0x10, 0, 0),
		"unstated length and no frame": open,
	}
	for name, p := range bombs {
		t.Run(name, func(t *testing.T) {
			const maxTime = 2 * time.Second
			var before, after runtime.MemStats
			var err error
			took := time.Hour
			// A bomb costs its time at every try, a busy machine only now and then.
			for try := 0; try < 3 && took > maxTime; try++ {
				runtime.ReadMemStats(&before)
				start := time.Now()
				_, err = openBytes(p)
				took = min(took, time.Since(start))
				runtime.ReadMemStats(&after)
			}
			if code(err) == "" {
				t.Errorf("got %v, want a FormatError", err)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 1<<20 {
				t.Errorf("%d bytes allocated", n)
			}
			// CRC-16 over 64 candidate tails of 400 kB; ten times that on a busy machine.
			if took > maxTime {
				t.Errorf("took %v", took)
			}
		})
	}
}

// crc8 has the polynomial x^8+x^2+x+1 (RFC 9639, 9.1.8).
func crc8(p []byte) (c byte) {
	for _, b := range p {
		c ^= b
		for range 8 {
			c = c<<1 ^ c>>7*0x07
		}
	}
	return c
}
