package groove

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// drawUM is a channel displacement in um, or a depth when positive is asked.
func drawUM(t *rapid.T, name string) float64 { return rapid.Float64Range(-100, 100).Draw(t, name) }

// Random cross sections against vectors: each wall is moved along its normal,
// and the apex is where the two lines meet. Derived; IEC 60098:2020 6.1 and 6.2
// for the directions.
func TestSectionAgainstVectors(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, r, depth := drawUM(t, "left"), drawUM(t, "right"), rapid.Float64Range(5, 100).Draw(t, "depth")
		s := SectionAt(l, r, depth)
		// Wall through the apex (0, -depth) with normal n, moved by d:
		// n.(x, y) = n.(0, -depth) + d.
		root := 1 / math.Sqrt2
		leftC := root*-depth + l   // normal (+1,+1)/sqrt2
		rightC := root*-depth + -r // normal (-1,+1)/sqrt2
		apexX := (leftC - rightC) / math.Sqrt2
		apexY := (leftC + rightC) / math.Sqrt2
		edges := [2]float64{leftC * math.Sqrt2, -rightC * math.Sqrt2} // at height 0
		for _, c := range []struct {
			what      string
			got, want float64
		}{
			{"lateral", s.LateralUM, apexX}, {"depth", s.DepthUM, -apexY}, {"vertical", s.VerticalUM, apexY + depth},
			{"inner edge", s.InnerUM, edges[0]}, {"outer edge", s.OuterUM, edges[1]}, {"width", s.WidthUM, edges[1] - edges[0]},
			{"90 degree V", s.WidthUM, 2 * s.DepthUM},
		} {
			if math.Abs(c.got-c.want) > 1e-9 { // um; rounding of values up to 400
				t.Fatalf("%s: got %g, want %g", c.what, c.got, c.want)
			}
		}
	})
}

// C8, T1, T3, T4: IEC 60098:2020 6.2.2 and 6.2.3; common practice, no source.
func TestMonoAndOpposition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v, depth := drawUM(t, "channel"), rapid.Float64Range(5, 100).Draw(t, "depth")
		mono := SectionAt(v, v, depth)
		if mono.VerticalUM != 0 || mono.WidthUM != 2*depth || mono.DepthUM != depth {
			t.Fatalf("L=R must keep the section: %+v", mono)
		}
		if math.Abs(mono.LateralUM-math.Sqrt2*v) > 1e-12 {
			t.Fatalf("L=R: lateral %g, want sqrt2 * %g", mono.LateralUM, v)
		}
		opposed := SectionAt(v, -v, depth)
		if opposed.LateralUM != 0 {
			t.Fatalf("L=-R must not move sideways: %g", opposed.LateralUM)
		}
		if d := opposed.WidthUM - 2*depth + 2*opposed.VerticalUM; math.Abs(d) > 1e-9 {
			t.Fatalf("L=-R: width must change by twice the vertical motion, off by %g", d)
		}
	})
	// C8: 5 cm/s lateral, 3.54 per channel (test record listing, secondary).
	lateral, vertical := LateralVertical(3.5355339059, 3.5355339059)
	within(t, "lateral cm/s", lateral, 5, 1e-6)
	within(t, "vertical cm/s", vertical, 0, 0)
}

// C9: each edge depends on one channel. Bit for bit, since nobody may add the
// other channel in.
func TestEdgesDependOnOneChannel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, r, other := drawUM(t, "left"), drawUM(t, "right"), drawUM(t, "other")
		depth := rapid.Float64Range(5, 100).Draw(t, "depth")
		s := SectionAt(l, r, depth)
		if SectionAt(l, other, depth).InnerUM != s.InnerUM {
			t.Fatal("the right channel moves the inner edge")
		}
		if SectionAt(other, r, depth).OuterUM != s.OuterUM {
			t.Fatal("the left channel moves the outer edge")
		}
		if moved := s.OuterUM - SectionAt(l, 0, depth).OuterUM; math.Abs(moved-math.Sqrt2*r) > 1e-9 {
			t.Fatalf("outer edge moved %g for %g", moved, r)
		}
	})
}

// C10: RIAA least width 25 um (secondary) and the worked limit: 15.5 um up,
// 10.96 um per channel from a 56 um groove. Derived.
func TestLeastWidth(t *testing.T) {
	const d = 10.96
	s := SectionAt(d, -d, 28)
	within(t, "width", s.WidthUM, 25, 0.05)
	within(t, "rise", s.VerticalUM, 15.5, 0.01)
}

// C11: a record-transfer lab's page gives 0.0014 in, 36 um, for a 1 mil tip
// (secondary); the others derived. Tolerance: last digit.
func TestSphereInGroove(t *testing.T) {
	for _, c := range []struct{ tip, width, clearance float64 }{
		{25.4, 35.92, 10.5}, {18, 25.46, 7.5}, {17.78, 25.14, 7.4}, {15, 21.2, 6.2}, {12.7, 18.0, 5.3},
	} {
		within(t, "contact width", ContactWidthUM(c.tip), c.width, 0.05)
		within(t, "clearance", BottomClearanceUM(c.tip), c.clearance, 0.05)
	}
	within(t, "published", ContactWidthUM(25.4), 0.0014*25400, 0.5) // 0.0014 in has two digits
}

// T4: orthonormal, its own inverse, keeps energy. Common practice, no source.
func TestMatrixIsOrthonormal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, r := drawUM(t, "left"), drawUM(t, "right")
		y, z := LateralVertical(l, r)
		backL, backR := ChannelPair(y, z)
		if math.Abs(backL-l) > 1e-12 || math.Abs(backR-r) > 1e-12 {
			t.Fatalf("there and back: %g %g from %g %g", backL, backR, l, r)
		}
		if math.Abs(y*y+z*z-l*l-r*r) > 1e-10 {
			t.Fatal("energy changed")
		}
	})
}

func TestLateralVerticalBlock(t *testing.T) {
	l, r := []float64{1, 2, -3}, []float64{1, -2, 5}
	y, z := make([]float64, 3), make([]float64, 3)
	LateralVerticalBlock(y, z, l, r)
	LateralVerticalBlock(l, r, l, r) // in place
	for i := range y {
		if y[i] != l[i] || z[i] != r[i] {
			t.Errorf("sample %d: in place %g %g, apart %g %g", i, l[i], r[i], y[i], z[i])
		}
	}
	within(t, "L=R", z[0], 0, 0)
	within(t, "L=-R", y[1], 0, 0)
	within(t, "opposition", z[1], 4/math.Sqrt2, 1e-15)
	defer func() {
		if recover() == nil {
			t.Error("unequal lengths must panic")
		}
	}()
	LateralVerticalBlock(y, z[:2], l, r)
}

// T6: 500 round trips of 24-bit PCM are bit-identical, in the integer matrix
// and in double precision. Common practice, no source.
func TestRoundTripsAreLossless(t *testing.T) {
	const most = 1<<23 - 1
	rapid.Check(t, func(t *rapid.T) {
		sample := rapid.OneOf(rapid.Int32Range(-most-1, most), rapid.SampledFrom([]int32{-most - 1, -most, -1, 0, 1, most}))
		l, r := sample.Draw(t, "left"), sample.Draw(t, "right")
		il, ir := l, r
		fl, fr := float64(l)/(1<<23), float64(r)/(1<<23)
		ol, or := fl, fr
		for range 500 {
			m, s := IntegerMidSide(il, ir)
			if m < -most-1 || m > most {
				t.Fatalf("mid %d leaves 24 bits", m)
			}
			il, ir = IntegerLeftRight(m, s)
			fm, fs := (fl+fr)/2, (fl-fr)/2
			fl, fr = fm+fs, fm-fs
			ol, or = ChannelPair(LateralVertical(ol, or))
		}
		if il != l || ir != r {
			t.Fatalf("integer: %d %d became %d %d", l, r, il, ir)
		}
		if fl*(1<<23) != float64(l) || fr*(1<<23) != float64(r) {
			t.Fatalf("halved sums: %d %d became %g %g", l, r, fl*(1<<23), fr*(1<<23))
		}
		// The orthonormal matrix rounds, but never as far as half a step.
		if math.RoundToEven(ol*(1<<23)) != float64(l) || math.RoundToEven(or*(1<<23)) != float64(r) {
			t.Fatalf("orthonormal: %d %d became %g %g", l, r, ol*(1<<23), or*(1<<23))
		}
	})
}

// C22 and C23, and level against pitch. Derived. Tolerance 0.01 um: digits.
func TestLand(t *testing.T) {
	within(t, "pitch for 5 um per channel, worst phase (C22)", WorstPitchUM(60, 10, 5, 5), 84.14, 0.01)
	within(t, "same from one gap", PitchForLandUM(10, 30, 30, -5, 5), 84.14, 0.01)
	ch := 15 / math.Sqrt2 // 15 um lateral
	within(t, "land, opposite phase one turn apart (C23)", LandUM(100, 30, 30, -ch, ch), 10, 0.01)
	if land := LandUM(99, 30, 30, -ch, ch); land >= 10 {
		t.Errorf("pitch 99 must violate 10 um of land, got %g", land)
	}
	for _, c := range []struct{ pitch, lateral, flatDB float64 }{
		{80, 5, -10.95}, {90, 10, -4.93}, {100, 15, -1.41}, {115, 22.5, 2.12}, {127, 28.5, 4.17}, {150, 40, 7.11},
	} {
		ch := c.lateral / math.Sqrt2
		within(t, "pitch for lateral peak", WorstPitchUM(60, 10, ch, ch), c.pitch, 1e-9)
		reference := 1e6 * SineDisplacement(0.05*RecordingGain(100), 100)
		within(t, "100 Hz level", 20*math.Log10(c.lateral/reference), c.flatDB, 0.005+1e-9)
	}
}

func TestLandProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		advance := rapid.Float64Range(30, 500).Draw(t, "advance")
		l, r, nl, nr := drawUM(t, "left"), drawUM(t, "right"), drawUM(t, "next left"), drawUM(t, "next right")
		h, nh := rapid.Float64Range(5, 100).Draw(t, "depth"), rapid.Float64Range(5, 100).Draw(t, "next depth")
		land := LandUM(advance, h, nh, l, nr)
		// Against the edges of the two sections, the next one advance further in.
		byEdges := SectionAt(l, r, h).InnerUM - (SectionAt(nl, nr, nh).OuterUM - advance)
		if math.Abs(land-byEdges) > 1e-9 {
			t.Fatalf("land %g, by edges %g", land, byEdges)
		}
		if back := PitchForLandUM(land, h, nh, l, nr); math.Abs(back-advance) > 1e-9 {
			t.Fatalf("advance %g came back as %g", advance, back)
		}
		// Modulation that repeats exactly with the turn nests when L = R.
		if nested := LandUM(advance, h, h, l, l); math.Abs(nested-(advance-2*h)) > 1e-9 {
			t.Fatalf("mono that repeats must cost no pitch: land %g", nested)
		}
		if deeper := LandUM(advance, h+1, nh+1, l, nr); math.Abs(land-deeper-2) > 1e-9 {
			t.Fatalf("1 um deeper must cost 2 um of land, cost %g", land-deeper)
		}
	})
}
