package report

import "fmt"

// MonoCheck says what a listener in mono loses of a stereo cut. In mono all of
// equal channels is heard, half the power of unrelated ones (3 dB less), nothing
// of opposed ones.
type MonoCheck struct {
	Basis    string        `json:"basis" doc:"which sound was looked at"`
	LossDB   *float64      `json:"loss_db" doc:"power a mono listener loses over the side, all octaves together; null: nothing is left, or see unavailable" unit:"dB"`
	Bands    []MonoBand    `json:"bands" doc:"the octaves, lowest first"`
	Passages []MonoPassage `json:"passages" doc:"where most is lost: at most ten passages in which an octave loses 6 dB or more, in order of time"`
	// Unavailable says why there are no figures.
	Unavailable string `json:"unavailable,omitempty" doc:"why there are no figures"`
}

// MonoBand is one octave.
type MonoBand struct {
	HZ         float64  `json:"hz" doc:"midband frequency of the octave" unit:"Hz"`
	StereoDBFS *float64 `json:"stereo_dbfs" doc:"level of a channel, rms; null: silence" unit:"dBFS"`
	LossDB     *float64 `json:"loss_db" doc:"power lost in mono; null: silence, or vanishes" unit:"dB"`
	Vanishes   bool     `json:"vanishes" doc:"nothing of it is left in mono"`
}

// MonoPassage is a passage in which an octave is lost.
type MonoPassage struct {
	StartS float64 `json:"start_s" doc:"beginning on the side" unit:"s"`
	EndS   float64 `json:"end_s" doc:"end on the side" unit:"s"`
	Track  int     `json:"track" doc:"number of the track, from 1; 0: between tracks"`

	HZ         float64  `json:"hz" doc:"midband frequency of the octave" unit:"Hz"`
	StereoDBFS *float64 `json:"stereo_dbfs" doc:"level of a channel there, rms" unit:"dBFS"`
	LossDB     *float64 `json:"loss_db" doc:"power lost in mono; null: vanishes" unit:"dB"`
	Vanishes   bool     `json:"vanishes" doc:"nothing of it is left in mono"`
}

// MonoRow is a line of the section on mono, in words.
type MonoRow struct {
	Band, Level, Loss string
	Mark              Mark
	When              string // of a passage
	AtS               *float64
	Track             string
}

// MonoText is the section on mono, laid out.
type MonoText struct {
	Sentence string
	Bands    []MonoRow
	Passages []MonoRow
}

// What unrelated channels lose is the ordinary case; 6 dB is half the
// amplitude.
const (
	ordinaryLossDB = 3.5
	heavyLossDB    = 6
)

// MonoTextOf lays the section out; nil if the report has none.
func MonoTextOf(r *Report) *MonoText {
	c := r.MonoCheck
	if c == nil {
		return nil
	}
	v := &MonoText{}
	switch {
	case c.Unavailable != "":
		v.Sentence = c.Unavailable
		return v
	case c.LossDB == nil:
		v.Sentence = "In mono nothing is left of this side: the channels oppose each other throughout."
	case len(c.Passages) == 0:
		v.Sentence = fmt.Sprintf("In mono the side loses %s over all, and in no passage as much as %d dB of an octave.", with(number(*c.LossDB, 1), "dB"), heavyLossDB)
	default:
		v.Sentence = fmt.Sprintf("In mono the side loses %s over all; in the passages below an octave loses %d dB or more.", with(number(*c.LossDB, 1), "dB"), heavyLossDB)
	}
	for _, b := range c.Bands {
		v.Bands = append(v.Bands, b.row())
	}
	for _, p := range c.Passages {
		row := MonoBand{p.HZ, p.StereoDBFS, p.LossDB, p.Vanishes}.row()
		row.When = clock(p.StartS) + " to " + clock(p.EndS)
		at := p.StartS
		row.AtS = &at
		if p.Track > 0 {
			row.Track = number(float64(p.Track), 0)
		}
		v.Passages = append(v.Passages, row)
	}
	return v
}

func (b MonoBand) row() MonoRow {
	r := MonoRow{Band: bandText(b.HZ), Level: quantity(b.StereoDBFS, 1, "dBFS"), Loss: quantity(b.LossDB, 1, "dB"), Mark: markReported}
	switch {
	case b.Vanishes:
		r.Loss, r.Mark = "all of it", mark{"vanishes", "■", "over"}
	case b.LossDB == nil:
		r.Mark = markAbsent
	case *b.LossDB >= heavyLossDB:
		r.Mark = mark{"much is lost", "▲", "look"}
	case *b.LossDB > ordinaryLossDB:
		r.Mark = mark{"some is lost", "○", "plain"}
	}
	return r
}

func bandText(hz float64) string {
	if hz >= 1000 {
		return number(hz/1000, 0) + " kHz"
	}
	return number(hz, 0) + " Hz"
}
