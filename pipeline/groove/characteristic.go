package groove

import "math"

// Time constants of the recording characteristic in seconds. The corners are
// 50.05, 500.49 and 2122.07 Hz.
//
// Source: IEC 60098, RIAA, BS 1928, DIN 45541 (all the same three; secondary),
// and the table of GOST 11157-87 made with them.
const (
	TauBassS   = 3180e-6 // shelf below which bass is cut at constant velocity again
	TauMiddleS = 318e-6  // above it, constant velocity
	TauTrebleS = 75e-6   // above it, velocity rises 6 dB per octave without end
)

// TauPlaybackHighPassS is the time constant of the playback-only high-pass
// (20.02 Hz) of IEC 98:1964 Amd 4, 1976 (year from memory). It is never applied
// in recording, and its standing today is disputed (withdrawn 2009, from
// memory).
const TauPlaybackHighPassS = 7950e-6

// at1kHz is |H(j 2 pi 1000)| before normalisation: 19.911 dB.
var at1kHz = math.Sqrt(characteristicPower(1000))

// characteristicPower is |H|^2 of
// H(s) = (1 + s TauBass)(1 + s TauTreble) / (1 + s TauMiddle).
func characteristicPower(hz float64) float64 {
	w := 2 * math.Pi * hz
	sq := func(tau float64) float64 { return 1 + w*tau*w*tau }
	return sq(TauBassS) * sq(TauTrebleS) / sq(TauMiddleS)
}

// RecordingGain is the factor by which the recorded velocity of a sine exceeds
// that of an equally large sine at 1 kHz.
func RecordingGain(hz float64) float64 { return math.Sqrt(characteristicPower(hz)) / at1kHz }

// RecordingGainDB is RecordingGain in dB: 0 at 1 kHz, -19.27 at 20 Hz, +19.62 at
// 20 kHz, and rising without end, so every use needs a stated band limit.
func RecordingGainDB(hz float64) float64 { return 20 * math.Log10(RecordingGain(hz)) }

// PlaybackGainDB is the exact inverse of RecordingGainDB.
func PlaybackGainDB(hz float64) float64 { return -RecordingGainDB(hz) }

// PlaybackGainIECDB is PlaybackGainDB with the 7950 us high-pass of the IEC
// amendment, which some players have and no recording ever has; 0 dB at 1 kHz
// including the high-pass, which costs 0.002 dB there.
func PlaybackGainIECDB(hz float64) float64 {
	highPassDB := func(hz float64) float64 {
		wt := 2 * math.Pi * hz * TauPlaybackHighPassS
		return 10 * math.Log10(wt*wt/(1+wt*wt))
	}
	return PlaybackGainDB(hz) + highPassDB(hz) - highPassDB(1000)
}

// VelocityResponse is the complex response from signal to wall velocity,
// |VelocityResponse| = 1 at 1 kHz (its phase there is not zero: the network is
// minimum phase). Times the channel velocity at 1 kHz it is velocity in m/s.
func VelocityResponse(hz float64) complex128 {
	w := 2 * math.Pi * hz
	h := complex(1, w*TauBassS) * complex(1, w*TauTrebleS) / complex(1, w*TauMiddleS)
	return h / complex(at1kHz, 0)
}

// DisplacementResponse is the complex response from signal to wall
// displacement, in seconds: times the channel velocity at 1 kHz in m/s it is
// displacement in m. It is VelocityResponse / (j w), which has no value at DC;
// 0 is returned for hz <= 0, since a wall has no position a constant signal
// could ask for. A predictor needs a high-pass that it states.
func DisplacementResponse(hz float64) complex128 {
	if hz <= 0 {
		return 0
	}
	return VelocityResponse(hz) / complex(0, 2*math.Pi*hz)
}

// AccelerationResponse is the complex response from signal to wall
// acceleration, in 1/s: times the channel velocity at 1 kHz in m/s it is m/s2.
func AccelerationResponse(hz float64) complex128 {
	return VelocityResponse(hz) * complex(0, 2*math.Pi*hz)
}

// PlaybackResponse is the exact inverse of VelocityResponse: from wall velocity
// over channel velocity at 1 kHz back to signal.
func PlaybackResponse(hz float64) complex128 { return 1 / VelocityResponse(hz) }

// SineVelocity is the peak velocity of a sine of the given peak displacement:
// v = 2 pi f A. Units go through: m gives m/s, um gives um/s.
func SineVelocity(displacement, hz float64) float64 { return 2 * math.Pi * hz * displacement }

// SineDisplacement is the peak displacement of a sine of the given peak
// velocity: A = v / (2 pi f). Units go through.
func SineDisplacement(velocity, hz float64) float64 { return velocity / (2 * math.Pi * hz) }

// SineAcceleration is the peak acceleration of a sine of the given peak
// velocity: a = 2 pi f v. Units go through.
func SineAcceleration(velocity, hz float64) float64 { return 2 * math.Pi * hz * velocity }

// StandardGravity is 9.80665 m/s2 (ISO 80000-3, from memory), for figures given in g.
const StandardGravity = 9.80665
