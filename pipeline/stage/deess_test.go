package stage

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage/stagetest"
)

// motionOf is the groove a programme would cut, sector by sector.
func motionOf(t testing.TB, s groove.Sectors, b audio.Block) []groove.Motion {
	t.Helper()
	var out []groove.Motion
	p := must[*groove.Predictor](t)(groove.NewPredictor(s, fullScale0, false, func(m groove.Motion) { out = append(out, m) }))
	p.Add(b)
	p.Flush(int64(b.Len()))
	return out
}

// bell is a smooth burst of treble over a low tone that fades in and out: hz
// around the middle of the programme, 30 ms wide, panned by left and right. A
// tone cut off in its wave would be a click, half of it past the end.
func bell(rate, frames int, hz, left, right, low float64) audio.Block {
	b := audio.NewBlock(frames)
	mid := float64(frames) / 2 / float64(rate)
	for i := range b.L {
		t := float64(i) / float64(rate)
		x := (t - mid) / 0.03
		s := math.Exp(-x*x) * math.Sin(2*math.Pi*hz*t)
		y := low * math.Sin(2*math.Pi*500*t) * math.Min(1, 5*math.Sin(math.Pi*float64(i)/float64(frames)))
		b.L[i], b.R[i] = y+left*s, y+right*s
	}
	return b
}

func worst(m []groove.Motion, of func(groove.Motion) float32) float64 {
	w := 0.0
	for _, v := range m {
		w = math.Max(w, float64(of(v)))
	}
	return w
}

func wallAccel(m groove.Motion) float32 { return m.WallAccel }
func wallSpeed(m groove.Motion) float32 { return m.WallVelocity }

// TestDeEssHoldsItsLimits: the worst moment comes down to the limit, not above
// and not much below, as the predictor, which shares no state with the stage,
// reads it. 0.05 % above: gain moves while the band does, and the crest between
// samples is read twice. 1 % below: gain is one number a sector.
func TestDeEssHoldsItsLimits(t *testing.T) {
	for _, rate := range allRates {
		for _, c := range []struct {
			name        string
			hz          float64
			accel, vel  float64
			of          func(groove.Motion) float32
			limit       float64
			limitName   string
			left, right float64
		}{
			{"curvature at 8 kHz", 8000, 4000, 1e9, wallAccel, 4000, "curvature", 0.3, 0.1},
			{"curvature at 12 kHz, right channel", 12000, 6000, 1e9, wallAccel, 6000, "curvature", 0, 0.25},
			{"slope at 7 kHz", 7000, 1e9, 0.12, wallSpeed, 0.12, "slope", 0.3, -0.3},
		} {
			frames := rate / 3
			in := bell(rate, frames, c.hz, c.left, c.right, 0.1)
			task := essTask(rate, 1.8, frames, c.accel, c.vel)
			p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, task))
			out := stagetest.Feed(p, in, 4096)
			before, after := worst(motionOf(t, task.Sectors, in), c.of), worst(motionOf(t, task.Sectors, out), c.of)
			t.Logf("%s at %d: %.5g before, %.5g after = %.4f of the limit", c.name, rate, before, after, after/c.limit)
			if before < 1.5*c.limit {
				t.Fatalf("%s at %d: the burst reads %g, too little to prove anything", c.name, rate, before)
			}
			if after > 1.0005*c.limit || after < 0.99*c.limit {
				t.Errorf("%s at %d: %g before, %g after, want %g", c.name, rate, before, after, c.limit)
			}
			if len(p.Passages) != 1 || p.Passages[0].Limit != c.limitName {
				t.Errorf("%s at %d: passages %+v, want one for %s", c.name, rate, p.Passages, c.limitName)
			}
			if len(p.Passages) == 1 && math.Abs(p.Passages[0].Worst-before/c.limit) > 0.01*p.Passages[0].Worst {
				t.Errorf("%s at %d: worst excess %g, predictor says %g", c.name, rate, p.Passages[0].Worst, before/c.limit)
			}
		}
	}
}

// TestDeEssHoldsNoise: sibilance is noise, whose crests do not stand where the
// sector's gain was computed. 1 %: the planner aims that far below a limit.
func TestDeEssHoldsNoise(t *testing.T) {
	for _, rate := range []int{44100, 96000, 192000} {
		frames := rate / 2
		in := bell(rate, frames, 8000, 0.3, 0.1, 0.15)
		noise := stagetest.Programme(rate, frames, 6)
		for i := range in.L {
			u := 0.0
			if i > 1 { // second difference: treble only
				u = noise.L[i] - 2*noise.L[i-1] + noise.L[i-2]
			}
			x := float64(i-frames/2) / float64(rate) / 0.03
			in.L[i] += math.Exp(-x*x) * u
		}
		task := essTask(rate, 1.8, frames, 4000, 1e9)
		out := stagetest.Feed(must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, task)), in, 4096)
		before, after := worst(motionOf(t, task.Sectors, in), wallAccel), worst(motionOf(t, task.Sectors, out), wallAccel)
		t.Logf("noise at %d: %.5g before, %.5g after", rate, before, after)
		if before < 8000 || after > 4040 || after < 3800 {
			t.Errorf("noise at %d: %g m/s2 before, %g after, want 4000", rate, before, after)
		}
	}
}

// TestDeEssReach: beyond 2*look+1 sectors of a sector that exceeds its limit
// not a bit changes.
func TestDeEssReach(t *testing.T) {
	for _, c := range []struct {
		rate  int
		turnS float64
		ms    float64
	}{{44100, 1.8, 20}, {48000, 4. / 3, 5}, {96000, 1.8, 60}} {
		frames := c.rate / 2
		in := bell(c.rate, frames, 8000, 0.3, 0.2, 0.1)
		task := essTask(c.rate, c.turnS, frames, 4000, 1e9)
		p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: c.ms, CrossoverHz: 4000}, task))
		out := stagetest.Feed(p, in, 1000)
		first, last := -1, -1
		for i, m := range motionOf(t, task.Sectors, in) {
			if m.WallAccel > 4000*0.99 { // the stage reads a finer grid
				if first < 0 {
					first = i
				}
				last = i
			}
		}
		reach := 2*LookSectors(c.ms, task.Sectors) + 1
		from, to := int(task.Sectors.StartFrame(first-reach)), int(task.Sectors.StartFrame(last+reach+1))
		wantSame(t, "before the reach", out.L[:from], in.L[:from])
		wantSame(t, "after the reach", out.R[to:], in.R[to:])
		changed := 0
		for i := from; i < to; i++ {
			if out.L[i] != in.L[i] {
				changed++
			}
		}
		if changed < (to-from)/2 {
			t.Errorf("at %d: only %d of %d frames in reach change", c.rate, changed, to-from)
		}
	}
}

// TestDeEssKeepsTheImage: one gain for both channels, so a burst that stands at
// a place between them stays there. 1e-9: rounding of the correction.
func TestDeEssKeepsTheImage(t *testing.T) {
	const rate = 48000
	for _, pan := range []float64{0, 0.3, 1, -0.5} {
		in := bell(rate, rate/3, 8000, 0.3, 0.3*pan, 0)
		p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, essTask(rate, 1.8, rate/3, 3000, 1e9)))
		out := stagetest.Feed(p, in, 4096)
		if p.Treated == 0 {
			t.Fatal("nothing treated")
		}
		for i := range out.L {
			if math.Abs(out.R[i]-pan*out.L[i]) > 1e-9 {
				t.Fatalf("pan %g: frame %d is (%g, %g)", pan, i, out.L[i], out.R[i])
			}
		}
	}
}

// TestDeEssLeavesTheLows: a steady 500 Hz tone under the burst keeps its level
// through it. 0.02 dB: ripple of the low-pass, 60 dB down (Kaiser 1974), twice.
func TestDeEssLeavesTheLows(t *testing.T) {
	const rate = 96000
	in := bell(rate, rate/3, 9000, 0.35, 0.35, 0.2)
	p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, essTask(rate, 1.8, rate/3, 3000, 1e9)))
	out := stagetest.Feed(p, in, 4096)
	mid := rate / 6
	part := func(x []float64) float64 { return db(spectrumAt(x[mid-1920:mid+1920], 0, rate, 500)) }
	if d := part(out.L) - part(in.L); math.Abs(d) > 0.02 {
		t.Errorf("500 Hz changes by %.4f dB under the burst", d)
	}
}

// TestDeEssLeavesTheHopelessAlone: where bass alone exceeds the limit nothing
// this stage may do helps; it takes nothing.
func TestDeEssLeavesTheHopelessAlone(t *testing.T) {
	const rate = 48000
	in := bell(rate, rate/4, 8000, 0.2, 0.2, 0.5)
	p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, essTask(rate, 1.8, rate/4, 5, 1e9)))
	out := stagetest.Feed(p, in, 4096)
	if len(p.Passages) != 0 {
		t.Errorf("passages %+v, want none", p.Passages)
	}
	for i := range in.L {
		if out.L[i] != in.L[i] || out.R[i] != in.R[i] {
			t.Fatalf("frame %d changed", i)
		}
	}
}

// TestDeEssUnwatchedSectorsPass: only sectors the planner names are looked at.
func TestDeEssUnwatchedSectorsPass(t *testing.T) {
	const rate = 44100
	in := bell(rate, rate/3, 8000, 0.3, 0.3, 0.1)
	task := essTask(rate, 1.8, rate/3, 3000, 1e9)
	task.Watch = NewSectorSet(task.Count)
	task.Limit = func(int) (float64, float64) { panic("asked for the limit of a sector that is not watched") }
	p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, task))
	out := stagetest.Feed(p, in, 4096)
	wantSame(t, "unwatched", out.L, in.L)
	if p.Treated != 0 || len(p.Passages) != 0 {
		t.Errorf("%d sectors treated, passages %+v", p.Treated, p.Passages)
	}
}

// TestDeEssResetForgetsTheTrace: and keeps who listens.
func TestDeEssResetForgetsTheTrace(t *testing.T) {
	const rate = 44100
	in := bell(rate, rate/4, 8000, 0.3, 0.3, 0.1)
	p := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, essTask(rate, 1.8, rate/4, 3000, 1e9)))
	heard := 0
	p.OnGain = func(int, float64) { heard++ }
	stagetest.Feed(p, in, 4096)
	kept, once := p.Passages, heard
	p.Reset()
	if p.Treated != 0 || p.SumDB != 0 || len(p.Passages) != 0 {
		t.Errorf("after Reset: %+v", p.Trace)
	}
	first := kept[0]
	stagetest.Feed(p, in, 4096)
	if heard != 2*once || once == 0 {
		t.Errorf("heard %d gains, then %d more", once, heard-once)
	}
	if kept[0] != first || &kept[0] == &p.Passages[0] {
		t.Error("a trace taken before Reset changes after it")
	}
}

func TestAllowedSolvesForTheGain(t *testing.T) {
	for _, c := range []struct {
		name      string
		x, low    []float64
		limit     float64
		gain, top float64
	}{
		{"within", []float64{0, 1, 0}, []float64{0, 0, 0}, 2, 1, 0.5},
		{"high only", []float64{0, 0, 4, 0, 0}, []float64{0, 0, 0, 0, 0}, 2, 0.5, 2},
		{"low helps", []float64{0, 0, -4, 0, 0}, []float64{0, 0, -1, 0, 0}, 2, 1. / 3, 2},
		{"low opposes", []float64{0, 0, 4, 0, 0}, []float64{0, 0, -1, 0, 0}, 2, 3. / 5, 2},
		{"low alone is too much: no gain helps", []float64{0, 0, 4, 0, 0}, []float64{0, 0, 3, 0, 0}, 2, 1, 2},
		{"silence", []float64{0, 0, 0}, []float64{0, 0, 0}, 2, 1, 0},
	} {
		gain, top := allowed(c.x, c.low, c.limit, 1), ratioOf(c.x, c.limit)
		if math.Abs(gain-c.gain) > 1e-12 || math.Abs(top-c.top) > 1e-12 {
			t.Errorf("%s: gain %g, worst %g, want %g and %g", c.name, gain, top, c.gain, c.top)
		}
	}
}

func ExampleNewDeEss() {
	const rate = 48000
	in := bell(rate, rate/3, 8000, 0.3, 0.1, 0.1)
	sectors := groove.NewSectors(rate, 1.8)
	n := sectors.Count(int64(in.Len()))
	watch := NewSectorSet(n)
	for i := range n {
		watch.Add(i)
	}
	p, err := NewDeEss(DeEssParams{CrossoverHz: 4000, LookAheadMS: 20}, DeEssTask{
		Sectors: sectors, Count: n, Watch: watch, Scale: 0.17717,
		Limit: func(int) (accel, velocity float64) { return 4000, 0.2 },
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	stagetest.Feed(p, in, 4096)
	for _, g := range p.Passages {
		fmt.Printf("%s, up to %.1f dB\n", g.Limit, 20*math.Log10(g.MinGain))
	}
	// Output: curvature, up to -8.5 dB
}
