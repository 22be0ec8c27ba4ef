package audio_test

import (
	"errors"
	"io/fs"
	"math"
	"testing"

	"discsafe/pipeline/audio"
)

func TestTimecode(t *testing.T) {
	tests := []struct {
		s    float64
		want string
	}{
		{0, "0:00.000"},
		{0.0004, "0:00.000"},
		{59.9996, "1:00.000"},
		{61.25, "1:01.250"},
		{3661.5, "61:01.500"},
		{-1.5, "-0:01.500"},
	}
	for _, tt := range tests {
		if got := audio.Timecode(tt.s); got != tt.want {
			t.Errorf("Timecode(%v) = %q, want %q", tt.s, got, tt.want)
		}
	}
}

func TestFormatErrorText(t *testing.T) {
	e := &audio.FormatError{File: "a.wav", Code: "x", AtS: 61.25, Detail: "is damaged", Hint: "export again", Err: fs.ErrClosed}
	if got, want := e.Error(), "a.wav: is damaged at 1:01.250: file already closed; export again"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if !errors.Is(e, fs.ErrClosed) {
		t.Error("the cause is lost")
	}
	e = &audio.FormatError{File: "a.wav", AtS: -1, Detail: "is empty"}
	if got, want := e.Error(), "a.wav: is empty"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// 20 log10(2) = 6.0206 dB by definition of the decibel (IEC 60027-3); the
// tolerance is float64 rounding.
func TestDecibels(t *testing.T) {
	const tol = 1e-12
	if got := audio.DB(2); math.Abs(got-6.020599913279624) > tol {
		t.Errorf("DB(2) = %v", got)
	}
	if got := audio.DB(-2); math.Abs(got-6.020599913279624) > tol {
		t.Errorf("DB(-2) = %v, want the same as for 2", got)
	}
	if got := audio.PowerDB(2); math.Abs(got-3.010299956639812) > tol {
		t.Errorf("PowerDB(2) = %v", got)
	}
	if got := audio.FromDB(-6.020599913279624); math.Abs(got-0.5) > tol {
		t.Errorf("FromDB(-6.02) = %v, want 0.5", got)
	}
	if !math.IsInf(audio.DB(0), -1) || !math.IsInf(audio.PowerDB(0), -1) {
		t.Error("zero does not give -Inf")
	}
}

func TestBlocksShareMemoryButNotEachOther(t *testing.T) {
	b := audio.NewBlock(4)
	s := b.Slice(1, 3)
	s.L[0], s.R[1] = 1, 2
	if b.L[1] != 1 || b.R[2] != 2 || s.Len() != 2 || b.Len() != 4 {
		t.Errorf("slice does not share: %v", b)
	}
	if b.L = append(b.L, 9); b.R[0] != 0 {
		t.Error("growing L reaches into R")
	}
}
