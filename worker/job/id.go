package job

import (
	"fmt"
	"io"
	"regexp"
	"time"
)

// An ID is 26 characters of Crockford's base 32 in lower case: 48 bits of
// milliseconds counted backwards, so that newer sorts first, and 80 random
// bits, so that an ID cannot be guessed.
const (
	digits  = "0123456789abcdefghjkmnpqrstvwxyz"
	idLen   = 26
	timeLen = 10
	topMS   = 1<<48 - 1
)

var idForm = regexp.MustCompile(`^[0-7][0-9a-hjkmnp-tv-z]{25}$`)

// ValidID reports whether s has the form of an ID.
func ValidID(s string) bool { return idForm.MatchString(s) }

// newID makes an ID for a time, with 10 bytes from random.
func newID(at time.Time, random io.Reader) (string, error) {
	var r [10]byte
	if _, err := io.ReadFull(random, r[:]); err != nil {
		return "", fmt.Errorf("making a job ID: %w", err)
	}
	out := make([]byte, idLen)
	putTime(out, at)
	for half := range 2 { // 5 bytes are 8 digits
		var v uint64
		for _, b := range r[5*half : 5*half+5] {
			v = v<<8 | uint64(b)
		}
		for i := range 8 {
			out[timeLen+8*half+i] = digits[v>>(35-5*i)&31]
		}
	}
	return string(out), nil
}

func putTime(out []byte, at time.Time) {
	ms := uint64(topMS) - uint64(min(max(at.UnixMilli(), 0), topMS))
	for i := timeLen - 1; i >= 0; i-- {
		out[i] = digits[ms&31]
		ms >>= 5
	}
}

// idFloor is a string before every ID of that time and older, after every
// newer one.
func idFloor(at time.Time) string {
	out := make([]byte, timeLen)
	putTime(out, at)
	return string(out)
}

// idTime is when an ID was made; the zero time if s is no ID.
func idTime(s string) time.Time {
	if !ValidID(s) {
		return time.Time{}
	}
	var ms uint64
	for _, c := range []byte(s[:timeLen]) {
		ms = ms<<5 | uint64(digit(c))
	}
	return time.UnixMilli(int64(topMS - ms)).UTC()
}

func digit(c byte) int {
	for i := range len(digits) {
		if digits[i] == c {
			return i
		}
	}
	return 0
}
