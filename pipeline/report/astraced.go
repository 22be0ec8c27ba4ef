package report

import (
	"fmt"
	"math"
)

// AsTraced predicts what playback tips make of the groove at the planned radius.
// Ratios are of velocities in one channel, before the playback curve; even orders
// of the two channels have opposite signs and lie in the side signal.
type AsTraced struct {
	Basis     string          `json:"basis" doc:"which groove the figures hold for"`
	Model     string          `json:"model" doc:"how the figures were computed, in words"`
	Tips      []TracedTip     `json:"tips" doc:"the tips, the design tip first"`
	Angles    TracedAngles    `json:"angles" doc:"what the estimate of tracking-angle error assumes"`
	Tracks    []TracedTrack   `json:"tracks" doc:"each track at its worst moment"`
	Passages  []TracedMoment  `json:"passages" doc:"the passages of the side that suffer most, at most ten, worst first"`
	Excerpt   *TracedExcerpts `json:"excerpts,omitempty" doc:"how excerpts were traced; left out: none were"`
	NotTraced string          `json:"not_traced,omitempty" doc:"why no excerpts were traced, so that intermodulation and error are null; left out: some were"`
}

// TracedTip is one playback tip.
type TracedTip struct {
	TipUM  float64 `json:"tip_um" doc:"radius that traces the wall" unit:"um"`
	Kind   string  `json:"kind" doc:"spherical, or elliptical: the radius is the side radius" enum:"spherical,elliptical"`
	Design bool    `json:"design" doc:"the room's design tip"`
	Source string  `json:"source" doc:"where the radius and the model come from"`
}

// TracedAngles are the angles assumed; which pickup plays is not known.
type TracedAngles struct {
	RecordedDeg float64 `json:"recorded_deg" doc:"vertical modulation angle assumed" unit:"deg"`
	PlaybackDeg float64 `json:"playback_deg" doc:"vertical tracking angle assumed" unit:"deg"`
	LateralDeg  float64 `json:"lateral_error_deg" doc:"lateral tracking error assumed" unit:"deg"`
	Source      string  `json:"source" doc:"where these angles come from"`
}

// TracedTrack is one track.
type TracedTrack struct {
	Number int `json:"number" doc:"number of the track, from 1"`
	// Worst is nil for a silent track.
	Worst    *TracedMoment `json:"worst,omitempty" doc:"its worst moment; left out: the track is silent"`
	Tips     []TracedTime  `json:"tips" doc:"time over 10 % second harmonic, by tip"`
	Vertical *float64      `json:"vertical_angle_d2" doc:"estimate: second harmonic by the error of vertical angle at the fastest vertical motion, as a ratio of velocities; null: silent"`
	Lateral  *float64      `json:"lateral_angle_d2" doc:"estimate: second harmonic by the lateral tracking error at the fastest lateral motion; null: silent"`
}

// TracedTime is how long a tip distorts much.
type TracedTime struct {
	TipUM float64 `json:"tip_um" doc:"radius of the tip" unit:"um"`
	OverS float64 `json:"over_10_percent_s" doc:"time of the track with more than 10 % second harmonic" unit:"s"`
}

// TracedMoment is a moment, and what each tip makes of it. It is reckoned as the
// sine that is as fast and as sharply bent as the groove there.
type TracedMoment struct {
	StartS      float64         `json:"start_s" doc:"start of a passage to listen to" unit:"s"`
	EndS        float64         `json:"end_s" doc:"its end" unit:"s"`
	AtS         float64         `json:"at_s" doc:"the worst moment" unit:"s"`
	RadiusMM    float64         `json:"radius_mm" doc:"radius of the groove there" unit:"mm"`
	Track       int             `json:"track" doc:"number of the track, from 1; 0: between tracks"`
	HZ          float64         `json:"hz" doc:"frequency of that sine" unit:"Hz"`
	VelocityCMS float64         `json:"velocity_cm_s" doc:"its peak velocity, of one wall" unit:"cm/s"`
	PairHZ      []float64       `json:"pair_hz" doc:"the two partials whose intermodulation is given, that which modulates first; empty: not looked for, or there is one only" unit:"Hz"`
	ProductHZ   *float64        `json:"product_hz" doc:"their difference product; null: as above" unit:"Hz"`
	Tips        []TracedFigures `json:"tips" doc:"what each tip makes of it"`
}

// TracedFigures are the figures of one tip.
type TracedFigures struct {
	TipUM          float64  `json:"tip_um" doc:"radius of the tip" unit:"um"`
	CurvatureRatio float64  `json:"curvature_ratio" doc:"sharpest bend over what the tip can follow; from 1 on it leaves the wall"`
	Second         float64  `json:"second_harmonic" doc:"second harmonic over fundamental"`
	Third          float64  `json:"third_harmonic" doc:"third harmonic over fundamental"`
	Inter          *float64 `json:"intermodulation" doc:"difference product over the second partial as traced; null: not looked for, or there is one partial only"`
	ErrorDB        *float64 `json:"error_db" doc:"all that the tip adds or loses, rms re the sound there, after the playback curve; null: not traced" unit:"dB"`
}

// TracedExcerpts says how excerpts were traced.
type TracedExcerpts struct {
	Count   int     `json:"count" doc:"excerpts traced"`
	LengthS float64 `json:"length_s" doc:"length that error_db is taken over" unit:"s"`
	PairS   float64 `json:"pair_s" doc:"length in which partials are looked for" unit:"s"`
}

// TracedText is the section as traced, laid out.
type TracedText struct {
	Sentence, Model string
	Tips            []Pair
	Tracks          []TracedRow
	Angles          string
	AngleRows       []TracedRow
	Passages        []TracedRow
}

// TracedRow is a line of it. Track and When are blank where they repeat.
type TracedRow struct {
	Track, When, Radius, Tone, Tip string
	Second, Third, Inter, Error    string
	Over, Vertical, Lateral        string
	Mark                           Mark
	AtS                            *float64
	StartS, EndS                   float64 // what to listen to
}

// Bounds of the marks; common practice, no source.
const (
	tracedPlain = 0.05
	tracedMuch  = 0.15
)

// TracedTextOf lays the section out; nil if the report has none.
func TracedTextOf(r *Report) *TracedText {
	a := r.AsTraced
	if a == nil {
		return nil
	}
	v := &TracedText{Model: prose(a.Model), Angles: fmt.Sprintf("Estimate, for a groove cut at %g° and played at %g°, and a lateral error of %g°. %s.", a.Angles.RecordedDeg, a.Angles.PlaybackDeg, a.Angles.LateralDeg, prose(a.Angles.Source))}
	for _, t := range a.Tips {
		note := t.Source
		if t.Design {
			note = "design tip, " + note
		}
		v.Tips = append(v.Tips, Pair{tipText(t.TipUM), t.Kind, note})
	}
	worst := 0.0
	for _, t := range a.Tracks {
		v.AngleRows = append(v.AngleRows, TracedRow{Track: number(float64(t.Number), 0), Vertical: share(t.Vertical), Lateral: share(t.Lateral)})
		if t.Worst == nil {
			v.Tracks = append(v.Tracks, TracedRow{Track: number(float64(t.Number), 0), When: "silent", Mark: markAbsent})
			continue
		}
		rows := t.Worst.rows(nil)
		for i := range rows {
			rows[i].Over = quantity(&t.Tips[i].OverS, 2, "s")
		}
		worst = math.Max(worst, t.Worst.Tips[0].Second)
		v.Tracks = append(v.Tracks, rows...)
	}
	for i := range a.Passages {
		v.Passages = append(v.Passages, a.Passages[i].rows(func(k int) bool { return k == 0 })...)
	}
	v.Sentence = fmt.Sprintf("A prediction: with the design tip the worst moment has %s second harmonic. Groove: %s.", share(&worst), prose(a.Basis))
	if a.NotTraced != "" {
		v.Sentence += " Without intermodulation and error: " + prose(a.NotTraced) + "."
	}
	return v
}

// rows are the moment's lines, one for each tip that want picks; nil: all.
func (m *TracedMoment) rows(want func(int) bool) []TracedRow {
	var out []TracedRow
	for i, f := range m.Tips {
		if want != nil && !want(i) {
			continue
		}
		row := TracedRow{Tip: tipText(f.TipUM), Second: share(&f.Second), Third: share(&f.Third), Inter: share(f.Inter), Error: quantity(f.ErrorDB, 1, "dB"),
			Track: number(float64(m.Track), 0), When: clock(m.AtS), Radius: quantity(&m.RadiusMM, 1, "mm"), Tone: toneText(m.HZ), Mark: markReported, AtS: &m.AtS, StartS: m.StartS, EndS: m.EndS}
		switch {
		case f.CurvatureRatio > 1.0005:
			row.Mark = mark{"lifts off", "▲", "look"}
		case f.Second > tracedMuch:
			row.Mark = mark{"much", "▲", "look"}
		case f.Second > tracedPlain:
			row.Mark = mark{"some", "○", "plain"}
		}
		if m.Track == 0 {
			row.Track = "–"
		}
		out = append(out, row)
	}
	return out
}

func tipText(um float64) string { return quantity(&um, decimalsOf(um), "um") }

func decimalsOf(x float64) int {
	if x == math.Trunc(x) {
		return 0
	}
	return 1
}

func toneText(hz float64) string {
	if hz >= 1000 {
		return number(hz/1000, 1) + " kHz"
	}
	return number(hz, 0) + " Hz"
}

// share prints a ratio as per cent.
func share(p *float64) string {
	if p == nil {
		return "–"
	}
	return with(number(100**p, 1), "%")
}
