package groove

import "math"

// SlopeLimitMS is the channel velocity in m/s at which a wall recedes as fast
// as the cutter's back facet lets it: V tan(beta) / sqrt2, from the plan view,
// where a wall moves sqrt2 times its channel displacement. A faster wall is
// rubbed by the facet that has just cut it. With beta = 45 degrees this is the
// known rule that lateral velocity stays under groove speed (50 cm/s at the
// outside of a 12 in disc at 33 1/3; a record-transfer lab's page, secondary).
// Derived; one-sided in truth, used on both signs for safety.
func SlopeLimitMS(grooveSpeedMS, backFacetDeg float64) float64 {
	return grooveSpeedMS * tanDeg(backFacetDeg) / math.Sqrt2
}

// CurvatureLimitMS2 is the channel acceleration in m/s2 beyond which a tip of
// the given radius in um no longer touches every point of the wall:
// R |f”| < 1, which in time is a < V^2 / R at any frequency. Derived.
func CurvatureLimitMS2(grooveSpeedMS, tipUM float64) float64 {
	return grooveSpeedMS * grooveSpeedMS / (tipUM * 1e-6)
}

// SlopeCurvatureCrossingHz is the frequency of the steady lateral sine that
// meets both limits at once: below it slope comes first, above it curvature.
// f = V / (2 pi R) * sqrt2 / tan(beta). Derived.
func SlopeCurvatureCrossingHz(grooveSpeedMS, backFacetDeg, tipUM float64) float64 {
	return CurvatureLimitMS2(grooveSpeedMS, tipUM) / (2 * math.Pi * SlopeLimitMS(grooveSpeedMS, backFacetDeg))
}

// HeelLimitMS is the fastest deepening of the groove in m/s that the heel
// clearance of the cutter allows: -dz/dt <= V tan(gamma). Derived; gamma from
// the room.
func HeelLimitMS(grooveSpeedMS, clearanceDeg float64) float64 {
	return grooveSpeedMS * tanDeg(clearanceDeg)
}

// tanDeg is exact where a room's figure is exact: 45 degrees gives 1.
func tanDeg(deg float64) float64 {
	if deg == 45 {
		return 1
	}
	return math.Tan(deg * math.Pi / 180)
}

// Limits are the physical limits of one room on one disc. Channel means along
// one 45 degree axis; lateral motion of equal channels is sqrt2 times that.
// Everything that depends on the radius takes it in mm.
type Limits struct {
	Disc            Disc
	BackFacetDeg    float64
	ClearanceDeg    float64
	TipUM           float64  // design tip
	DesignDepthUM   float64  // depth of the unmodulated groove without variable depth
	MinWidthUM      float64  // least instantaneous top width
	MaxDepthUM      float64  // greatest instantaneous depth
	MinLandUM       float64  // least land
	RMSAcceleration *float64 // 1 s rms ceiling in m/s2, nil when the room gave none
}

// NewLimits takes the limits out of a room and a disc. Both should have passed
// Validate; the room's radii are put into the disc.
func NewLimits(room Room, disc Disc) Limits {
	return Limits{
		Disc:            disc.WithRadii(room.Radius),
		BackFacetDeg:    room.Cutter.BackFacetDeg,
		ClearanceDeg:    room.Cutter.ClearanceDeg,
		TipUM:           room.Playback.TipUM,
		DesignDepthUM:   room.DesignDepthUM(),
		MinWidthUM:      room.Groove.MinWidthUM,
		MaxDepthUM:      room.Groove.MaxDepthUM,
		MinLandUM:       room.Groove.MinLandUM,
		RMSAcceleration: room.Cutter.RMSAccelerationCeiling,
	}
}

// ChannelVelocityMS is the slope limit of one wall at a radius, in m/s.
func (l Limits) ChannelVelocityMS(radiusMM float64) float64 {
	return SlopeLimitMS(l.Disc.GrooveSpeed(radiusMM), l.BackFacetDeg)
}

// LateralVelocityMS is the slope limit of equal channels, along the radius.
func (l Limits) LateralVelocityMS(radiusMM float64) float64 {
	return math.Sqrt2 * l.ChannelVelocityMS(radiusMM)
}

// ChannelAccelerationMS2 is the curvature limit of one wall at a radius for the
// design tip, in m/s2.
func (l Limits) ChannelAccelerationMS2(radiusMM float64) float64 {
	return l.ChannelAccelerationForTipMS2(radiusMM, l.TipUM)
}

// ChannelAccelerationForTipMS2 is ChannelAccelerationMS2 for another tip radius
// in um.
func (l Limits) ChannelAccelerationForTipMS2(radiusMM, tipUM float64) float64 {
	return CurvatureLimitMS2(l.Disc.GrooveSpeed(radiusMM), tipUM)
}

// LateralAccelerationMS2 is the curvature limit of equal channels for the
// design tip, along the radius.
func (l Limits) LateralAccelerationMS2(radiusMM float64) float64 {
	return math.Sqrt2 * l.ChannelAccelerationMS2(radiusMM)
}

// DeepeningMS is the fastest downward motion of the groove's bottom at a
// radius, in m/s, set by the heel clearance.
func (l Limits) DeepeningMS(radiusMM float64) float64 {
	return HeelLimitMS(l.Disc.GrooveSpeed(radiusMM), l.ClearanceDeg)
}

// CrossingHz is SlopeCurvatureCrossingHz at a radius for the design tip.
func (l Limits) CrossingHz(radiusMM float64) float64 {
	return SlopeCurvatureCrossingHz(l.Disc.GrooveSpeed(radiusMM), l.BackFacetDeg, l.TipUM)
}

// AllowedRiseUM is how far the groove's bottom may rise (vertical displacement
// up, um) from a mean depth in um before the groove is narrower than allowed:
// depth - minimum width / 2. Negative when the depth itself is too small.
func (l Limits) AllowedRiseUM(depthUM float64) float64 { return depthUM - l.MinWidthUM/2 }

// AllowedFallUM is how far the groove's bottom may fall (vertical displacement
// down, as a positive number of um) from a mean depth before the groove is
// deeper than allowed. Negative when the depth itself is too great.
func (l Limits) AllowedFallUM(depthUM float64) float64 { return l.MaxDepthUM - depthUM }

// LeastDepthUM and GreatestDepthUM bound the mean depth around which a vertical
// displacement between -fallUM and +riseUM keeps within width and depth. There
// is no such depth when the first exceeds the second.
func (l Limits) LeastDepthUM(riseUM float64) float64 { return l.MinWidthUM/2 + riseUM }

// GreatestDepthUM is the other bound; see LeastDepthUM.
func (l Limits) GreatestDepthUM(fallUM float64) float64 { return l.MaxDepthUM - fallUM }

// ToneLevels are the flat (before the recording characteristic) levels in dB,
// relative to a reference, at which a steady tone meets a limit.
type ToneLevels struct {
	SlopeDB     float64
	CurvatureDB float64
}

// Least is the lower of the two.
func (t ToneLevels) Least() float64 { return math.Min(t.SlopeDB, t.CurvatureDB) }

// ToneLevelsAt gives, for a sine at hz and a radius in mm, the level relative
// to the level whose channel velocity at 1 kHz is channelVelocityMS (for a
// Reference at 1 kHz: its ChannelVelocity) at which the slope limit and the
// curvature limit for tipUM are met. Lateral and single channel tones give the
// same figures as long as their reference is on the same axis. Derived.
func (l Limits) ToneLevelsAt(hz, radiusMM, tipUM, channelVelocityMS float64) ToneLevels {
	v := channelVelocityMS * RecordingGain(hz)
	db := func(ratio float64) float64 { return 20 * math.Log10(ratio) }
	return ToneLevels{
		SlopeDB:     db(l.ChannelVelocityMS(radiusMM) / v),
		CurvatureDB: db(l.ChannelAccelerationForTipMS2(radiusMM, tipUM) / SineAcceleration(v, hz)),
	}
}
