package groove

import "math"

// Windows in s over which wall acceleration is averaged as rms. A cutter head
// above its resonance is mass-controlled: coil current i = m a / (B l), heat
// P = i^2 R, so rms acceleration squared is heat up to a factor only the room
// knows. The windows bracket the thermal time constants of coils; the lengths
// are common practice, no source. No public generic ceiling is trustworthy, so
// there is no default: the 1 s value is checked against the room's ceiling, the
// others are reported.
const (
	RMSWindowShortS = 0.1
	RMSWindowS      = 1.0 // the one a room's ceiling is meant for
	RMSWindowLongS  = 10.0
)

// RMSWindowsS lists the windows in s, shortest first.
func RMSWindowsS() [3]float64 { return [3]float64{RMSWindowShortS, RMSWindowS, RMSWindowLongS} }

// RMSFromEnergy is the rms over n samples whose squares add up to sumSquares;
// 0 for n <= 0.
func RMSFromEnergy(sumSquares float64, n int) float64 {
	if n <= 0 {
		return 0
	}
	// Running sums that subtract what they added may end a rounding below 0.
	return math.Sqrt(math.Max(0, sumSquares) / float64(n))
}

// HeatFraction is the part of its final temperature rise that a coil of time
// constant tauS reaches after tS seconds of steady heat: 1 - exp(-t/tau),
// first-order model.
func HeatFraction(tS, tauS float64) float64 { return -math.Expm1(-tS / tauS) }
