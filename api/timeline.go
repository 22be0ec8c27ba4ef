package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/timeline"
	"discsafe/worker/job"

	"github.com/danielgtaylor/huma/v2"
)

// Bins of a time line: by default as many as a screen is wide in CSS pixels; at
// most so many that the longest chain stays below 300 kB.
const (
	defaultTimelineBins = 800
	mostTimelineBins    = 1024
)

func (s *Server) registerTimeline() {
	o := op(http.MethodGet, "/v1/jobs/{id}/timeline", "timeline", "results", "The side as curves over time",
		fmt.Sprintf(`Waveforms, groove, land, pitch and gains from from_s to to_s in up to %d bins, each with its least and greatest value, so that no peak is lost at any zoom. At most 300 kB. An analysis has no lanes of a premaster.`, mostTimelineBins))
	o.Parameters = []*huma.Param{inPath("id", text("Identifier of the job")), inQuery("from_s", number("Seconds from the beginning of the side; 0 if left out")),
		inQuery("to_s", number("Where it ends; the end of the side if left out")), inQuery("bins", number(fmt.Sprintf("1 to %d; %d if left out", mostTimelineBins, defaultTimelineBins))),
		inHeader("If-None-Match", text("ETag"))}
	o.Responses = map[string]*huma.Response{"200": {Description: "The curves", Content: jsonOf[v1.Timeline](s.routes.doc), Headers: headers(map[string]string{"ETag": "Of this answer"})}, "304": {Description: "It is what the client has"}}
	s.routes.plain(need(access.Read), o, s.timeline, v1.Invalid, v1.NotFound, v1.Gone, v1.RangeRefused, v1.Unavailable)
}

// timelineAsked is what was asked for.
type timelineAsked struct {
	fromS, toS float64
	bins       int
}

func timelineAskedOf(q url.Values) (timelineAsked, *v1.Problem) {
	a := timelineAsked{toS: math.MaxFloat64, bins: defaultTimelineBins}
	if p := onceOf(q, "from_s", "to_s", "bins"); p != nil {
		return a, p
	}
	for name, v := range map[string]*float64{"from_s": &a.fromS, "to_s": &a.toS} {
		if !q.Has(name) {
			continue
		}
		var p *v1.Problem
		if *v, p = secondsOf(q, name); p != nil {
			return a, p
		}
	}
	if a.toS <= a.fromS {
		return a, invalid("query.to_s", "want more than from_s")
	}
	if q.Has("bins") {
		n, err := strconv.Atoi(q.Get("bins"))
		if err != nil || n < 1 || n > mostTimelineBins {
			return a, invalid("query.bins", fmt.Sprintf("want 1 to %d", mostTimelineBins))
		}
		a.bins = n
	}
	return a, nil
}

func (s *Server) timeline(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	rec, _, err := s.visible(ctx, r.PathValue("id"))
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	a, bad := timelineAskedOf(r.URL.Query())
	if bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	f, bad := timelineFile(rec)
	if bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "timeline 1 %v %v %d %s", a.fromS, a.toS, a.bins, f.SHA256))
	tag := `"` + hex.EncodeToString(sum[:]) + `"`
	if current(w, r, tag) {
		return
	}
	t, err := s.timelineOf(ctx, f, a)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	s.derived(w, r, tag, "the time line of job "+rec.ID, t)
}

func timelineFile(rec *job.Record) (job.Output, *v1.Problem) {
	if rec.Result == nil {
		return job.Output{}, v1.NewProblem(v1.NotFound, "the job has no time line yet; it is "+string(rec.State))
	}
	f, ok := rec.Result.File(pipeline.TimelineName)
	if !ok {
		return f, v1.NewProblem(v1.Gone, "the job has no time line: it was made by a program that wrote none; run it again")
	}
	return f, nil
}

func (s *Server) timelineOf(ctx context.Context, f job.Output, a timelineAsked) (*v1.Timeline, error) {
	o, err := s.stored(ctx, f.Key, "the time line")
	if err != nil {
		return nil, err
	}
	defer o.Close()
	file, err := timeline.Open(o, f.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Key, err)
	}
	win, err := file.Window(a.fromS, a.toS, a.bins)
	var out *timeline.RangeError
	if errors.As(err, &out) {
		return nil, v1.NewProblem(v1.RangeRefused, out.Error())
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Key, err)
	}
	t := &v1.Timeline{LengthS: file.LengthS, FromS: win.FromS, ToS: win.ToS, BinS: win.BinS, RevolutionS: file.RevolutionS, Lanes: []v1.Lane{}, Tracks: []v1.TimelineTrack{}}
	for i, l := range file.Lanes {
		if l.ID == "radius" {
			t.RadiusMM = v1.Curve(win.Lanes[i].Min)
			continue
		}
		if l.ID == "depth" && l.What == "plan" {
			continue // nothing is held against it; the groove is
		}
		t.Lanes = append(t.Lanes, v1.Lane{ID: l.ID, What: l.What, Label: l.Label, Unit: l.Unit, Limit: l.Limit, LimitIs: l.LimitIs, Min: win.Lanes[i].Min, Max: win.Lanes[i].Max})
	}
	for _, x := range file.Tracks {
		t.Tracks = append(t.Tracks, v1.TimelineTrack(x))
	}
	return t, nil
}
