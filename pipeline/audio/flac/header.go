package flac

// header is what must be known of a frame header before the library sees it
// (RFC 9639, 9.1).
type header struct {
	rateCode byte
	variable bool // numbered by sample, not by frame
	number   uint64
	block    int // samples a channel, 1..65536
	crc      int // offset of the CRC-8 byte
}

const maxHeaderBytes = 16

// parseHeader reads a frame header at the start of p and checks its CRC-8. It
// returns false for anything that is not a whole valid header.
func parseHeader(p []byte) (h header, ok bool) {
	if len(p) < 6 || p[0] != 0xFF || p[1]&0xFE != 0xF8 || p[3]&1 != 0 {
		return h, false
	}
	h.variable = p[1]&1 == 1
	h.rateCode = p[2] & 0x0F
	at := 4
	n, size := coded(p[at:])
	if size == 0 {
		return h, false
	}
	h.number = n
	at += size
	take := func(bytes int) (v int) {
		for range bytes {
			if at >= len(p) {
				ok = false
				return 0
			}
			v = v<<8 | int(p[at])
			at++
		}
		return v
	}
	ok = true
	switch code := p[2] >> 4; {
	case code == 0:
		return h, false
	case code == 1:
		h.block = 192
	case code <= 5:
		h.block = 576 << (code - 2)
	case code == 6:
		h.block = take(1) + 1
	case code == 7:
		h.block = take(2) + 1
	default:
		h.block = 256 << (code - 8)
	}
	switch h.rateCode {
	case 12:
		take(1)
	case 13, 14:
		take(2)
	case 15:
		return h, false
	}
	if !ok || at >= len(p) {
		return h, false
	}
	h.crc = at
	return h, crc8(p[:at]) == p[at]
}

// coded reads a number coded like UTF-8 but up to 36 bits; size 0 means bad.
func coded(p []byte) (n uint64, size int) {
	if len(p) == 0 {
		return 0, 0
	}
	b := p[0]
	switch {
	case b < 0x80:
		return uint64(b), 1
	case b < 0xC0 || b == 0xFF:
		return 0, 0
	}
	for mask := byte(0x80); b&mask != 0; mask >>= 1 {
		size++
	}
	if size > len(p) {
		return 0, 0
	}
	n = uint64(b & (0xFF >> (size + 1)))
	for _, c := range p[1:size] {
		if c&0xC0 != 0x80 {
			return 0, 0
		}
		n = n<<6 | uint64(c&0x3F)
	}
	return n, size
}

// crc8 has the polynomial x^8+x^2+x+1, start 0 (RFC 9639, 9.1.8).
func crc8(p []byte) (c byte) {
	for _, b := range p {
		c ^= b
		for range 8 {
			if c&0x80 != 0 {
				c = c<<1 ^ 0x07
			} else {
				c <<= 1
			}
		}
	}
	return c
}

// crc16Table is for the polynomial x^16+x^15+x^2+1, start 0 (RFC 9639, 9.3).
var crc16Table = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x8005
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc16 continues c over p. Over a whole frame with its own CRC it gives 0.
func crc16(c uint16, p []byte) uint16 {
	for _, b := range p {
		c = c<<8 ^ crc16Table[byte(c>>8)^b]
	}
	return c
}
