package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"sync"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/report"
	"discsafe/worker/job"

	"github.com/danielgtaylor/huma/v2"
)

func (s *Server) registerGroove() {
	o := op(http.MethodGet, "/v1/jobs/{id}/groove", "groove", "results", "The groove around a moment, seen from above",
		`Edges and bottom of this turn and of the turns before and after, computed from the sound with the code that measures whole sides. It shows the sound, so it needs the permission to listen. At most 300 kB.`)
	o.Parameters = []*huma.Param{inPath("id", text("Identifier of the job")), required(inQuery("at_s", number("Seconds from the beginning of the side"))),
		inQuery("span_deg", number("How much of a turn, 0.5 to 60 degrees; 2 if left out")),
		inQuery("of", oneOf("before: the mixes untreated; after: the premaster, the default where there is one", "before", "after")), inHeader("If-None-Match", text("ETag"))}
	o.Responses = map[string]*huma.Response{"200": {Description: "The groove", Content: jsonOf[v1.Groove](s.routes.doc), Headers: headers(map[string]string{"ETag": "Of this answer"})}, "304": {Description: "It is what the client has"}}
	s.routes.plain(need(access.Listen), o, s.groove, v1.Invalid, v1.NotFound, v1.Gone, v1.WrongState, v1.BadSound, v1.RangeRefused, v1.TooMany, v1.Unavailable)
}

// grooveAsked is what was asked for.
type grooveAsked struct {
	atS, spanDeg float64
	of           string
}

// defaultSpanDeg is 10 ms at 33 1/3: ten waves of 1 kHz.
const defaultSpanDeg = 2

func grooveAskedOf(q url.Values) (grooveAsked, *v1.Problem) {
	a := grooveAsked{spanDeg: defaultSpanDeg}
	if p := onceOf(q, "at_s", "span_deg", "of"); p != nil {
		return a, p
	}
	var p *v1.Problem
	if a.atS, p = secondsOf(q, "at_s"); p != nil {
		return a, p
	}
	if q.Has("span_deg") {
		var err error
		a.spanDeg, err = strconv.ParseFloat(q.Get("span_deg"), 64)
		if err != nil || !(a.spanDeg >= pipeline.LeastGrooveSpanDeg && a.spanDeg <= pipeline.MostGrooveSpanDeg) {
			return a, invalid("query.span_deg", fmt.Sprintf("want %g to %g degrees", pipeline.LeastGrooveSpanDeg, float64(pipeline.MostGrooveSpanDeg)))
		}
	}
	a.of = q.Get("of")
	if q.Has("of") && a.of != "before" && a.of != "after" {
		return a, invalid("query.of", "want before or after")
	}
	return a, nil
}

func (s *Server) groove(w http.ResponseWriter, r *http.Request) {
	rec, _, err := s.visible(r.Context(), r.PathValue("id"))
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	a, bad := grooveAskedOf(r.URL.Query())
	if bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	tag, bad := a.tag(rec)
	if bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	if current(w, r, tag) {
		return
	}
	g, err := s.grooveOf(r.Context(), rec, a)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	s.derived(w, r, tag, fmt.Sprintf("the groove of job %s at %g s", rec.ID, a.atS), g)
}

// settle decides between before and after where that was left open.
func (a *grooveAsked) settle(rec *job.Record) {
	if a.of != "" {
		return
	}
	a.of = "after"
	if _, ok := rec.Result.File(pipeline.PremasterName); !ok {
		a.of = "before"
	}
}

// tag names the bytes of an answer: they depend on nothing else.
func (a *grooveAsked) tag(rec *job.Record) (string, *v1.Problem) {
	if rec.Result == nil {
		return "", v1.NewProblem(v1.NotFound, "the job has no groove yet; it is "+string(rec.State))
	}
	a.settle(rec)
	rep, ok := rec.Result.File(pipeline.ReportName)
	if !ok {
		return "", v1.NewProblem(v1.NotFound, "the job has no report")
	}
	sum := sha256.New()
	fmt.Fprintf(sum, "groove 1 %v %v %s %s", a.atS, a.spanDeg, a.of, rep.SHA256)
	if a.of == "after" {
		f, ok := rec.Result.File(pipeline.PremasterName)
		if !ok {
			return "", v1.NewProblem(v1.NotFound, "the job has no premaster, so there is no groove after; ask for of=before")
		}
		fmt.Fprintf(sum, " %s", f.SHA256)
	}
	return `"` + hex.EncodeToString(sum.Sum(nil)) + `"`, nil
}

// grooveOf computes what tag has found possible; its errors are fit for refuse.
func (s *Server) grooveOf(ctx context.Context, rec *job.Record, a grooveAsked) (*v1.Groove, error) {
	leave, bad := s.enterSound()
	if bad != nil {
		return nil, bad
	}
	defer leave()
	c, err := s.cutOf(ctx, rec)
	if err != nil {
		return nil, err
	}
	scale := c.BeforeScale()
	if a.of == "after" {
		scale = c.AfterScale()
	}
	v, err := pipeline.GrooveAt(ctx, c.GrooveCut, s.passages(rec, a.of), scale, a.atS, a.spanDeg)
	if err != nil {
		return nil, soundProblem(err)
	}
	return wireGroove(v, c, a.of), nil
}

// passages opens passages of the sound before or after.
func (s *Server) passages(rec *job.Record, what string) pipeline.PassageOpener {
	return func(ctx context.Context, fromS, toS float64) (audio.Source, error) {
		src, frames, _, err := s.sound(ctx, rec, passage{what: what, fromS: fromS, toS: toS})
		if err != nil {
			return nil, err
		}
		return &stretch{src, frames, frames}, nil
	}
}

// stretch is a source that ends after so many frames.
type stretch struct {
	audio.Source
	frames, left int64
}

// Frames implements audio.Source.
func (p *stretch) Frames() int64 { return p.frames }

// Read implements audio.Source.
func (p *stretch) Read(b audio.Block) (int, error) {
	if p.left == 0 && b.Len() > 0 {
		return 0, io.EOF
	}
	n, err := p.Source.Read(b.Slice(0, int(min(int64(b.Len()), p.left))))
	p.left -= int64(n)
	return n, err
}

func round2(x float64) float64 { return math.Round(x*100) / 100 }

func rounded(x []float64) []float64 {
	for i, v := range x {
		x[i] = round2(v)
	}
	return x
}

// wireGroove takes v's lists over.
func wireGroove(v *pipeline.GrooveView, c *heldCut, of string) *v1.Groove {
	land := func(um float64) *float64 {
		if math.IsNaN(um) {
			return nil
		}
		um = round2(um)
		return &um
	}
	g := &v1.Groove{
		AtS: v.AtS, LengthS: float64(c.Frames) / float64(c.SampleRateHz), SpanDeg: v.SpanDeg, FromDeg: v.FromDeg, Of: of,
		RadiusMM: math.Round(v.RadiusMM*1e5) / 1e5, PitchUM: round2(v.PitchUM), DepthUM: round2(v.DepthUM), TurnS: v.TurnS, RateHz: v.RateHz, Keep: v.Keep, StepUM: v.StepUM,
		Now: v1.GrooveMoment{OuterUM: round2(v.Now.OuterUM), InnerUM: round2(v.Now.InnerUM), WidthUM: round2(v.Now.WidthUM), DepthUM: round2(v.Now.DepthUM),
			LateralUM: round2(v.Now.LateralUM), VerticalUM: round2(v.Now.VerticalUM), LandOutUM: land(v.LandOutUM), LandInUM: land(v.LandInUM)},
		LateralUM: round2(v.LateralRMSUM), VerticalUM: round2(v.VerticalRMSUM), LeastWidth: round2(v.MinWidthUM), MostDepth: round2(v.MaxDepthUM),
		Limits: v1.GrooveLimits{MinWidthUM: c.MinWidthUM, MaxDepthUM: c.MaxDepthUM, MinLandUM: c.MinLandUM},
		Title:  c.title, Side: c.side, LevelD: c.LevelDB, Turns: []v1.GrooveTurn{},
	}
	for _, t := range c.tracks {
		if v.AtS >= t.StartS && v.AtS < t.EndS {
			g.Track = &v1.GrooveTrack{Number: t.Number, Title: t.Title}
		}
	}
	for _, t := range v.Turns {
		g.Turns = append(g.Turns, v1.GrooveTurn{Turn: t.Turn, OuterUM: rounded(t.OuterUM), BottomUM: rounded(t.BottomUM), InnerUM: rounded(t.InnerUM),
			DepthUM: rounded(t.DepthUM), LateralUM: rounded(t.LateralUM), VerticalUM: rounded(t.VerticalUM)})
	}
	return g
}

// heldCut is what is kept of a report: the land plan of an hour has a few
// megabytes, and moving along the groove asks for it again and again.
type heldCut struct {
	*pipeline.GrooveCut
	sha256      string // of the report
	title, side string
	tracks      []report.Track
}

// mostCuts is how many are kept.
const mostCuts = 4

// cutShelf keeps the cuts asked for last.
type cutShelf struct {
	mu   sync.Mutex
	held []*heldCut // the one asked for last first
}

func (k *cutShelf) get(sha256 string) *heldCut {
	k.mu.Lock()
	defer k.mu.Unlock()
	i := slices.IndexFunc(k.held, func(c *heldCut) bool { return c.sha256 == sha256 })
	if i < 0 {
		return nil
	}
	c := k.held[i]
	copy(k.held[1:i+1], k.held[:i])
	k.held[0] = c
	return c
}

func (k *cutShelf) put(c *heldCut) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if slices.ContainsFunc(k.held, func(o *heldCut) bool { return o.sha256 == c.sha256 }) {
		return
	}
	if len(k.held) == mostCuts {
		k.held = k.held[:mostCuts-1]
	}
	k.held = slices.Insert(k.held, 0, c)
}

// cutOf is how the side of a job is cut.
func (s *Server) cutOf(ctx context.Context, rec *job.Record) (*heldCut, error) {
	f, ok := rec.Result.File(pipeline.ReportName)
	if !ok {
		return nil, v1.NewProblem(v1.NotFound, "the job has no report")
	}
	if c := s.cuts.get(f.SHA256); c != nil {
		return c, nil
	}
	var r report.Report
	if err := s.readReport(ctx, rec, &r); err != nil {
		return nil, err
	}
	cut, err := pipeline.CutOf(&r)
	if err != nil {
		return nil, v1.NewProblem(v1.Gone, err.Error())
	}
	c := &heldCut{GrooveCut: cut, sha256: f.SHA256, title: r.Side.Title, side: r.Side.Side, tracks: r.Tracks}
	s.cuts.put(c)
	return c, nil
}
