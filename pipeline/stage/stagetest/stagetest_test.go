package stagetest

import (
	"math"
	"testing"
	"time"

	"discsafe/pipeline/audio"
)

// custom builds a processor out of functions.
type custom struct {
	delay   int
	process func(audio.Block)
	reset   func()
}

func (c *custom) Delay() int            { return c.delay }
func (c *custom) Process(b audio.Block) { c.process(b) }
func (c *custom) Reset() {
	if c.reset != nil {
		c.reset()
	}
}

func each(f func(l, r float64) (float64, float64)) func(audio.Block) {
	return func(b audio.Block) {
		for i := range b.L {
			b.L[i], b.R[i] = f(b.L[i], b.R[i])
		}
	}
}

// smoother is a sound stage with memory: a one-pole that lets go of its memory
// and starts afresh on Reset.
func smoother() *custom {
	var l, r float64
	return &custom{
		process: each(func(x, y float64) (float64, float64) {
			l, r = 0.5*l+x, 0.5*r+y
			if math.Abs(l) < 1e-30 {
				l = 0
			}
			if math.Abs(r) < 1e-30 {
				r = 0
			}
			return l, r
		}),
		reset: func() { l, r = 0, 0 },
	}
}

func factory(mk func() *custom) Factory {
	return Factory{RateHz: 48000, Frames: 9000, New: func() Processor { return mk() }}
}

func TestSuitePassesASoundStage(t *testing.T) {
	f := factory(smoother)
	f.Neutral = func() Processor { return &custom{process: func(audio.Block) {}} }
	Run(t, f)
}

// TestSuiteCatchesFaults gives each check a stage with exactly the fault it is
// there for.
func TestSuiteCatchesFaults(t *testing.T) {
	wrap := func(change func(c *custom)) func() *custom {
		return func() *custom {
			c := smoother()
			change(c)
			return c
		}
	}
	var sink [][]float64
	cases := []struct {
		name, check string
		f           Factory
	}{
		{"state touched at block ends", "blocks are invisible", factory(wrap(func(c *custom) {
			inner := c.process
			c.process = func(b audio.Block) {
				inner(b)
				if n := b.Len(); n > 0 {
					b.L[n-1] *= 1.5
				}
			}
		}))},
		{"delay declared but not made", "impulse lands at the delay", factory(wrap(func(c *custom) { c.delay = 3 }))},
		{"delay so great that frames are lost", "length is kept", factory(wrap(func(c *custom) {
			c.delay = 1
			c.process = each(func(l, r float64) (float64, float64) { return l, r })
		}))},
		{"reset forgets to", "reset is new", factory(wrap(func(c *custom) { c.reset = nil }))},
		{"does nothing", "acts on the programme", factory(wrap(func(c *custom) { c.process = func(audio.Block) {} }))},
		{"neutral changes the sign of zero", "neutral is identity", Factory{RateHz: 48000, Frames: 9000, New: func() Processor { return smoother() },
			Neutral: func() Processor {
				return &custom{process: each(func(l, r float64) (float64, float64) { return l + 0, r + 0 })}
			}}},
		{"offset", "silence stays silence", factory(wrap(func(c *custom) {
			c.process = each(func(l, r float64) (float64, float64) { return l + 1e-9, r })
		}))},
		{"left is louder", "swapped channels swap", factory(wrap(func(c *custom) {
			c.process = each(func(l, r float64) (float64, float64) { return l * 1.1, r })
		}))},
		{"mono tilts", "equal channels stay equal", factory(wrap(func(c *custom) {
			c.process = each(func(l, r float64) (float64, float64) { return l, r * 0.999 })
		}))},
		{"mono changes though it must not", "equal channels stay equal", Factory{RateHz: 48000, Frames: 9000, MonoUntouched: true, New: func() Processor { return smoother() }}},
		{"allocates", "process allocates nothing", factory(wrap(func(c *custom) {
			c.process = func(b audio.Block) { sink = append(sink[:0], make([]float64, b.Len())) }
		}))},
		{"memory never dies", "tails end", factory(wrap(func(c *custom) {
			var m float64
			c.process = each(func(l, r float64) (float64, float64) { m = 0.9999*m + l; return m, r })
		}))},
		{"memory goes denormal", "tails end", factory(wrap(func(c *custom) {
			var m float64
			c.process = each(func(l, r float64) (float64, float64) { m = 0.99*m + l; return m, r })
		}))},
		{"silence is slow", "tails do not slow", factory(wrap(func(c *custom) {
			inner := c.process
			c.process = func(b audio.Block) {
				if b.L[0] == 0 {
					time.Sleep(20 * time.Millisecond) // far above what a busy machine adds to the rest
				}
				inner(b)
			}
		}))},
		{"divides by nothing", "finite in, finite out", factory(wrap(func(c *custom) {
			c.process = each(func(l, r float64) (float64, float64) { return l / (1 - l*l), r })
		}))},
	}
	caught := map[string]bool{}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			for _, k := range checks {
				if k.name == c.check {
					caught[k.name] = true
					if err := k.run(c.f); err == nil {
						t.Errorf("%q passes", k.name)
					}
					return
				}
			}
			t.Fatalf("no check is called %q", c.check)
		})
	}
	for _, k := range checks {
		if !caught[k.name] && k.name != "cores change nothing" { // one goroutine cannot fail it on purpose
			t.Errorf("no case shows that %q can fail", k.name)
		}
	}
}

func TestProgrammeIsTheSameEachTime(t *testing.T) {
	a, b := Programme(48000, 5000, 7), Programme(48000, 5000, 7)
	if err := differ("same seed", a, b); err != nil {
		t.Error(err)
	}
	if differ("", Programme(48000, 5000, 8), a) == nil {
		t.Error("another seed gives the same programme")
	}
	for i := range a.L {
		if math.Abs(a.L[i]) > 1 || math.Abs(a.R[i]) > 1 {
			t.Fatalf("frame %d is (%g, %g), above full scale", i, a.L[i], a.R[i])
		}
	}
}
