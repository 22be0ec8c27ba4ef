package arrange

import (
	"math"
	"math/bits"
	"slices"
)

// maxSubset is the most pieces on one side for which orders are exact by
// dynamic programming; the deadlines alone are exact for any number.
const maxSubset = 12

// set is a set of pieces.
type set = uint64

// role is what a side must keep.
type role struct {
	first, last int         // pieces that open and close it, -1 for none
	place       map[int]int // position on the side to the piece held there; nil for none
}

// ordered is the best order of a set at a step.
type ordered struct {
	curve float64
	order []int
}

// orderer finds orders. It keeps scratch and is used by one goroutine.
type orderer struct {
	*problem
	even  bool // all gaps alike: then which piece opens a side costs nothing
	work  int  // units of work done, a few ns each
	loose bool // an order was given up that only a search of all could have settled
	left  []int
	out   []int
}

func newOrderer(p *problem) *orderer {
	o := &orderer{problem: p, even: true}
	for i := range p.pieces {
		o.even = o.even && p.pieces[i].GapUM == p.pieces[0].GapUM && p.pieces[i].GapS == p.pieces[0].GapS
	}
	return o
}

// relaxed is the least worst curvature of any order of s at a step, with fixed
// places and caps on treated time left aside, and an order that reaches it;
// +Inf when no order meets the deadlines. Where gaps differ the widest is left
// out, so the figure is a bound, and exact is false.
//
// Lawler: last goes the piece that costs least as the last of all that are
// left.
func (o *orderer) relaxed(s set, first, last, step int) (curve float64, order []int, exact bool) {
	left, out := o.left[:0], o.out[:0]
	used, widest := 0.0, 0.0
	for m := s; m != 0; m &= m - 1 {
		i := bits.TrailingZeros64(m)
		q := &o.pieces[i]
		used += q.GapUM + q.LandUM[step]
		widest = math.Max(widest, q.GapUM)
		if i != first && i != last {
			left = append(left, i)
		}
	}
	used -= widest
	curve = 0
	take := func(i int) {
		q := &o.pieces[i]
		c := o.cost(q, math.Min(o.OuterMM, o.OuterMM-(used-q.LandUM[step])/1000), step)
		curve = math.Max(curve, c)
		used -= q.GapUM + q.LandUM[step]
		out = append(out, i)
		o.work++
	}
	if last >= 0 {
		take(last)
	}
	for len(left) > 0 && !math.IsInf(curve, 1) {
		best, least := 0, math.Inf(1)
		for n, i := range left {
			q := &o.pieces[i]
			if c := o.cost(q, math.Min(o.OuterMM, o.OuterMM-(used-q.LandUM[step])/1000), step); c < least {
				best, least = n, c
			}
		}
		o.work += len(left)
		take(left[best])
		left = append(left[:best], left[best+1:]...)
	}
	if first >= 0 && first != last {
		take(first)
	}
	slices.Reverse(out)
	o.left, o.out = left, out
	return curve, out, o.even
}

// cost is the curvature of a piece that begins at a radius, +Inf where it may
// not.
func (o *orderer) cost(q *Piece, radiusMM float64, step int) float64 {
	if radiusMM < q.MinRadiusMM[step]-slackMM {
		return math.Inf(1)
	}
	return o.at(q.Curve[step], radiusMM)
}

// fits tells whether any order of s can end on the disc at a step.
func (o *orderer) fits(s set, step int) bool {
	used, widest := -o.TailUM[step], 0.0
	for m := s; m != 0; m &= m - 1 {
		q := &o.pieces[bits.TrailingZeros64(m)]
		used += q.GapUM + q.LandUM[step]
		widest = math.Max(widest, q.GapUM)
	}
	return o.OuterMM-(used-widest)/1000 >= o.InnerMM-slackMM
}

// best is the order of s with the least worst curvature among those that hold
// at a step; nil when there is none.
func (o *orderer) best(s set, r role, step int) *ordered {
	if s == 0 || !o.fits(s, step) {
		return nil
	}
	curve, order, exact := o.relaxed(s, r.first, r.last, step)
	if math.IsInf(curve, 1) {
		return nil
	}
	if exact && r.keeps(order) {
		if c, ok := o.play(order, step); ok {
			return &ordered{curve: c, order: slices.Clone(order)}
		}
	}
	if !o.mayTreat(s, step) {
		return nil
	}
	if bits.OnesCount64(s) > maxSubset {
		o.loose = true
		if c, ok := o.play(order, step); ok && r.keeps(order) {
			return &ordered{curve: c, order: slices.Clone(order)}
		}
		return nil
	}
	return o.subsets(s, r, step)
}

// mayTreat tells whether s keeps the caps on treated time if every piece began
// at the edge, where the least treatment is needed.
func (o *orderer) mayTreat(s set, step int) bool {
	var ess, sides, total, shortest float64
	shortest = math.Inf(1)
	for m := s; m != 0; m &= m - 1 {
		q := &o.pieces[bits.TrailingZeros64(m)]
		ess += o.at(q.DeEssS[step], o.OuterMM)
		sides += q.SidesS[step]
		total += q.LengthS + q.GapS
		shortest = math.Min(shortest, q.GapS)
	}
	return o.treated(ess, step, total-shortest) && o.treated(sides, step, total-shortest)
}

func (r role) keeps(order []int) bool {
	for at, piece := range r.place {
		if at >= len(order) || order[at] != piece {
			return false
		}
	}
	return true
}

// partial is one way to have placed a subset: what counts for those to come is
// where it ends, which the subset says, and these two.
type partial struct {
	curve, essS float64
	piece       int8 // placed last
	from        int32
}

// subsets is the exact order by dynamic programming over subsets, for each
// piece that may open the side. For each subset it keeps all ways of which no
// other has both less curvature and less time treated.
func (o *orderer) subsets(s set, r role, step int) *ordered {
	var of []int
	for m := s; m != 0; m &= m - 1 {
		of = append(of, bits.TrailingZeros64(m))
	}
	n := len(of)
	var total, sidesS float64
	for _, i := range of {
		total += o.pieces[i].LengthS + o.pieces[i].GapS
		sidesS += o.pieces[i].SidesS[step]
	}
	var found *ordered
	fronts := make([][]partial, 1<<n)
	advance := make([]float64, 1<<n) // with every gap, um
	for f, opens := range of {
		if r.first >= 0 && opens != r.first || r.last == opens && n > 1 {
			continue
		}
		if at, held := r.place[0]; held && at != opens {
			continue
		}
		q := &o.pieces[opens]
		sideS := total - q.GapS
		if !o.treated(sidesS, step, sideS) {
			continue
		}
		for m := range fronts {
			fronts[m] = fronts[m][:0]
		}
		c := o.cost(q, o.OuterMM, step)
		ess := o.at(q.DeEssS[step], o.OuterMM)
		if math.IsInf(c, 1) || !o.treated(ess, step, sideS) {
			continue
		}
		start := 1 << f
		advance[start] = q.LandUM[step]
		fronts[start] = append(fronts[start], partial{curve: c, essS: ess, piece: int8(f), from: -1})
		for m := start; m < 1<<n; m++ {
			if len(fronts[m]) == 0 {
				continue
			}
			at := bits.OnesCount(uint(m))
			held, fixed := r.place[at]
			for j, i := range of {
				if m&(1<<j) != 0 || fixed && i != held || (i == r.last) != (r.last >= 0 && at == n-1) {
					continue
				}
				q := &o.pieces[i]
				radius := o.OuterMM - (advance[m]+q.GapUM)/1000
				c := o.cost(q, radius, step)
				o.work += 1 + len(fronts[m])
				if math.IsInf(c, 1) {
					continue
				}
				ess := o.at(q.DeEssS[step], radius)
				to := m | 1<<j
				advance[to] = advance[m] + q.GapUM + q.LandUM[step]
				for k := range fronts[m] {
					w := &fronts[m][k]
					next := partial{curve: math.Max(w.curve, c), essS: w.essS + ess, piece: int8(j), from: int32(k)}
					if o.treated(next.essS, step, sideS) {
						fronts[to] = insert(fronts[to], next)
					}
				}
			}
		}
		full := 1<<n - 1
		for k := range fronts[full] {
			w := fronts[full][k]
			if found != nil && w.curve >= found.curve {
				continue
			}
			order := o.trace(fronts, of, full, k)
			if c, ok := o.play(order, step); ok && (found == nil || c < found.curve) {
				found = &ordered{curve: c, order: order}
			}
		}
	}
	return found
}

// trace walks back from a way to have placed all.
func (o *orderer) trace(fronts [][]partial, of []int, m, k int) []int {
	var order []int
	for m != 0 {
		w := fronts[m][k]
		order = append(order, of[w.piece])
		m &^= 1 << w.piece
		k = int(w.from)
	}
	slices.Reverse(order)
	return order
}

// insert keeps ways that no other beats in both figures. A subset is only
// extended when all smaller ones are done, so nothing yet points into front.
func insert(front []partial, p partial) []partial {
	for i := range front {
		if front[i].curve <= p.curve && front[i].essS <= p.essS {
			return front
		}
	}
	out := front[:0]
	for _, q := range front {
		if !(p.curve <= q.curve && p.essS <= q.essS) {
			out = append(out, q)
		}
	}
	return append(out, p)
}

// level is the highest step at which some order of s holds, -1 if none.
func (o *orderer) level(s set, r role) int {
	return highest(o.top, func(step int) bool { return o.best(s, r, step) != nil })
}
