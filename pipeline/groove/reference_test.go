package groove

import (
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"
)

func TestReferenceLevels(t *testing.T) {
	for _, c := range []struct {
		name string
		ref  Reference
		cms  float64 // per channel, peak
		tol  float64
	}{
		// Test record listing, 3.54 peak per channel = 5 peak lateral (secondary);
		// exactly 5/sqrt2 (C8).
		{"5 lateral peak", Reference{VelocityCMS: 5, Axis: AxisLateral, Kind: KindPeak}, 5 / math.Sqrt2, 1e-12},
		{"5 lateral peak, as published", Reference{VelocityCMS: 5, Axis: AxisLateral, Kind: KindPeak}, 3.54, 0.005},
		// NAB 1964, from memory.
		{"5 channel peak", Reference{VelocityCMS: 5, Axis: AxisChannel, Kind: KindPeak}, 5, 1e-12},
		// NAB mono, 5 cm/s rms = 7 peak lateral = 4.95 per channel, from memory.
		{"7 lateral peak", Reference{VelocityCMS: 7, Axis: AxisLateral, Kind: KindPeak}, 4.95, 0.005},
		// The two traps of 3.01 dB cancel here, derived.
		{"5 lateral rms", Reference{VelocityCMS: 5, Axis: AxisLateral, Kind: KindRMS}, 5, 1e-12},
		// And add up here: 6.02 dB above 5 lateral peak, derived.
		{"5 channel rms", Reference{VelocityCMS: 5, Axis: AxisChannel, Kind: KindRMS}, 2 * 5 / math.Sqrt2, 1e-12},
	} {
		t.Run(c.name, func(t *testing.T) {
			within(t, "channel peak in cm/s", 100*c.ref.ChannelVelocity(), c.cms, c.tol)
		})
	}
}

func TestFullScale(t *testing.T) {
	for _, c := range []struct {
		name string
		ref  Reference
		want float64 // m/s
	}{
		// Derived: 3.5355 cm/s at -14 dBFS.
		{"default room", DefaultRoom().Reference, 0.05 / math.Sqrt2 * math.Pow(10, 14.0/20)},
		{"0 dBFS", Reference{VelocityCMS: 10, Axis: AxisChannel, Kind: KindPeak, HZ: 1000}, 0.1},
		// A 10 kHz tone is recorded 13.734 dB faster than one of the same level
		// at 1 kHz (IEC 60098), so full scale at 1 kHz is that much slower.
		{"10 kHz reference", Reference{VelocityCMS: 10, Axis: AxisChannel, Kind: KindPeak, HZ: 10000}, 0.1 * math.Pow(10, -13.734/20)},
		{"100 Hz reference", Reference{VelocityCMS: 10, Axis: AxisChannel, Kind: KindPeak, HZ: 100}, 0.1 * math.Pow(10, 13.088/20)},
	} {
		t.Run(c.name, func(t *testing.T) {
			ratioWithin(t, "full scale", c.ref.ChannelVelocityFullScale(), c.want, 1e-4) // 0.0005 dB
		})
	}
	if got, want := DefaultRoom().Reference.String(), "5 cm/s lateral peak at 1000 Hz for -14 dBFS peak in both channels"; got != want {
		t.Errorf("printed as %q, want %q", got, want)
	}
}

// The reference tone itself must come out as stated, whatever the reference.
func TestReferenceToneComesOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Reference{
			VelocityCMS: rapid.Float64Range(0.5, 50).Draw(t, "cm/s"),
			Axis:        rapid.SampledFrom([]string{AxisLateral, AxisChannel}).Draw(t, "axis"),
			Kind:        rapid.SampledFrom([]string{KindPeak, KindRMS}).Draw(t, "kind"),
			HZ:          rapid.Float64Range(100, 10000).Draw(t, "hz"),
			DBFS:        rapid.Float64Range(-40, 0).Draw(t, "dbfs"),
		}
		scale := r.ScaleAt(0)
		amplitude := math.Pow(10, r.DBFS/20)
		v := scale.VelocityMS(amplitude, r.HZ)
		lateral, vertical := LateralVertical(v, v)
		out := map[string]float64{AxisLateral: lateral, AxisChannel: v}[r.Axis]
		if r.Kind == KindRMS {
			out /= math.Sqrt2
		}
		if math.Abs(100*out/r.VelocityCMS-1) > 1e-12 || vertical != 0 {
			t.Fatalf("%v gives %g cm/s, vertical %g", r, 100*out, vertical)
		}
		um := scale.DisplacementUM(amplitude, r.HZ)
		if got := amplitude * cmplx.Abs(scale.DisplacementResponseUM(r.HZ)); math.Abs(got/um-1) > 1e-12 {
			t.Fatalf("displacement %g um, by response %g", um, got)
		}
		if got := scale.AccelerationMS2(amplitude, r.HZ); math.Abs(got/(SineAcceleration(v, r.HZ))-1) > 1e-12 {
			t.Fatalf("acceleration %g", got)
		}
		if got := float64(r.ScaleAt(6.0205999132796239) / scale); math.Abs(got-2) > 1e-12 {
			t.Fatalf("+6.02 dB scales by %g", got)
		}
	})
}
