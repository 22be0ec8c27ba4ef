package report

import (
	"fmt"
	"html/template"
	"math"
)

// figure is a plot as the page shows it: picture, words, and some of its
// values as a table for those who do not see it.
type figure struct {
	Title, Text string
	Caption     string // of the table
	SVG         template.HTML
	Head        []string
	Rows        [][]string
}

// tableRows is how many moments the table under a plot lists.
const tableRows = 12

// plotsOf builds every plot for which there is data, in reading order.
func plotsOf(s Series, before, after Measures, lim Limits, tracks []Track) []figure {
	b, a := s.BeforeGroove, s.AfterGroove
	all := []plot{
		loudnessPlot(before, after),
		spectrumPlot(before, after),
		groovePlot(s, "Groove width", "least width", "um", 0, KeepMin, b.MinWidthUM, a.MinWidthUM, lim.MinWidthUM, "least", "The narrowest moment of each interval. Under the limit the playback tip has no groove to sit in."),
		groovePlot(s, "Groove depth", "greatest depth", "um", 0, KeepMax, b.MaxDepthUM, a.MaxDepthUM, lim.MaxDepthUM, "most", "The deepest moment of each interval."),
		landPlot(s, lim),
		groovePlot(s, "Curvature", "curvature ratio", "", 1, KeepMax, b.CurvatureRatio, a.CurvatureRatio, lim.CurvatureRatio, "most", "How tightly a wall bends, over what the design tip can follow at that radius."),
		groovePlot(s, "Slope", "slope ratio", "", 1, KeepMax, b.SlopeRatio, a.SlopeRatio, lim.SlopeRatio, "most", "How fast a wall moves outwards, over what the cutter's back facets clear at that radius."),
		pitchPlot(s, lim),
		gainPlot(s),
	}
	var out []figure
	for i, p := range all {
		if p.empty() {
			continue
		}
		p.id = fmt.Sprintf("plot%d", i)
		p.tracks, p.radiusT, p.radius = tracks, s.TS, s.RadiusMM
		p.desc += " " + p.spoken()
		f := figure{Title: p.title, Text: p.desc, SVG: p.svg()}
		f.Head, f.Rows = p.table()
		f.Caption = "Worst value of each interval"
		if p.logHz {
			f.Caption = "Every third octave"
		}
		out = append(out, f)
	}
	return out
}

func groovePlot(s Series, title, quantity, unit string, decimals int, keep Keep, before, after Curve, limit *float64, limitWord, text string) plot {
	p := plot{title: title, desc: text, quantity: quantity, unit: unit, decimals: decimals, zero: true}
	if len(before) > 0 {
		p.lines = append(p.lines, plotLine{name: "before", hue: 2, before: true, xs: s.TS, ys: before, keep: keep})
	}
	if len(after) > 0 {
		p.lines = append(p.lines, plotLine{name: "after", hue: 1, xs: s.TS, ys: after, keep: keep})
	}
	if limit != nil {
		text := "at " + limitWord + " " + with(number(*limit, 0), unit)
		p.limits = append(p.limits, plotLimit{*limit, text})
	}
	return p
}

// landPlot draws land near its limit: between tracks it is many times wider
// and would flatten the rest.
func landPlot(s Series, lim Limits) plot {
	p := groovePlot(s, "Land", "least land", "um", 0, KeepMin, s.BeforeGroove.MinLandUM, s.AfterGroove.MinLandUM, lim.MinLandUM, "least", "What is left standing between a groove and the next turn. Under 0 the grooves cut into each other.")
	if l := lim.MinLandUM; l != nil && *l > 0 {
		p.ceil, p.hasCeil = 8**l, true
		p.desc += " Land wider than " + quantity(&p.ceil, 0, "um") + ", as between tracks, is drawn at the top edge."
	}
	return p
}

func loudnessPlot(before, after Measures) plot {
	p := plot{title: "Loudness", desc: "Short-term loudness over 3 s windows; the band is momentary loudness after, from lowest to highest.", quantity: "loudness", unit: "LUFS", hasFloor: true, floor: -60}
	add := func(m Measures, name string, hue int, isBefore bool) {
		if len(m.Loudness.TS) == 0 {
			return
		}
		if !isBefore {
			p.lines = append(p.lines, plotLine{name: "momentary", hue: hue, xs: m.Loudness.TS, ys: m.Loudness.Momentary, hi: m.Loudness.Momentary})
		}
		p.lines = append(p.lines, plotLine{name: name, hue: hue, before: isBefore, xs: m.Loudness.TS, ys: m.Loudness.ShortTerm, keep: KeepMax})
		if m.IntegratedLUFS != nil && !isBefore {
			p.limits = append(p.limits, plotLimit{*m.IntegratedLUFS, "integrated after " + with(number(*m.IntegratedLUFS, 1), "LUFS")})
		}
	}
	add(before, "before", 2, true)
	add(after, "after", 1, false)
	return p
}

func spectrumPlot(before, after Measures) plot {
	p := plot{title: "Spectrum of mid and side", desc: "Average level per third octave; before is dashed. What is only in the side signal vanishes when the record is played in mono.", quantity: "level", unit: "dBFS", logHz: true, hasFloor: true, floor: -120}
	add := func(bands []Band, isBefore bool) {
		var hz, mid, side Curve
		for _, b := range bands {
			if b.CentreHz > 0 {
				hz, mid, side = append(hz, b.CentreHz), append(mid, orGap(b.MidDB)), append(side, orGap(b.SideDB))
			}
		}
		word := " after"
		if isBefore {
			word = " before"
		}
		if len(hz) > 0 {
			p.lines = append(p.lines,
				plotLine{name: "mid" + word, hue: 1, before: isBefore, quiet: isBefore, xs: hz, ys: mid},
				plotLine{name: "side" + word, hue: 2, before: isBefore, quiet: isBefore, xs: hz, ys: side})
		}
	}
	add(before.Bands, true)
	add(after.Bands, false)
	return p
}

func orGap(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func pitchPlot(s Series, lim Limits) plot {
	p := plot{title: "Pitch and depth", desc: "The land plan: distance from turn to turn, and mean depth of the groove.", quantity: "pitch, depth", unit: "um", zero: true}
	if len(s.PitchUM) > 0 {
		p.lines = append(p.lines, plotLine{name: "pitch", hue: 1, xs: s.TS, ys: s.PitchUM, keep: KeepMax})
	}
	if len(s.MeanDepthUM) > 0 {
		p.lines = append(p.lines, plotLine{name: "mean depth", hue: 3, xs: s.TS, ys: s.MeanDepthUM, keep: KeepMax})
	}
	if lim.MinPitchUM != nil {
		p.limits = append(p.limits, plotLimit{*lim.MinPitchUM, "finest pitch " + with(number(*lim.MinPitchUM, 0), "um")})
	}
	return p
}

func gainPlot(s Series) plot {
	p := plot{title: "Gain of the stages", desc: "Least gain in each interval; 0 dB is untouched.", quantity: "gain", unit: "dB", decimals: 1, zero: true}
	for i, st := range s.Stages {
		if i == 4 { // more lines than hues would need guessing
			break
		}
		p.lines = append(p.lines, plotLine{name: st.ID, hue: i + 1, xs: s.TS, ys: st.MinGainDB, keep: KeepMin})
	}
	return p
}

// spoken sums a plot up for those who do not see it.
func (p plot) spoken() string {
	out := ""
	for _, l := range p.lines {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, y := range l.ys {
			if !math.IsNaN(y) {
				lo, hi = math.Min(lo, y), math.Max(hi, y)
			}
		}
		if lo <= hi && l.hi == nil {
			out += fmt.Sprintf("%s: %s to %s. ", capital(l.name), p.value(lo), p.value(hi))
		}
	}
	return out
}

// value prints a value of the vertical axis, one decimal finer than its ticks.
func (p plot) value(v float64) string { return quantity(&v, p.decimals+1, ratioIfBlank(p.unit)) }

// table lists the extremes of some intervals.
func (p plot) table() ([]string, [][]string) {
	head := []string{"from"}
	if p.logHz {
		head[0] = "Hz"
	}
	var lines []plotLine
	var xs Curve
	for _, l := range p.lines {
		if l.hi != nil || len(l.ys) == 0 || len(lines) > 0 && len(l.xs) != len(lines[0].xs) {
			continue
		}
		n := min(len(l.xs), len(l.ys))
		rows := tableRows
		if p.logHz {
			rows = n
		}
		xs, l.ys = Reduce(l.xs[:n], rows, KeepFirst), Reduce(l.ys[:n], rows, l.keep)
		lines = append(lines, l)
		head = append(head, l.name)
	}
	var out [][]string
	for i, x := range xs {
		row := []string{clockShort(x)}
		if p.logHz {
			row[0] = with(number(x, 0), "Hz")
		}
		for _, l := range lines {
			cell := absent
			if i < len(l.ys) {
				cell = p.value(l.ys[i])
			}
			row = append(row, cell)
		}
		out = append(out, row)
	}
	return head, out
}
