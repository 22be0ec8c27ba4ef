package pipeline

import (
	"bufio"
	"errors"
	"math"
	"os"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/dsp/kernel"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/timeline"
)

// TimelineName is the file with curves over the whole side, package timeline.
const TimelineName = "timeline.bin"

// Steps in which the time line keeps values; the ranges are 32,767 of them.
const (
	waveStep   = 1.0 / 16384 // of full scale; up to 6 dB above it
	grooveStep = 0.02        // um; up to 655
	ratioStep  = 0.0005      // up to 16
	landStep   = 0.05        // um; up to 1.6 mm
	gainStep   = 0.002       // dB; down to -65
	radiusStep = 0.005       // mm; up to 163
)

// waves collects the extremes of mid and side signal, sector by sector.
type waves struct {
	sectors   groove.Sectors
	mid, side *timeline.Strip
	frame     int64 // next to come
	end       int64 // of the sector in hand
	seen      bool
	span      kernel.Span
}

func newWaves(s groove.Sectors, dir string) (*waves, error) {
	w := &waves{sectors: s, end: s.StartFrame(1)}
	var err error
	if w.mid, err = timeline.NewStrip(dir, waveStep); err != nil {
		return nil, err
	}
	if w.side, err = timeline.NewStrip(dir, waveStep); err != nil {
		return nil, errors.Join(err, w.mid.Close())
	}
	return w, nil
}

func (w *waves) add(b audio.Block) {
	for b.Len() > 0 {
		n := int(min(w.end-w.frame, int64(b.Len())))
		e := kernel.Extremes(b.L[:n], b.R[:n])
		if w.seen {
			w.span.MaxSum, w.span.MinSum = max(w.span.MaxSum, e.MaxSum), min(w.span.MinSum, e.MinSum)
			w.span.MaxDiff, w.span.MinDiff = max(w.span.MaxDiff, e.MaxDiff), min(w.span.MinDiff, e.MinDiff)
		} else {
			w.span, w.seen = e, true
		}
		w.frame += int64(n)
		b = b.Slice(n, b.Len())
		if w.frame == w.end {
			w.emit()
		}
	}
}

// emit ends a sector.
func (w *waves) emit() {
	w.mid.Put(w.span.MinSum/2, w.span.MaxSum/2)
	w.side.Put(w.span.MinDiff/2, w.span.MaxDiff/2)
	w.seen = false
	w.end = w.sectors.StartFrame(w.mid.Len() + 1)
}

// flush ends the last sector, which may be cut short.
func (w *waves) flush() {
	if w.seen {
		w.emit()
	}
}

func (w *waves) close() error {
	if w == nil {
		return nil
	}
	return errors.Join(w.mid.Close(), w.side.Close())
}

// grooveStrips are the curves of one groove.
type grooveStrips struct {
	width, depth, slope, curvature, land, pitch, rest, radius *timeline.Strip // rest: depth as planned
}

func newGrooveStrips(dir string) (g *grooveStrips, err error) {
	g = &grooveStrips{}
	defer func() {
		if err != nil {
			err = errors.Join(err, g.close())
		}
	}()
	for _, s := range []struct {
		to    **timeline.Strip
		step  float64
		round func(float64) float64
	}{{&g.width, grooveStep, math.Floor}, {&g.depth, grooveStep, math.Ceil}, {&g.slope, ratioStep, math.Ceil}, {&g.curvature, ratioStep, math.Ceil},
		{&g.land, landStep, math.Floor}, {&g.pitch, landStep, math.Round}, {&g.rest, grooveStep, math.Round}, {&g.radius, radiusStep, math.Round}} {
		if *s.to, err = timeline.NewLine(dir, s.step, s.round); err != nil {
			return nil, err
		}
	}
	return g, nil
}

// see adds a sector; sectors come in order.
func (g *grooveStrips) see(p *planner.Point) {
	g.width.One(p.MinWidthUM)
	g.depth.One(p.MaxDepthUM)
	g.slope.One(p.SlopeRatio)
	g.curvature.One(p.CurvatureRat)
	g.land.One(p.LandUM)
	g.pitch.One(p.PitchUM)
	g.rest.One(p.DepthUM)
	g.radius.One(p.RadiusMM)
}

func (g *grooveStrips) close() error {
	if g == nil {
		return nil
	}
	return errors.Join(g.width.Close(), g.depth.Close(), g.slope.Close(), g.curvature.Close(), g.land.Close(), g.pitch.Close(), g.rest.Close(), g.radius.Close())
}

// gainStrip follows a limiting stage: it hears only of gains below 1.
func gainStrip(s *timeline.Strip, sector int, gain float64) {
	s.FillTo(sector, 0)
	s.One(audio.DB(gain))
}

// writeTimeline writes the file. before and after are the curves of mixes and
// premaster; after is nil when nothing was written.
func (j *job) writeTimeline(r *report.Report, before, after *grooveStrips) error {
	l := &j.ps.Limits
	head := timeline.Head{LengthS: r.Side.LengthS, RateHz: j.side.rateHz, RevolutionS: j.sectors.SecondsPerTurn, PerTurn: groove.SectorsPerTurn, Sectors: j.before.log.Len()}
	for _, t := range r.Tracks {
		head.Tracks = append(head.Tracks, timeline.Track{Number: t.Number, Title: t.Title, StartS: t.StartS, EndS: t.EndS})
	}
	var lanes []timeline.LaneStrip
	add := func(s *timeline.Strip, id, what, label, unit string, limit float64, limitIs string) {
		lane := timeline.Lane{ID: id, What: what, Label: label, Unit: unit, LimitIs: limitIs}
		if limitIs != "" {
			lane.Limit = &limit
		}
		lanes = append(lanes, timeline.LaneStrip{Lane: lane, Strip: s})
	}
	sets := []struct {
		what, words string
		w           *waves
		g           *grooveStrips
	}{{"before", "mixes", j.before.wave, before}}
	plan := before
	if after != nil {
		sets = append(sets, sets[0])
		sets[1].what, sets[1].words, sets[1].w, sets[1].g = "after", "premaster", j.res.after.wave, after
		plan = after
	}
	for _, s := range sets {
		add(s.w.mid, "mid", s.what, "Mid, "+s.words, "FS", 0, "")
		add(s.w.side, "side", s.what, "Side signal, "+s.words, "FS", 0, "")
		add(s.g.width, "width", s.what, "Groove width, "+s.words, "um", l.MinWidthUM, "least")
		add(s.g.depth, "depth", s.what, "Groove depth, "+s.words, "um", l.MaxDepthUM, "greatest")
		add(s.g.curvature, "curvature", s.what, "Curvature ratio at radius, "+s.words, "ratio", 1, "greatest")
		add(s.g.slope, "slope", s.what, "Slope ratio at radius, "+s.words, "ratio", 1, "greatest")
	}
	if after != nil {
		add(after.land, "land", "after", "Land", "um", l.MinLandUM, "least")
	}
	add(plan.pitch, "pitch", "plan", "Pitch", "um", 0, "")
	for _, id := range j.chain.order {
		if s := j.res.strips[id]; s != nil {
			s.FillTo(head.Sectors, 0)
			label := "Gain of " + id
			if j.chain.estimates(id) {
				label = "Gain that " + id + " would set"
			}
			add(s, "gain", "stage:"+id, label, "dB", 0, "")
		}
	}
	add(plan.rest, "depth", "plan", "Depth of the groove at rest", "um", 0, "")
	add(plan.radius, "radius", "plan", "Radius", "mm", 0, "")
	return j.out.write(TimelineName, func(f *os.File) error {
		w := bufio.NewWriterSize(f, 64<<10)
		return errors.Join(timeline.Write(w, head, lanes), w.Flush())
	})
}

// addTimeline names the time line in manifest and report.
func (j *job) addTimeline(r *report.Report, m *report.Manifest) error {
	h, err := hashFile(j.out.path(TimelineName), TimelineName)
	if err != nil {
		return err
	}
	m.Outputs = append(m.Outputs, h)
	r.Outputs = append(r.Outputs, report.File{Role: report.TimelineRole, Name: h.Name, Bytes: h.Bytes, SHA256: h.SHA256})
	return nil
}

// closeStrips ends the gains of an earlier attempt.
func (j *job) closeStrips() error {
	var errs []error
	for _, s := range j.res.strips {
		errs = append(errs, s.Close())
	}
	clear(j.res.strips)
	return errors.Join(errs...)
}

// checkTimeline tells whether a time line belongs to a report.
func checkTimeline(path string, r *report.Report) (fault string, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return "", err
	}
	t, err := timeline.Open(f, info.Size())
	var bad *timeline.FormatError
	switch {
	case errors.As(err, &bad):
		return bad.Error(), nil
	case err != nil:
		return "", err
	case t.RateHz != r.Side.SampleRate || math.Abs(t.LengthS-r.Side.LengthS) > 1e-6:
		return "time line: of another side than the report", nil
	}
	return "", nil
}
