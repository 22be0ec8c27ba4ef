package report

import (
	"encoding/json"
	"html/template"
	"math"
	"slices"
	"strings"
)

// ladderView is the level ladder laid out: words, picture and one row a level.
type ladderView struct {
	Why     string // what held the level of this cut, and what the ladder says of others
	Filters string // filters over the whole side, if known and the same at every level
	Stages  []string
	Rows    []rungView
	SVG     template.HTML
	Text    string // the picture in words
	// Each tells that filters differ from level to level and have a column.
	Each bool
}

type rungView struct {
	Level, Land, End, Curvature, Slope, Why string
	Filters                                 []string
	Treatment                               []treatmentView
	Mark                                    mark
	Chosen                                  bool
}

// treatmentView is what one stage would do: the greatest reduction and, unless
// blank, for how long.
type treatmentView struct{ Stage, Change, Time string }

func ladderOf(r *Report) *ladderView {
	if len(r.Ladder) == 0 {
		return nil
	}
	rungs := slices.Clone(r.Ladder)
	slices.SortStableFunc(rungs, func(a, b Rung) int {
		switch {
		case a.LevelDB < b.LevelDB:
			return -1
		case a.LevelDB > b.LevelDB:
			return 1
		}
		return 0
	})
	v := &ladderView{Why: ladderWhy(r, rungs), Stages: treatingStages(rungs)}
	for _, g := range rungs {
		v.Each = v.Each || !slices.Equal(g.Filters, rungs[0].Filters)
	}
	if !v.Each && rungs[0].Filters != nil {
		v.Filters = strings.Join(filterList(rungs[0].Filters), " ")
	}
	for _, g := range rungs {
		row := rungOf(g, v.Stages)
		if n := len(v.Rows); n > 0 && rungs[n-1].State == g.State && rungs[n-1].Why == g.Why && !g.Chosen {
			row.Why = "" // said at the first of them
		}
		v.Rows = append(v.Rows, row)
	}
	v.SVG, v.Text = ladderPlot(r, rungs, v.Stages), ladderText(rungs)
	return v
}

// treatingStages are the stages any rung names, in chain order.
func treatingStages(rungs []Rung) []string {
	var out []string
	for _, g := range rungs {
		for _, t := range g.Treatment {
			if !slices.Contains(out, t.Stage) {
				out = append(out, t.Stage)
			}
		}
	}
	return out
}

func rungOf(g Rung, stages []string) rungView {
	v := rungView{Level: with(signed(g.LevelDB, 1), "dB"), Land: quantity(g.LandMM, 1, "mm"), End: endText(g.EndRadiusMM), Curvature: ratioText(g.CurvatureRatio), Slope: ratioText(g.SlopeRatio),
		Why: prose(g.Why), Filters: filterList(g.Filters), Mark: markOf(g.State), Chosen: g.Chosen}
	for _, id := range stages {
		v.Treatment = append(v.Treatment, treatmentAt(g, id))
	}
	return v
}

// ratioText prints a ratio; far beyond the limit its figure says nothing more.
func ratioText(v *float64) string {
	if v != nil && *v > 100 {
		return "over " + with("100", "ratio")
	}
	return quantity(v, 2, "ratio")
}

// endText is the radius where a side would end, were there room for it.
func endText(v *float64) string {
	if v != nil && *v <= 0 {
		return "past the centre"
	}
	return quantity(v, 1, "mm")
}

func treatmentAt(g Rung, stage string) treatmentView {
	for _, t := range g.Treatment {
		if t.Stage != stage {
			continue
		}
		if t.MaxDB == 0 && t.TreatedS == 0 {
			return treatmentView{stage, "none", ""}
		}
		return treatmentView{stage, with(signed(t.MaxDB, 1), "dB"), duration(t.TreatedS)}
	}
	return treatmentView{stage, absent, ""}
}

// filterList names filters, with a comma behind all but the last.
func filterList(ids []string) []string {
	if len(ids) == 0 {
		return []string{"none"}
	}
	return strings.SplitAfter(strings.Join(ids, ","), ",")
}

// ladderWhy gives the reason for the level cut in words, and where the plan
// stands on the ladder.
func ladderWhy(r *Report, rungs []Rung) string {
	level := with(signed(r.Cut.LevelDB, 2), "dB")
	out := "This cut is at " + level + "."
	switch {
	case r.Cut.Asked == "fit":
		out = "The plan asks for the level that fits: " + level + "."
	case r.Cut.Asked != "":
		out = "The plan asks for " + prose(r.Cut.Asked) + "; this cut is at " + level + "."
	}
	if r.Cut.Why != "" {
		out += " " + capital(strings.TrimSuffix(prose(r.Cut.Why), ".")) + "."
	}
	best, chosen := -1, -1
	for i, g := range rungs {
		if g.State == Ready {
			best = i
		}
		if g.Chosen {
			chosen = i
		}
	}
	if chosen >= 0 && math.Abs(rungs[chosen].LevelDB-r.Cut.LevelDB) > 0.005 {
		out += " The nearest step of the ladder is marked."
	}
	switch {
	case best < 0:
		out += " No step of the ladder is ready."
	case best != chosen:
		out += " The highest step that is ready is " + with(signed(rungs[best].LevelDB, 1), "dB") + "."
	}
	return out
}

// ladderText says in words what the picture shows.
func ladderText(rungs []Rung) string {
	var parts []string
	for _, run := range runsOf(rungs) {
		a, b := rungs[run[0]], rungs[run[1]]
		word := capital(markOf(a.State).Word)
		if run[0] == run[1] {
			parts = append(parts, word+" at "+with(signed(a.LevelDB, 1), "dB")+".")
		} else {
			parts = append(parts, word+" from "+with(signed(a.LevelDB, 1), "dB")+" to "+with(signed(b.LevelDB, 1), "dB")+".")
		}
	}
	for _, g := range rungs {
		if g.Chosen {
			parts = append(parts, "This cut: "+with(signed(g.LevelDB, 1), "dB")+", land used "+quantity(g.LandMM, 1, "mm")+", end radius "+endText(g.EndRadiusMM)+".")
		}
	}
	return strings.Join(parts, " ")
}

// runsOf cuts the ladder into runs of one verdict: first and last index.
func runsOf(rungs []Rung) [][2]int {
	var out [][2]int
	for i := 0; i < len(rungs); {
		j := i
		for j+1 < len(rungs) && rungs[j+1].State == rungs[i].State {
			j++
		}
		out = append(out, [2]int{i, j})
		i = j + 1
	}
	return out
}

// reductionCap is the most a stage may take away by the plan, or nil.
func reductionCap(plan json.RawMessage) *float64 {
	var p struct {
		Caps struct {
			MaxReductionDB *float64 `json:"max_reduction_db"`
		} `json:"caps"`
	}
	if json.Unmarshal(plan, &p) != nil {
		return nil // a plan of another layout: no line is drawn
	}
	return p.Caps.MaxReductionDB
}
