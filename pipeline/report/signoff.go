package report

import (
	"io"
	"time"
)

// SignOff is the decision that stands on a side, for the cutting sheet: a nil
// one leaves a block to be filled by hand.
type SignOff struct {
	Approved       bool      // false: returned to the studio
	Name           string    // the engineer, as written
	At             time.Time // printed in UTC
	Note           string    // why, or what to change; may be blank
	Attempt        int       // whose result was looked at, from 1; 0: not known
	ManifestSHA256 string    // of the manifest that was looked at: it names every file by its hash
}

// WriteSignedSheet writes the cutting sheet with the decision that stands; s
// may be nil. The same report and decision give the same bytes.
func WriteSignedSheet(w io.Writer, r *Report, s *SignOff) error {
	return writeSheet(w, r, s)
}

// signView is a decision laid out.
type signView struct {
	Mark                              mark
	Sentence, Note, Attempt, Manifest string
}

func signOf(s *SignOff) *signView {
	if s == nil {
		return nil
	}
	v := &signView{Mark: mark{"approved for cutting", "●", "ok"}, Note: s.Note, Manifest: s.ManifestSHA256}
	words := "Listened to and approved"
	if !s.Approved {
		v.Mark, words = mark{"returned to the studio, not for cutting", "■", "over"}, "Returned"
	}
	v.Sentence = words + " by " + orBlank(s.Name) + " on " + s.At.UTC().Format("2 January 2006, 15:04 UTC") + "."
	if s.Attempt > 0 {
		v.Attempt = "Attempt " + number(float64(s.Attempt), 0) + ", the files of the manifest below and no others."
	}
	return v
}
