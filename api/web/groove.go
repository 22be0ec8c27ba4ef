package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/audio"
)

// GrooveQuery asks for the groove around a moment. Of is "before", "after", or
// blank for what there is.
type GrooveQuery struct {
	AtS, SpanDeg float64
	Of           string
}

// GrooveService is what the groove page needs beyond Service. Errors are
// *v1.Problem; without the permission to listen it is v1.Forbidden.
type GrooveService interface {
	Groove(ctx context.Context, id string, q GrooveQuery) (*v1.Groove, error)
}

// grooveRoutes lists the groove page. The groove is the sound, so it is for those
// who may listen.
func (p *Pages) grooveRoutes() []Route {
	return []Route{{http.MethodGet, "/jobs/{id}/groove", string(access.Listen), p.groove}}
}

// Size of the picture from above as the server draws it.
const (
	grooveWidthPX, grooveHeightPX = 960.0, 420.0
	grooveStripPX                 = 50.0 // below it, for the scales
)

const (
	grooveSpanDeg          = 2.0 // to begin with
	leastSpanDeg           = 0.5
	mostSpanDeg            = 60.0
	leastAcross, mostAcros = 20.0, 5000.0
)

type grooveView struct {
	ID, Name, Track, At string
	AtS                 string
	Q                   grooveAsk
	Fault               string
	G                   *v1.Groove
	Width, Height, Foot string
	Turns               []drawnTurn
	MomentX             string
	LandOut, LandIn     *landMark
	AlongBar, AcrossBar bar
	Exaggeration        string
	Cross               crossView
	Links               grooveLinks
	Figures             []grooveFigure
	Guide               grooveGuide
	Predicted           bool
	LengthS             string
}

type landMark struct{ Y1, Y2, TextY, X, Text string }

type grooveFigure struct {
	Word, ID, Value, Limit string
	Kept                   string // "kept", "not kept", or blank
}

// grooveAsk is what the page was asked for.
type grooveAsk struct {
	GrooveQuery
	AcrossUM float64 // height of the picture; 0: as the plan suggests
	Show     string
}

type grooveLink struct {
	ID, Word, Href string
	On             bool
}

type grooveLinks struct{ Move, Zoom, Show, Of []grooveLink }

func grooveAskOf(v url.Values) (grooveAsk, string) {
	q := grooveAsk{GrooveQuery: GrooveQuery{SpanDeg: grooveSpanDeg, Of: v.Get("of")}, Show: v.Get("show")}
	fault := ""
	number := func(name string, to *float64, least, most float64, text string) {
		s := v.Get(name)
		if s == "" {
			return
		}
		n, err := strconv.ParseFloat(s, 64)
		if err != nil || !(n >= least && n <= most) {
			fault = text
			return
		}
		*to = n
	}
	number("at_s", &q.AtS, 0, 1e5, "The moment is not a number of seconds on the side.")
	number("span_deg", &q.SpanDeg, leastSpanDeg, mostSpanDeg, "A picture shows 0.5 to 60 degrees of a turn.")
	number("across_um", &q.AcrossUM, leastAcross, mostAcros, "A picture is 20 to 5000 \u00b5m high.")
	if q.Of != "before" && q.Of != "after" {
		q.Of = ""
	}
	if q.Show != showLateral && q.Show != showVertical {
		q.Show = showAll
	}
	return q, fault
}

func (q grooveAsk) href(id string) string {
	v := url.Values{"at_s": {strconv.FormatFloat(q.AtS, 'f', -1, 64)}, "span_deg": {strconv.FormatFloat(q.SpanDeg, 'g', 6, 64)}}
	if q.Of != "" {
		v.Set("of", q.Of)
	}
	if q.AcrossUM > 0 {
		v.Set("across_um", strconv.FormatFloat(q.AcrossUM, 'g', 6, 64))
	}
	if q.Show != showAll {
		v.Set("show", q.Show)
	}
	return "/jobs/" + id + "/groove?" + v.Encode()
}

func (p *Pages) groove(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	s, ok := p.o.Service.(GrooveService)
	if !ok {
		p.fail(w, r, errors.New("web: the service computes no grooves"))
		return
	}
	j, err := p.o.Service.Job(ctx, r.PathValue("id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	v := grooveView{ID: j.ID, Name: name(&j), Predicted: j.Kind == v1.Analyse}
	v.Q, v.Fault = grooveAskOf(r.URL.Query())
	status := http.StatusOK
	if v.Fault == "" {
		v.G, err = s.Groove(ctx, j.ID, v.Q.GrooveQuery)
		if pr, ok := errors.AsType[*v1.Problem](err); ok && v1.Code(pr.Code) == v1.RangeRefused {
			v.Fault = "The side does not reach to that moment."
		} else if err != nil {
			p.fail(w, r, err)
			return
		}
	}
	if v.Fault != "" {
		status = http.StatusUnprocessableEntity
		v.AtS = r.URL.Query().Get("at_s")
	} else {
		v.fill()
	}
	p.show(w, r, status, "groove", frame{Title: "Groove: " + v.Name, Here: "job", Who: whoOf(ctx), Body: v})
}

// acrossUM is how much a picture shows across unless asked otherwise: all of
// three turns, and the same for mixes and premaster.
func acrossUM(g *v1.Groove) float64 {
	reach := g.PitchUM
	for i := range g.Turns {
		if t := &g.Turns[i]; len(t.BottomUM) > 0 {
			reach = max(reach, math.Abs(centreOf(t)))
		}
	}
	want := 2*reach + 4*g.DepthUM
	p := math.Pow(10, math.Floor(math.Log10(want)))
	for _, k := range []float64{1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10} {
		if k*p >= want {
			return k * p
		}
	}
	return want
}

func (v *grooveView) fill() {
	g := v.G
	q := &v.Q
	q.Of = g.Of
	across := q.AcrossUM
	if across == 0 {
		across = acrossUM(g)
	}
	s := NewGrooveScale(grooveWidthPX, grooveHeightPX, alongUM(g, q.SpanDeg), across)
	v.Width, v.Height, v.Foot = px(s.WidthPX), px(s.HeightPX+grooveStripPX), px(s.HeightPX)
	v.Turns = s.turns(g, q.Show)
	v.MomentX = px(s.X(0))
	if um := g.Now.LandOutUM; um != nil {
		v.LandOut = s.land(g.Now.OuterUM, *um)
	}
	if um := g.Now.LandInUM; um != nil {
		v.LandIn = s.land(g.Now.InnerUM-*um, *um)
	}
	if q.Show != showAll { // the land of what is drawn is not the land
		v.LandOut, v.LandIn = nil, nil
	}
	v.AlongBar, v.AcrossBar = barOf(s.WidthPX/4, s.AlongPX), barOf(s.HeightPX/4, s.AcrossPX)
	v.Exaggeration = ratioWords(s)
	v.At, v.AtS, v.LengthS = audio.Timecode(g.AtS), strconv.FormatFloat(math.Round(g.AtS*1e4)/1e4, 'f', -1, 64), strconv.FormatFloat(g.LengthS, 'f', 3, 64)
	if g.Track != nil {
		v.Track = fmt.Sprintf("track %d", g.Track.Number)
		if g.Track.Title != "" {
			v.Track += ", " + g.Track.Title
		}
	}
	v.Cross = crossOf(g)
	v.figures()
	v.links(across)
	v.Guide = guideOf(g, q.SpanDeg)
}

func ratioWords(s GrooveScale) string {
	r := s.AcrossPX / s.AlongPX
	switch {
	case math.Abs(r-1) < 0.02:
		return "Both ways at the same scale: true proportions."
	case r > 1:
		return "Across the groove is drawn " + figure(r) + " times larger than along it."
	}
	return "Along the groove is drawn " + figure(1/r) + " times larger than across it."
}

func (s GrooveScale) land(fromUM, um float64) *landMark {
	return &landMark{Y1: px(s.Y(fromUM)), Y2: px(s.Y(fromUM + um)), TextY: px(s.Y(fromUM+um/2) + 5), X: px(s.X(0)), Text: "land " + figure(um) + "\u00a0\u00b5m"}
}

func (v *grooveView) figures() {
	g, n := v.G, v.G.Now
	add := func(id, word, value, limit, kept string) {
		v.Figures = append(v.Figures, grooveFigure{word, id, value, limit, kept})
	}
	held := func(ok bool) string {
		if ok {
			return "kept"
		}
		return "not kept"
	}
	limited := func(id, word string, um, limit float64, least bool) {
		if limit <= 0 {
			add(id, word, umWords(um), "", "")
			return
		}
		if least {
			add(id, word, umWords(um), "at least "+umWords(limit), held(um >= limit))
		} else {
			add(id, word, umWords(um), "at most "+umWords(limit), held(um <= limit))
		}
	}
	limited("f-width", "Groove width", n.WidthUM, g.Limits.MinWidthUM, true)
	limited("f-depth", "Groove depth", n.DepthUM, g.Limits.MaxDepthUM, false)
	add("f-lateral", "Lateral, towards the rim", umWords(n.LateralUM), "", "")
	add("f-vertical", "Vertical, upwards", umWords(n.VerticalUM), "", "")
	if n.LandOutUM != nil {
		limited("f-land-out", "Land to the turn before", *n.LandOutUM, g.Limits.MinLandUM, true)
	} else {
		add("f-land-out", "Land to the turn before", "there is no turn before", "", "")
	}
	if n.LandInUM != nil {
		limited("f-land-in", "Land to the turn after", *n.LandInUM, g.Limits.MinLandUM, true)
	} else {
		add("f-land-in", "Land to the turn after", "there is no turn after", "", "")
	}
	add("f-planned", "Planned depth", umWords(g.DepthUM), "", "")
	add("f-pitch", "Pitch", umWords(g.PitchUM), "", "")
	add("f-radius", "Radius", figure(g.RadiusMM)+"\u00a0mm", "", "")
	limited("f-least-width", "Least width in the picture", g.LeastWidth, g.Limits.MinWidthUM, true)
	limited("f-most-depth", "Greatest depth in the picture", g.MostDepth, g.Limits.MaxDepthUM, false)
}

func (v *grooveView) links(across float64) {
	q, g := v.Q, v.G
	at := func(id, word string, change func(*grooveAsk), on bool) grooveLink {
		c := q
		change(&c)
		return grooveLink{id, word, c.href(v.ID), on}
	}
	move := func(deg float64) func(*grooveAsk) {
		return func(c *grooveAsk) {
			t := g.AtS + deg/360*g.TurnS
			c.AtS = math.Round(1e6*max(0, min(t, g.LengthS-1e-3))) / 1e6
		}
	}
	v.Links.Move = []grooveLink{at("turn-back", "One turn earlier", move(-360), false), at("back", "Earlier", move(-q.SpanDeg/2), false),
		at("on", "Later", move(q.SpanDeg/2), false), at("turn-on", "One turn later", move(360), false)}
	zoom := func(f float64) func(*grooveAsk) {
		return func(c *grooveAsk) { c.SpanDeg = max(leastSpanDeg, min(mostSpanDeg, q.SpanDeg*f)) }
	}
	high := func(f float64) func(*grooveAsk) {
		return func(c *grooveAsk) { c.AcrossUM = max(leastAcross, min(mostAcros, across*f)) }
	}
	v.Links.Zoom = []grooveLink{at("closer", "Closer along", zoom(.5), false), at("wider", "Wider along", zoom(2), false),
		at("taller", "Closer across", high(1/1.5), false), at("flatter", "Wider across", high(1.5), false)}
	for _, c := range [][2]string{{showAll, "All movement"}, {showLateral, "Lateral only"}, {showVertical, "Vertical only"}} {
		v.Links.Show = append(v.Links.Show, at("show-"+c[0], c[1], func(a *grooveAsk) { a.Show = c[0] }, q.Show == c[0]))
	}
	of := [][2]string{{"before", "Before: the mixes"}, {"after", "After: the premaster"}}
	if v.Predicted {
		of = of[:1]
	}
	for _, c := range of {
		v.Links.Of = append(v.Links.Of, at("of-"+c[0], c[1], func(a *grooveAsk) { a.Of = c[0] }, q.Of == c[0]))
	}
}
