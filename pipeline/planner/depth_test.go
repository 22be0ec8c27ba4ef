package planner

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"discsafe/pipeline/groove"
)

// tolUM covers float32 motion of some tens of um.
const tolUM = 1e-4

// holdsDepth tells what the depth plan breaks, sector by sector.
func holdsDepth(t interface{ Errorf(string, ...any) }, s *Side, d *depthPlan, sectors []groove.Motion, gain float64) {
	room := s.Limits.MaxDepthUM - s.Limits.MinWidthUM/2
	for i, m := range sectors {
		lo, hi := d.span(i)
		up, dn := math.Max(0, gain*float64(m.VerticalMaxUM)), math.Max(0, -gain*float64(m.VerticalMinUM))
		if lo-up < s.Limits.MinWidthUM/2-tolUM || hi+dn > s.Limits.MaxDepthUM+tolUM {
			t.Errorf("sector %d rises %.3f and falls %.3f um of %.1f: depth %.3f to %.3f leaves width %.3f and depth %.3f", i, up, dn, room, lo, hi, 2*(lo-up), hi+dn)
			return
		}
	}
}

func holdsSlew(t interface{ Errorf(string, ...any) }, s *Side, d *depthPlan) {
	step := s.Room.Depth.Slew * s.Sectors.SecondsPerTurn * float64(d.spread) / turn
	for k := 1; k < len(d.nodes); k++ {
		if c := math.Abs(d.nodes[k] - d.nodes[k-1]); c > step+1e-9 {
			t.Errorf("depth moves %.4f um from node %d to %d, the room's slew allows %.4f", c, k-1, k, step)
			return
		}
	}
}

func TestDepthPlan(t *testing.T) {
	quiet := groove.Motion{VerticalMaxUM: 2, VerticalMinUM: -2}
	burst := groove.Motion{VerticalMaxUM: 30, VerticalMinUM: -5}
	deep := groove.Motion{VerticalMaxUM: 5, VerticalMinUM: -45}
	for _, c := range []struct {
		name    string
		sectors []groove.Motion
		check   func(t *testing.T, d *depthPlan)
	}{
		{"no motion", repeated(still, 3*turn), func(t *testing.T, d *depthPlan) {
			for k, v := range d.nodes {
				if v != 30 {
					t.Errorf("node %d stands at %g um, want the room's 30", k, v)
				}
			}
		}},
		{"constant motion", repeated(groove.Motion{VerticalMaxUM: 25, VerticalMinUM: -25}, 2*turn), func(t *testing.T, d *depthPlan) {
			// Rise 25 needs 12.5 + 25/0.99.
			if want := 12.5 + 25/treatTarget; math.Abs(d.nodes[5]-want) > tolUM {
				t.Errorf("depth %g um, want %g", d.nodes[5], want)
			}
		}},
		{"one burst up", append(append(repeated(quiet, 3*turn), burst), repeated(quiet, 3*turn)...), func(t *testing.T, d *depthPlan) {
			if v := d.at(3 * turn); v < 12.5+30 {
				t.Errorf("depth at the burst is %g um, want at least 42.5", v)
			}
			if v := d.at(turn); v > 30+tolUM {
				t.Errorf("depth far from the burst is %g um, want 30", v)
			}
		}},
		{"one burst down", append(append(repeated(quiet, 2*turn), deep), repeated(quiet, 2*turn)...), func(t *testing.T, d *depthPlan) {
			if v := d.at(2 * turn); v > 35 {
				t.Errorf("depth at the burst is %g um, want at most 35", v)
			}
		}},
		{"bursts in turn", func() []groove.Motion {
			x := repeated(quiet, 8*turn)
			for k := 0; k < 8; k++ {
				x[k*turn+100] = burst
			}
			return x
		}(), nil},
		{"shorter than a node", repeated(burst, 3), nil},
		{"one sector", repeated(burst, 1), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sideOf(t, c.sectors)
			d, err := (&weigher{side: s}).planDepth(1)
			if err != nil {
				t.Fatal(err)
			}
			holdsSlew(t, s, d)
			holdsDepth(t, s, d, c.sectors, 1)
			if c.check != nil {
				c.check(t, d)
			}
		})
	}
}

// Motion that any depth can carry, changing no faster than the slew can follow,
// is carried; slew always holds.
func TestDepthPlanProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 6*turn).Draw(rt, "sectors")
		sectors := make([]groove.Motion, n)
		// The sum of rise and fall fits between width and depth everywhere, and
		// one depth carries all: base rise and fall of the whole side.
		rise := rapid.Float64Range(0, 60).Draw(rt, "rise")
		fall := rapid.Float64Range(0, math.Max(0, 66.5-rise)).Draw(rt, "fall")
		for k := rapid.IntRange(0, 20).Draw(rt, "bursts"); k > 0; k-- {
			at := rapid.IntRange(0, n-1).Draw(rt, "at")
			f := rapid.Float64Range(0, 1).Draw(rt, "share")
			sectors[at].VerticalMaxUM = float32(f * rise)
			sectors[at].VerticalMinUM = float32(-f * fall)
		}
		gain := rapid.Float64Range(0.1, 1).Draw(rt, "gain")
		s := sideOf(t, sectors)
		s.Room.Depth.Slew = rapid.Float64Range(1, 1000).Draw(rt, "slew")
		d, err := (&weigher{side: s}).planDepth(gain)
		if err != nil {
			rt.Fatal(err)
		}
		holdsSlew(rt, s, d)
		holdsDepth(rt, s, d, sectors, gain)
	})
}

// With motion that no depth can carry, slew holds all the same and no node
// leaves what width and depth allow at rest.
func TestDepthPlanOfImpossibleMotionKeepsTheSlew(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 4*turn).Draw(rt, "sectors")
		sectors := make([]groove.Motion, n)
		for k := rapid.IntRange(1, 20).Draw(rt, "bursts"); k > 0; k-- {
			at := rapid.IntRange(0, n-1).Draw(rt, "at")
			sectors[at].VerticalMaxUM = float32(rapid.Float64Range(0, 300).Draw(rt, "rise"))
			sectors[at].VerticalMinUM = float32(-rapid.Float64Range(0, 300).Draw(rt, "fall"))
		}
		s := sideOf(t, sectors)
		d, err := (&weigher{side: s}).planDepth(1)
		if err != nil {
			rt.Fatal(err)
		}
		holdsSlew(rt, s, d)
		for k, v := range d.nodes {
			if math.IsNaN(v) || v < s.Limits.MinWidthUM/2-tolUM || v > s.Limits.MaxDepthUM+tolUM {
				rt.Errorf("node %d stands at %g um, outside %g to %g", k, v, s.Limits.MinWidthUM/2, s.Limits.MaxDepthUM)
			}
		}
	})
}

func TestFixedDepthIsTheRooms(t *testing.T) {
	s := sideOf(t, repeated(groove.Motion{VerticalMaxUM: 40, VerticalMinUM: -40}, turn))
	s.Room.Depth.Variable = false
	d, err := (&weigher{side: s}).planDepth(1)
	if err != nil {
		t.Fatal(err)
	}
	for k, v := range d.nodes {
		if v != 30 {
			t.Errorf("node %d stands at %g um, want 30", k, v)
		}
	}
}

// VerticalRatio is the worst rise or fall over what the best depth leaves.
func TestVerticalRatio(t *testing.T) {
	for _, c := range []struct {
		name       string
		rise, fall float32
		fixed      bool
		gain, want float64
	}{
		{"still", 0, 0, false, 1, 0},
		// Fixed depth 30: 17.5 um up, 50 down.
		{"fixed, up", 17.5, 0, true, 1, 1},
		{"fixed, down", 0, 25, true, 1, 0.5},
		{"fixed, doubled", 17.5, 50, true, 2, 2},
		// 67.5 um in all: beyond that both are shared alike.
		{"variable, impossible", 67.5, 67.5, false, 1, 2},
		{"variable, uneven", 90, 45, false, 1, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := sideOf(t, repeated(groove.Motion{VerticalMaxUM: c.rise, VerticalMinUM: -c.fall}, turn))
			s.Room.Depth.Variable = !c.fixed
			got, err := VerticalRatio(s, s.Log, c.gain)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(got-c.want) > 1e-6 {
				t.Errorf("%g, want %g", got, c.want)
			}
		})
	}
}

func TestVerticalRatioBelowOneWhenAnyDepthCarriesIt(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rise := rapid.Float64Range(0, 66).Draw(rt, "rise")
		fall := rapid.Float64Range(0, 66-rise).Draw(rt, "fall")
		s := sideOf(t, repeated(groove.Motion{VerticalMaxUM: float32(rise), VerticalMinUM: float32(-fall)}, turn))
		q, err := VerticalRatio(s, s.Log, 1)
		if err != nil {
			rt.Fatal(err)
		}
		if q > 1 {
			rt.Errorf("rise %g and fall %g fit into 67.5 um, ratio %g", rise, fall, q)
		}
	})
}
