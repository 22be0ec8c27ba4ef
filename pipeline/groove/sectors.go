package groove

// SectorsPerTurn is how finely a revolution is divided for planning: one
// degree. A sector lasts 5 ms at 33 1/3 and 3.7 ms at 45 turns a minute.
const SectorsPerTurn = 360

// Sectors maps between sectors of the disc and frames of the side. Sector i of
// one turn lies beside sector i+SectorsPerTurn of the next.
type Sectors struct {
	FrameRateHz    int     // of the side's audio
	SecondsPerTurn float64 // 1.8 or 4/3
	up, down       int     // analysis rate = frame rate * up / down
	perTurn        int64   // analysis frames in one turn
}

// NewSectors makes the map for a frame rate from 44.1 to 192 kHz.
func NewSectors(frameRateHz int, secondsPerTurn float64) Sectors {
	s := Sectors{FrameRateHz: frameRateHz, SecondsPerTurn: secondsPerTurn, up: 1, down: 1}
	switch {
	case frameRateHz <= 48000:
		s.up = 2
	case frameRateHz > 96000:
		s.down = 2
	}
	s.perTurn = int64(secondsPerTurn*s.AnalysisRateHz() + 0.5)
	return s
}

// AnalysisRateHz is the rate at which the groove is computed: 88.2 or 96 kHz.
func (s Sectors) AnalysisRateHz() float64 {
	return float64(s.FrameRateHz * s.up / s.down)
}

// analysisStart is the first analysis frame of sector i.
func (s Sectors) analysisStart(i int) int64 {
	turn, rest := int64(i/SectorsPerTurn), int64(i%SectorsPerTurn)
	return turn*s.perTurn + rest*s.perTurn/SectorsPerTurn
}

// StartFrame is the first frame of the side in sector i.
func (s Sectors) StartFrame(i int) int64 {
	a := s.analysisStart(i) * int64(s.down)
	return (a + int64(s.up) - 1) / int64(s.up)
}

// MaxFrames is the greatest number of frames in one sector.
func (s Sectors) MaxFrames() int {
	return int(s.perTurn*int64(s.down)/int64(s.up)/SectorsPerTurn) + 2
}

// Count is the number of sectors that cover frames frames.
func (s Sectors) Count(frames int64) int {
	if frames <= 0 {
		return 0
	}
	return s.At(frames-1) + 1
}

// At is the sector in which a frame lies.
func (s Sectors) At(frame int64) int {
	a := frame * int64(s.up) / int64(s.down)
	turn, rest := a/s.perTurn, a%s.perTurn
	i := int(turn)*SectorsPerTurn + int(rest*SectorsPerTurn/s.perTurn)
	for s.StartFrame(i+1) <= frame {
		i++
	}
	for i > 0 && s.StartFrame(i) > frame {
		i--
	}
	return i
}

// Seconds is the time at which sector i starts.
func (s Sectors) Seconds(i int) float64 {
	return float64(s.analysisStart(i)) / s.AnalysisRateHz()
}

// Motion is what one sector of groove does, at 0 dB cut level. Displacements
// are of the groove around its unmodulated place; "outer" is towards the rim,
// "up" is towards shallow.
type Motion struct {
	OuterMaxUM    float32 // furthest outward motion of the outer edge (right channel only)
	InnerMinUM    float32 // furthest inward motion of the inner edge (left channel only), <= 0
	LateralMaxUM  float32 // lateral motion, outwards
	LateralMinUM  float32 // lateral motion, inwards
	VerticalMaxUM float32 // vertical motion, up
	VerticalMinUM float32 // vertical motion, down
	NestUM        float32 // greatest outer edge of this turn minus inner edge of the turn before, same angle
	WallVelocity  float32 // greatest speed of either wall along its normal, m/s
	WallAccel     float32 // greatest acceleration of either wall along its normal, m/s2
	LateralSpeed  float32 // greatest lateral velocity, m/s
	AccelSqL      float32 // mean square acceleration of the left wall, (m/s2)^2
	AccelSqR      float32 // mean square acceleration of the right wall, (m/s2)^2
	MeanLUM       float32 // mean displacement of the left wall: follows infrasonic motion
	MeanRUM       float32 // mean displacement of the right wall
	AccelLow      float32 // part of WallAccel below the split, signed along it: turning the rest down by (T-low)/(accel-low) leaves T, for T 3.5 dB below the peak
	AccelLowDeep  float32 // the same for T 12 dB below the peak: other crests may be the worst there
	VerticalSpeed float32 // greatest vertical speed, m/s
	SpeedLow      float32 // part of WallVelocity below the split, as AccelLow
}
