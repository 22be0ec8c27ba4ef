package groove

import (
	"fmt"
	"math"
)

// Values of Reference.Axis and Reference.Kind.
const (
	AxisLateral = "lateral" // along the radius of the disc
	AxisChannel = "channel" // along one 45 degree axis
	KindPeak    = "peak"
	KindRMS     = "rms"
)

// ChannelVelocity is the peak velocity in m/s, along one 45 degree axis, that
// the reference tone gives each channel, at the reference's own frequency and
// level. Two traps are undone here, each 3.01 dB, which can cancel or add:
// rms to peak times sqrt2, lateral to channel divided by sqrt2 (IEC 60098:2020
// 6.2.3: equal in-phase channels are lateral motion; both then add along the
// radius to sqrt2 times one).
func (r Reference) ChannelVelocity() float64 {
	v := r.VelocityCMS / 100
	if r.Kind == KindRMS {
		v *= math.Sqrt2
	}
	if r.Axis != AxisChannel {
		v /= math.Sqrt2
	}
	return v
}

// ChannelVelocityFullScale is the peak velocity in m/s, along one 45 degree
// axis, that a sine of peak 1.0 (0 dBFS) at 1 kHz gives in its channel at a cut
// level of 0 dB. A reference tone at another frequency is brought to 1 kHz
// through the recording characteristic, because the file is flat and the
// characteristic is applied in the cut. Default room: 0.1772 m/s.
func (r Reference) ChannelVelocityFullScale() float64 {
	return r.ChannelVelocity() / RecordingGain(r.HZ) / math.Pow(10, r.DBFS/20)
}

// String renders the reference as every report prints it.
func (r Reference) String() string {
	return fmt.Sprintf("%g cm/s %s %s at %g Hz for %g dBFS peak in both channels", r.VelocityCMS, r.Axis, r.Kind, r.HZ, r.DBFS)
}

// Scale ties samples to motion at one cut level. Its value is the peak channel
// velocity in m/s of a 1 kHz sine of peak 1.0 in that channel.
type Scale float64

// ScaleAt is the scale of a reference at a cut level in dB (0 is the reference
// itself; +6.02 doubles all motion).
func (r Reference) ScaleAt(cutLevelDB float64) Scale {
	return Scale(r.ChannelVelocityFullScale() * math.Pow(10, cutLevelDB/20))
}

// VelocityMS is the peak channel velocity in m/s of a sine of peak amplitude
// (1.0 is full scale) at hz.
func (s Scale) VelocityMS(amplitude, hz float64) float64 {
	return float64(s) * amplitude * RecordingGain(hz)
}

// DisplacementUM is the peak channel displacement in um of a sine of peak
// amplitude (1.0 is full scale) at hz.
func (s Scale) DisplacementUM(amplitude, hz float64) float64 {
	return 1e6 * SineDisplacement(s.VelocityMS(amplitude, hz), hz)
}

// AccelerationMS2 is the peak channel acceleration in m/s2 of a sine of peak
// amplitude (1.0 is full scale) at hz.
func (s Scale) AccelerationMS2(amplitude, hz float64) float64 {
	return SineAcceleration(s.VelocityMS(amplitude, hz), hz)
}

// DisplacementResponseUM is the complex response from samples of one channel to
// displacement in um along its 45 degree axis; 0 at DC, see
// DisplacementResponse.
func (s Scale) DisplacementResponseUM(hz float64) complex128 {
	return complex(1e6*float64(s), 0) * DisplacementResponse(hz)
}
