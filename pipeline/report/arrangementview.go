package report

import (
	"fmt"
	"html"
	"html/template"
	"io"
	"math"
	"path"
	"strconv"
	"strings"
)

// ArrangementText is an arrangement laid out for a page: every number is already
// text with its unit.
type ArrangementText struct {
	Heading   string
	Identity  []Pair
	Objective string
	Proof     Mark
	Proofs    []string // what the mark means, in sentences
	None      bool     // nothing holds at any level
	Divisions []DivisionText
}

// DivisionText is one division.
type DivisionText struct {
	Rank                         int
	Name                         string // for headings and buttons: Best, Second ...
	Mark                         Mark   // whether it holds
	Difference, Level, Curvature string
	CurvatureMark                Mark
	Turns                        string // what each side plays and where it turns, in one sentence
	Sides                        []ArrangedSideText
}

// ArrangedSideText is one side of a division.
type ArrangedSideText struct {
	Side, Level, Planned   string // Planned is blank where no full plan was made
	Length, End, Curvature string
	CurvatureMark          Mark
	DeEss                  string
	Tracks                 []string // number and title, in order
	Strip                  template.HTML
	Plan                   string // file of its side plan; blank if there is none
}

var rankNames = [mostDivisions]string{"Best", "Second", "Third", "Fourth", "Fifth"}

// ArrangementOf lays an arrangement out.
func ArrangementOf(a *Arrangement) *ArrangementText {
	t := &ArrangementText{Heading: a.Title, Objective: "Compared in this order: " + a.Objective + ".", Proof: mark{"proven best", "●", "ok"}}
	if strings.TrimSpace(t.Heading) == "" {
		t.Heading = "Untitled release"
	}
	order, level, speed := "free to change", "each side its own", "in real time"
	if a.KeepOrder {
		order = "kept; only the turns of the sides are chosen"
	}
	if a.SameLevel {
		level = "one for all sides"
		t.Objective += " One level is asked of all sides; the full plan says what each could have by itself."
	}
	if a.CuttingSpeed == "half" {
		speed = "at half speed"
	}
	t.Identity = []Pair{{"Disc", a.Disc, ""}, {"Room", a.Room, ""}, {"Sides", strconv.Itoa(a.Sides), ""}, {"Running order", order, ""}, {"Level", level, ""}, {"Cut", speed, ""}}
	weighed := plural(a.Proof.Weighed, "division was", "divisions were") + " weighed in full. Method: " + a.Proof.Method + "."
	if a.Proof.Optimal {
		t.Proofs = []string{"Of all that the release allows, nothing is better than the first one, by the figures compared.", weighed}
	} else {
		t.Proof = mark{"not proven best", "▲", "look"}
		t.Proofs = []string{fmt.Sprintf("There may be a better one: the search ended before it had ruled all others out. None cuts all sides above %s, which is %s more than was found.",
			decibels(*a.Proof.BoundLevelDB), with(number(*a.Proof.GapDB, 1), "dB")), weighed}
	}
	for i := range a.Best {
		t.Divisions = append(t.Divisions, divisionOf(a, &a.Best[i]))
	}
	t.None = !a.Best[0].Holds
	if t.None {
		t.Proof = mark{"nothing holds", "■", "over"}
		t.Proofs = []string{"No division holds at any level. Take more sides, a larger disc, or shorten the programme; the rows show by how much they do not fit.", weighed}
	}
	return t
}

func divisionOf(a *Arrangement, d *Division) DivisionText {
	t := DivisionText{Rank: d.Rank, Name: rankNames[d.Rank-1], Mark: mark{"holds", "●", "ok"}, Difference: with(number(d.DifferenceDB, 1), "dB"), Level: decibels(d.LevelDB)}
	if !d.Holds {
		t.Mark = mark{"holds at no level", "■", "over"}
	}
	t.Curvature, t.CurvatureMark = curvatureText(d.CurvatureRatio)
	var turns []string
	for k := range d.Sides {
		s := &d.Sides[k]
		v := ArrangedSideText{Side: s.Side, Level: decibels(s.LevelDB), Length: clockShort(s.LengthS) + "\u202fmin", End: with(number(s.EndRadiusMM, 1), "mm"), DeEss: with(number(s.DeEssS, 1), "s"), Strip: sideStrip(a, s), Plan: s.Plan}
		if s.PlannedLevelDB != nil {
			v.Planned = decibels(*s.PlannedLevelDB)
		}
		v.Curvature, v.CurvatureMark = curvatureText(s.CurvatureRatio)
		for _, p := range s.Tracks {
			v.Tracks = append(v.Tracks, trackName(p))
		}
		turns = append(turns, fmt.Sprintf("side %s: %s", s.Side, playedText(s.Tracks)))
		t.Sides = append(t.Sides, v)
	}
	t.Turns = "S" + strings.Join(turns, "; ")[1:] + "."
	return t
}

func decibels(db float64) string { return with(signed(db, 1), "dB") }

// playedText is the order of a side by numbers, and its last track by name.
func playedText(list []ArrangedTrack) string {
	var parts []string
	for i := 0; i < len(list); {
		j := i
		for j+1 < len(list) && list[j+1].Number == list[j].Number+1 {
			j++
		}
		if j-i < 2 {
			j = i
			parts = append(parts, strconv.Itoa(list[i].Number))
		} else {
			parts = append(parts, fmt.Sprintf("%d to %d", list[i].Number, list[j].Number))
		}
		i = j + 1
	}
	text := strings.Join(parts, ", ")
	if name := list[len(list)-1].name(); name != "" {
		text += ", ending with " + name
	}
	return text
}

// name is what a track is called: its title, or else its file.
func (p ArrangedTrack) name() string {
	if title := strings.TrimSpace(p.Title); title != "" || p.File == "" {
		return title
	}
	return path.Base(p.File)
}

func trackName(p ArrangedTrack) string {
	return strings.TrimSpace(strconv.Itoa(p.Number) + " " + p.name())
}

// curvatureText is a ratio to the limit before treatment, where passing it means
// that de-ess has work.
func curvatureText(ratio float64) (string, Mark) {
	m := mark{"within", "●", "ok"}
	if ratio > 1 {
		m = mark{"to be treated", "▲", "look"}
	}
	return number(ratio, 2) + " of the limit", m
}

// sideStrip draws the land of one side as seen along a radius, rim at the left:
// a block for each track, and what is left at the right.
func sideStrip(a *Arrangement, s *ArrangedSide) template.HTML {
	const w, h = 480.0, 36.0
	outer, inner := a.OuterMM, math.Min(a.InnerMM, s.EndRadiusMM)
	if !(outer > inner) || math.IsInf(outer-inner, 0) {
		return ""
	}
	x := func(mm float64) float64 { return w * math.Min(1, math.Max(0, (outer-mm)/(outer-inner))) }
	d := &drawing{}
	words := fmt.Sprintf("Side %s along one radius: %s, from %s to %s; land down to %s may be used.", s.Side, plural(len(s.Tracks), "track", "tracks"),
		with(number(a.OuterMM, 1), "mm"), with(number(s.EndRadiusMM, 1), "mm"), with(number(a.InnerMM, 1), "mm"))
	d.f(`<svg class="plot strip" viewBox="0 0 %g %g" role="img" aria-label="%s"><rect class="blank" x="0" y="6" width="%g" height="24"/>`, w, h, html.EscapeString(words), w)
	for i, p := range s.Tracks {
		end := s.EndRadiusMM
		if i+1 < len(s.Tracks) {
			end = s.Tracks[i+1].RadiusMM
		}
		from, to := x(p.RadiusMM), x(end)
		d.f(`<rect class="cut%d" x="%.1f" y="6" width="%.1f" height="24"/>`, i%2, from, math.Max(0.5, to-from))
		if to-from > 20 {
			d.f(`<text class="on-cut" x="%.1f" y="23" text-anchor="middle">%d</text>`, (from+to)/2, p.Number)
		}
	}
	d.f(`<path class="mark" d="M%.1f 1V%g"/><path class="limit" d="M%.1f 1V%g"/></svg>`, math.Max(1, math.Min(w-1, x(s.EndRadiusMM))), h-1, math.Max(1, math.Min(w-1, x(a.InnerMM))), h-1)
	return template.HTML(d.String())
}

// WriteArrangementHTML writes arrangement.html: one file that needs no network
// and no script. The same arrangement gives the same bytes.
func WriteArrangementHTML(w io.Writer, a *Arrangement) error {
	if err := a.Validate(); err != nil {
		return err
	}
	return writePage(w, "arrangement.html", struct {
		*ArrangementText
		CSS    template.CSS
		Policy string
		Tool   *Tool
	}{ArrangementOf(a), template.CSS(styleSheet), contentPolicy, a.Tool})
}
