package stage

import (
	"fmt"
	"math"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage/stagetest"
)

// rideCase is a ride whose stage does nothing but scale, and which checks every
// call it gets.
type rideCase struct {
	t       *testing.T
	s       groove.Sectors
	in      audio.Block
	look    int
	margin  int
	allowed []float64 // by sector
	asked   int
	applied int
	r       *ride
	trace   Trace
}

func newRideCase(t *testing.T, rate int, turnS float64, frames, look, margin int, allowed func(sector int) float64) *rideCase {
	s := groove.NewSectors(rate, turnS)
	c := &rideCase{t: t, s: s, in: stagetest.Programme(rate, frames, 9), look: look, margin: margin}
	for i := range s.Count(int64(frames)) {
		c.allowed = append(c.allowed, allowed(i))
	}
	c.r = newRide(s, len(c.allowed), look, margin, 0, &c.trace)
	c.r.allow, c.r.apply = c.allow, c.apply
	return c
}

// input is the programme at a frame, silence around it.
func (c *rideCase) input(frame int64) (l, r float64) {
	if frame < 0 || frame >= int64(c.in.Len()) {
		return 0, 0
	}
	return c.in.L[frame], c.in.R[frame]
}

func (c *rideCase) allow(sector int, x audio.Block) (gain, worst float64, limit string) {
	if sector != c.asked {
		c.t.Fatalf("asked for sector %d, want %d", sector, c.asked)
	}
	c.asked++
	from, to := c.s.StartFrame(sector)-int64(c.margin), c.s.StartFrame(sector+1)+int64(c.margin)
	if int64(x.Len()) != to-from {
		c.t.Fatalf("sector %d comes with %d frames, want %d", sector, x.Len(), to-from)
	}
	for i := range x.L {
		if l, r := c.input(from + int64(i)); x.L[i] != l || x.R[i] != r {
			c.t.Fatalf("sector %d, frame %d of its window is (%g, %g), want the untouched (%g, %g)", sector, i, x.L[i], x.R[i], l, r)
		}
	}
	return c.allowed[sector], 1 / c.allowed[sector], "test"
}

func (c *rideCase) apply(sector int, x audio.Block, g0, g1 float64) {
	if sector != c.applied {
		c.t.Fatalf("applies sector %d, want %d", sector, c.applied)
	}
	c.applied++
	n := x.Len() - 2*c.margin
	for i := range n {
		if _, r := c.input(c.s.StartFrame(sector) + int64(i)); x.R[c.margin+i] != r {
			c.t.Fatalf("sector %d: frame %d is touched before its turn", sector, i)
		}
		if g0 < 1 || g1 < 1 {
			x.L[c.margin+i] *= g0 + (g1-g0)*(float64(i)+0.5)/float64(n)
			x.R[c.margin+i] *= g0 + (g1-g0)*(float64(i)+0.5)/float64(n)
		}
	}
}

// want is the programme times the gain curve, made without any streaming.
func (c *rideCase) want() audio.Block {
	g := curveOf(c.look, c.allowed)
	out := audio.NewBlock(c.in.Len())
	for s := range c.allowed {
		from, to := c.s.StartFrame(s), c.s.StartFrame(s+1)
		for f := from; f < min(to, int64(c.in.Len())); f++ {
			v := g[s] + (g[s+1]-g[s])*(float64(f-from)+0.5)/float64(to-from)
			out.L[f], out.R[f] = c.in.L[f]*v, c.in.R[f]*v
		}
	}
	return out
}

// riding makes a ride a Processor.
type riding struct{ r *ride }

func (p riding) Delay() int            { return p.r.delay }
func (p riding) Process(b audio.Block) { p.r.process(b) }
func (p riding) Reset()                { p.r.reset() }

// TestRide drives the clockwork over sides of awkward lengths, on discs whose
// sectors are equal (33 1/3 at 48 kHz: 240 frames) and are not (45: 163.3 and
// 177.8 frames), and compares with gains computed over the whole side at once.
func TestRide(t *testing.T) {
	dips := func(sector int) float64 {
		switch {
		case sector == 0, sector%97 == 50:
			return 0.5
		case sector%41 == 7:
			return 0.8
		}
		return 1
	}
	for _, rate := range []int{44100, 48000, 192000} {
		for _, turnS := range []float64{1.8, 4. / 3} {
			s := groove.NewSectors(rate, turnS)
			lengths := []int{1, 2, int(s.StartFrame(1)) - 1, int(s.StartFrame(1)), int(s.StartFrame(1)) + 1,
				int(s.StartFrame(9)), int(s.StartFrame(10)) + 1, int(s.StartFrame(50)) - 1}
			if rate == 44100 { // over a turn, and more than the buffer holds
				lengths = append(lengths, int(s.StartFrame(361))-1)
			}
			for _, frames := range lengths {
				for _, look := range []int{1, 6} {
					t.Run(fmt.Sprintf("%d Hz, %.3g s a turn, %d frames, look %d", rate, turnS, frames, look), func(t *testing.T) {
						c := newRideCase(t, rate, turnS, frames, look, rate/100, dips)
						got, want := stagetest.Feed(riding{c.r}, c.in, 1000), c.want()
						for i := range want.L {
							// The order of products differs: two roundings.
							if math.Abs(got.L[i]-want.L[i]) > 1e-15 || math.Abs(got.R[i]-want.R[i]) > 1e-15 {
								t.Fatalf("frame %d is (%g, %g), want (%g, %g)", i, got.L[i], got.R[i], want.L[i], want.R[i])
							}
						}
						if c.asked != len(c.allowed) {
							t.Errorf("%d sectors asked for, want %d", c.asked, len(c.allowed))
						}
						c.checkTrace()
					})
				}
			}
		}
	}
}

// checkTrace compares the trace with the gains by definition.
func (c *rideCase) checkTrace() {
	g := curveOf(c.look, c.allowed)
	treated, sum, least := 0, 0.0, 1.0
	for s := range c.allowed {
		if m := min(g[s], g[s+1]); m < 1 {
			treated++
			sum += 20 * math.Log10((g[s]+g[s+1])/2)
			least = min(least, m)
		}
	}
	if c.trace.Treated != treated || math.Abs(c.trace.SumDB-sum) > 1e-9 {
		c.t.Errorf("trace counts %d sectors and %g dB, want %d and %g", c.trace.Treated, c.trace.SumDB, treated, sum)
	}
	got := 1.0
	for _, p := range c.trace.Passages {
		got = min(got, p.MinGain)
		if p.First > p.Last || p.WorstSector < p.First || p.WorstSector > p.Last || p.Last >= len(c.allowed) {
			c.t.Errorf("passage %+v is out of order, or past the %d sectors of the side", p, len(c.allowed))
		}
		if p.Worst < 1 || p.Limit != "test" {
			c.t.Errorf("passage %+v does not say what asked for it", p)
		}
	}
	if got != least {
		c.t.Errorf("least gain in the trace %g, want %g", got, least)
	}
}

// TestRideSeesUntouchedFrames: the windows of both limiting stages must not
// reach back into sectors already treated, whatever the settings allow. When a
// sector is asked for, the 2*look+1 before it are untouched.
func TestRideSeesUntouchedFrames(t *testing.T) {
	for _, rate := range allRates {
		for _, turnS := range []float64{1.8, 4. / 3} {
			for _, crossover := range []float64{2000, 4000, 10000} {
				d := must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 5, CrossoverHz: crossover}, essTask(rate, turnS, 1000, 1, 1)))
				look := LookSectors(5, d.task.Sectors)
				shortest := d.task.Sectors.MaxFrames() - 3
				if free := (2*look + 1) * shortest; d.ride.margin > free {
					t.Errorf("de-ess at %d Hz, %.3g s a turn, crossover %g: reaches back %d frames, %d are untouched", rate, turnS, crossover, d.ride.margin, free)
				}
				if d.ride.margin < d.task.Sectors.MaxFrames() {
					t.Errorf("de-ess at %d Hz, %.3g s a turn: a margin of %d frames cannot hold the sector before, %d", rate, turnS, d.ride.margin, d.task.Sectors.MaxFrames())
				}
			}
		}
	}
}

// TestRideResetInTheMiddle: a ride stopped anywhere starts afresh.
func TestRideResetInTheMiddle(t *testing.T) {
	dip := func(sector int) float64 {
		if sector == 3 {
			return 0.3
		}
		return 1
	}
	for _, stop := range []int{1, 500, 5000, 30000} {
		c := newRideCase(t, 44100, 4./3, 40000, 3, 300, dip)
		want := stagetest.Feed(riding{c.r}, c.in, 512)
		c.asked, c.applied = 0, 0
		c.r.reset()
		b := stagetest.Programme(44100, 40000, 9)
		c.r.process(b.Slice(0, stop))
		c.asked, c.applied = 0, 0
		c.r.reset()
		got := stagetest.Feed(riding{c.r}, c.in, 512)
		wantSame(t, fmt.Sprintf("stopped after %d frames", stop), got.L, want.L)
	}
}
