package pipeline

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/rate"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
	"discsafe/pipeline/stage"
)

// afterPeaks finds, for each treated passage, the greatest ratio left in the
// written file.
type afterPeaks struct {
	spans []span
	next  int
	open  []int
}

type span struct {
	stage string
	index int
	p     stage.Passage
	most  float64
}

func newAfterPeaks(traces map[string]*stage.Trace, links []*link) *afterPeaks {
	a := &afterPeaks{}
	for _, l := range links {
		if t := traces[l.id]; t != nil {
			for i, p := range t.Passages {
				a.spans = append(a.spans, span{stage: l.id, index: i, p: p})
			}
		}
	}
	slices.SortStableFunc(a.spans, func(x, y span) int { return cmp.Compare(x.p.First, y.p.First) })
	return a
}

// see looks at one sector of the written file; sectors come in order.
func (a *afterPeaks) see(pt *planner.Point) {
	for a.next < len(a.spans) && a.spans[a.next].p.First <= pt.Sector {
		a.open = append(a.open, a.next)
		a.next++
	}
	keep := a.open[:0]
	for _, i := range a.open {
		s := &a.spans[i]
		if s.p.Last < pt.Sector {
			continue
		}
		v := pt.WidthRatio
		switch s.p.Limit {
		case "curvature":
			v = pt.CurvatureRat
		case "slope":
			v = pt.SlopeRatio
		case "depth":
			v = pt.DepthRatio
		}
		s.most = math.Max(s.most, v)
		keep = append(keep, i)
	}
	a.open = keep
}

func (a *afterPeaks) of(id string, index int) (float64, bool) {
	for i := range a.spans {
		if s := &a.spans[i]; s.stage == id && s.index == index {
			return s.most, true
		}
	}
	return 0, false
}

// finish builds the report and writes every file beside the premaster.
func (j *job) finish() (_ *report.Report, err error) {
	var was, is *grooveStrips
	defer func() { err = errors.Join(err, was.close(), is.close()) }()
	if was, err = newGrooveStrips(j.opt.TempDir); err != nil {
		return nil, err
	}
	if is, err = newGrooveStrips(j.opt.TempDir); err != nil {
		return nil, err
	}
	before, rb, err := j.gather(j.before.log, was.see)
	if err != nil {
		return nil, err
	}
	peaks := newAfterPeaks(j.res.traces, j.res.links)
	after, ra, err := j.gather(j.res.after.log, func(p *planner.Point) { peaks.see(p); is.see(p) })
	if err != nil {
		return nil, err
	}
	own, err := planner.OwnLand(j.ctx, j.cut, j.before.log)
	if err != nil {
		return nil, err
	}
	r := &report.Report{Schema: report.Schema, Tool: report.Tool{Name: toolName, Version: j.opt.Version}}
	at := j.basis()
	r.Before = j.measures(&j.before.reading, rb, "the mixes untreated, "+at+"; land as they alone would take", own)
	r.After = j.measures(&j.res.after.reading, ra, "the premaster as written, "+at, ra.LandUM)
	if err := j.describeSide(r); err != nil {
		return nil, err
	}
	r.Limits = j.limits()
	r.Verdict = j.verdict(&r.Before, &r.After)
	if r.Stages, err = j.stages(); err != nil {
		return nil, err
	}
	r.Changes, r.ChangesTotal = j.changes(peaks)
	if r.Land, err = j.landSection(j.res.after.log); err != nil {
		return nil, err
	}
	if r.Ladder, err = j.ladder(rb); err != nil {
		return nil, err
	}
	r.Tracks = j.tracks()
	r.MonoCheck = j.monoCheck()
	if r.AsTraced, err = j.asTraced(); err != nil {
		return nil, err
	}
	r.HalfSpeed = j.halfSpeed()
	if r.OtherSpeed, err = j.otherSpeed(); err != nil {
		return nil, err
	}
	if r.Advice, err = j.advice(); err != nil {
		return nil, err
	}
	r.Series = j.series(before, after)
	r.Proof = j.proof()
	r.Cautions = cautions()
	r.Timing = j.timing()
	if err := j.writeTimeline(r, was, is); err != nil {
		return nil, err
	}
	return r, j.writeAll(r)
}

func (j *job) describeSide(r *report.Report) (err error) {
	p := j.plan
	if r.Plan, err = p.Normalized(); err != nil {
		return err
	}
	if r.Room, err = report.RawOf(j.ps.Room); err != nil {
		return err
	}
	ref := j.ps.Room.Reference
	asked := "fit"
	if !p.Level.Fit {
		asked = fmt.Sprintf("%+g dB", p.Level.DB)
	}
	r.Cut = report.Cut{LevelDB: j.cut.LevelDB, FileGainDB: j.res.fileGainDB, LatheGainDB: j.res.latheGainDB, Asked: asked, Why: j.whyLevel(),
		Reference: report.Reference{VelocityCMS: ref.VelocityCMS, Axis: ref.Axis, Kind: ref.Kind, HZ: ref.HZ, DBFS: ref.DBFS}}
	r.Side = report.Side{Side: p.Side, Title: p.Title, Artist: p.Artist, Catalogue: p.Catalogue, Inscription: p.Inscription, Mono: p.Mono,
		LengthS: float64(j.side.frames) / float64(j.side.rateHz), SampleRate: j.side.rateHz, BitDepth: p.Output.BitDepth, Disc: j.disc(), RoomName: j.ps.Room.Name}
	r.Notes = notes(p)
	return nil
}

// notes explain the values of plan and room from the tags of their types.
func notes(p *sideplan.Plan) []report.Note {
	var out []report.Note
	add := func(in string, values []spec.Value) {
		for _, v := range values {
			out = append(out, report.Note{In: in, Field: v.Path, Unit: v.Unit, Meaning: v.Doc, Source: v.Source,
				AskRoom: strings.Contains(v.Source, "ask the room"), Defaults: v.Text == v.Default})
		}
	}
	add("room", spec.Values(p.Room.Room))
	return out
}

func (j *job) proof() report.Proof {
	c := j.res.cut
	p := report.Proof{ResidualLSB: report.Num(c.residual), BitIdentical: c.identical, Passes: j.t.number, Tightenings: j.tightenings, Remeasured: true,
		Dithered: !c.identical && j.chain.dither(),
		Text:     "The residual is the greatest gap between the difference file and the sum of what the stages say they changed. Mix and premaster are each requantised with the same dither, so up to 3 steps are rounding."}
	if j.plan.Mono {
		p.MonoExact = &c.monoExact
	}
	return p
}

func (j *job) timing() report.Timing {
	t := report.Timing{ProgrammeS: float64(j.side.frames) / float64(j.side.rateHz), Passes: j.t.number}
	if j.opt.Timing {
		total := 0.0
		for _, s := range j.t.steps {
			total += s.took.Seconds()
			t.Steps = append(t.Steps, report.Step{Name: s.name, WallS: s.took.Seconds()})
		}
		t.WallS, t.RealTime = report.Num(total), report.Num(t.ProgrammeS/total)
	}
	return t
}

// lastLog is the groove that is known best: that of the premaster, or, where
// none was written, the one planned on.
func (j *job) lastLog() *groove.MotionLog {
	if j.predicted {
		return j.ps.Log
	}
	return j.res.after.log
}

// tracks places each track on the disc.
func (j *job) tracks() []report.Track {
	rate := float64(j.side.rateHz)
	var out []report.Track
	for i, p := range j.side.tracks {
		s0, s1 := j.ps.Tracks[i].Start, j.ps.Tracks[i].End
		t := report.Track{Number: i + 1, Title: p.track.Title, ISRC: p.track.ISRC, File: filepath.Base(p.track.File),
			StartS: float64(p.start) / rate, EndS: float64(p.end()) / rate, LengthS: float64(p.frames) / rate, GainDB: p.track.GainDB}
		t.GapS = t.StartS
		if i > 0 {
			t.GapS -= float64(j.side.tracks[i-1].end()) / rate
			if um, ok := j.cut.LandBeforeUM(j.lastLog(), s0); ok {
				t.LandBeforeUM = report.Num(um)
			}
		}
		outer, inner := j.cut.RadiusMM(s0-1), j.cut.RadiusMM(s1-1)
		t.StartRadiusMM, t.EndRadiusMM = report.Num(outer), report.Num(inner)
		if outer > inner {
			t.AverageLPI = report.Num(25.4 * t.LengthS / j.sectors.SecondsPerTurn / (outer - inner))
		}
		if j.predicted {
			t.ExplainNulls(nothingWritten)
		} else {
			t.IntegratedLUFS, _ = j.res.after.loudnessOf(t.StartS, t.EndS)
			t.MaxTruePeak = j.res.after.peaks[i]
		}
		t.ExplainNulls("there is none for this track")
		out = append(out, t)
	}
	return out
}

// cautions are what this run adds to the cautions that every report carries.
func cautions() []report.Caution {
	return []report.Caution{
		{Code: "estimate", Text: "discsafe computes; it does not release. A verdict says that the side lies within the stated room profile, no more."},
	}
}

// writeAll writes loudness into the premaster, then report, pages and manifest.
func (j *job) writeAll(r *report.Report) error {
	if err := j.patch(); err != nil {
		return err
	}
	if j.opt.AsTraced {
		if err := j.writeAsTraced(); err != nil {
			return err
		}
	}
	if err := j.markDifference(r.Advice); err != nil {
		return err
	}
	m, err := j.manifest(r)
	if err != nil {
		return err
	}
	for _, f := range j.audioFiles() {
		h, err := hashFile(j.out.path(f.name), f.name)
		if err != nil {
			return err
		}
		m.Outputs = append(m.Outputs, h)
		r.Outputs = append(r.Outputs, report.File{Role: f.role, Name: h.Name, Bytes: h.Bytes, SHA256: h.SHA256, Container: "wav", SampleRate: j.side.rateHz,
			BitDepth: f.depth, Float: f.float, Channels: 2, Frames: j.side.frames, LengthS: r.Side.LengthS})
	}
	if err := j.addTimeline(r, m); err != nil {
		return err
	}
	pages := []page{{ReportPageName, report.WriteHTML}, {CuttingSheetName, report.WriteCuttingSheet}}
	if len(r.Advice) > 0 {
		pages = append(pages, page{AdviceName, report.WriteAdvice})
	}
	return j.writePages(r, m, pages...)
}

// manifest begins the manifest and describes the inputs in it and in r.
func (j *job) manifest(r *report.Report) (m *report.Manifest, err error) {
	m = &report.Manifest{Schema: report.ManifestSchema, Tool: r.Tool}
	if m.RecipeSHA256, err = report.RecipeHash(j.opt.Version, r.Plan, r.Room); err != nil {
		return nil, err
	}
	for i, p := range j.side.tracks {
		h, err := hashFile(p.track.Path, filepath.Base(p.track.File))
		if err != nil {
			return nil, fmt.Errorf("track %d: %w", i+1, err)
		}
		m.Inputs = append(m.Inputs, h)
		converted := ""
		if p.format.SampleRateHz != j.side.rateHz {
			converted = rate.Describe(p.format.SampleRateHz, j.side.rateHz)
		}
		r.Inputs = append(r.Inputs, report.File{Role: "mix", Name: h.Name, Bytes: h.Bytes, SHA256: h.SHA256, Container: p.format.Container, SampleRate: p.format.SampleRateHz,
			BitDepth: p.format.BitDepth, Float: p.format.Encoding == audio.EncodingFloat, Channels: p.format.Channels, Frames: p.frames, LengthS: float64(p.frames) / float64(j.side.rateHz), Converted: converted})
	}
	return m, nil
}

// page is a view of the report as a file.
type page struct {
	name string
	fill func(io.Writer, *report.Report) error
}

// writePages writes report, pages and, last, the manifest.
func (j *job) writePages(r *report.Report, m *report.Manifest, pages ...page) error {
	if err := j.side.unchanged(); err != nil {
		return err
	}
	if err := r.Validate(); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	for _, f := range append([]page{{ReportName, func(w io.Writer, r *report.Report) error { return r.Write(w) }}}, pages...) {
		if err := j.out.write(f.name, func(w *os.File) error { return f.fill(w, r) }); err != nil {
			return err
		}
		h, err := hashFile(j.out.path(f.name), f.name)
		if err != nil {
			return err
		}
		m.Outputs = append(m.Outputs, h)
	}
	return j.out.write(report.ManifestName, func(w *os.File) error { return m.Write(w) })
}

type audioFile struct {
	name, role string
	depth      int
	float      bool
}

func (j *job) audioFiles() []audioFile {
	fs := []audioFile{{PremasterName, "premaster", j.plan.Output.BitDepth, false}, {DifferenceName, "difference", 32, true}}
	if j.opt.AsTraced {
		fs = append(fs, audioFile{AsTracedName, "as-traced", 24, false})
	}
	return fs
}

// patch writes the measured loudness into the premaster's bext chunk.
func (j *job) patch() (err error) {
	f, err := os.OpenFile(j.out.path(PremasterName), os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("writing loudness: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	m := &j.res.after.reading
	if err := wav.PatchLoudness(f, wav.Loudness{IntegratedLUFS: orNaN(m.IntegratedLUFS), RangeLU: orNaN(m.LoudnessRangeLU), MaxTruePeakDBTP: orNaN(m.MaxTruePeakDBTP),
		MaxMomentaryLUFS: orNaN(m.MaxMomentaryLUFS), MaxShortTermLUFS: orNaN(m.MaxShortTermLUFS)}); err != nil {
		return err
	}
	return f.Sync()
}

func hashFile(path, name string) (h report.FileHash, err error) {
	f, err := os.Open(path)
	if err != nil {
		return h, fmt.Errorf("hashing: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return report.HashOf(name, f)
}
