package report

import "html/template"

// Texts of a report, laid out for a page that is not one of this package:
// every number is already text with its unit, the same as in report.html.
type (
	// Mark is a state by word, shape and class: "ok", "look", "over", "act" or "plain".
	Mark = mark
	// Row is one line of the before and after table.
	Row = row
	// Section is a titled group of rows.
	Section = section
	// ReasonText is one cause of the verdict.
	ReasonText = reasonView
	// StageText is what one stage decided and why.
	StageText = stageView
	// ChangeText is one treated passage.
	ChangeText = changeView
	// Pair is a name and a value.
	Pair = pair
	// Figure is a plot with words and a table of some of its values.
	Figure = figure
	// LadderText is the level ladder: words, picture, and a row for each level.
	LadderText = ladderView
)

// Audit is what an engineer goes through before signing a side.
type Audit struct {
	State    Mark
	Sentence string
	Reasons  []ReasonText
	Sections []Section
	Basis    string // level and land plan the figures of the groove hold for
	Stages   []StageText
	Land     []Pair
	CutWhy   string // what held the level where it is
	Figures  []Figure
	Strip    template.HTML // the side along one radius; blank if there is none
	Ladder   *LadderText   // nil: none was reckoned
	InMono   *MonoText     // nil: not looked at
	Traced   *TracedText   // nil: not reckoned
	Half     []string      // what a cut at half speed asks for; nil: real time
	Speeds   *SpeedsText   // nil: not compared
	Advice   []Advice      // notes to the mix
}

// AuditOf lays a report out. Changes are left to [ChangeTextOf]: there may be
// thousands.
func AuditOf(r *Report) *Audit {
	short := *r
	short.Changes = nil
	v := newView(&short)
	return &Audit{State: v.State, Sentence: v.Sentence, Reasons: v.Reasons, Sections: v.Sections, Basis: v.Basis, Stages: v.Stages, Land: v.Land, CutWhy: v.CutWhy, Figures: v.Figures, Strip: v.Strip, Ladder: v.Ladder, InMono: v.InMono, Traced: v.Traced, Half: v.Half, Speeds: v.Speeds, Advice: r.Advice}
}

// ChangeTextOf lays one passage out.
func ChangeTextOf(c Change) ChangeText { return changeOf(c) }

// CutPairs is the level of the cut and how it is reached.
func CutPairs(r *Report) []Pair {
	return []Pair{
		{"Cut level", with(signed(r.Cut.LevelDB, 2), "dB"), "re the room's reference"},
		{"Gain in the file", with(signed(r.Cut.FileGainDB, 2), "dB"), ""},
		{"Gain to set at the lathe", with(signed(r.Cut.LatheGainDB, 2), "dB"), ""},
	}
}
