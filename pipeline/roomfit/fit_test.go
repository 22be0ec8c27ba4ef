package roomfit_test

import (
	"fmt"
	"math"
	"math/rand"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/tones"
)

func sheet(t testing.TB) []roomfit.Expectation {
	t.Helper()
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		t.Fatal(err)
	}
	s, err := tones.Plan(disc, groove.DefaultRoom())
	if err != nil {
		t.Fatal(err)
	}
	var out []roomfit.Expectation
	for _, r := range s.Readings {
		out = append(out, roomfit.Expectation{ID: r.ID, Kind: r.Kind, Unit: r.Unit, Expected: r.Expected, WidthUM: r.WidthUM, MotionUM: r.MotionUM, Turns: r.Turns})
	}
	return out
}

// truth is a room that differs from its profile.
type truth struct{ levelDB, widthUM, depth, startMM, pitchUM float64 }

func (w truth) params() map[string]float64 {
	return map[string]float64{roomfit.ParamLevel: w.levelDB, roomfit.ParamWidth: w.widthUM, roomfit.ParamDepth: w.depth, roomfit.ParamStart: w.startMM, roomfit.ParamPitch: w.pitchUM}
}

// read is what a perfect eye would see.
func (w truth) read(e roomfit.Expectation) (float64, bool) {
	g := math.Pow(10, w.levelDB/20)
	switch e.Kind {
	case roomfit.KindWidth:
		return e.WidthUM + w.widthUM, true
	case roomfit.KindSwing:
		return g * e.MotionUM, true
	case roomfit.KindWidest:
		return e.WidthUM + w.widthUM + w.depth*g*e.MotionUM, true
	case roomfit.KindNarrow:
		return e.WidthUM + w.widthUM - w.depth*g*e.MotionUM, true
	case roomfit.KindRadius:
		return e.Expected + w.startMM - e.Turns*w.pitchUM/1000, true
	}
	return 0, false
}

// noisy reads a sheet twice: an eye of half a micrometre, rounded to 1 um and
// 0.01 mm, one in ten readings of the groove wrong by 10 um.
func noisy(rnd *rand.Rand, w truth, sheet []roomfit.Expectation, times int) (r *roomfit.Readings, wrong map[int]bool) {
	r, wrong = &roomfit.Readings{}, map[int]bool{}
	for _, e := range sheet {
		for range times {
			v, seen := w.read(e)
			if !seen {
				continue
			}
			if e.Kind == roomfit.KindRadius {
				v = math.Round((v+0.01*rnd.NormFloat64())*100) / 100
			} else {
				v = math.Round(v + 0.5*rnd.NormFloat64())
				if rnd.Intn(10) == 0 {
					v += 10 * float64(1-2*rnd.Intn(2))
					wrong[len(r.Readings)] = true
				}
			}
			r.Readings = append(r.Readings, roomfit.Value{ID: e.ID, Value: v})
		}
	}
	return r, wrong
}

func draw(rnd *rand.Rand) truth {
	u := func(a float64) float64 { return a * (2*rnd.Float64() - 1) }
	return truth{levelDB: u(2), widthUM: u(4), depth: 1 + u(0.08), startMM: u(0.3), pitchUM: u(1.5)}
}

// coverage counts trials in which every parameter lies in its interval.
func coverage(t *testing.T, seed int64, trials, times int) (all int, each map[string]int, found, planted, falsely int) {
	t.Helper()
	rnd := rand.New(rand.NewSource(seed))
	s := sheet(t)
	each = map[string]int{}
	for range trials {
		w := draw(rnd)
		r, wrong := noisy(rnd, w, s, times)
		res, err := roomfit.Fit("readings", "generic room", r, s)
		if err != nil {
			t.Fatal(err)
		}
		ok := true
		for id, want := range w.params() {
			p := res.Parameter(id)
			if !p.Told || p.Low == nil {
				t.Fatalf("%s is not told: %+v", id, p)
			}
			if want >= *p.Low && want <= *p.High {
				each[id]++
			} else {
				ok = false
			}
		}
		if ok {
			all++
		}
		// Groove readings come first in the result, in the order they were given.
		groove := 0
		for i, v := range r.Readings {
			if v.ID[len(v.ID)-6:] == "radius" {
				continue
			}
			j := res.Readings[groove]
			groove++
			if j.ID != v.ID {
				t.Fatalf("reading %d is %s, want %s", groove, j.ID, v.ID)
			}
			switch {
			case wrong[i]:
				planted++
				if j.OutOfLine {
					found++
				}
			case j.OutOfLine:
				falsely++
			}
		}
	}
	return all, each, found, planted, falsely
}

// In at least 95 of 100 noisy trials every parameter lies within its stated
// interval, and what is wrong by 10 um is called out of line.
func TestRecoversASimulatedRoom(t *testing.T) {
	for _, times := range []int{1, 2} {
		t.Run(fmt.Sprintf("read %d times", times), func(t *testing.T) {
			all, each, found, planted, falsely := coverage(t, 1, 100, times)
			t.Logf("all inside in %d of 100; each: %v; of %d readings wrong by 10 um %d are called out, and %d that are right", all, each, planted, found, falsely)
			if all < 95 {
				t.Errorf("all parameters inside their intervals in %d of 100 trials, want 95", all)
			}
			if found < planted*9/10 || falsely > 5 {
				t.Errorf("of %d wrong readings %d are called out; %d right ones are", planted, found, falsely)
			}
		})
	}
}
