package pipeline

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

// Measure says what one file is and which groove it would cut by itself on a
// disc in a room at 0 dB cut level, untreated. It writes nothing.
func Measure(ctx context.Context, path string, disc groove.Disc, room groove.Room, opt Options) (_ *report.Measurement, err error) {
	plan := singlePlan(path, disc, room)
	j, err := newJob(ctx, plan, opt)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, j.close()) }()
	j.t.passes = 1
	if err := j.measureBefore(); err != nil {
		return nil, err
	}
	j.ps.Log = j.before.log
	if j.cut, err = planner.Solve(ctx, j.ps); err != nil {
		return nil, err
	}
	c, r, err := j.gather(j.before.log, nil)
	if err != nil {
		return nil, err
	}
	j.res.reading = r
	m := &report.Measurement{Schema: report.MeasurementSchema, Tool: report.Tool{Name: toolName, Version: opt.Version}, Disc: j.disc(), Limits: j.limits()}
	if m.Room, err = report.RawOf(room); err != nil {
		return nil, err
	}
	m.Notes = notes(plan)
	ref := room.Reference
	m.Cut = report.Cut{Asked: "0 dB", Why: "measured untreated at the room's reference",
		Reference: report.Reference{VelocityCMS: ref.VelocityCMS, Axis: ref.Axis, Kind: ref.Kind, HZ: ref.HZ, DBFS: ref.DBFS}}
	m.Reading = j.measures(&j.before.reading, r, "the file untreated at 0 dB cut level, alone on the side", r.LandUM)
	m.Verdict = j.verdict(&m.Reading, &m.Reading)
	if m.Land, err = j.landSection(j.before.log); err != nil {
		return nil, err
	}
	m.Series = report.Series{TS: report.CurveOf(c.at), RadiusMM: report.CurveOf(c.radius), PitchUM: report.CurveOf(c.pitch), MeanDepthUM: report.CurveOf(c.mean), BeforeGroove: c.groove()}
	h, err := hashFile(path, filepath.Base(path))
	if err != nil {
		return nil, err
	}
	f := j.side.tracks[0].format
	m.File = report.File{Role: "mix", Name: h.Name, Bytes: h.Bytes, SHA256: h.SHA256, Container: f.Container, SampleRate: f.SampleRateHz, BitDepth: f.BitDepth,
		Channels: f.Channels, Frames: j.side.frames, LengthS: j.before.reading.DurationS}
	m.Timing = j.timing()
	if err := m.Validate(); err != nil {
		return nil, fmt.Errorf("measurement: %w", err)
	}
	return m, nil
}

// singlePlan is a side of one file, level 0 dB, no stages.
func singlePlan(path string, disc groove.Disc, room groove.Room) *sideplan.Plan {
	p := &sideplan.Plan{Side: "A", Tracks: []sideplan.Track{{File: filepath.Base(path), Path: path}}}
	p.Disc.Disc = disc
	p.Room.Room = room
	p.Output.BitDepth = 24
	p.Caps = sideplan.Caps{MaxLevelDB: 0, MinLevelDB: 0, MaxTreatedShare: 1, MaxReductionDB: 100}
	return p
}
