package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// PassageOpener opens a passage of a programme, as Excerpt does: the frames from
// round(fromS*rate) up to round(toS*rate).
type PassageOpener func(ctx context.Context, fromS, toS float64) (audio.Source, error)

// Bounds of a groove view.
const (
	LeastGrooveSpanDeg = 0.5
	MostGrooveSpanDeg  = 60
	MostGroovePoints   = 2000 // of each turn
)

// grooveWarmS is how long before a passage its groove is begun. What was before
// that is missing from the recursion of the recording characteristic and of the
// 1 Hz floor, whose slowest part decays with exp(-pi sqrt2 t): after 4 s a
// groove that stood 500 um off stands within 1e-5 um. Derived.
const grooveWarmS = 4

// GrooveView is the groove around a moment, seen from above: this turn and, where
// they exist, the turns before and after.
type GrooveView struct {
	AtS     float64 // the moment, on a sample of the analysis rate
	SpanDeg float64
	FromDeg float64 // of the first point, re the moment; -SpanDeg/2 but at the ends of the side
	Lie             // at the moment
	TurnS   float64
	RateHz  float64 // at which the groove was computed
	Keep    int     // samples at that rate for each point; above 1 the least and the greatest of every two points' samples are kept, in their order
	StepUM  float64 // along the groove, from point to point
	Turns   []GrooveTurn

	Now groove.CrossSection // of this turn at the moment
	// LandOutUM and LandInUM are the land at the moment to the turn before and the
	// turn after; NaN where there is none.
	LandOutUM, LandInUM float64
	// Of this turn over the span, from every sample.
	LateralRMSUM, VerticalRMSUM float64
	MinWidthUM, MaxDepthUM      float64
}

// GrooveTurn is a stretch of groove. Places are in um along the radius, positive
// outwards, from the planned centre of the groove at the moment of the view.
type GrooveTurn struct {
	Turn       int // -1 before, 0 this one, 1 after
	OuterUM    []float64
	BottomUM   []float64
	InnerUM    []float64
	DepthUM    []float64
	LateralUM  []float64
	VerticalUM []float64
}

// GrooveAt computes the groove around a moment from the programme that open
// opens, with the code that measures whole sides, at its rate. scale is
// cut.BeforeScale for the mixes and cut.AfterScale for the premaster. Reading
// begins grooveWarmS before the first turn shown, so the cost does not depend
// on the length of the side; against a groove computed from the beginning of
// the side every figure is within 1e-4 um.
//
// At an end of the side the span is moved inwards; a neighbour that is not
// there over the whole span is left out. Errors: *RangeError for a moment
// beyond the side, those of open and of reading.
func GrooveAt(ctx context.Context, cut *GrooveCut, open PassageOpener, scale, atS, spanDeg float64) (*GrooveView, error) {
	if !(spanDeg >= LeastGrooveSpanDeg && spanDeg <= MostGrooveSpanDeg) {
		return nil, fmt.Errorf("groove view: span of %g degrees is not between %g and %g", spanDeg, LeastGrooveSpanDeg, float64(MostGrooveSpanDeg))
	}
	rate := float64(cut.SampleRateHz)
	lengthS := float64(cut.Frames) / rate
	if !(atS >= 0 && atS < lengthS) {
		return nil, &RangeError{FromS: atS, ToS: atS, LengthS: lengthS}
	}
	s := groove.NewSectors(cut.SampleRateHz, cut.RevolutionS)
	w := windowOf(s, cut, atS, spanDeg)
	t, err := w.walls(ctx, cut, open, scale)
	if err != nil {
		return nil, err
	}
	v := &GrooveView{AtS: float64(w.at) / w.rateHz, SpanDeg: 360 * float64(w.n) / float64(w.turn), FromDeg: 360 * float64(w.start-w.at) / float64(w.turn),
		TurnS: cut.RevolutionS, RateHz: w.rateHz, Keep: (w.n + MostGroovePoints - 1) / MostGroovePoints}
	v.Lie = cut.Plan.At(v.AtS)
	v.StepUM = 1e6 * cut.speedMS(v.RadiusMM) / w.rateHz * float64(v.Keep)
	var whole [3]*GrooveTurn
	for i, k := range w.turns {
		whole[k+1] = w.turnOf(k, cut.Plan, v.RadiusMM, t[i])
	}
	v.survey(whole, int(w.at-w.start))
	for _, k := range w.turns {
		v.Turns = append(v.Turns, whole[k+1].thinned(v.Keep))
	}
	return v, nil
}

// window is a span of one turn and its neighbours, in analysis frames.
type window struct {
	rateHz       float64
	turn, total  int64 // frames of a turn, of the side
	at, start    int64
	n            int
	turns        []int // that exist, outermost first
	frameRateHz  int
	sectors      groove.Sectors
	framesOfSide int64
}

func windowOf(s groove.Sectors, cut *GrooveCut, atS, spanDeg float64) window {
	w := window{rateHz: s.AnalysisRateHz(), turn: s.FramesPerTurn(), frameRateHz: cut.SampleRateHz, sectors: s, framesOfSide: cut.Frames}
	w.total = int64(float64(cut.Frames) * w.rateHz / float64(cut.SampleRateHz))
	w.at = min(int64(math.Round(atS*w.rateHz)), w.total-1)
	w.n = int(min(int64(math.Round(spanDeg/360*float64(w.turn))), w.total))
	w.start = max(0, min(w.at-int64(w.n)/2, w.total-int64(w.n)))
	for k := -1; k <= 1; k++ {
		if first := w.start + int64(k)*w.turn; first >= 0 && first+int64(w.n) <= w.total {
			w.turns = append(w.turns, k)
		}
	}
	return w
}

// walls computes displacement of the left and the right wall in each turn.
func (w *window) walls(ctx context.Context, cut *GrooveCut, open PassageOpener, scale float64) ([][2][]float64, error) {
	out := make([][2][]float64, len(w.turns))
	for i := range out {
		out[i] = [2][]float64{make([]float64, w.n), make([]float64, w.n)}
	}
	perFrame := w.rateHz / float64(w.frameRateHz)
	first := w.start + int64(w.turns[0])*w.turn
	last := w.start + int64(w.turns[len(w.turns)-1])*w.turn + int64(w.n)
	// An even frame, so that halving the rate picks the same frames as from the
	// beginning of the side.
	from := max(0, int64(float64(first)/perFrame)-grooveWarmS*int64(w.frameRateHz)) &^ 1
	pos := int64(float64(from) * perFrame)
	walls, err := groove.NewWalls(w.sectors, scale, func(l, r []float64) {
		for i, k := range w.turns {
			at := w.start + int64(k)*w.turn
			lo, hi := max(at, pos), min(at+int64(w.n), pos+int64(len(l)))
			if lo < hi {
				copy(out[i][0][lo-at:], l[lo-pos:hi-pos])
				copy(out[i][1][lo-at:], r[lo-pos:hi-pos])
			}
		}
		pos += int64(len(l))
	})
	if err != nil {
		return nil, err
	}
	to := min(int64(math.Ceil(float64(last)/perFrame))+int64(walls.Reach())+2, w.framesOfSide)
	src, err := open(ctx, float64(from)/float64(w.frameRateHz), float64(to)/float64(w.frameRateHz))
	if err != nil {
		return nil, err
	}
	err = errors.Join(w.feed(ctx, src, walls, to-from), src.Close())
	if err != nil {
		return nil, err
	}
	zero := audio.NewBlock(1024) // the side ends in silence
	for pos < last {
		walls.Add(zero)
	}
	return out, nil
}

func (w *window) feed(ctx context.Context, src audio.Source, walls *groove.Walls, frames int64) error {
	if f := src.Format(); f.SampleRateHz != w.frameRateHz || src.Frames() != frames {
		return fmt.Errorf("groove view: the passage has %d frames at %d Hz, the report of the side says %d at %d Hz", src.Frames(), f.SampleRateHz, frames, w.frameRateHz)
	}
	b := audio.NewBlock(4096)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := src.Read(b)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		walls.Add(b.Slice(0, n))
	}
}

// turnOf is one turn at every sample.
func (w *window) turnOf(k int, plan GroovePlan, radiusMM float64, walls [2][]float64) *GrooveTurn {
	t := &GrooveTurn{Turn: k}
	for _, f := range t.fields() {
		*f = make([]float64, w.n)
	}
	for i := range w.n {
		lie := plan.At(float64(w.start+int64(k)*w.turn+int64(i)) / w.rateHz)
		centre := (lie.RadiusMM - radiusMM) * 1000
		c := groove.SectionAt(walls[0][i], walls[1][i], lie.DepthUM)
		t.OuterUM[i], t.BottomUM[i], t.InnerUM[i] = centre+c.OuterUM, centre+c.LateralUM, centre+c.InnerUM
		t.DepthUM[i], t.LateralUM[i], t.VerticalUM[i] = c.DepthUM, c.LateralUM, c.VerticalUM
	}
	return t
}

func (t *GrooveTurn) fields() [6]*[]float64 {
	return [6]*[]float64{&t.OuterUM, &t.BottomUM, &t.InnerUM, &t.DepthUM, &t.LateralUM, &t.VerticalUM}
}

// survey reads figures off the turns, whose neighbours may be nil.
func (v *GrooveView) survey(whole [3]*GrooveTurn, at int) {
	this := whole[1]
	h, y, z := this.DepthUM[at], this.LateralUM[at], this.VerticalUM[at]
	centre := this.BottomUM[at] - y
	v.Now = groove.CrossSection{LateralUM: y, VerticalUM: z, DepthUM: h, WidthUM: this.OuterUM[at] - this.InnerUM[at], OuterUM: this.OuterUM[at] - centre, InnerUM: this.InnerUM[at] - centre}
	v.LandOutUM, v.LandInUM = math.NaN(), math.NaN()
	if o := whole[0]; o != nil {
		v.LandOutUM = o.InnerUM[at] - this.OuterUM[at]
	}
	if in := whole[2]; in != nil {
		v.LandInUM = this.InnerUM[at] - in.OuterUM[at]
	}
	v.MinWidthUM, v.MaxDepthUM = math.Inf(1), math.Inf(-1)
	for i, y := range this.LateralUM {
		z := this.VerticalUM[i]
		v.LateralRMSUM += y * y
		v.VerticalRMSUM += z * z
		v.MinWidthUM = math.Min(v.MinWidthUM, this.OuterUM[i]-this.InnerUM[i])
		v.MaxDepthUM = math.Max(v.MaxDepthUM, this.DepthUM[i])
	}
	n := float64(len(this.LateralUM))
	v.LateralRMSUM, v.VerticalRMSUM = math.Sqrt(v.LateralRMSUM/n), math.Sqrt(v.VerticalRMSUM/n)
}

// thinned keeps one point for every keep samples: of each pair of points the
// least and the greatest, in the order in which they came, so that no peak is
// lost.
func (t *GrooveTurn) thinned(keep int) GrooveTurn {
	if keep <= 1 {
		return *t
	}
	out := GrooveTurn{Turn: t.Turn}
	to := out.fields()
	for i, f := range t.fields() {
		*to[i] = thin(*f, keep)
	}
	return out
}

func thin(x []float64, keep int) []float64 {
	out := make([]float64, 0, 2*(len(x)/(2*keep)+1))
	for len(x) > 0 {
		n := min(2*keep, len(x))
		least, most := 0, 0
		for i, v := range x[:n] {
			if v < x[least] {
				least = i
			}
			if v > x[most] {
				most = i
			}
		}
		out = append(out, x[min(least, most)], x[max(least, most)])
		x = x[n:]
	}
	return out
}
