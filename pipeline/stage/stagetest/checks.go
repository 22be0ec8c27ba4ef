package stagetest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"discsafe/pipeline/audio"
)

// differ tells where two blocks first differ in a bit.
func differ(what string, got, want audio.Block) error {
	if got.Len() != want.Len() {
		return fmt.Errorf("%s: %d frames, want %d", what, got.Len(), want.Len())
	}
	for i := range want.L {
		if math.Float64bits(got.L[i]) != math.Float64bits(want.L[i]) || math.Float64bits(got.R[i]) != math.Float64bits(want.R[i]) {
			return fmt.Errorf("%s: frame %d is (%g, %g), want (%g, %g)", what, i, got.L[i], got.R[i], want.L[i], want.R[i])
		}
	}
	return nil
}

// withTail is a programme followed by digital silence, where memories decay.
func (f Factory) withTail(seed uint64) audio.Block {
	in := f.programme(seed)
	from := in.Len() * 2 / 3
	clear(in.L[from:])
	clear(in.R[from:])
	return in
}

func blocksAreInvisible(f Factory) error {
	in := f.withTail(1)
	whole := Feed(f.New(), in, math.MaxInt32)
	for _, size := range []int{1, 7, 64, 4096, 65536} {
		if err := differ(fmt.Sprintf("blocks of %d against one block", size), Feed(f.New(), in, size), whole); err != nil {
			return err
		}
	}
	rng := rand.New(rand.NewPCG(4, 4))
	got := feed(f.New(), in, func() int { return rng.IntN(3000) })
	return differ("random blocks, some empty, against one block", got, whole)
}

func impulseLandsAtDelay(f Factory) error {
	const at = 1500
	for _, mk := range []func() Processor{f.New, f.Neutral} {
		if mk == nil {
			continue
		}
		p := mk()
		b := audio.NewBlock(at + p.Delay() + 3000)
		b.L[at] = 0.5
		p.Process(b)
		top := 0
		for i, v := range b.L {
			if math.Abs(v) > math.Abs(b.L[top]) {
				top = i
			}
		}
		if top != at+p.Delay() || b.L[top] == 0 {
			return fmt.Errorf("impulse at frame %d lands at %d, want %d: the delay is declared as %d", at, top, at+p.Delay(), p.Delay())
		}
	}
	return nil
}

func lengthIsKept(f Factory) error {
	for _, n := range []int{1, 2, 100, 4097} {
		in := audio.NewBlock(n)
		in.L[0], in.L[n-1] = 0.5, 0.5
		out := Feed(f.New(), in, 1024)
		if out.Len() != n {
			return fmt.Errorf("%d frames in, %d out", n, out.Len())
		}
		if out.L[0] == 0 || out.L[n-1] == 0 {
			return fmt.Errorf("programme of %d frames: first frame comes out as %g, last as %g, want neither lost", n, out.L[0], out.L[n-1])
		}
	}
	return nil
}

func resetIsNew(f Factory) error {
	in := f.programme(1)
	want := Feed(f.New(), in, 4096)
	p := f.New()
	used := f.programme(2)
	p.Process(used.Slice(0, used.Len()*3/5+1))
	p.Reset()
	return differ("after Reset against new", Feed(p, in, 4096), want)
}

func actsOnProgramme(f Factory) error {
	in := f.programme(1)
	if differ("", Feed(f.New(), in, 4096), in) == nil {
		return fmt.Errorf("the programme passes unchanged, so the suite would prove nothing; set the stage so that it acts")
	}
	return nil
}

func neutralIsIdentity(f Factory) error {
	if f.Neutral == nil {
		return nil
	}
	in := f.withTail(1)
	in.L[10], in.R[20] = math.Copysign(0, -1), math.Copysign(0, -1)
	return differ("neutral stage", Feed(f.Neutral(), in, 4096), in)
}

func silenceStaysSilence(f Factory) error {
	n := f.programme(1).Len()
	out := Feed(f.New(), audio.NewBlock(n), 4096)
	for i := range out.L {
		if out.L[i] != 0 || out.R[i] != 0 {
			return fmt.Errorf("digital silence comes out as (%g, %g) at frame %d", out.L[i], out.R[i], i)
		}
	}
	return nil
}

func swappedChannelsSwap(f Factory) error {
	in := f.programme(1)
	want := swapped(Feed(f.New(), in, 4096))
	return differ("channels swapped before against after", Feed(f.New(), swapped(in), 4096), want)
}

func equalChannelsStayEqual(f Factory) error {
	in := equal(f.withTail(1))
	in.L[10], in.R[10] = math.Copysign(0, -1), math.Copysign(0, -1)
	out := Feed(f.New(), in, 4096)
	if err := differ("right against left", audio.Block{L: out.R, R: out.R}, audio.Block{L: out.L, R: out.L}); err != nil {
		return err
	}
	if f.MonoUntouched {
		return differ("equal channels", out, in)
	}
	return nil
}

func processAllocatesNothing(f Factory) error {
	p, in := f.New(), f.programme(1)
	at := 0
	runs := min(20, in.Len()/1000-1)
	if n := testing.AllocsPerRun(runs, func() {
		p.Process(in.Slice(at, at+1000))
		at += 1000
	}); n != 0 {
		return fmt.Errorf("process allocates %g times a block, want 0", n)
	}
	return nil
}

func coresChangeNothing(f Factory) error {
	in := f.programme(1)
	before := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(before)
	one := Feed(f.New(), in, 4096)
	runtime.GOMAXPROCS(2)
	return differ("two cores against one", Feed(f.New(), in, 4096), one)
}

// tailSeconds is how long after the programme digital silence must be back.
const tailSeconds = 2

// tailsEnd: after the programme the output returns to digital silence, so that
// gaps between tracks stay what they were, and no number on the way is denormal.
func tailsEnd(f Factory) error {
	in := f.programme(1)
	n := in.Len()
	b := audio.NewBlock(n + tailSeconds*f.RateHz)
	copy(b.L, in.L)
	copy(b.R, in.R)
	out := Feed(f.New(), b, 4096)
	const normal = 0x1p-1022
	for i := n; i < out.Len(); i++ {
		l, r := math.Abs(out.L[i]), math.Abs(out.R[i])
		if l > 0 && l < normal || r > 0 && r < normal {
			return fmt.Errorf("the tail holds a denormal number, (%g, %g) at frame %d", out.L[i], out.R[i], i)
		}
	}
	if k := out.Len() - 1; out.L[k] != 0 || out.R[k] != 0 {
		return fmt.Errorf("%d s after the programme the output is (%g, %g), want digital silence", tailSeconds, out.L[k], out.R[k])
	}
	return nil
}

// tailsDoNotSlow compares the time for silence after a loud start with that for
// programme. Denormal arithmetic costs ten times and more where it costs at
// all; a factor of 3, in the best of many tries, leaves room for a busy machine.
func tailsDoNotSlow(f Factory) error {
	const factor, tries = 3, 12
	in := f.programme(1)
	n := in.Len()
	quiet := audio.NewBlock(n)
	copy(quiet.L, in.L[:n/10])
	copy(quiet.R, in.R[:n/10])
	best := [2]time.Duration{math.MaxInt64, math.MaxInt64}
	for range tries {
		for k, b := range []audio.Block{in, quiet} {
			p := f.New()
			start := time.Now()
			Feed(p, b, 4096)
			best[k] = min(best[k], time.Since(start))
		}
		if best[1] <= factor*best[0] {
			return nil
		}
	}
	return fmt.Errorf("silence after a loud start takes %v, programme of the same length %v, want at most %d times that", best[1], best[0], factor)
}

func finiteInFiniteOut(f Factory) error {
	n := 12000
	rng := rand.New(rand.NewPCG(5, 5))
	signals := []struct {
		name string
		at   func(i int) (l, r float64)
	}{
		{"full-scale noise", func(int) (float64, float64) { return 2*rng.Float64() - 1, 2*rng.Float64() - 1 }},
		{"full-scale DC", func(int) (float64, float64) { return 1, -1 }},
		{"full-scale square in opposition", func(i int) (float64, float64) {
			v := float64(1 - 2*(i/300%2))
			return v, -v
		}},
		{"full scale at half the rate", func(i int) (float64, float64) { v := float64(1 - 2*(i%2)); return v, v }},
		{"float far above full scale", func(i int) (float64, float64) { v := 100 * float64(1-2*(i%2)); return v, -v }},
		{"smallest numbers", func(i int) (float64, float64) { v := 5e-324 * float64(1-2*(i%2)); return v, -v }},
	}
	for _, s := range signals {
		b := audio.NewBlock(n)
		for i := range b.L {
			b.L[i], b.R[i] = s.at(i)
		}
		out := Feed(f.New(), b, 4096)
		for i := range out.L {
			if v := out.L[i] + out.R[i]; math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("%s: frame %d comes out as (%g, %g)", s.name, i, out.L[i], out.R[i])
			}
		}
	}
	return nil
}
