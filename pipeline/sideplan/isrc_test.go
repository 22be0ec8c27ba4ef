package sideplan_test

import (
	"testing"

	"discsafe/pipeline/sideplan"
)

// The form is that of ISO 3901:2019: twelve characters, hyphens for display
// only.
func TestNormalizeISRC(t *testing.T) {
	cases := []struct {
		name, in, want, err string
	}{
		{"with hyphens", "XX-ABC-25-00001", "XXABC2500001", ""},
		{"without hyphens", "XXABC2500001", "XXABC2500001", ""},
		{"small letters and spaces", " xx abc 25 00001 ", "XXABC2500001", ""},
		{"with its name", "ISRC XX-A1B-25-00001", "XXA1B2500001", ""},
		{"eleven characters", "XXABC250000", "", `isrc "XXABC250000" has 11 characters without hyphens, want 12`},
		{"thirteen characters", "XXABC25000011", "", `isrc "XXABC25000011" has 13 characters without hyphens, want 12`},
		{"digit in the country", "1XABC2500001", "", `isrc "1XABC2500001" is not two letters, three letters or digits, and seven digits`},
		{"letter in the designation", "XXABC25O0001", "", `isrc "XXABC25O0001" is not two letters, three letters or digits, and seven digits`},
		{"other alphabet", "ХХABC2500001", "", `isrc "ХХABC2500001" is not two letters, three letters or digits, and seven digits`},
		{"empty", "", "", `isrc "" has 0 characters without hyphens, want 12`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := sideplan.NormalizeISRC(c.in)
			text := ""
			if err != nil {
				text = err.Error()
			}
			if got != c.want || text != c.err {
				t.Errorf("want %q and error %q, got %q and %q", c.want, c.err, got, text)
			}
		})
	}
	if got := sideplan.DisplayISRC("XXABC2500001"); got != "XX-ABC-25-00001" {
		t.Errorf("for display: got %s", got)
	}
}
