package groove

import "math"

// VerticalTrackingD2 is the second harmonic of the output, as a ratio of
// velocities, when a sine of peak vertical velocity (m/s) was recorded at one
// vertical modulation angle and is played at another: the output is
// z_o(x) = z(x + z_o D), D = tan(playback) - tan(record), so to leading order
// D2 = (v/V) |D|. Purely lateral motion has none to this order.
//
// Derived; agrees with the measured values of Woodard, AES preprint 1940, 1982
// (summary, secondary) within 10 %.
func VerticalTrackingD2(verticalVelocityMS, grooveSpeedMS, playbackDeg, recordDeg float64) float64 {
	return verticalVelocityMS / grooveSpeedMS * math.Abs(tanDeg(playbackDeg)-tanDeg(recordDeg))
}

// ChannelTrackingD2 is VerticalTrackingD2 for one channel driven alone, by its
// peak channel velocity in m/s: only 1/sqrt2 of it is vertical.
func ChannelTrackingD2(channelVelocityMS, grooveSpeedMS, playbackDeg, recordDeg float64) float64 {
	return VerticalTrackingD2(channelVelocityMS/math.Sqrt2, grooveSpeedMS, playbackDeg, recordDeg)
}

// LateralTrackingD2 is the second harmonic, as a ratio of velocities, that a
// lateral tracking error (deg, between the pickup and the groove's tangent)
// makes of a sine of peak lateral velocity in m/s: (v/V) tan(error).
//
// Source: the form of Bauer, Electronics, March 1945 (secondary).
func LateralTrackingD2(lateralVelocityMS, grooveSpeedMS, errorDeg float64) float64 {
	return lateralVelocityMS / grooveSpeedMS * math.Abs(tanDeg(errorDeg))
}
