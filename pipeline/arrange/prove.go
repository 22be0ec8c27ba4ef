package arrange

import (
	"math"
	"math/bits"
)

// prove goes through every division of two sides that could beat the best one
// found, as long as the work allows. It returns whether the best is proven and
// otherwise the highest step that some division might still hold.
//
// A better division must hold, on both sides, a step above the present best, or
// the same step with less curvature; with levels that differ it could also be
// one with less difference, and then every division must be looked at.
func (f *free) prove() (proven bool, bound int) {
	for {
		if len(f.best.list) == 0 {
			return false, f.top
		}
		was := f.best.list[0].key
		if was.unheld > 0 || was.diff > 0 {
			ok := f.sweep(-1, math.Inf(1))
			return ok && !f.loose, f.relaxedTop()
		}
		if was.level < f.top {
			if !f.sweep(was.level+1, math.Inf(1)) {
				return false, f.relaxedTop()
			}
			if f.best.list[0].level > was.level {
				continue
			}
		}
		if !f.sweep(was.level, was.curve) {
			return false, was.level
		}
		return !f.loose, was.level
	}
}

// sweep weighs every division whose sides both may hold a step with less than a
// curvature; step -1 takes all. False when the work ran out.
func (f *free) sweep(step int, below float64) bool {
	f.loose = false // what only the local search gave up does not matter here
	done := true
	var halves *landTables
	if step >= 0 {
		halves = f.landTables(step)
	}
	f.each(func(a set) bool {
		if f.work > workLimit {
			done = false
			return false
		}
		b := f.all() &^ a
		if step >= 0 {
			if !halves.fits(a) || !halves.fits(b) || !f.mayHold(a, b, step, below) {
				return true
			}
		}
		if k, ok := f.weigh([]set{a, b}); ok && k.unheld == 0 && k.diff == 0 && k.level == step {
			below = math.Min(below, f.best.list[0].curve)
		}
		return true
	})
	return done
}

// mayHold tells whether both sides may hold a step with less than a curvature,
// and, unless all sides are cut at one level, whether they may be equal at it
// or higher.
func (f *free) mayHold(a, b set, step int, below float64) bool {
	sets := []set{a, b}
	for k, s := range sets {
		first, last := f.ends(k)
		c, _, _ := f.relaxed(s, first, last, step)
		if c >= below || math.IsInf(c, 1) {
			return false
		}
	}
	if f.same || step >= f.top {
		return true
	}
	upA := f.orderer.best(a, f.role(sets, 0), step+1) != nil
	upB := f.orderer.best(b, f.role(sets, 1), step+1) != nil
	return upA == upB
}

// ends are the pieces held first and last on side k of two.
func (f *free) ends(k int) (first, last int) {
	first, last = -1, -1
	for i, h := range f.holds {
		if h == HoldFirst && k == 0 {
			first = i
		}
		if h == HoldLast && k == 1 {
			last = i
		}
	}
	return first, last
}

// landTables hold the land of every half set, so that a set costs one addition.
type landTables struct {
	low, high []float64
	shift     uint
	most      float64
}

func (f *free) landTables(step int) *landTables {
	n := len(f.pieces)
	h := uint(n / 2)
	sums := func(from, to int) []float64 {
		t := make([]float64, 1<<(to-from))
		for m := 1; m < len(t); m++ {
			i := bits.TrailingZeros(uint(m))
			q := &f.pieces[from+i]
			t[m] = t[m&(m-1)] + q.GapUM + q.LandUM[step]
		}
		return t
	}
	widest := 0.0
	for i := range f.pieces {
		widest = math.Max(widest, f.pieces[i].GapUM)
	}
	return &landTables{low: sums(0, int(h)), high: sums(int(h), n), shift: h,
		most: (f.OuterMM-f.InnerMM+2*slackMM)*1000 + widest + f.TailUM[step]}
}

func (t *landTables) fits(s set) bool {
	return t.low[s&(1<<t.shift-1)]+t.high[s>>t.shift] <= t.most+1e-6
}

// relaxedTop is a step above which no division can hold: every piece at the edge
// of the disc, and all together on all sides.
func (f *free) relaxedTop() int {
	return highest(f.top, func(step int) bool {
		used, widest := 0.0, 0.0
		var ess, sides, total float64
		for i := range f.pieces {
			q := &f.pieces[i]
			ess += f.at(q.DeEssS[step], f.OuterMM)
			sides += q.SidesS[step]
			total += q.LengthS + q.GapS
			if q.MinRadiusMM[step] > f.OuterMM+slackMM {
				return false
			}
			used += q.GapUM + q.LandUM[step]
			widest = math.Max(widest, q.GapUM)
		}
		room := (f.OuterMM-f.InnerMM)*1000 + f.TailUM[step] + widest
		return used <= float64(f.sides)*room+1e-6 && f.treated(ess, step, total) && f.treated(sides, step, total)
	})
}

// local improves divisions by moving one piece and by exchanging two, from two
// starts, until nothing helps or the work is done.
func (f *free) local(limit int) {
	for _, start := range [][]set{f.inOrder(), f.byLand()} {
		if start == nil {
			continue
		}
		now := start
		best, ok := f.weigh(now)
		for better := true; better && f.work < limit; {
			better = false
			f.neighbours(now, func(sets []set) bool {
				k, possible := f.weigh(sets)
				if possible && (!ok || k.less(best)) {
					best, ok, now, better = k, true, sets, true
					return false
				}
				return f.work < limit
			})
		}
	}
}

// inOrder is the division of the running order with the most even land.
func (f *free) inOrder() []set {
	total := 0.0
	land := func(i int) float64 { return f.pieces[i].LandUM[f.zero()] + f.pieces[i].GapUM }
	for i := range f.pieces {
		total += land(i)
	}
	sets := make([]set, f.sides)
	sum, k, n := 0.0, 0, len(f.pieces)
	for i := range f.pieces {
		full := sum+land(i)/2 > total*float64(k+1)/float64(f.sides)
		if k < f.sides-1 && sets[k] != 0 && (full || n-i == f.sides-1-k) {
			k++
		}
		sets[k] |= 1 << i
		sum += land(i)
	}
	return sets
}

// byLand gives the pieces, largest first, to the side with the least land.
func (f *free) byLand() []set {
	sets, sums := make([]set, f.sides), make([]float64, f.sides)
	step := f.zero()
	left := f.all()
	give := func(i, k int) {
		sets[k] |= 1 << i
		sums[k] += f.pieces[i].LandUM[step] + f.pieces[i].GapUM
		left &^= 1 << i
	}
	for i, h := range f.holds {
		if h == HoldFirst {
			give(i, 0)
		} else if h == HoldLast {
			give(i, f.sides-1)
		}
	}
	for left != 0 {
		pick := bits.TrailingZeros64(left)
		for m := left; m != 0; m &= m - 1 {
			if i := bits.TrailingZeros64(m); f.pieces[i].LandUM[step] > f.pieces[pick].LandUM[step] {
				pick = i
			}
		}
		k := 0
		for j := range sums {
			if sums[j] < sums[k] {
				k = j
			}
		}
		give(pick, k)
	}
	for _, s := range sets {
		if s == 0 {
			return nil
		}
	}
	return sets
}

// zero is the step of 0 dB, or the highest below it.
func (f *free) zero() int { return min(stepOf(0), f.top) }

// neighbours calls fn for each division one move or one exchange away.
func (f *free) neighbours(of []set, fn func([]set) bool) {
	n := len(f.pieces)
	where := make([]int, n)
	for k, s := range of {
		for m := s; m != 0; m &= m - 1 {
			where[bits.TrailingZeros64(m)] = k
		}
	}
	try := func(change func(sets []set)) bool {
		sets := append([]set(nil), of...)
		change(sets)
		return fn(sets)
	}
	for i := range n {
		for k := range of {
			if k != where[i] && !try(func(s []set) { s[where[i]] &^= 1 << i; s[k] |= 1 << i }) {
				return
			}
		}
	}
	for i := range n {
		for j := range i {
			if a, b := where[i], where[j]; a != b && !try(func(s []set) {
				s[a] = s[a]&^(1<<i) | 1<<j
				s[b] = s[b]&^(1<<j) | 1<<i
			}) {
				return
			}
		}
	}
}
