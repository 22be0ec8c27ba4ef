package groove_test

import (
	"fmt"
	"math"

	"discsafe/pipeline/groove"
)

// A disc gives the speed at which the groove passes the stylus, and how much
// time fits at a pitch.
func ExampleLookupDisc() {
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("outside %.3f m/s, inside %.3f m/s\n", disc.GrooveSpeed(disc.OuterMM), disc.GrooveSpeed(disc.InnerQualityMM))
	fmt.Printf("%.1f min at %.0f lines per inch\n", disc.MinutesAt(100), groove.LinesPerInch(100))

	_, err = groove.LookupDisc("12in33")
	fmt.Println(err)
	// Output:
	// outside 0.511 m/s, inside 0.210 m/s
	// 25.8 min at 254 lines per inch
	// disc "12in33" is not known; did you mean "12in-33"?
}

// The same flat tone costs amplitude in the bass and acceleration in the
// treble.
func ExampleReference_ScaleAt() {
	ref := groove.DefaultRoom().Reference
	fmt.Println(ref)
	scale := ref.ScaleAt(0)
	amplitude := math.Pow(10, ref.DBFS/20)
	for _, hz := range []float64{50, 1000, 10000} {
		fmt.Printf("%5.0f Hz: %5.2f um, %5.0f m/s2 per channel\n", hz, scale.DisplacementUM(amplitude, hz), scale.AccelerationMS2(amplitude, hz))
	}
	// Output:
	// 5 cm/s lateral peak at 1000 Hz for -14 dBFS peak in both channels
	//    50 Hz: 16.00 um,     2 m/s2 per channel
	//  1000 Hz:  5.63 um,   222 m/s2 per channel
	// 10000 Hz:  2.74 um, 10798 m/s2 per channel
}

// Equal channels move the groove sideways, opposed ones up and down.
func ExampleSectionAt() {
	for _, c := range []struct {
		name        string
		left, right float64
	}{{"rest", 0, 0}, {"in phase", 10, 10}, {"opposed", 10, -10}, {"right only", 0, 10}} {
		s := groove.SectionAt(c.left, c.right, 30)
		fmt.Printf("%-10s lateral %5.1f  depth %4.1f  width %4.1f  edges %6.1f %5.1f\n", c.name, s.LateralUM, s.DepthUM, s.WidthUM, s.InnerUM, s.OuterUM)
	}
	// Output:
	// rest       lateral   0.0  depth 30.0  width 60.0  edges  -30.0  30.0
	// in phase   lateral  14.1  depth 30.0  width 60.0  edges  -15.9  44.1
	// opposed    lateral   0.0  depth 15.9  width 31.7  edges  -15.9  15.9
	// right only lateral   7.1  depth 37.1  width 74.1  edges  -30.0  44.1
}

// The same sibilant is fine at the edge and not at the centre.
func ExampleLimits() {
	disc, _ := groove.LookupDisc("12in-33")
	room := groove.DefaultRoom()
	limits := groove.NewLimits(room, disc)
	for _, radius := range []float64{disc.OuterMM, disc.InnerQualityMM} {
		levels := limits.ToneLevelsAt(8000, radius, limits.TipUM, room.Reference.ChannelVelocity())
		fmt.Printf("8 kHz at %5.1f mm: slope %+.1f dB, curvature %+.1f dB\n", radius, levels.SlopeDB, levels.CurvatureDB)
	}
	// Output:
	// 8 kHz at 146.3 mm: slope +8.3 dB, curvature +9.4 dB
	// 8 kHz at  60.3 mm: slope +0.6 dB, curvature -6.0 dB
}

// What a fine and a coarse tip make of the same tone at the inner grooves.
func ExampleTraceSine() {
	const speed, hz = 0.21, 3000.0
	amplitude := 1e6 * groove.SineDisplacement(0.035, hz)
	for _, tip := range []float64{7, 18} {
		s := groove.TraceSine(amplitude, 1e6*speed/hz, tip)
		fmt.Printf("%2.0f um tip: second harmonic %.1f %%, third %.2f %%\n", tip, 100*s.D2, 100*s.D3)
	}
	// Output:
	//  7 um tip: second harmonic 5.2 %, third 0.40 %
	// 18 um tip: second harmonic 13.2 %, third 2.58 %
}

// As traced, as a stream: feed zeros to push out the delay.
func ExampleStereoTracer() {
	tracer, err := groove.NewStereoTracer(18, 48000, 0.2)
	if err != nil {
		fmt.Println(err)
		return
	}
	n, delay := 4800, tracer.Delay()
	left, right := make([]float64, n+delay), make([]float64, n+delay)
	for i := range n {
		left[i] = 5 * math.Sin(2*math.Pi*2000*float64(i)/48000) // um, left channel only
	}
	if err := tracer.Process(left, right, 0.21); err != nil {
		fmt.Println(err)
		return
	}
	left, right = left[delay:], right[delay:]
	mean, rightPeak := 0.0, 0.0
	for i := range n {
		mean += left[i] / float64(n)
		rightPeak = math.Max(rightPeak, math.Abs(right[i]))
	}
	fmt.Printf("the tip rides %.2f um higher on the left wall, right wall moves %.0f um\n", mean, rightPeak)
	// Output:
	// the tip rides 0.40 um higher on the left wall, right wall moves 0 um
}

// A room that cannot work says everything that is wrong with it.
func ExampleRoom_Validate() {
	room := groove.DefaultRoom()
	room.Name = "attic"
	room.Groove.MinWidthUM = 70
	room.Pitch.MinUM, room.Pitch.MaxUM = 65, 60
	fmt.Println(room.Validate())
	// Output:
	// room "attic": 4 faults:
	// 	groove.min_width_um: 70 is not below groove.width_um 60; an unmodulated groove must be wider than the least width, or no vertical motion is possible
	// 	pitch.min_um: 65 is not below pitch.max_um 60; the feed needs a range
	// 	pitch.max_um: groove.width_um + groove.min_land_um 70 is above pitch.max_um 60; even silence would not fit; check units
	// 	groove.min_width_um: 70 is above pitch.min_um 65; a pitch finer than the narrowest groove is an overcut; raise pitch.min_um
}
