package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"hash/crc32"
	"net/url"
	"regexp"
	"strings"
)

// Prefixes of secrets.
const (
	TokenPrefix   = "dsk_"
	sessionPrefix = "dss_"
)

const (
	randomBytes = 32 // 256 bits
	checkBytes  = 3  // makes 35 bytes, which are 56 characters without a bit left over
	bodyChars   = 56
	secretChars = len(TokenPrefix) + bodyChars
)

// SecretPattern is a regular expression that finds every secret this package
// makes, for canaries over logs, reports and stores.
const SecretPattern = `ds[ks]_[a-z2-7]{56}`

// likely also finds secrets cut short or in capitals: a part of a secret does
// not belong in an address either.
var likely = regexp.MustCompile(`(?i)ds[ks]_[a-z2-7]{20,}`)

var secretText = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// A digest is SHA-256 of a secret; it is what stores and caches know.
type digest [sha256.Size]byte

func (d digest) hex() string { return hex.EncodeToString(d[:]) }

func digestOf(secret string) digest { return sha256.Sum256([]byte(secret)) }

func parseDigest(s string) (d digest, ok bool) {
	if len(s) != hex.EncodedLen(len(d)) || s != strings.ToLower(s) {
		return d, false
	}
	_, err := hex.Decode(d[:], []byte(s))
	return d, err == nil
}

// newSecret makes a secret: prefix, then random bytes and their check in base32.
// rand.Read does not fail: it ends the program where there is no randomness.
func newSecret(prefix string) string {
	var b [randomBytes + checkBytes]byte
	rand.Read(b[:randomBytes]) //nolint:errcheck // documented never to return an error
	copy(b[randomBytes:], check(prefix, b[:randomBytes]))
	return prefix + secretText.EncodeToString(b[:])
}

// check is the end of CRC-32 over prefix and random bytes. It keeps mistyped and
// cut secrets away from the store and canaries from crying wolf; it protects
// nothing.
func check(prefix string, random []byte) []byte {
	sum := crc32.Update(crc32.ChecksumIEEE([]byte(prefix)), crc32.IEEETable, random)
	return []byte{byte(sum >> 16), byte(sum >> 8), byte(sum)}
}

// wellFormed says whether newSecret could have made it. It looks at nothing
// beyond the length that all secrets have.
func wellFormed(prefix, secret string) bool {
	if len(secret) != secretChars || secret[:len(prefix)] != prefix {
		return false
	}
	var b [randomBytes + checkBytes]byte
	n, err := secretText.Decode(b[:], []byte(secret[len(prefix):]))
	if err != nil || n != len(b) {
		return false
	}
	// The decoder skips line ends, so the same bytes must come out again.
	if prefix+secretText.EncodeToString(b[:]) != secret {
		return false
	}
	return string(check(prefix, b[:randomBytes])) == string(b[randomBytes:])
}

// Scrub replaces what looks like a secret, for texts that are logged.
func Scrub(s string) string {
	return likely.ReplaceAllStringFunc(s, func(m string) string { return m[:len(TokenPrefix)] + "REMOVED" })
}

// secretInURL says whether an address carries a secret, also one that was
// escaped, once or twice, or a parameter that is made for one (RFC 6750, 2.3).
func secretInURL(u *url.URL) bool {
	for _, s := range []string{u.Path, u.RawPath, u.RawQuery, u.Fragment} {
		for range 3 {
			if likely.MatchString(s) {
				return true
			}
			next, err := url.QueryUnescape(s)
			if err != nil || next == s {
				break
			}
			s = next
		}
	}
	for part := range strings.SplitSeq(u.RawQuery, "&") {
		name, _, _ := strings.Cut(part, "=")
		if plain, err := url.QueryUnescape(name); err == nil {
			name = plain
		}
		if strings.EqualFold(name, "access_token") {
			return true
		}
	}
	return false
}
