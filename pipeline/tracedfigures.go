package pipeline

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/planner"
	"discsafe/pipeline/report"
)

const (
	tracedParts    = 512  // of the side, each with its worst moment
	tracedPassages = 10   // listed
	tracedApartS   = 2.0  // s between passages listed
	tracedListenS  = 1.0  // s before and after the worst moment
	tracedExcerptS = 0.25 // s over which the error is taken
	tracedLeadS    = 0.25 // s traced before
	tracedPairS    = 0.02 // s in which partials are looked for, at least
	// tracedMuchC is the curvature ratio from which on the second harmonic of a
	// shallow sine is 10 %: c/2 (1 - 5c^2/24) = 0.1.
	tracedMuchC = 0.2018
	// ellipticUM is the radius from which on a tip is taken for spherical: IEC 60098
	// has none below 12.5 um (secondary), side radii are 5 to 8 um (from memory).
	ellipticUM                                             = 10
	tracedSideUM                                           = 7
	tracedVerticalDeg, tracedPlaybackDeg, tracedLateralDeg = 20, 25, 2
)

// tracedPoint is one sector as far as tracing asks.
type tracedPoint struct {
	sector     int
	speed      float64 // of the groove, m/s
	vel, accel float64 // greatest of a wall, m/s and m/s2
}

// bend is acceleration over speed squared: the curvature of the wall, 1/m. It
// ranks moments alike for every tip.
func (p *tracedPoint) bend() float64 { return p.accel / (p.speed * p.speed) }

// tracedTrack gathers one track.
type tracedTrack struct {
	worst             tracedPoint
	over              []int // sectors with much second harmonic, by tip
	vertical, lateral float64
}

// asTraced predicts what tips make of the groove that is known best. The figures
// of a moment are those of the sine with its speed and acceleration, exact for
// a sine; excerpts of the premaster give partials and what tracing changes in all.
func (j *job) asTraced() (_ *report.AsTraced, err error) {
	a := &report.AsTraced{Basis: "the premaster as written, " + j.basis(), Passages: []report.TracedMoment{}, Tips: j.tracedTips(),
		Model: "a round tip on a rigid wall, each wall by itself, exact beyond the point where the tip leaves it; a moment is reckoned as the sine that is as fast and as sharply bent; nothing is said of tip mass, the pickup or the pressing",
		Angles: report.TracedAngles{RecordedDeg: tracedVerticalDeg, PlaybackDeg: tracedPlaybackDeg, LateralDeg: tracedLateralDeg,
			Source: "20 to 25 degrees, IEC 60098:2020, 6.1; pickups were measured up to 35 (Woodard, AES preprint 1940, 1982, summary); lateral error common practice, no source"},
	}
	if j.predicted {
		a.NotTraced = "nothing was written: there is no premaster to take excerpts of"
		a.Basis = "the mixes behind the filters expected to act, untreated else, " + j.basis()
	}
	tracks, parts, err := j.tracedScan(a.Tips)
	if err != nil {
		return nil, err
	}
	var bench *tracedBench
	if !j.predicted {
		if bench, err = j.newTracedBench(a.Tips); err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, bench.src.Close()) }()
	}
	sectorS := j.sectors.SecondsPerTurn / groove.SectorsPerTurn
	for i := range tracks {
		t := &tracks[i]
		out := report.TracedTrack{Number: i + 1}
		for k, tip := range a.Tips {
			out.Tips = append(out.Tips, report.TracedTime{TipUM: tip.TipUM, OverS: round3(float64(t.over[k]) * sectorS)})
		}
		if out.Worst, err = j.tracedMoment(t.worst, a.Tips, bench); err != nil {
			return nil, err
		}
		if out.Worst != nil {
			out.Vertical, out.Lateral = report.Num(t.vertical), report.Num(t.lateral)
		}
		a.Tracks = append(a.Tracks, out)
	}
	for _, p := range j.tracedWorst(parts) {
		m, err := j.tracedMoment(p, a.Tips, bench)
		if err != nil {
			return nil, err
		}
		a.Passages = append(a.Passages, *m)
	}
	if bench != nil {
		a.Excerpt = &report.TracedExcerpts{Count: bench.count, LengthS: tracedExcerptS, PairS: round3(float64(bench.fft.Len()) / float64(j.side.rateHz))}
	}
	return a, err
}

// tracedTips are the design tip, the room's others, and an elliptical one.
func (j *job) tracedTips() []report.TracedTip {
	var out []report.TracedTip
	add := func(um float64, design bool, source string) {
		if slices.ContainsFunc(out, func(t report.TracedTip) bool { return t.TipUM == um }) {
			return
		}
		t := report.TracedTip{TipUM: um, Kind: "spherical", Design: design, Source: source}
		if um < ellipticUM {
			t.Kind = "elliptical"
			t.Source += "; taken as round with its side radius: no source for the contact of such tips is agreed"
		}
		out = append(out, t)
	}
	play := j.ps.Room.Playback
	add(j.ps.TipUM(), true, "the room's profile")
	for _, um := range play.ReportTipsUM {
		add(um, false, "the room's profile")
	}
	if !slices.ContainsFunc(out, func(t report.TracedTip) bool { return t.TipUM < ellipticUM }) {
		add(tracedSideUM, false, "side radius 5 to 8 um, from memory")
	}
	return out
}

// tracedScan looks at every sector: per track, and the worst of each part of the
// side.
func (j *job) tracedScan(tips []report.TracedTip) ([]tracedTrack, []tracedPoint, error) {
	tracks := make([]tracedTrack, len(j.side.tracks))
	for i := range tracks {
		tracks[i].over = make([]int, len(tips))
	}
	parts := make([]tracedPoint, tracedParts)
	log, disc, g := j.lastLog(), j.ps.Limits.Disc, j.cut.Gain
	at, n := 0, log.Len()
	err := log.Scan(func(first int, run []groove.Motion) {
		for i := range run {
			m := &run[i]
			sector := first + i
			// The radius at the end of a sector, where the groove is slowest.
			p := tracedPoint{sector: sector, speed: disc.GrooveSpeed(j.cut.RadiusMM(sector)), vel: g * float64(m.WallVelocity), accel: g * float64(m.WallAccel)}
			bend := p.bend()
			if part := &parts[sector*tracedParts/n]; part.speed == 0 || bend > part.bend() {
				*part = p
			}
			for at < len(j.ps.Tracks) && sector >= j.ps.Tracks[at].End {
				at++
			}
			if at == len(tracks) || sector < j.ps.Tracks[at].Start {
				continue
			}
			t := &tracks[at]
			if t.worst.speed == 0 || bend > t.worst.bend() {
				t.worst = p
			}
			for k := range tips {
				if bend*tips[k].TipUM*1e-6 > tracedMuchC {
					t.over[k]++
				}
			}
			t.vertical = math.Max(t.vertical, groove.VerticalTrackingD2(g*float64(m.VerticalSpeed), p.speed, tracedPlaybackDeg, tracedVerticalDeg))
			t.lateral = math.Max(t.lateral, groove.LateralTrackingD2(g*float64(m.LateralSpeed), p.speed, tracedLateralDeg))
		}
	})
	return tracks, parts, err
}

// tracedWorst picks the worst moments that lie apart.
func (j *job) tracedWorst(parts []tracedPoint) []tracedPoint {
	slices.SortStableFunc(parts, func(a, b tracedPoint) int {
		return cmp.Compare(b.accel/math.Max(b.speed*b.speed, 1e-9), a.accel/math.Max(a.speed*a.speed, 1e-9))
	})
	var out []tracedPoint
	for _, p := range parts {
		near := func(q tracedPoint) bool {
			return math.Abs(j.sectors.Seconds(p.sector)-j.sectors.Seconds(q.sector)) < tracedApartS
		}
		if p.quiet() || slices.ContainsFunc(out, near) {
			continue
		}
		if out = append(out, p); len(out) == tracedPassages {
			break
		}
	}
	return out
}

// quiet is a moment in which there is nothing to trace: a bend of 1/m leaves a tip
// of 30 um under 0.002 %.
func (p *tracedPoint) quiet() bool { return p.speed == 0 || p.vel <= 0 || p.bend() < 1 }

// tracedMoment reckons one moment; nil for silence.
func (j *job) tracedMoment(p tracedPoint, tips []report.TracedTip, bench *tracedBench) (*report.TracedMoment, error) {
	if p.quiet() {
		return nil, nil
	}
	hz := p.accel / (2 * math.Pi * p.vel)
	where := j.place(p.sector)
	s0, s1 := 0.0, float64(j.side.frames)/float64(j.side.rateHz)
	if where.Track > 0 {
		t := j.side.tracks[where.Track-1]
		s0, s1 = float64(t.start)/float64(j.side.rateHz), float64(t.end())/float64(j.side.rateHz)
	}
	m := &report.TracedMoment{AtS: where.TS, RadiusMM: *where.RadiusMM, Track: where.Track, HZ: math.Round(hz), VelocityCMS: math.Round(1e4*p.vel) / 100, PairHZ: []float64{},
		StartS: round3(math.Max(s0, where.TS-tracedListenS)), EndS: round3(math.Min(s1, where.TS+tracedListenS))}
	for _, t := range tips {
		s := traceWall(planner.WallMotion{VelocityMS: p.vel, AccelMS2: p.accel, GrooveMS: p.speed}, t.TipUM)
		m.Tips = append(m.Tips, report.TracedFigures{TipUM: t.TipUM, CurvatureRatio: s.C, Second: s.D2, Third: s.D3})
	}
	if bench == nil {
		return m, nil
	}
	return m, bench.trace(m, p)
}

// traceWall is what a tip makes of the sine that is as fast and as sharply bent as
// a wall; nothing of a wall that stands still.
func traceWall(w planner.WallMotion, tipUM float64) groove.SineTracing {
	if !(w.VelocityMS > 0 && w.AccelMS2 > 0) {
		return groove.SineTracing{}
	}
	hz := w.AccelMS2 / (2 * math.Pi * w.VelocityMS)
	return groove.TraceSine(1e6*groove.SineDisplacement(w.VelocityMS, hz), 1e6*w.GrooveMS/hz, tipUM)
}

// tracedBench traces excerpts of the premaster.
type tracedBench struct {
	j     *job
	src   *wav.Reader
	scale float64
	tips  []*groove.StereoTracer
	fft   *dsp.FFT
	re    []float64
	im    []float64
	count int
}

func (j *job) newTracedBench(tips []report.TracedTip) (*tracedBench, error) {
	b := &tracedBench{j: j, scale: j.scale * j.cut.Gain / audio.FromDB(j.res.fileGainDB)}
	disc := j.ps.Limits.Disc
	least := disc.GrooveSpeed(math.Min(disc.InnerHardMM, j.res.reading.EndRadiusMM-1))
	for _, t := range tips {
		tr, err := groove.NewStereoTracer(t.TipUM, j.side.rateHz, least)
		if err != nil {
			return nil, err
		}
		b.tips = append(b.tips, tr)
	}
	n := 1
	for float64(n) < tracedPairS*float64(j.side.rateHz) {
		n *= 2
	}
	var err error
	if b.fft, err = dsp.NewFFT(n); err != nil {
		return nil, err
	}
	b.re, b.im = dsp.FFTBuffers(n)
	if b.src, err = wav.Open(j.out.path(PremasterName)); err != nil {
		return nil, fmt.Errorf("tracing excerpts: %w", err)
	}
	return b, nil
}

// trace fills in what an excerpt around a moment tells.
func (b *tracedBench) trace(m *report.TracedMoment, p tracedPoint) error {
	rate := float64(b.j.side.rateHz)
	mid := b.j.sectors.StartFrame(p.sector)
	half := int64(tracedExcerptS / 2 * rate)
	from := max(0, mid-half-int64(tracedLeadS*rate))
	to := min(b.j.side.frames, max(mid+half, mid+int64(b.fft.Len()/2)+1))
	x, err := b.read(from, to)
	if err != nil {
		return err
	}
	b.count++
	wall := audio.NewBlock(x.Len())
	groove.NewSideDisplacement(rate, b.scale).Process(wall.L, x.L)
	groove.NewSideDisplacement(rate, b.scale).Process(wall.R, x.R)
	// What comes back untraced: the way there and back moves infrasonic sound a little.
	plain := audio.NewBlock(x.Len())
	copy(plain.L, wall.L)
	copy(plain.R, wall.R)
	groove.NewRestorer(rate, b.scale).Process(plain.L)
	groove.NewRestorer(rate, b.scale).Process(plain.R)
	k := int(max(0, mid-half-from))
	first, second, ok := b.partials(wall, int(mid-from))
	if ok {
		m.PairHZ = []float64{math.Round(first.HZ), math.Round(second.HZ)}
		m.ProductHZ = report.Num(math.Abs(m.PairHZ[1] - m.PairHZ[0]))
	}
	for i, tip := range b.tips {
		f := &m.Tips[i]
		if ok {
			f.Inter = report.Num(groove.TracePair(first, second, p.speed, f.TipUM).Difference)
		}
		if f.ErrorDB, err = b.error(tip, plain, wall, k, p.speed); err != nil {
			return err
		}
	}
	return nil
}

// read takes frames of the premaster.
func (b *tracedBench) read(from, to int64) (audio.Block, error) {
	x := audio.NewBlock(int(to - from))
	if err := b.src.SeekFrame(from); err != nil {
		return x, fmt.Errorf("tracing excerpts: %w", err)
	}
	for n := 0; n < x.Len(); {
		got, err := b.src.Read(x.Slice(n, x.Len()))
		if err != nil {
			return x, fmt.Errorf("tracing excerpts: %w", err)
		}
		n += got
	}
	return x, nil
}

// error is what the tip adds or loses from frame k on, re the sound.
func (b *tracedBench) error(tip *groove.StereoTracer, x, wall audio.Block, k int, speed float64) (*float64, error) {
	d := tip.Delay()
	y := audio.NewBlock(x.Len() + d)
	// The wall stands still behind the excerpt; what the tip's reach and the filters
	// make of that is left out below.
	for _, c := range [][2][]float64{{y.L, wall.L}, {y.R, wall.R}} {
		for i := copy(c[0], c[1]); i < len(c[0]); i++ {
			c[0][i] = c[0][i-1]
		}
	}
	tip.Reset()
	if err := tip.Process(y.L, y.R, speed); err != nil {
		return nil, err
	}
	rate := float64(b.j.side.rateHz)
	groove.NewRestorer(rate, b.scale).Process(y.L)
	groove.NewRestorer(rate, b.scale).Process(y.R)
	end := min(x.Len()-256, k+int(tracedExcerptS*rate))
	sound, wrong := 0.0, 0.0
	for i := k; i < end; i++ {
		l, r := x.L[i], x.R[i]
		sound += l*l + r*r
		l, r = y.L[i+d]-l, y.R[i+d]-r
		wrong += l*l + r*r
	}
	if sound == 0 || wrong == 0 {
		return nil, nil
	}
	return report.Num(10 * math.Log10(wrong/sound)), nil
}

// partials finds, in a Hann window around a frame, the partial of the greatest
// acceleration in either wall, and that of the same wall whose difference product
// with it is greatest. See refine for what lies between bins.
func (b *tracedBench) partials(wall audio.Block, mid int) (first, second groove.Tone, ok bool) {
	n := b.fft.Len()
	clear(b.re)
	clear(b.im)
	for i := range n {
		at := mid - n/2 + i
		if at < 0 || at >= wall.Len() {
			continue
		}
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
		b.re[i], b.im[i] = w*wall.L[at], w*wall.R[at]
	}
	b.fft.Forward(b.re, b.im)
	rate := float64(b.j.side.rateHz)
	bin := rate / float64(n)
	top := min(n/2-2, int(20000/bin))
	velocity := [2][]float64{make([]float64, top+2), make([]float64, top+2)}
	for k := 1; k < top+2; k++ {
		// A real pair in one transform; 4/n: half the amplitude for the sine, half for
		// the window.
		lr, li := (b.re[k]+b.re[n-k])/2, (b.im[k]-b.im[n-k])/2
		rr, ri := (b.im[k]+b.im[n-k])/2, (b.re[n-k]-b.re[k])/2
		w := 2 * math.Pi * float64(k) * bin * 1e-6 * 4 / float64(n)
		velocity[0][k], velocity[1][k] = w*math.Hypot(lr, li), w*math.Hypot(rr, ri)
	}
	best, ch, k2 := 0.0, 0, 0
	for c := range velocity {
		for k := 2; k <= top; k++ {
			if !peak(velocity[c], k) {
				continue
			}
			t := refine(velocity[c], k, bin)
			if a := t.HZ * t.VelocityMS; a > best {
				best, ch, k2, second = a, c, k, t
			}
		}
	}
	if k2 == 0 {
		return first, second, false
	}
	best = 0
	for k := 2; k <= top; k++ {
		if !peak(velocity[ch], k) || max(k-k2, k2-k) < 4 {
			continue
		}
		t := refine(velocity[ch], k, bin)
		if q := t.VelocityMS * math.Abs(t.HZ-second.HZ); q > best {
			best, first = q, t
		}
	}
	return first, second, best > 0 && first.VelocityMS > 1e-3*second.VelocityMS
}

func peak(v []float64, k int) bool { return v[k] > v[k-1] && v[k] >= v[k+1] }

// refine finds a tone between bins: under a Hann window the ratio of two
// neighbouring bins tells the offset d, exactly for one tone, and the peak is
// lowered by sin(pi d) / (pi d (1 - d^2)).
func refine(v []float64, k int, bin float64) groove.Tone {
	displacement := func(k int) float64 { return v[k] / float64(k) } // up to a factor
	sign, beside := 1.0, displacement(k+1)
	if b := displacement(k - 1); b > beside {
		sign, beside = -1, b
	}
	q := beside / displacement(k)
	d := math.Min(math.Max((2*q-1)/(q+1), 0), 0.5)
	gain := 1.0
	if d > 1e-6 {
		gain = math.Pi * d * (1 - d*d) / math.Sin(math.Pi*d)
	}
	at := float64(k) + sign*d
	return groove.Tone{HZ: at * bin, VelocityMS: displacement(k) * at * gain}
}
