package groove

import (
	"math"
	"testing"
)

// within fails unless got is within an absolute tolerance of want.
func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g within %.3g", what, got, want, tolerance)
	}
}

// ratioWithin fails unless got is within a relative tolerance of want.
func ratioWithin(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		t.Errorf("%s: got %.9g, want %.9g within %.3g of it (off by %.3g)", what, got, want, tolerance, got/want-1)
	}
}

func mustDisc(t testing.TB, id string) Disc {
	t.Helper()
	d, err := LookupDisc(id)
	if err != nil {
		t.Fatal(err)
	}
	return d
}
