package pipeline

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"unicode"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/stage"
	"discsafe/pipeline/timeline"
)

// limiter puts a limiting stage into the chain where it has something to
// watch. In mode estimate it runs beside the chain.
func (j *job) limiter(id string, links []*link) ([]*link, error) {
	var proc stage.Processor
	var trace *stage.Trace
	late := 0
	for _, l := range links {
		if !l.shadow {
			late += l.proc.Delay()
		}
	}
	switch {
	case id == stage.DeEss && j.chain.deEss != nil && !j.cut.Watch.DeEss.Empty():
		d, err := stage.NewDeEss(*j.chain.deEss, stage.DeEssTask{Sectors: j.sectors, Count: j.before.log.Len(), Late: late,
			Watch: j.cut.Watch.DeEss, Aim: j.cut.Aim(id), Scale: j.scale * j.cut.Gain, Limit: j.cut.DeEssLimit})
		if err != nil {
			return nil, err
		}
		proc, trace = d, &d.Trace
	case id == stage.LimitSides && j.chain.limitSides != nil && !j.cut.Watch.Sides.Empty():
		l := stage.NewLimitSides(*j.chain.limitSides, stage.LimitSidesTask{Sectors: j.sectors, Count: j.before.log.Len(), Late: late,
			Watch: j.cut.Watch.Sides, Aim: j.cut.Aim(id), Scale: j.scale * j.cut.Gain, Room: j.cut.SidesRoom})
		proc, trace = l, &l.Trace
	default:
		return links, nil
	}
	gains := make([]float64, seriesPoints)
	for i := range gains {
		gains[i] = 1
	}
	n := j.before.log.Len()
	strip, err := timeline.NewLine(j.opt.TempDir, gainStep, math.Floor)
	if err != nil {
		return nil, err
	}
	j.res.strips[id] = strip
	trace.OnGain = func(sector int, gain float64) {
		k := min(sector*seriesPoints/n, seriesPoints-1)
		gains[k] = math.Min(gains[k], gain)
		gainStrip(strip, sector, gain)
	}
	j.res.traces[id], j.res.gains[id] = trace, gains
	return append(links, &link{id: id, proc: proc, shadow: j.chain.estimates(id)}), nil
}

// links builds the whole chain for one attempt.
func (j *job) links() ([]*link, error) {
	linear, err := j.chain.build(j.filters, j.side.rateHz)
	if err != nil {
		return nil, err
	}
	links := []*link(linear)
	if err := j.closeStrips(); err != nil {
		return nil, err
	}
	j.res.traces, j.res.gains, j.res.strips = map[string]*stage.Trace{}, map[string][]float64{}, map[string]*timeline.Strip{}
	for _, id := range j.chain.order {
		if links, err = j.limiter(id, links); err != nil {
			return nil, err
		}
	}
	return links, nil
}

// splitGain divides the cut level between file and lathe.
func (j *job) splitGain() {
	j.res.fileGainDB, _ = stage.FileGain(j.cut.LevelDB, j.peak, stage.FitLevelParams{CeilingDBTP: j.chain.ceilingDB()})
	// Samples beyond full scale, from a float mix or a filter, must come down
	// to fit; the lathe brings them up again.
	j.res.fileGainDB = math.Min(j.res.fileGainDB, j.most)
	j.res.latheGainDB = j.cut.LevelDB - j.res.fileGainDB
}

// writeOnce is the writing pass of one attempt.
func (j *job) writeOnce() (err error) {
	j.t.begin(passWriting)
	links, err := j.links()
	if err != nil {
		return err
	}
	j.res.links = links
	j.splitGain()
	block := j.opt.block()
	c := &cutter{chain: newChain(links, block), gain: audio.FromDB(j.res.fileGainDB),
		bitDepth: j.plan.Output.BitDepth, dither: j.chain.dither(), mono: j.plan.Mono}
	pre, err := os.Create(j.out.path(PremasterName))
	if err != nil {
		return fmt.Errorf("writing the premaster: %w", err)
	}
	defer func() { err = errors.Join(err, pre.Close()) }()
	diff, err := os.Create(j.out.path(DifferenceName))
	if err != nil {
		return fmt.Errorf("writing the difference: %w", err)
	}
	defer func() { err = errors.Join(err, diff.Close()) }()
	if c.premaster, err = wav.Create(newSteady(pre), j.premasterParams()); err != nil {
		return err
	}
	if c.diff, err = wav.Create(newSteady(diff), wav.WriterParams{SampleRateHz: j.side.rateHz, Encoding: audio.EncodingFloat, BitDepth: 32}); err != nil {
		return err
	}
	r := j.side.open()
	j.res.cut, err = c.run(r, j.side.frames, block, j.t)
	if err := errors.Join(err, r.Close()); err != nil {
		return err
	}
	if err := errors.Join(c.premaster.Close(), c.diff.Close()); err != nil {
		return err
	}
	if err := errors.Join(pre.Sync(), diff.Sync()); err != nil {
		return fmt.Errorf("writing the premaster: %w", err)
	}
	j.t.end()
	return nil
}

// premasterParams are the head and the marks of the premaster. No clock is
// read: the same side gives the same bytes.
func (j *job) premasterParams() wav.WriterParams {
	p := wav.WriterParams{SampleRateHz: j.side.rateHz, BitDepth: j.plan.Output.BitDepth}
	title := fmt.Sprintf("%s, side %s", j.plan.Title, j.plan.Side)
	if j.plan.Catalogue != "" {
		title = j.plan.Catalogue + " " + title
	}
	purpose := ": premaster for cutting"
	if s := sideplan.Slowdown(j.plan.CuttingSpeed); s != 1 {
		purpose = fmt.Sprintf(": premaster for cutting at half speed, to be played at %g Hz", float64(j.side.rateHz)/s)
	}
	f := j.side.format()
	p.Bext = &wav.Bext{
		Description: cutText(title, 256-len(purpose)) + purpose, Originator: "discsafe",
		Loudness: wav.NoLoudness(),
		CodingHistory: fmt.Sprintf("A=PCM,F=%d,W=%d,M=stereo,T=mixes as delivered\r\nA=PCM,F=%d,W=%d,M=%s,T=discsafe %s\r\n",
			f.SampleRateHz, f.BitDepth, f.SampleRateHz, p.BitDepth, map[bool]string{false: "stereo", true: "dual-mono"}[j.plan.Mono], cutText(j.opt.Version, 64)),
	}
	for i, t := range j.side.tracks {
		p.Cues = append(p.Cues, wav.Cue{ID: uint32(i + 1), Frame: t.start, Label: trackName(i, t)})
	}
	return p
}

func trackName(i int, p placed) string {
	if p.track.Title != "" {
		return p.track.Title
	}
	return fmt.Sprintf("track %d", i+1)
}

// cutText makes s fit for a field of one line: no control characters, at most
// n characters.
func cutText(s string, n int) string {
	r := []rune(strings.Map(func(c rune) rune {
		if unicode.IsControl(c) {
			return ' '
		}
		return c
	}, s))
	if len(r) > n {
		r = r[:n]
	}
	return string(r)
}

// measureAfter reads the premaster back and measures it as the mixes were
// measured, at the level at which it will be cut.
func (j *job) measureAfter() (err error) {
	if j.res.after != nil {
		if err := j.res.after.close(); err != nil {
			return err
		}
		j.res.after = nil
	}
	j.t.begin(passMeasuringAfter)
	src, err := wav.Open(j.out.path(PremasterName))
	if err != nil {
		return fmt.Errorf("reading the premaster back: %w", err)
	}
	p := j.measuring(nil)
	p.mono = !j.plan.Mono
	p.format = src.Format()
	p.scale = j.scale / audio.FromDB(j.res.fileGainDB) // the log stands at 0 dB cut level
	for _, t := range j.side.tracks {
		p.ends = append(p.ends, t.end())
	}
	j.res.after, err = p.run(src, j.opt.block(), j.t)
	if err := errors.Join(err, src.Close()); err != nil {
		return fmt.Errorf("reading the premaster back: %w", err)
	}
	if _, err := j.cut.Settle(j.ctx, j.res.after.log); err != nil {
		return err
	}
	if j.res.reading, err = planner.Read(j.ctx, j.cut, j.res.after.log, nil); err != nil {
		return err
	}
	j.t.end()
	return nil
}
