package arrange

import (
	"fmt"
	"math"
	"math/rand"
	"slices"
	"testing"
)

// small draws a problem whose figures are dyadic, so that sums and
// interpolation are exact and the comparison with brute force needs no
// tolerance.
func small(rnd *rand.Rand, n, sides int) *problem {
	const top = 7
	p := &problem{sides: sides, top: top, same: rnd.Intn(3) == 0}
	p.Frame = Frame{OuterMM: 64, InnerMM: 32, SoftFrom: rnd.Intn(4), TreatedShare: 0.015625 * float64(1+rnd.Intn(4)), RadiusStepMM: 1}
	for step := range top + 1 {
		p.TailUM = append(p.TailUM, float64(125*(step/4)))
	}
	evenGaps := rnd.Intn(2) == 0
	for range n {
		q := Piece{LengthS: float64(16 * (1 + rnd.Intn(8))), GapS: 2, GapUM: 250}
		if !evenGaps {
			q.GapS, q.GapUM = float64(rnd.Intn(4)), float64(125*rnd.Intn(6))
		}
		land := float64(250 * (4 + rnd.Intn(8*6/n+8)))
		loud, ess, room := rnd.Intn(16), rnd.Intn(6), 24+rnd.Intn(40)
		slope := 125 * (1 + rnd.Intn(2)) // land never falls with level
		for step := range top + 1 {
			q.LandUM = append(q.LandUM, land+float64(slope*step))
			q.SidesS = append(q.SidesS, float64(step*rnd.Intn(2))/4)
			least := float64(room) - 12 + 2*float64(step)
			if least > 70 {
				least = math.Inf(1)
			}
			q.MinRadiusMM = append(q.MinRadiusMM, least)
			curve, treated := make([]float32, 40), make([]float32, 40)
			for j := range curve {
				curve[j] = float32(loud*(1+step)) / 8 * (1 + float32(j)/32)
				treated[j] = float32(ess*step*j) / 32
			}
			q.Curve, q.DeEssS = append(q.Curve, curve), append(q.DeEssS, treated)
		}
		for step := 1; step <= top; step++ {
			q.SidesS[step] = math.Max(q.SidesS[step], q.SidesS[step-1])
		}
		p.pieces = append(p.pieces, q)
		p.holds = append(p.holds, HoldFree)
	}
	if rnd.Intn(2) == 0 {
		p.holds[rnd.Intn(n)] = []string{HoldFirst, HoldLast, HoldPlace}[rnd.Intn(3)]
		if i := rnd.Intn(n); p.holds[i] == HoldFree {
			p.holds[i] = HoldPlace
		}
	}
	return p
}

// permutations calls fn with every order of s.
func permutations(s []int, fn func([]int)) {
	var walk func(k int)
	walk = func(k int) {
		if k == len(s) {
			fn(s)
			return
		}
		for i := k; i < len(s); i++ {
			s[k], s[i] = s[i], s[k]
			walk(k + 1)
			s[k], s[i] = s[i], s[k]
		}
	}
	walk(0)
}

// brute is the best key of all divisions and all orders, by trying them.
func brute(p *problem) (best key, found bool) {
	n := len(p.pieces)
	orders := func(side, before int, s []int, fn func([]int)) {
		permutations(slices.Clone(s), func(o []int) {
			for at, i := range o {
				switch p.holds[i] {
				case HoldFirst:
					if side != 0 || at != 0 {
						return
					}
				case HoldLast:
					if side != p.sides-1 || at != len(o)-1 {
						return
					}
				case HoldPlace:
					if before+at != i {
						return
					}
				}
			}
			fn(o)
		})
	}
	try := func(parts [][]int) {
		levels := make([]int, len(parts))
		before := 0
		for k, s := range parts {
			levels[k] = -2
			orders(k, before, s, func(o []int) {
				levels[k] = max(levels[k], -1)
				for step := p.top; step > levels[k]; step-- {
					if _, ok := p.play(o, step); ok {
						levels[k] = step
						break
					}
				}
			})
			if levels[k] == -2 {
				return
			}
			before += len(s)
		}
		k := key{level: slices.Min(levels)}
		for _, l := range levels {
			if l < 0 {
				k.unheld++
			}
		}
		if p.same {
			for i := range levels {
				levels[i] = k.level
			}
		} else {
			k.diff = slices.Max(levels) - k.level
		}
		if k.unheld > 0 {
			k.curve = math.NaN() // not compared
		} else {
			before = 0
			for j, s := range parts {
				least := math.Inf(1)
				orders(j, before, s, func(o []int) {
					if c, ok := p.play(o, levels[j]); ok {
						least = math.Min(least, c)
					}
				})
				k.curve = math.Max(k.curve, least)
				before += len(s)
			}
		}
		if !found || k.less(best) {
			best, found = k, true
		}
	}
	if p.sides == 1 {
		all := make([]int, n)
		for i := range all {
			all[i] = i
		}
		try([][]int{all})
		return best, found
	}
	for a := 1; a < 1<<n-1; a++ {
		var x, y []int
		for i := range n {
			if a>>i&1 == 1 {
				x = append(x, i)
			} else {
				y = append(y, i)
			}
		}
		try([][]int{x, y})
	}
	return best, found
}

// Orders and divisions are exactly as good as trying all of them: no tolerance.
func TestFreeOrderAgainstBruteForce(t *testing.T) {
	held, treatedBinds := 0, 0
	for seed := range 240 {
		rnd := rand.New(rand.NewSource(int64(seed)))
		n := 2 + rnd.Intn(6)
		sides := 2
		if seed%6 == 0 {
			sides = 1
		}
		p := small(rnd, n, sides)
		want, any := brute(p)
		got := p.freeOrder()
		name := fmt.Sprintf("seed %d, %d pieces on %d sides", seed, n, sides)
		if !any {
			if len(got.best) > 0 {
				t.Errorf("%s: found %+v where no order is allowed", name, got.best[0])
			}
			continue
		}
		if !got.proven || len(got.best) == 0 {
			t.Errorf("%s: not proven, %d found", name, len(got.best))
			continue
		}
		k := got.best[0].key
		if k.unheld != want.unheld || k.diff != want.diff || k.level != want.level || k.unheld == 0 && k.curve != want.curve {
			t.Errorf("%s: got %+v, trying all gives %+v", name, k, want)
		}
		if k.unheld > 0 {
			continue
		}
		held++
		for s, o := range got.best[0].orders {
			c, ok := p.play(o, got.best[0].steps[s])
			if !ok || c > k.curve {
				t.Errorf("%s: side %d %v does not hold at its step (%g, %v)", name, s, o, c, ok)
			}
		}
		if _, o, _ := newOrderer(p).relaxed(1<<n-1, -1, -1, min(k.level, p.top)); len(o) == n {
			if _, ok := p.play(o, k.level); !ok {
				treatedBinds++
			}
		}
	}
	if held < 150 {
		t.Errorf("only %d of 240 cases hold at all: the test tests little", held)
	}
	t.Logf("%d cases hold; in %d the order by deadlines alone would not have", held, treatedBinds)
}

// The proof for larger releases, put to work on small ones.
func TestProofAgainstBruteForce(t *testing.T) {
	proven := 0
	for seed := range 120 {
		rnd := rand.New(rand.NewSource(int64(1000 + seed)))
		n := 3 + rnd.Intn(5)
		p := small(rnd, n, 2)
		want, any := brute(p)
		f := newFree(p)
		f.local(localWork)
		ok, bound := f.prove()
		if !any {
			continue
		}
		if !ok {
			if want.unheld == 0 && want.level > bound {
				t.Errorf("seed %d: level %d is above the bound %d", seed, want.level, bound)
			}
			continue
		}
		proven++
		k := f.best.list[0].key
		if k.unheld != want.unheld || k.diff != want.diff || k.level != want.level || k.unheld == 0 && k.curve != want.curve {
			t.Errorf("seed %d: got %+v, trying all gives %+v", seed, k, want)
		}
	}
	if proven < 80 {
		t.Errorf("only %d of 120 proven", proven)
	}
}

func TestKeepOrderAgainstBruteForce(t *testing.T) {
	for seed := range 200 {
		rnd := rand.New(rand.NewSource(int64(5000 + seed)))
		n := 2 + rnd.Intn(6)
		p := small(rnd, n, 2)
		got := p.keepOrder().best[0].key
		var want key
		for c := 1; c < n; c++ {
			parts := [][]int{make([]int, c), make([]int, n-c)}
			for i := range n {
				if i < c {
					parts[0][i] = i
				} else {
					parts[1][i-c] = i
				}
			}
			levels := make([]int, 2)
			for s, o := range parts {
				levels[s] = -1
				for step := p.top; step >= 0; step-- {
					if _, ok := p.play(o, step); ok {
						levels[s] = step
						break
					}
				}
			}
			k := p.keyOf(levels)
			for s, o := range parts {
				cv, _ := p.play(o, max(levels[s], 0))
				k.curve = math.Max(k.curve, cv)
			}
			if c == 1 || k.less(want) {
				want = k
			}
		}
		if got != want {
			t.Errorf("seed %d: got %+v, want %+v", seed, got, want)
		}
	}
}
