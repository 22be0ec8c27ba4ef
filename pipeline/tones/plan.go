package tones

import (
	"fmt"
	"math"

	"discsafe/pipeline/groove"
)

// SheetSchema names the form of a Sheet.
const SheetSchema = "discsafe-tones/1"

// Axes along which a tone moves the groove.
const (
	AxisNone     = "none"
	AxisLateral  = "lateral"  // equal channels
	AxisVertical = "vertical" // opposed channels
)

// Kinds of readings.
const (
	KindWidth    = "width"     // top width of an unmodulated groove, um
	KindSwing    = "swing"     // peak to peak motion of one edge of the groove, um
	KindWidest   = "widest"    // greatest top width, um
	KindNarrow   = "narrowest" // least top width, um
	KindRadius   = "radius"    // radius of the groove where a part begins, mm
	KindPlayback = "playback"  // level played back, dB re the reference tone; not used in a fit
)

// Reading is one blank of the sheet.
type Reading struct {
	ID       string  `json:"id"`
	Part     string  `json:"part"`
	Kind     string  `json:"kind"`
	Unit     string  `json:"unit"`
	Expected float64 `json:"expected"`
	// What the expectation is made of, for a fit: expected width is WidthUM plus
	// or minus MotionUM, a swing is MotionUM, a radius is StartMM less the advance of Turns.
	WidthUM  float64 `json:"width_um,omitempty"`
	MotionUM float64 `json:"motion_um,omitempty"`
	StartMM  float64 `json:"start_mm,omitempty"`
	Turns    float64 `json:"turns,omitempty"`
	How      string  `json:"how"`
}

// Part is one passage of the test.
type Part struct {
	ID              string  `json:"id"` // also what is announced
	Morse           string  `json:"morse"`
	What            string  `json:"what"`
	Axis            string  `json:"axis"`
	HZ              float64 `json:"hz"`
	LevelDB         float64 `json:"level_db"` // flat, re the reference tone
	AnnounceS       float64 `json:"announce_s"`
	StartS          float64 `json:"start_s"`
	EndS            float64 `json:"end_s"`
	StartMM         float64 `json:"start_mm"`
	EndMM           float64 `json:"end_mm"`
	PitchUM         float64 `json:"pitch_um"`
	LateralUM       float64 `json:"lateral_um"`  // peak
	VerticalUM      float64 `json:"vertical_um"` // peak
	VelocityCMS     float64 `json:"velocity_cm_s"`
	MinWidthUM      float64 `json:"min_width_um"`
	MaxWidthUM      float64 `json:"max_width_um"`
	MaxDepthUM      float64 `json:"max_depth_um"`
	AccelerationMS2 float64 `json:"acceleration_m_s2"` // peak, of one wall along its normal
	CurvatureRatio  float64 `json:"curvature_ratio"`   // of what the design tip can follow at this radius
	SlopeRatio      float64 `json:"slope_ratio"`       // of what the cutter's back facets clear at this radius

	amplitude float64 // of each channel, 1.0 is full scale
}

// Sheet is the whole test.
type Sheet struct {
	Schema    string           `json:"schema"`
	Disc      string           `json:"disc"`
	RPM       float64          `json:"rpm"`
	Room      string           `json:"room"`
	Reference groove.Reference `json:"reference"`
	RateHz    int              `json:"sample_rate"`
	LengthS   float64          `json:"length_s"`
	PitchUM   float64          `json:"pitch_um"`
	LPI       float64          `json:"lines_per_inch"`
	StartMM   float64          `json:"start_mm"`
	EndMM     float64          `json:"end_mm"`
	WidthUM   float64          `json:"width_um"`
	Limits    []string         `json:"limits"`
	Cautions  []string         `json:"cautions"`
	Parts     []Part           `json:"parts"`
	Readings  []Reading        `json:"readings"`

	disc groove.Disc
	room groove.Room
}

// What a test may ask of head, groove and ears. Common practice, no source,
// unless said otherwise.
const (
	lowHz          = 100.0 // large enough to see: 17.6 um at the default reference
	lowS           = 6.0
	referenceS     = 10.0
	silenceS       = 6.0
	trebleDB       = -20.0 // sustained treble stays at least this far below the reference by default
	trebleS        = 1.0
	coolingS       = 4.0 // pause after each treble tone, four times its length: the coil cools
	limitShare     = 0.25
	ceilingShare   = 0.5 // of the room's rms acceleration ceiling, if it gave one
	vertMargin     = 0.8 // of what width and depth allow
	announceHz     = 800.0
	announceDB     = -6.0
	pauseS         = 1.0 // around announcements
	peakDBFS       = -1.0
	fadeS          = 0.1 // at most a tenth of a tone: short fades leave the groove off centre
	pitchStepUM    = 5.0
	sustainedHz    = 2000.0 // above it velocity rises with frequency; nothing is held for long
	defaultRateHz  = 96000
	leastLateralUM = 2.0 // less cannot be read by a microscope
)

var (
	lateralDB  = []float64{-12, -6, 0, 3}
	verticalDB = []float64{-18, -12, -6}
	trebleHz   = []float64{5000, 8000, 10000, 12500, 15000}
)

// DoesNotFitError says that a disc has no room for the test.
type DoesNotFitError struct {
	EndMM, InnerMM float64
}

func (e *DoesNotFitError) Error() string {
	return fmt.Sprintf("the test would end at radius %.1f mm, inside %.1f mm; use a larger disc or a finer pitch", e.EndMM, e.InnerMM)
}

// Plan lays the test out for a room on a disc. Both must be valid. Among steps of
// a kind loud comes after quiet; every tone keeps the limits stated on the sheet, by being quieter
// or, where that leaves nothing to read, by being left out.
func Plan(disc groove.Disc, room groove.Room) (*Sheet, error) {
	s := &Sheet{Schema: SheetSchema, Disc: disc.ID, RPM: disc.Speed.RPM(), Room: room.Name, Reference: room.Reference, RateHz: defaultRateHz,
		WidthUM: room.Groove.WidthUM, disc: disc.WithRadii(room.Radius), room: room}
	s.StartMM = s.disc.OuterMM
	s.choose()
	s.pitch()
	s.place()
	for i := range s.Parts {
		s.figures(&s.Parts[i])
	}
	s.quieten()
	if s.EndMM < s.disc.InnerQualityMM {
		return nil, &DoesNotFitError{EndMM: s.EndMM, InnerMM: s.disc.InnerQualityMM}
	}
	s.expect()
	s.say()
	return s, nil
}

// choose lists the parts, with levels kept within width, depth and full scale.
func (s *Sheet) choose() {
	add := func(id, what, axis string, hz, levelDB, seconds float64) {
		p := Part{ID: id, Morse: Spelled(id), What: what, Axis: axis, HZ: hz, LevelDB: levelDB, EndS: seconds}
		s.Parts = append(s.Parts, p)
	}
	ref := s.room.Reference
	add("S1", "silent groove", AxisNone, 0, 0, silenceS)
	if ref.HZ > sustainedHz {
		add("R", "1 kHz tone at the level of the reference, whose own frequency is too high to be sustained", AxisLateral, 1000, 0, referenceS)
	} else {
		add("R", "reference tone of the room", AxisLateral, ref.HZ, 0, referenceS)
	}
	n := 0
	for _, db := range lateralDB {
		if s.amplitudeOf(db) <= math.Pow(10, peakDBFS/20) {
			n++
			add(fmt.Sprintf("L%d", n), "lateral step", AxisLateral, lowHz, db, lowS)
		}
	}
	add("S2", "silent groove", AxisNone, 0, 0, silenceS)
	l := groove.NewLimits(s.room, s.disc)
	most := vertMargin * math.Min(l.AllowedRiseUM(l.DesignDepthUM), l.AllowedFallUM(l.DesignDepthUM))
	n = 0
	for _, db := range verticalDB {
		a := s.amplitudeOf(db)
		d := s.scale().DisplacementUM(a, lowHz)
		if _, z := groove.LateralVertical(d, -d); z <= most && a <= math.Pow(10, peakDBFS/20) {
			n++
			add(fmt.Sprintf("V%d", n), "vertical step", AxisVertical, lowHz, db, lowS)
		}
	}
	add("S3", "silent groove", AxisNone, 0, 0, silenceS)
	for i, hz := range trebleHz {
		if hz <= s.room.BandHz[1] {
			add(fmt.Sprintf("T%d", i+1), "treble step", AxisLateral, hz, trebleDB, trebleS)
		}
	}
	add("S4", "silent groove", AxisNone, 0, 0, silenceS)
}

func (s *Sheet) scale() groove.Scale { return s.room.Reference.ScaleAt(0) }

// amplitudeOf is the amplitude of each channel at a flat level re the reference.
func (s *Sheet) amplitudeOf(levelDB float64) float64 {
	return math.Pow(10, (s.room.Reference.DBFS+levelDB)/20)
}

// pitch chooses one pitch for the whole test: the coarsest that any part needs,
// rounded up, so that a radius is arithmetic.
func (s *Sheet) pitch() {
	for i := range s.Parts {
		p := &s.Parts[i]
		if p.Axis == AxisNone {
			continue
		}
		d := s.scale().DisplacementUM(s.amplitudeOf(p.LevelDB), p.HZ)
		s.PitchUM = math.Max(s.PitchUM, groove.WorstPitchUM(s.room.Groove.WidthUM, s.room.Groove.MinLandUM, d, d))
	}
	s.PitchUM = math.Ceil(math.Max(s.PitchUM, s.room.Pitch.MinUM)/pitchStepUM) * pitchStepUM
	s.LPI = groove.LinesPerInch(s.PitchUM)
}

// place puts the parts on the time line: announcement, pause, part, pause.
func (s *Sheet) place() {
	t := pauseS
	for i := range s.Parts {
		p := &s.Parts[i]
		seconds := p.EndS
		p.AnnounceS = t
		_, spoken := beeps(p.ID)
		p.StartS = round3(t + spoken + pauseS)
		p.EndS = p.StartS + seconds
		t = p.EndS + pauseS
		if p.What == "treble step" {
			t = p.EndS + coolingS
		}
		p.PitchUM = s.PitchUM
		p.StartMM, p.EndMM = s.radius(p.StartS), s.radius(p.EndS)
	}
	s.LengthS = round3(t)
	s.EndMM = s.radius(s.LengthS)
}

func (s *Sheet) radius(t float64) float64 {
	return s.StartMM - s.PitchUM/1000*t/s.disc.SecondsPerTurn()
}

// figures asks what the groove does in a part.
func (s *Sheet) figures(p *Part) {
	w := s.room.Groove.WidthUM
	p.MinWidthUM, p.MaxWidthUM, p.MaxDepthUM = w, w, w/2
	if p.Axis == AxisNone {
		return
	}
	p.amplitude = s.amplitudeOf(p.LevelDB)
	k := s.scale()
	left := k.DisplacementUM(p.amplitude, p.HZ)
	right := left
	if p.Axis == AxisVertical {
		right = -left
	}
	p.LateralUM, p.VerticalUM = groove.LateralVertical(left, right)
	up, down := groove.SectionAt(left, right, w/2), groove.SectionAt(-left, -right, w/2)
	p.MinWidthUM, p.MaxWidthUM = math.Min(up.WidthUM, down.WidthUM), math.Max(up.WidthUM, down.WidthUM)
	p.MaxDepthUM = math.Max(up.DepthUM, down.DepthUM)
	v := k.VelocityMS(p.amplitude, p.HZ)
	along, across := groove.LateralVertical(v, v*right/left)
	p.VelocityCMS = 100 * math.Max(math.Abs(along), math.Abs(across))
	p.AccelerationMS2 = k.AccelerationMS2(p.amplitude, p.HZ)
	l := groove.NewLimits(s.room, s.disc)
	p.CurvatureRatio = p.AccelerationMS2 / l.ChannelAccelerationMS2(p.EndMM)
	p.SlopeRatio = v / l.ChannelVelocityMS(p.EndMM)
}

// quieten lowers treble in half dB until it keeps a quarter of what curvature
// and slope allow at its radius, and half of the room's ceiling.
func (s *Sheet) quieten() {
	for i := range s.Parts {
		p := &s.Parts[i]
		for p.What == "treble step" && !s.gentle(p) {
			p.LevelDB -= 0.5
			s.figures(p)
		}
	}
}

func (s *Sheet) gentle(p *Part) bool {
	c := s.room.Cutter.RMSAccelerationCeiling
	return p.CurvatureRatio <= limitShare && p.SlopeRatio <= limitShare && (c == nil || p.AccelerationMS2/math.Sqrt2 <= ceilingShare**c)
}

// expect lists the readings.
func (s *Sheet) expect() {
	w := s.room.Groove.WidthUM
	for i := range s.Parts {
		p := &s.Parts[i]
		add := func(suffix, kind, unit string, expected float64, how string, fill func(*Reading)) {
			r := Reading{ID: p.ID + suffix, Part: p.ID, Kind: kind, Unit: unit, Expected: expected, How: how}
			fill(&r)
			s.Readings = append(s.Readings, r)
		}
		switch {
		case p.Axis == AxisNone:
			add("-width", KindWidth, "um", w, "top width of the silent groove", func(r *Reading) { r.WidthUM = w })
			add("-radius", KindRadius, "mm", p.StartMM, "radius where the silent groove begins, just after its announcement", func(r *Reading) {
				r.StartMM, r.Turns = s.StartMM, p.StartS/s.disc.SecondsPerTurn()
			})
		case p.What == "treble step":
			add("-level", KindPlayback, "dB", p.LevelDB, "level played back, through the playback characteristic, re the reference tone", func(*Reading) {})
		case p.Axis == AxisVertical:
			m := p.MaxWidthUM - w
			add("-widest", KindWidest, "um", p.MaxWidthUM, "greatest top width", func(r *Reading) { r.WidthUM, r.MotionUM = w, m })
			add("-narrowest", KindNarrow, "um", p.MinWidthUM, "least top width", func(r *Reading) { r.WidthUM, r.MotionUM = w, m })
		case 2*p.LateralUM >= leastLateralUM:
			add("-swing", KindSwing, "um", 2*p.LateralUM, "peak to peak motion of one edge", func(r *Reading) { r.MotionUM = 2 * p.LateralUM })
		}
	}
}

func (s *Sheet) say() {
	s.Limits = []string{
		fmt.Sprintf("treble at most %.0f dB below the reference tone, %.1f s long, then %.0f s pause", -trebleDB, trebleS, coolingS),
		fmt.Sprintf("treble at most %.0f %% of the curvature a tip of %g um can follow and of the slope the cutter clears, at its radius", 100*limitShare, s.room.Playback.TipUM),
		fmt.Sprintf("vertical steps at most %.0f %% of what width and depth allow", 100*vertMargin),
	}
	if c := s.room.Cutter.RMSAccelerationCeiling; c != nil {
		s.Limits = append(s.Limits, fmt.Sprintf("rms acceleration at most %.0f %% of the room's ceiling of %g m/s2", 100*ceilingShare, *c))
	}
	s.Cautions = Cautions()
}

// Cautions are what must be known before a test is cut, whatever the room.
func Cautions() []string {
	return []string{
		"Head: sustained treble can burn out a cutter head. Tones here are short and low, within the limits on the sheet, but the room's own protection and judgement decide. Do not raise the level, do not repeat a treble step before its pause is over.",
		"Level: set the lathe so that the reference tone reads the room's reference before anything is cut. Start low.",
		"Ears: tones come suddenly. Turn loudspeakers and headphones down first; do not listen to treble steps on headphones.",
		"Swarf: lacquer swarf burns fast and feeds its own fire. No flame, spark or smoking; earthed suction; keep it wet in a closed metal can.",
		"Hands: a heated stylus burns; platter and blank cut and pinch.",
		"These cautions defer to the cutting room, local codes, safety data sheets and trained practice.",
	}
}

func round3(x float64) float64 { return math.Round(x*1000) / 1000 }
