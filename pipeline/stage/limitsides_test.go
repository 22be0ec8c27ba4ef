package stage

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage/stagetest"
)

// swell is a smooth burst of hz in the middle of the programme, half as long as
// it, with its own level in each channel, over a tone that both channels share.
func swell(rate, frames int, hz, left, right, mid float64) audio.Block {
	b := audio.NewBlock(frames)
	for i := range b.L {
		t := float64(i) / float64(rate)
		x := (float64(i)/float64(frames) - 0.5) * 8
		s := math.Exp(-x*x) * math.Sin(2*math.Pi*hz*t)
		y := mid * math.Sin(2*math.Pi*700*t)
		b.L[i], b.R[i] = y+left*s, y+right*s
	}
	return b
}

func rise(m groove.Motion) float32 { return m.VerticalMaxUM }
func fall(m groove.Motion) float32 { return -m.VerticalMinUM }

// TestLimitSidesHoldsWidthAndDepth: the greatest rise and fall come down to
// what the groove has room for, as the predictor reads them. 0.5 % above: the
// correction has no floor at 1 Hz, the predictor has, and the gain moves while
// the signal does. 2 % below: gain is one number a sector.
func TestLimitSidesHoldsWidthAndDepth(t *testing.T) {
	for _, rate := range allRates {
		for _, c := range []struct {
			name        string
			left, right float64
			hz          float64
			riseUM      float64
			fallUM      float64
			limit       string
		}{
			{"opposition breaks width", 0.6, -0.6, 180, 17.5, 1e3, "width"},
			{"opposition breaks depth", 0.6, -0.6, 180, 1e3, 20, "depth"},
			{"left alone", 0.8, 0, 180, 12, 15, "width"},
			{"right alone", 0, 0.8, 180, 15, 12, "depth"},
			{"low bass", 0.4, -0.3, 60, 15.5, 40, "width"},
		} {
			frames := rate / 2
			in := swell(rate, frames, c.hz, c.left, c.right, 0.1)
			task := sidesTask(rate, 1.8, frames, c.riseUM, c.fallUM)
			p := NewLimitSides(LimitSidesParams{LookAheadMS: 60}, task)
			out := stagetest.Feed(p, in, 4096)
			before, after := motionOf(t, task.Sectors, in), motionOf(t, task.Sectors, out)
			ratio := func(m []groove.Motion) float64 {
				return math.Max(worst(m, rise)/c.riseUM, worst(m, fall)/c.fallUM)
			}
			t.Logf("%s at %d: %.3f of the room before, %.4f after", c.name, rate, ratio(before), ratio(after))
			if ratio(before) < 1.3 {
				t.Fatalf("%s at %d: the burst takes %.3f of the room, too little to prove anything", c.name, rate, ratio(before))
			}
			if r := ratio(after); r > 1.005 || r < 0.98 {
				t.Errorf("%s at %d: takes %.4f of the room, before %.3f, want 1", c.name, rate, r, ratio(before))
			}
			if len(p.Passages) != 1 || p.Passages[0].Limit != c.limit {
				t.Errorf("%s at %d: passages %+v, want one for %s", c.name, rate, p.Passages, c.limit)
			}
			if len(p.Passages) == 1 && math.Abs(p.Passages[0].Worst-ratio(before)) > 0.01*ratio(before) {
				t.Errorf("%s at %d: worst excess %g, predictor says %g", c.name, rate, p.Passages[0].Worst, ratio(before))
			}
		}
	}
}

// TestLimitSidesLeavesMidAlone: what left loses right gains, so L+R changes by
// the rounding of two sums at most, and with it every lateral motion.
func TestLimitSidesLeavesMidAlone(t *testing.T) {
	const rate = 48000
	in := swell(rate, rate/2, 150, 0.6, -0.5, 0.3)
	p := NewLimitSides(LimitSidesParams{LookAheadMS: 60}, sidesTask(rate, 1.8, rate/2, 12, 12))
	out := stagetest.Feed(p, in, 4096)
	if p.Treated == 0 {
		t.Fatal("nothing treated")
	}
	for i := range in.L {
		if d := (out.L[i] + out.R[i]) - (in.L[i] + in.R[i]); math.Abs(d) > 0x1p-52 {
			t.Fatalf("L+R changes by %g at frame %d", d, i)
		}
	}
}

// verticalOf is the vertical displacement in um of a programme.
func verticalOf(rate int, b audio.Block) []float64 {
	_, side := midAndSide(b)
	z := make([]float64, len(side))
	groove.NewSideDisplacement(float64(rate), fullScale0*math.Sqrt2).Process(z, side)
	return z
}

// TestLimitSidesScalesDisplacement: the stage's promise is z after = gain times
// z before, frame by frame, with the gain it reports. The predictor's floor at
// 1 Hz, which the correction does not have, leads by sqrt2/f radians (second
// order Butterworth), so that much of what is taken away may stand in
// quadrature; 0.2 % more for gain that moves.
func TestLimitSidesScalesDisplacement(t *testing.T) {
	for _, rate := range []int{44100, 96000} {
		for _, hz := range []float64{50, 150, 400} {
			frames := rate / 2
			in := swell(rate, frames, hz, 0.5, -0.5, 0)
			task := sidesTask(rate, 4./3, frames, 9, 9)
			p := NewLimitSides(LimitSidesParams{LookAheadMS: 60}, task)
			gains := make([]float64, task.Count+1)
			for i := range gains {
				gains[i] = 1
			}
			inner := p.ride.apply
			p.ride.apply = func(sector int, x audio.Block, g0, g1 float64) {
				if sector < task.Count {
					gains[sector], gains[sector+1] = g0, g1
				}
				inner(sector, x, g0, g1)
			}
			out := stagetest.Feed(p, in, 4096)
			before, after := verticalOf(rate, in), verticalOf(rate, out)
			taken := 0.0
			for f, z := range before {
				taken = math.Max(taken, math.Abs(z-after[f]))
			}
			tolerance := (math.Sqrt2/hz + 0.002) * taken
			for s := range task.Count {
				from, to := task.Sectors.StartFrame(s), task.Sectors.StartFrame(s+1)
				for f := from; f < min(to, int64(frames)); f++ {
					g := gains[s] + (gains[s+1]-gains[s])*(float64(f-from)+0.5)/float64(to-from)
					if d := after[f] - g*before[f]; math.Abs(d) > tolerance {
						t.Fatalf("%g Hz at %d, frame %d: z is %.4f um, want %.4f times %.4f", hz, rate, f, after[f], g, before[f])
					}
				}
			}
		}
	}
}

// TestLimitSidesReach: before the reach of the gain curve not a bit changes,
// after it no more than the 60 ms in which the recording characteristic's
// longest time constant, 3180 us (IEC 60098), dies away.
func TestLimitSidesReach(t *testing.T) {
	for _, c := range []struct {
		rate  int
		turnS float64
		ms    float64
	}{{44100, 1.8, 60}, {48000, 4. / 3, 10}, {96000, 1.8, 150}} {
		frames := c.rate
		in := swell(c.rate, frames, 200, 0.5, -0.5, 0.1)
		task := sidesTask(c.rate, c.turnS, frames, 20, 20)
		out := stagetest.Feed(NewLimitSides(LimitSidesParams{LookAheadMS: c.ms}, task), in, 4096)
		first, last := -1, -1
		for i, m := range motionOf(t, task.Sectors, in) {
			if max(rise(m), fall(m)) > 20*0.99 {
				if first < 0 {
					first = i
				}
				last = i
			}
		}
		reach := 2*LookSectors(c.ms, task.Sectors) + 1
		from := int(task.Sectors.StartFrame(first - reach))
		to := int(task.Sectors.StartFrame(last+reach+1)) + c.rate*60/1000 + task.Sectors.MaxFrames()
		if from <= 0 || to >= frames {
			t.Fatalf("reach %d to %d leaves nothing of %d frames to look at", from, to, frames)
		}
		wantSame(t, "before the reach", out.L[:from], in.L[:from])
		wantSame(t, "after reach and tail, left", out.L[to:], in.L[to:])
		wantSame(t, "after reach and tail, right", out.R[to:], in.R[to:])
		// Where the tail is cut it must have died: 19 time constants are -160 dB
		// of a correction that is below 0.01 where the gain is back at 1.
		i := to
		for i--; out.L[i] == in.L[i]; i-- {
		}
		if d := math.Abs(out.L[i] - in.L[i]); d > 1e-10 {
			t.Errorf("at %d: the correction is still %g when it is cut off, %d frames before the end of its reach", c.rate, d, to-i)
		}
	}
}

// TestLimitSidesAtTheEnd: a side that ends in the middle of an excess must hold
// to its last frame, and what follows the end must not come back in.
func TestLimitSidesAtTheEnd(t *testing.T) {
	const rate = 44100
	whole := swell(rate, rate, 180, 0.6, -0.6, 0)
	for _, frames := range []int{rate / 2, rate/2 + 37, 20000} {
		in := whole.Slice(0, frames)
		task := sidesTask(rate, 1.8, frames, 15, 15)
		p := NewLimitSides(LimitSidesParams{LookAheadMS: 150}, task)
		out := stagetest.Feed(p, in, 4096)
		m := motionOf(t, task.Sectors, out)
		// The last sector also holds the step to silence behind the end.
		if v := math.Max(worst(m[:len(m)-1], rise), worst(m[:len(m)-1], fall)); v > 15*1.01 {
			t.Errorf("%d frames: %.3f um, want 15", frames, v)
		}
		// Much more than Delay zeros: the stage must come to rest.
		rest := audio.NewBlock(5 * rate)
		p.Process(rest)
		for i := 2 * rate; i < rest.Len(); i++ {
			if rest.L[i] != 0 || rest.R[i] != 0 {
				t.Fatalf("%d frames: (%g, %g) comes out %d frames after the end", frames, rest.L[i], rest.R[i], i)
			}
		}
	}
}

// TestLimitSidesFloor: no room at all, or less than none, stops at the floor.
func TestLimitSidesFloor(t *testing.T) {
	const rate = 48000
	for _, room := range []float64{0, -5} {
		in := swell(rate, rate/2, 150, 0.6, -0.6, 0)
		p := NewLimitSides(LimitSidesParams{LookAheadMS: 60}, sidesTask(rate, 1.8, rate/2, room, 100))
		out := stagetest.Feed(p, in, 4096)
		if len(p.Passages) != 1 || math.Abs(p.Passages[0].MinGain-limitSidesFloor) > 1e-12 {
			t.Errorf("room %g: passages %+v, want one at the floor of %g", room, p.Passages, limitSidesFloor)
		}
		for i := range out.L {
			if math.IsNaN(out.L[i]) || math.Abs(out.L[i]) > 1 {
				t.Fatalf("room %g: frame %d is %g", room, i, out.L[i])
			}
		}
	}
}

// TestLimitSidesRoomMayChange: width is there at one place and not at another.
func TestLimitSidesRoomMayChange(t *testing.T) {
	const rate, frames = 44100, 44100
	in := audio.NewBlock(frames)
	for i := range in.L {
		s := 0.4 * math.Sin(2*math.Pi*200*float64(i)/rate) * math.Sin(math.Pi*float64(i)/frames)
		in.L[i], in.R[i] = s, -s
	}
	task := sidesTask(rate, 1.8, frames, 0, 0)
	task.Room = func(sector int) (float64, float64) {
		if sector >= 80 && sector < 120 {
			return 10, 10
		}
		return 1e3, 1e3
	}
	p := NewLimitSides(LimitSidesParams{LookAheadMS: 40}, task)
	out := stagetest.Feed(p, in, 4096)
	for s, m := range motionOf(t, task.Sectors, out) {
		if s >= 80 && s < 120 && max(rise(m), fall(m)) > 10*1.005 {
			t.Errorf("sector %d: %.3f um, want at most 10", s, max(rise(m), fall(m)))
		}
	}
	look := LookSectors(40, task.Sectors)
	if len(p.Passages) != 1 || p.Passages[0].First < 80-2*look-1 || p.Passages[0].Last > 119+2*look+1 {
		t.Errorf("passages %+v, want one within %d sectors of 80 to 119", p.Passages, 2*look+1)
	}
}

func ExampleNewLimitSides() {
	const rate = 48000
	in := swell(rate, rate/2, 180, 0.6, -0.6, 0.1)
	sectors := groove.NewSectors(rate, 1.8)
	n := sectors.Count(int64(in.Len()))
	watch := NewSectorSet(n)
	for i := range n {
		watch.Add(i)
	}
	p := NewLimitSides(LimitSidesParams{LookAheadMS: 60}, LimitSidesTask{
		Sectors: sectors, Count: n, Watch: watch, Scale: 0.17717,
		Room: func(int) (riseUM, fallUM float64) { return 17.5, 40 },
	})
	stagetest.Feed(p, in, 4096)
	for _, g := range p.Passages {
		fmt.Printf("%s, up to %.1f dB\n", g.Limit, 20*math.Log10(g.MinGain))
	}
	// Output: width, up to -8.6 dB
}
