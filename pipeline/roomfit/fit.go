package roomfit

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"discsafe/pipeline/spec"
)

// ResultSchema names the form of a Result.
const ResultSchema = "discsafe-room-fit/1"

// Kinds of expectations, as package tones names them.
const (
	KindWidth    = "width"
	KindSwing    = "swing"
	KindWidest   = "widest"
	KindNarrow   = "narrowest"
	KindRadius   = "radius"
	KindPlayback = "playback" // told of the room's playback, not fitted
)

// Expectation is a blank of the sheet of a test cut.
type Expectation struct {
	ID       string
	Kind     string
	Unit     string
	Expected float64
	WidthUM  float64 // unmodulated
	MotionUM float64 // swing, or what vertical motion adds to the width
	Turns    float64 // from the first groove to where a radius is read
}

// Ids of parameters.
const (
	ParamLevel = "level_db"
	ParamWidth = "width_offset_um"
	ParamDepth = "depth_width_scale"
	ParamStart = "start_offset_mm"
	ParamPitch = "pitch_offset_um"
	ParamSlew  = "pitch_slew_um_s"
)

// Parameter is one figure of the room.
type Parameter struct {
	ID    string   `json:"id"`
	What  string   `json:"what"`
	Unit  string   `json:"unit"`
	Told  bool     `json:"told"` // the readings determine it
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"` // of the interval for all parameters together
	High  *float64 `json:"high"`
	Why   string   `json:"why,omitempty"` // why it, or its interval, is not told
}

// Judged is one reading beside what the fit expects.
type Judged struct {
	ID        string  `json:"id"`
	Unit      string  `json:"unit"`
	Value     float64 `json:"value"`
	Nominal   float64 `json:"nominal"`  // by the profile so far
	Expected  float64 `json:"expected"` // by the fit
	Off       float64 `json:"off"`      // value less expected
	Scales    float64 `json:"scales"`   // off over the scatter of one reading
	OutOfLine bool    `json:"out_of_line"`
	Used      bool    `json:"used"`
}

// Result is what a fit found.
type Result struct {
	Schema     string      `json:"schema"`
	Room       string      `json:"room"`
	Level      float64     `json:"interval_probability"` // that every interval holds its parameter
	Parameters []Parameter `json:"parameters"`
	Readings   []Judged    `json:"readings"`
	ScatterUM  *float64    `json:"scatter_um"` // of one reading of the groove
	ScatterMM  *float64    `json:"scatter_mm"` // of one radius
	ScatterUMS *float64    `json:"scatter_um_s"`
}

// Parameter returns the one called id.
func (r *Result) Parameter(id string) Parameter {
	for _, p := range r.Parameters {
		if p.ID == id {
			return p
		}
	}
	return Parameter{ID: id}
}

const (
	jointProbability = 0.95
	outOfLineScales  = 4.0 // beyond chance: one in 16,000 of normal errors
	leastOffUM       = 2.0 // and more than reading one line wrong
	leastOffMM       = 0.05
	leastOffUMS      = 1.0
	// A reading is rounded, to 1 um and 0.01 mm if done well: the scatter of
	// one is never less than the standard deviation of that.
	floorUM  = 0.2887
	floorMM  = 0.002887
	floorUMS = 1.0
)

// row is one reading in a linear model.
type row struct {
	id, unit     string
	x            []float64
	y            float64 // what the columns explain
	value, plain float64 // as read; nominal
}

// group is a set of readings with one scatter.
type group struct {
	names      []string // of columns
	rows       []row
	floor, off float64
	kept       []int // columns told
	fit        *regression
	t          float64
	beta       []float64 // by column; 0 where not told
}

// Fit compares readings with the sheet's expectations. sheet may be empty when
// there are only past cuts. The error is a *spec.Error that names every reading
// which belongs to no expectation, or says that there is nothing to fit.
func Fit(name, room string, r *Readings, sheet []Expectation) (*Result, error) {
	byID := map[string]Expectation{}
	var ids []string
	for _, e := range sheet {
		byID[e.ID] = e
		ids = append(ids, e.ID)
	}
	groove := &group{names: []string{ParamLevel, ParamWidth, ParamDepth}, floor: floorUM, off: leastOffUM}
	radii := &group{names: []string{ParamPitch, ParamStart}, floor: floorMM, off: leastOffMM}
	var faults []spec.Fault
	hasSwing := slices.ContainsFunc(r.Readings, func(v Value) bool { return byID[v.ID].Kind == KindSwing })
	for i, v := range r.Readings {
		e, known := byID[v.ID]
		if !known {
			hint := "the ids stand on the sheet"
			if near := spec.Suggest(v.ID, ids); near != "" {
				hint = "did you mean " + near + "?"
			}
			if len(sheet) == 0 {
				hint = "name the sheet of the test cut: sheet in the file, or --sheet"
			}
			faults = append(faults, spec.Fault{File: name, Path: fmt.Sprintf("readings[%d].id", i), Code: CodeReadings, Detail: fmt.Sprintf("%q is not on the sheet", v.ID), Hint: hint})
			continue
		}
		add(groove, radii, e, v.Value, hasSwing)
	}
	for _, c := range r.Cuts {
		turns := (c.StartMM - c.PlannedEndMM) * 1000 / c.PlannedPitch
		if c.EndMM != nil {
			radii.rows = append(radii.rows, row{id: c.Name + ": end", unit: "mm", x: []float64{-turns / 1000, 1}, y: *c.EndMM - c.PlannedEndMM, value: *c.EndMM, plain: c.PlannedEndMM})
		}
		if c.PitchUM != nil {
			// As the radius that this pitch makes over the side, so that it
			// weighs like one; the start does not enter.
			k := turns / 1000
			radii.rows = append(radii.rows, row{id: c.Name + ": mean pitch", unit: "um", x: []float64{-k, 0}, y: -k * (*c.PitchUM - c.PlannedPitch), value: *c.PitchUM, plain: c.PlannedPitch})
		}
	}
	slew := &group{names: []string{ParamSlew}, floor: floorUMS, off: leastOffUMS}
	for i, p := range r.Ramps {
		v := math.Abs(p.ToUM-p.FromUM) / p.Seconds
		slew.rows = append(slew.rows, row{id: fmt.Sprintf("ramp %d", i+1), unit: "um/s", x: []float64{1}, y: v, value: v})
	}
	if len(groove.rows)+len(radii.rows)+len(slew.rows) == 0 && len(faults) == 0 {
		faults = append(faults, spec.Fault{File: name, Code: CodeReadings, Detail: "holds no reading that can be fitted", Hint: "fill in what was read"})
	}
	if len(faults) > 0 {
		return nil, spec.NewError(faults)
	}
	told := 0
	for _, g := range []*group{groove, radii, slew} {
		g.solve()
		told += len(g.kept)
	}
	res := &Result{Schema: ResultSchema, Room: room, Level: jointProbability}
	res.groove(groove, told, hasSwing)
	res.radii(radii, told)
	res.slew(slew, told)
	for _, g := range []*group{groove, radii, slew} {
		res.Readings = append(res.Readings, g.judge()...)
	}
	return res, nil
}

// add puts one reading of the sheet into its group. Without a swing, level and
// scale of depth enter only as their product, which then counts as level.
func add(groove, radii *group, e Expectation, v float64, hasSwing bool) {
	vertical := func(sign float64) []float64 {
		if hasSwing {
			return []float64{0, 1, sign * e.MotionUM}
		}
		return []float64{sign * e.MotionUM, 1, 0}
	}
	r := row{id: e.ID, unit: e.Unit, value: v, plain: e.Expected}
	switch e.Kind {
	case KindWidth:
		r.x, r.y = []float64{0, 1, 0}, v-e.WidthUM
	case KindSwing:
		r.x, r.y = []float64{e.MotionUM, 0, 0}, v
	case KindWidest:
		r.x, r.y = vertical(1), v-e.WidthUM
	case KindNarrow:
		r.x, r.y = vertical(-1), v-e.WidthUM
	case KindRadius:
		r.x, r.y = []float64{-e.Turns / 1000, 1}, v-e.Expected
		radii.rows = append(radii.rows, r)
		return
	default:
		return // heard, not seen
	}
	groove.rows = append(groove.rows, r)
}

// solve finds which columns the readings tell, and fits them.
func (g *group) solve() {
	g.beta = make([]float64, len(g.names))
	if len(g.rows) == 0 {
		return
	}
	x, y := make([][]float64, len(g.rows)), make([]float64, len(g.rows))
	for i, r := range g.rows {
		x[i], y[i] = r.x, r.y
	}
	g.kept = independent(x)
	if len(g.kept) > len(y) {
		g.kept = g.kept[:len(y)]
	}
	sub := make([][]float64, len(x))
	for i := range x {
		for _, c := range g.kept {
			sub[i] = append(sub[i], x[i][c])
		}
	}
	if len(g.kept) == 0 {
		return
	}
	if g.fit = robust(sub, y, g.floor); g.fit == nil || g.fit.b == nil {
		g.fit, g.kept = nil, nil
		return
	}
	for i, c := range g.kept {
		g.beta[c] = g.fit.b[i]
	}
}

// independent lists the columns that are not made of those before them.
func independent(x [][]float64) []int {
	var kept []int
	var basis [][]float64
	for c := range x[0] {
		v := make([]float64, len(x))
		size := 0.0
		for i := range x {
			v[i] = x[i][c]
			size += v[i] * v[i]
		}
		for _, b := range basis {
			dot := 0.0
			for i := range v {
				dot += v[i] * b[i]
			}
			for i := range v {
				v[i] -= dot * b[i]
			}
		}
		left := 0.0
		for i := range v {
			left += v[i] * v[i]
		}
		if size == 0 || left < 1e-8*size {
			continue
		}
		for i := range v {
			v[i] /= math.Sqrt(left)
		}
		basis, kept = append(basis, v), append(kept, c)
	}
	return kept
}

// half is half the width of the interval of a standard error, for all told
// parameters together.
func half(g *group, se float64, told int) *float64 {
	if g.fit == nil || g.fit.cov == nil || g.fit.df < 1 {
		return nil
	}
	q := 1 - (1-jointProbability)/(2*float64(told))
	if g.t == 0 {
		g.t = studentQuantile(q, g.fit.df)
	}
	h := g.t * se
	return &h
}

// variance of columns a and b of the group.
func (g *group) variance(a, b int) float64 {
	i, j := slices.Index(g.kept, a), slices.Index(g.kept, b)
	if i < 0 || j < 0 || g.fit == nil || g.fit.cov == nil {
		return 0
	}
	return g.fit.cov[i][j]
}

func (g *group) tells(c int) bool { return slices.Contains(g.kept, c) }

const noSpare = "there are no more readings than unknowns, so nothing says how sure this is; read more"

func parameter(id, what, unit string) Parameter { return Parameter{ID: id, What: what, Unit: unit} }

// set fills value and interval.
func (p *Parameter) set(value, low, high float64, judged bool) {
	p.Told, p.Value = true, &value
	if judged {
		p.Low, p.High = &low, &high
	} else {
		p.Why = noSpare
	}
}

func (r *Result) groove(g *group, told int, hasSwing bool) {
	level := parameter(ParamLevel, "motion against the reference of the profile", "dB")
	width := parameter(ParamWidth, "unmodulated width against the profile", "um")
	depth := parameter(ParamDepth, "change of width against twice the vertical motion", "")
	db := func(x float64) float64 { return 20 * math.Log10(math.Max(x, 1e-6)) }
	if b := g.beta[0]; g.tells(0) && b > 0 {
		h := half(g, math.Sqrt(g.variance(0, 0)), told)
		if h != nil {
			level.set(db(b), db(b-*h), db(b+*h), true)
		} else {
			level.set(db(b), 0, 0, false)
		}
		if !hasSwing {
			level.Why = strings.TrimPrefix(level.Why+"; taken from widths alone, with a depth scale of 1", "; ")
		}
	} else {
		level.Why = "no swing of a lateral tone was read, nor widths of a vertical one"
	}
	width.plain(g, 1, told, "no width was read that tells it from vertical motion: read a silent groove")
	switch a, b := g.beta[0], g.beta[2]; {
	case !hasSwing:
		depth.Why = "cannot be told from level: no swing of a lateral tone was read"
	case !g.tells(2) || !g.tells(0) || a <= 0:
		depth.Why = "no width of a vertical tone was read"
	default:
		s := b / a
		v := g.variance(2, 2)/(a*a) + s*s*g.variance(0, 0)/(a*a) - 2*s*g.variance(0, 2)/(a*a)
		if h := half(g, math.Sqrt(math.Max(v, 0)), told); h != nil {
			depth.set(s, s-*h, s+*h, true)
		} else {
			depth.set(s, 0, 0, false)
		}
	}
	r.Parameters = append(r.Parameters, level, width, depth)
	r.ScatterUM = g.scatter()
}

func (g *group) scatter() *float64 {
	if g.fit == nil || g.fit.df < 1 {
		return nil
	}
	return &g.fit.scale
}

// plain fills a parameter that is a column as it stands.
func (p *Parameter) plain(g *group, column, told int, why string) {
	if !g.tells(column) {
		p.Why = why
		return
	}
	b := g.beta[column]
	if h := half(g, math.Sqrt(g.variance(column, column)), told); h != nil {
		p.set(b, b-*h, b+*h, true)
		return
	}
	p.set(b, 0, 0, false)
}

func (r *Result) radii(g *group, told int) {
	start := parameter(ParamStart, "radius of the beginning against the plan", "mm")
	pitch := parameter(ParamPitch, "advance of each turn against the plan", "um")
	pitch.plain(g, 0, told, "no radius, end or mean pitch was read")
	start.plain(g, 1, told, "cannot be told from the pitch: read radii at several places, or cuts of several lengths")
	if !g.tells(0) && g.tells(1) {
		pitch.Why = "cannot be told from the start: read radii at several places"
	}
	r.Parameters = append(r.Parameters, start, pitch)
	r.ScatterMM = g.scatter()
}

func (r *Result) slew(g *group, told int) {
	slew := parameter(ParamSlew, "fastest change of pitch", "um/s")
	slew.plain(g, 0, told, "no change of pitch was timed; a test cut at a fixed pitch cannot show it")
	r.Parameters = append(r.Parameters, slew)
	r.ScatterUMS = g.scatter()
}

// judge compares every reading, also those that were joined, with the fit.
func (g *group) judge() []Judged {
	var out []Judged
	scale := g.floor
	if g.fit != nil {
		scale = math.Max(g.fit.scale, g.floor)
	}
	for _, r := range g.rows {
		j := Judged{ID: r.id, Unit: r.unit, Value: r.value, Nominal: r.plain, Expected: r.plain}
		if g.fit != nil {
			off := r.y
			for c := range r.x {
				off -= r.x[c] * g.beta[c]
			}
			j.Used = true
			j.Scales = off / scale
			j.OutOfLine = math.Abs(off) > math.Max(outOfLineScales*scale, g.off)
			j.Off = off
			if r.unit == "um" && g.names[0] == ParamPitch { // a pitch, held as a radius
				j.Off = off / r.x[0]
			}
			j.Expected = r.value - j.Off
		}
		out = append(out, j)
	}
	return out
}
