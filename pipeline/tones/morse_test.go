package tones

import (
	"math"
	"testing"
)

// The word PARIS with the space after it is 50 dots long, the measure by which
// words a minute are counted (common practice).
func TestMorseTiming(t *testing.T) {
	_, s := beeps("PARIS")
	if got := s/dotS + 7; math.Abs(got-50) > 1e-9 {
		t.Errorf("PARIS and a space take %g dots, want 50", got)
	}
	if got := Spelled("S1"); got != "... .----" {
		t.Errorf("S1 is %q", got)
	}
	list, _ := beeps("A")
	if len(list) != 2 || math.Abs(list[0].endS-0.1) > 1e-12 || math.Abs(list[1].startS-0.2) > 1e-12 || math.Abs(list[1].endS-0.5) > 1e-12 {
		t.Errorf("A is %v", list)
	}
	seen := map[string]rune{}
	for r, code := range morse {
		if seen[code] != 0 {
			t.Errorf("%c and %c have one sign", r, seen[code])
		}
		seen[code] = r
	}
	if len(morse) != 36 {
		t.Errorf("%d signs, want 26 letters and 10 figures", len(morse))
	}
}
