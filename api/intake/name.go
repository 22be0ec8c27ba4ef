package intake

import (
	"encoding/base64"
	"strings"
	"unicode"

	v1 "discsafe/api/v1"
)

// Most bytes of a name as kept, and of the metadata of an upload.
const (
	maxName     = 1024
	maxMetadata = 16 << 10
)

// cleanName makes a sender's name fit to be shown: valid UTF-8 without control
// and direction characters, at most maxName bytes. It stays text; nothing is
// ever opened by it.
func cleanName(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029' {
			return unicode.ReplacementChar
		}
		return r
	}, s)
	s = strings.TrimSpace(s)
	if len(s) <= maxName {
		return s
	}
	return strings.ToValidUTF8(s[:maxName], "") // no half of a letter at the end
}

// parseMetadata reads an Upload-Metadata header (tus 1.0, creation): pairs of
// key and Base64, divided by commas.
func parseMetadata(header string) (map[string]string, error) {
	bad := func(detail string) error { return v1.NewProblem(v1.BadRequest, "Upload-Metadata: "+detail) }
	meta := map[string]string{}
	if len(header) > maxMetadata {
		return nil, bad("longer than 16 KiB")
	}
	for i := range len(header) {
		if c := header[i]; c < ' ' || c > '~' {
			return nil, bad("not plain ASCII")
		}
	}
	if strings.TrimSpace(header) == "" {
		return meta, nil
	}
	for pair := range strings.SplitSeq(header, ",") {
		key, value, _ := strings.Cut(strings.TrimSpace(pair), " ")
		if key == "" {
			return nil, bad("a key is empty")
		}
		if _, twice := meta[key]; twice {
			return nil, bad("a key stands twice")
		}
		b, err := base64.StdEncoding.DecodeString(value)
		if err != nil {
			return nil, bad("a value is not Base64")
		}
		meta[key] = string(b)
	}
	return meta, nil
}
