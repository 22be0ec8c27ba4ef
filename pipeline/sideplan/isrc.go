package sideplan

import (
	"fmt"
	"regexp"
	"strings"
)

// isrcForm is the form of ISO 3901:2019: five characters of prefix, two digits
// of year, five digits of designation. The first two of the prefix are
// letters.
var isrcForm = regexp.MustCompile(`^[A-Z]{2}[A-Z0-9]{3}[0-9]{7}$`)

// NormalizeISRC returns the twelve characters of an ISRC in capitals. Hyphens
// and spaces, which ISO 3901 uses for display only, and a leading "ISRC" are
// removed.
func NormalizeISRC(s string) (string, error) {
	code := strings.ToUpper(strings.TrimSpace(s))
	code = strings.TrimPrefix(code, "ISRC")
	code = strings.NewReplacer("-", "", " ", "", ":", "").Replace(code)
	if n := len([]rune(code)); n != 12 {
		return "", fmt.Errorf("isrc %q has %d characters without hyphens, want 12", s, n)
	}
	if !isrcForm.MatchString(code) {
		return "", fmt.Errorf("isrc %q is not two letters, three letters or digits, and seven digits", s)
	}
	return code, nil
}

// DisplayISRC writes a normalised ISRC with hyphens: XX-ABC-25-00001. Anything
// else is returned as it is.
func DisplayISRC(code string) string {
	if !isrcForm.MatchString(code) {
		return code
	}
	return code[:2] + "-" + code[2:5] + "-" + code[5:7] + "-" + code[7:]
}
