package report

import (
	"bytes"
	"encoding/json"
	"html/template"
	"math"
	"slices"
	"strings"
)

// maxChangesShown caps the table of passages: a page of thousands of rows is
// neither read nor printed. All of them stand in report.json.
const maxChangesShown = 200

// view is a report laid out for the pages: every number is already text with
// its unit.
type view struct {
	R            *Report
	CSS          template.CSS
	Policy       string
	Heading      string
	State        mark
	Sentence     string
	Reasons      []reasonView
	Cards        []card
	Strip        template.HTML
	Sections     []section
	Figures      []figure
	Stages       []stageView
	Changes      []changeView
	ChangesTotal string
	ChangesCut   bool
	ChangeStages []stageCount
	Land         []pair
	Ladder       *ladderView // nil: none was reckoned
	InMono       *MonoText   // nil: not looked at
	Traced       *TracedText // nil: not reckoned
	Half         []string    // what a cut at half speed asks for; nil: real time
	Speeds       *SpeedsText // nil: not compared
	Tracks       []trackView
	Proof        []pair
	Inputs       []fileView
	Outputs      []fileView
	Plan, Room   []setting
	AskRoom      []setting
	Cautions     []Caution
	Identity     []pair
	Reference    string
	Basis        string
	CutWhy       string
	Tips         []pair
}

type pair struct{ Name, Value, Note string }

type card struct {
	Name, Value, Note string
	Mark              mark
}

type reasonView struct {
	Mark                     mark
	Text, Where, Value, Hint string
}

type stageView struct {
	ID, Doing              string
	Mark                   mark
	Decided, Treats        string
	MaxChange, Treated     string
	Passages, Sum          string
	Difference             string
	Why, SwitchOff, Params string
}

type changeView struct {
	Stage, From, To, Length, Track, Radius, Change string
	Measure, Before, After, Limit, Why             string
	Estimate                                       bool
}

// stageCount is how often a stage acted; Why is blank if its passages have
// different reasons.
type stageCount struct{ Stage, Count, Why string }

type trackView struct {
	Number, Title, ISRC, File, Start, End, Length string
	StartRadius, Radius, LPI, Level, Peak         string
	Gap, Land, Gain                               string
}

type fileView struct{ Role, Name, Format, Length, Size, SHA256, PCM string }

func newView(r *Report) *view {
	v := &view{R: r, CSS: template.CSS(styleSheet), Policy: contentPolicy, State: markOf(r.Verdict.State), Cautions: r.Cautions}
	v.Heading = heading(r.Side)
	v.Sentence = sentence(r.Verdict)
	for _, x := range r.Verdict.Reasons {
		v.Reasons = append(v.Reasons, reasonOf(x))
	}
	v.Cards = cards(r)
	v.Strip = strip(r.Side.Disc, r.Land, r.Tracks)
	after := r.After
	if r.Analysed() {
		after = predictedMeasures(r.Prediction)
	}
	v.Sections = []section{{"Programme", rowsOf(programme, r.Before, after, r.Limits, r.Analysed())}, {"Groove", rowsOf(groove, r.Before, after, r.Limits, r.Analysed())}}
	v.Basis, v.CutWhy = prose(r.After.Groove.Basis), prose(r.Cut.Why)
	if r.Analysed() {
		v.Basis = prose(r.Before.Groove.Basis)
		v.State.Word = "predicted: " + v.State.Word
		v.Sentence = predictedSentence(r.Verdict)
	}
	v.Tips = tips(r)
	v.Figures = plotsOf(r.Series, r.Before, r.After, r.Limits, r.Tracks)
	for _, s := range r.Stages {
		v.Stages = append(v.Stages, stageOf(s))
	}
	v.changes(r)
	v.Land = landPairs(r.Land)
	v.Ladder = ladderOf(r)
	v.InMono = MonoTextOf(r)
	v.Traced, v.Half, v.Speeds = TracedTextOf(r), HalfText(r), SpeedsTextOf(r)
	for _, t := range r.Tracks {
		v.Tracks = append(v.Tracks, trackOf(t))
	}
	v.Proof = proofPairs(r.Proof)
	for _, f := range r.Inputs {
		v.Inputs = append(v.Inputs, fileOf(f))
	}
	for _, f := range r.Outputs {
		v.Outputs = append(v.Outputs, fileOf(f))
	}
	v.Room = settings(r.Room, "room", r.Notes)
	for _, s := range settings(r.Plan, "plan", r.Notes) {
		if len(v.Room) == 0 || !strings.HasPrefix(s.Field, "room.") { // the room stands above it
			v.Plan = append(v.Plan, s)
		}
	}
	for _, s := range v.Room {
		if s.Ask {
			v.AskRoom = append(v.AskRoom, s)
		}
	}
	v.Identity = identity(r)
	v.Reference = referenceText(r.Cut.Reference)
	return v
}

func heading(s Side) string {
	if s.Title == "" {
		return "Untitled"
	}
	return s.Title
}

// sentence says the verdict in one sentence. It never promises more than the
// stated room profile.
func sentence(v Verdict) string {
	switch v.State {
	case Ready:
		return "Ready for an engineer to sign off: every checked limit holds within the stated room profile."
	case Attention:
		return "No hard limit of the stated room profile is broken; " + plural(len(v.Reasons), "point needs", "points need") + " a person’s judgement."
	}
	n := 0
	for _, r := range v.Reasons {
		if r.Severity == Blocked {
			n++
		}
	}
	return "Not for cutting as it is: " + plural(n, "point breaks", "points break") + " the stated room profile."
}

func reasonOf(x Reason) reasonView {
	r := reasonView{Mark: markOf(x.Severity), Text: prose(x.Text), Hint: prose(x.Hint)}
	if x.Severity == Ready {
		r.Mark = mark{"note", "○", "plain"}
	}
	if x.Where != nil {
		r.Where = x.Where.text()
	}
	if x.Value != nil {
		r.Value = "Found " + quantity(x.Value, 2, x.Unit)
		if x.Limit != nil {
			r.Value += ", limit " + quantity(x.Limit, 2, x.Unit)
		}
	}
	return r
}

func ratioIfBlank(unit string) string {
	if unit == "" {
		return "ratio"
	}
	return unit
}

// predictedSentence says what an analysis concludes.
func predictedSentence(v Verdict) string {
	end := " This is a prediction: nothing was written and nothing was measured on a premaster."
	switch v.State {
	case Ready:
		return "The planner expects every checked limit to hold within the stated room profile." + end
	case Attention:
		return "The planner expects no hard limit of the stated room profile to break, but there are points that need a person’s judgement." + end
	}
	return "The planner expects hard limits of the stated room profile to break." + end
}

// cards are the five figures a reader wants first.
func cards(r *Report) []card {
	g := r.After.Groove
	if p := r.Prediction; p != nil {
		g = Groove{EndRadiusMM: p.EndRadiusMM, MinLandUM: p.MinLandUM, CurvatureRatioMax: p.CurvatureRatioMax}
	}
	out := []card{{"Cut level", with(signed(r.Cut.LevelDB, 1), "dB"), with(signed(r.Cut.FileGainDB, 2), "dB") + " in the file, " + with(signed(r.Cut.LatheGainDB, 2), "dB") + " at the lathe", mark{}}}
	held := func(name string, v, limit *float64, decimals int, unit string, least bool, soft mark) {
		c := card{Name: name, Value: quantity(v, decimals, unit), Mark: markReported}
		switch {
		case v == nil:
			c.Mark, c.Note = markAbsent, "no value"
		case limit == nil:
			c.Note = "no limit stated"
		default:
			c.Mark = markWithin
			c.Note = "at most " + quantity(limit, decimals, unit)
			bad := *v > *limit
			if least {
				c.Note, bad = "at least "+quantity(limit, decimals, unit), *v < *limit
			}
			if bad {
				c.Mark = soft
			}
		}
		if r.Analysed() {
			c.Note = "predicted; " + c.Note
			if v != nil && limit != nil {
				c.Mark.Word = "predicted " + c.Mark.Word
			}
		}
		out = append(out, c)
	}
	held("End radius", g.EndRadiusMM, r.Limits.EndRadiusMM, 1, "mm", true, markOver)
	held("Least land", g.MinLandUM, r.Limits.MinLandUM, 1, "um", true, markOver)
	held("Greatest curvature ratio, design tip", g.CurvatureRatioMax, r.Limits.CurvatureRatio, 2, "ratio", false, markLook)
	return append(out, strongest(r))
}

// strongest is the card of the largest reduction any stage made.
func strongest(r *Report) card {
	best := card{Name: "Strongest treatment", Value: "none", Note: "no stage took gain away"}
	if r.Analysed() {
		best.Note = "no stage is expected to take gain away"
	}
	if r.Proof.BitIdentical {
		best.Note = "samples are those of the mix"
	}
	least := 0.0
	for _, s := range r.Stages {
		if (s.Active || s.Predicted == PredictedActs) && s.MaxChangeDB != nil && *s.MaxChangeDB < least {
			least = *s.MaxChangeDB
			best.Value, best.Note, best.Mark = with(number(least, 1), "dB"), s.ID+", "+duration(s.TreatedS)+" in all", markReported
			if s.Predicted != "" {
				best.Note = "predicted; " + best.Note
			}
		}
	}
	return best
}

func tips(r *Report) []pair {
	var out []pair
	for i, t := range r.After.Groove.CurvatureTips {
		p := pair{Name: with(number(t.TipUM, 1), "um") + " tip", Value: quantity(t.RatioMax, 2, "ratio")}
		if i < len(r.Before.Groove.CurvatureTips) {
			p.Note = "before " + quantity(r.Before.Groove.CurvatureTips[i].RatioMax, 2, "ratio") + ". "
		}
		if t.Where != nil {
			p.Note += t.Where.text()
		}
		out = append(out, p)
	}
	return out
}

func stageOf(s Stage) stageView {
	v := stageView{ID: s.ID, Decided: prose(s.Decided), Treats: prose(s.Treats), Why: prose(s.Why), SwitchOff: prose(s.SwitchOff), Params: paramsText(s.Params),
		MaxChange: absent, Treated: duration(s.TreatedS), Passages: plural(s.Passages, "passage", "passages"), Sum: absent, Difference: absent}
	if s.Predicted != "" {
		v.Passages = "passages not known"
	}
	switch {
	case s.Predicted == PredictedActs:
		v.Doing, v.Mark = "expected to act", mark{"expected to act", "◆", "act"}
	case s.Predicted == PredictedIdle:
		v.Doing, v.Mark = "expected to do nothing", mark{"expected idle", "◇", "plain"}
	case s.Mode == "estimate":
		v.Doing, v.Mark = "estimate only: nothing changed", mark{"estimate", "△", "plain"}
	case s.Active:
		v.Doing, v.Mark = "changed samples", mark{"active", "◆", "act"}
	default:
		v.Doing, v.Mark = "changed nothing", mark{"idle", "◇", "plain"}
	}
	if s.MaxChangeDB != nil {
		v.MaxChange = with(signed(*s.MaxChangeDB, 1), "dB")
	}
	if s.SumDBS != nil {
		v.Sum = with(signed(*s.SumDBS, 1), "dB s")
	}
	if s.DifferencePeakDBFS != nil {
		v.Difference = "peak " + quantity(s.DifferencePeakDBFS, 1, "dBFS")
		if s.DifferenceRMSDBFS != nil {
			v.Difference += ", rms " + quantity(s.DifferenceRMSDBFS, 1, "dBFS")
		}
	}
	return v
}

// changes sorts by severity: largest change of gain first, then by time.
func (v *view) changes(r *Report) {
	all := slices.Clone(r.Changes)
	slices.SortStableFunc(all, func(a, b Change) int {
		if x, y := math.Abs(a.MaxDB), math.Abs(b.MaxDB); x != y {
			if x > y {
				return -1
			}
			return 1
		}
		if a.StartS < b.StartS {
			return -1
		}
		return 0
	})
	total := max(r.ChangesTotal, len(all))
	v.ChangesTotal = plural(total, "passage", "passages")
	v.ChangesCut = total > maxChangesShown || total > len(all)
	common := map[string]string{} // the one reason of a stage, said once instead of in each row
	for _, s := range r.Stages {
		n, whys := 0, map[string]bool{}
		for _, c := range all {
			if c.Stage == s.ID {
				n++
				whys[c.Why] = true
				common[s.ID] = c.Why
			}
		}
		if len(whys) > 1 {
			delete(common, s.ID)
		}
		if n > 0 {
			v.ChangeStages = append(v.ChangeStages, stageCount{s.ID, plural(n, "passage", "passages"), prose(common[s.ID])})
		}
	}
	for _, c := range all[:min(len(all), maxChangesShown)] {
		x := changeOf(c)
		if common[c.Stage] == c.Why {
			x.Why = ""
		}
		v.Changes = append(v.Changes, x)
	}
}

// changeOf lays one passage out.
func changeOf(c Change) changeView {
	unit, decimals := ratioIfBlank(c.Unit), 1
	if c.Unit == "" {
		decimals = 2
	}
	x := changeView{Stage: c.Stage, From: clock(c.StartS), To: clock(c.EndS), Length: with(number((c.EndS-c.StartS)*1000, 0), "ms"), Track: absent, Radius: with(number(c.RadiusMM, 1), "mm"), Change: with(signed(c.MaxDB, 1), "dB"),
		Measure: c.Measure, Before: quantity(c.Before, decimals, unit), After: quantity(c.After, decimals, unit), Limit: quantity(c.Limit, decimals, unit), Why: prose(c.Why), Estimate: c.Estimate}
	if c.Track > 0 {
		x.Track = number(float64(c.Track), 0)
	}
	return x
}

// paramsText prints parameters on one line.
func paramsText(raw json.RawMessage) string {
	var parts []string
	for _, s := range settings(raw, "", nil) {
		parts = append(parts, s.Field+" "+s.Value)
	}
	return strings.Join(parts, ", ")
}

// setting is one value of plan or room as used.
type setting struct {
	Field, Value, Meaning, Source string
	Ask, Default                  bool
}

// settings flattens a JSON document in its own order into paths and values.
func settings(raw json.RawMessage, in string, notes []Note) []setting {
	byField := map[string]Note{}
	for _, n := range notes {
		if n.In == in {
			byField[n.Field] = n
		}
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var out []setting
	flatten(dec, "", func(path, value string, isNumber bool) {
		n := byField[withoutIndex(path)]
		s := setting{Field: path, Value: value, Meaning: meaning(n.Meaning), Source: meaning(n.Source), Ask: n.AskRoom, Default: n.Defaults}
		if n.Unit != "" && isNumber {
			s.Value = with(value, n.Unit)
		}
		out = append(out, s)
	})
	return out
}

// withoutIndex drops [n] from a path: notes speak of all elements at once.
func withoutIndex(path string) string {
	var b strings.Builder
	depth := 0
	for _, r := range path {
		switch {
		case r == '[':
			depth++
		case r == ']' && depth > 0:
			depth--
		case depth == 0:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// flatten walks one JSON value and reports its leaves in document order. The
// raw value was valid JSON when the report was made; damage just ends it.
func flatten(dec *json.Decoder, path string, leaf func(path, value string, isNumber bool)) bool {
	tok, err := dec.Token()
	if err != nil {
		return false
	}
	switch x := tok.(type) {
	case json.Delim:
		for i := 0; dec.More(); i++ {
			next := path + "[" + number(float64(i+1), 0) + "]"
			if x == '{' {
				key, err := dec.Token()
				if err != nil {
					return false
				}
				name, _ := key.(string)
				next = join(path, name)
			}
			if !flatten(dec, next, leaf) {
				return false
			}
		}
		_, err := dec.Token() // the closing bracket
		return err == nil
	case json.Number:
		leaf(path, strings.Replace(x.String(), "-", minus, 1), true)
	case string:
		if x == "" {
			x = "blank"
		}
		leaf(path, x, false)
	case bool:
		leaf(path, map[bool]string{true: "yes", false: "no"}[x], false)
	case nil:
		leaf(path, "blank", false)
	}
	return true
}
