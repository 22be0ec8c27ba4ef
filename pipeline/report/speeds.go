package report

import (
	"fmt"
	"strings"
)

// HalfSpeed says what a cut at half speed asks of the room. The groove is the one of
// a cut in real time; only time is stretched.
type HalfSpeed struct {
	LatheRPM        float64   `json:"lathe_rpm" doc:"speed of the lathe while cutting" unit:"1/min"`
	PlayRateHz      float64   `json:"play_rate_hz" doc:"rate at which the premaster is played into the lathe; its header keeps its own" unit:"Hz"`
	CutS            float64   `json:"cut_s" doc:"time that the programme takes to cut" unit:"s"`
	CornersUS       []float64 `json:"time_constants_us" doc:"time constants of the recording characteristic at this speed" unit:"us"`
	ReferenceHZ     float64   `json:"reference_hz" doc:"frequency of the reference tone at this speed" unit:"Hz"`
	ReferenceCMS    float64   `json:"reference_velocity_cm_s" doc:"velocity to read for it, counted as the room's reference" unit:"cm/s"`
	LowestHZ        float64   `json:"lowest_hz" doc:"lower end of the band at the cutter" unit:"Hz"`
	HighestHZ       float64   `json:"highest_hz" doc:"upper end of the band at the cutter" unit:"Hz"`
	LateralCMS      *float64  `json:"lateral_velocity_peak_cm_s" doc:"greatest lateral velocity of the cutter" unit:"cm/s"`
	AccelerationMS2 *float64  `json:"acceleration_peak_m_s2" doc:"greatest acceleration of the cutter along one wall's normal" unit:"m/s2"`
}

// OtherSpeed compares the side with the same programme at the other speed of its
// disc.
type OtherSpeed struct {
	This  AtSpeed `json:"this" doc:"the side as planned"`
	Other AtSpeed `json:"other" doc:"the same at the other speed, a prediction"`
}

// AtSpeed is a side at one speed.
type AtSpeed struct {
	Disc               string      `json:"disc" doc:"format of the disc"`
	RPM                float64     `json:"rpm" doc:"speed" unit:"1/min"`
	Basis              string      `json:"basis" doc:"as written, or predicted from the mixes" enum:"as written,predicted"`
	LevelDB            float64     `json:"level_db" doc:"cut level" unit:"dB"`
	Fits               bool        `json:"fits" doc:"the side fits on the disc at this level"`
	LandMM             *float64    `json:"land_mm" doc:"radius it takes" unit:"mm"`
	AvailableMM        *float64    `json:"available_mm" doc:"radius there is" unit:"mm"`
	EndRadiusMM        *float64    `json:"end_radius_mm" doc:"radius where it ends" unit:"mm"`
	UntreatedCurvature *float64    `json:"curvature_ratio_untreated" doc:"highest curvature ratio before de-ess, behind the filters"`
	CurvatureRatio     *float64    `json:"curvature_ratio_max" doc:"highest curvature ratio"`
	SlopeRatio         *float64    `json:"slope_ratio_max" doc:"highest slope ratio"`
	Treatment          []Treatment `json:"treatment" doc:"what the limiting stages do"`
	State              State       `json:"state" doc:"verdict on the groove, without what the mixes are judged for" enum:"ready,attention,blocked"`
	Why                string      `json:"why" doc:"what holds"`
}

// HalfText is a cut at half speed in sentences for the engineer; nil for a cut in
// real time.
func HalfText(r *Report) []string {
	h := r.HalfSpeed
	if h == nil {
		return nil
	}
	us := make([]string, len(h.CornersUS))
	for i, v := range h.CornersUS {
		us[i] = number(v, 0)
	}
	rate := func(hz float64) string { return with(number(hz, 0), "Hz") }
	return []string{
		fmt.Sprintf("Turn the lathe at %s instead of %s and play the premaster at %s instead of %s. The cut takes %s.",
			with(number(h.LatheRPM, 2), "rev/min"), with(number(r.Side.Disc.RPM, 2), "rev/min"), rate(h.PlayRateHz), rate(float64(r.Side.SampleRate)), clock(h.CutS)),
		fmt.Sprintf("The file’s header still says %s: at that rate it sounds right to whoever listens, and hash, loudness and times are those of this report. Times at the lathe are twice as long.", rate(float64(r.Side.SampleRate))),
		fmt.Sprintf("Move the recording characteristic down an octave: time constants %s µs. One that is left where it was tilts the sound of the disc.", strings.Join(us, ", ")),
		fmt.Sprintf("The reference tone in the file sounds at %s and reads %s; the gain to set is the same.", rate(h.ReferenceHZ), with(number(h.ReferenceCMS, 2), "cm/s")),
		"The groove is the same as cut in real time: radius, pitch, depth, width, land, slope and curvature hold as stated, and so do velocities and peak acceleration as the disc is played. Feed and depth control have twice the time, which the plan uses.",
		fmt.Sprintf("The cutter itself moves half as fast, with a quarter of the acceleration: at most %s lateral and %s. Rms accelerations in report and verdict are the cutter’s own, over seconds of the cut. Its band is %s to %s: cutter, amplifier and feedback must reach that low.",
			quantity(h.LateralCMS, 1, "cm/s"), quantity(h.AccelerationMS2, 0, "m/s2"), rate(h.LowestHZ), rate(h.HighestHZ)),
	}
}

// SpeedsText is the comparison of speeds, laid out.
type SpeedsText struct {
	Head []string // names of the columns
	Rows [][]string
	Mark []Mark // verdict of each speed
	Why  []string
}

// SpeedsTextOf lays the comparison out; nil if the report has none.
func SpeedsTextOf(r *Report) *SpeedsText {
	o := r.OtherSpeed
	if o == nil {
		return nil
	}
	v := &SpeedsText{Head: []string{"Measure"}}
	sides := []AtSpeed{o.This, o.Other}
	row := func(name string, cell func(a *AtSpeed) string) {
		line := []string{name}
		for i := range sides {
			line = append(line, cell(&sides[i]))
		}
		v.Rows = append(v.Rows, line)
	}
	for i := range sides {
		a := &sides[i]
		v.Head = append(v.Head, a.Disc+", "+a.Basis)
		v.Mark = append(v.Mark, markOf(a.State))
		v.Why = append(v.Why, prose(a.Why))
	}
	row("Speed", func(a *AtSpeed) string { return with(number(a.RPM, 2), "rev/min") })
	row("Cut level", func(a *AtSpeed) string { return with(signed(a.LevelDB, 1), "dB") })
	row("Fits", func(a *AtSpeed) string { return map[bool]string{true: "yes", false: "no"}[a.Fits] })
	row("Land used", func(a *AtSpeed) string {
		return quantity(a.LandMM, 1, "mm") + " of " + quantity(a.AvailableMM, 1, "mm")
	})
	row("End radius", func(a *AtSpeed) string { return quantity(a.EndRadiusMM, 1, "mm") })
	row("Curvature ratio before de-ess", func(a *AtSpeed) string { return quantity(a.UntreatedCurvature, 2, "ratio") })
	row("Curvature ratio", func(a *AtSpeed) string { return quantity(a.CurvatureRatio, 2, "ratio") })
	row("Slope ratio", func(a *AtSpeed) string { return quantity(a.SlopeRatio, 2, "ratio") })
	for k, t := range o.This.Treatment {
		row(t.Stage, func(a *AtSpeed) string {
			if k >= len(a.Treatment) || a.Treatment[k].TreatedS == 0 {
				return "nothing to do"
			}
			return with(signed(a.Treatment[k].MaxDB, 1), "dB") + ", " + duration(a.Treatment[k].TreatedS)
		})
	}
	return v
}
