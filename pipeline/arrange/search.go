package arrange

import (
	"math"
	"math/bits"
	"slices"
)

const (
	keptBest  = 5  // arrangements in the table
	maxAll    = 13 // pieces up to which every division is weighed
	maxExact  = 24 // pieces up to which a proof is tried
	workLimit = 350_000_000
	localWork = 60_000_000
)

// key is what arrangements are compared by.
type key struct {
	unheld int // sides that hold at no level
	diff   int // steps between the highest and the lowest side
	level  int // lowest step
	curve  float64
}

func (a key) less(b key) bool {
	switch {
	case a.unheld != b.unheld:
		return a.unheld < b.unheld
	case a.diff != b.diff:
		return a.diff < b.diff
	case a.level != b.level:
		return a.level > b.level
	}
	return a.curve < b.curve
}

// division is one arrangement.
type division struct {
	key
	orders [][]int
	steps  []int // level of each side
}

// bestOf keeps the best divisions, the first found of equals first.
type bestOf struct {
	list []division
	most int
}

func (b *bestOf) add(d division) {
	at := len(b.list)
	for i := range b.list {
		if d.less(b.list[i].key) {
			at = i
			break
		}
	}
	if at >= b.most {
		return
	}
	for i := range b.list {
		if slices.EqualFunc(b.list[i].orders, d.orders, slices.Equal) {
			return
		}
	}
	b.list = slices.Insert(b.list, at, d)
	b.list = b.list[:min(len(b.list), b.most)]
}

// outcome is what a search found.
type outcome struct {
	best    []division
	proven  bool
	bound   int // no division holds on every side above this step; only when not proven
	weighed int // divisions weighed in full
	method  string
}

// keepOrder weighs every division with the order kept.
func (p *problem) keepOrder() outcome {
	n := len(p.pieces)
	type part struct {
		level int
		curve map[int]float64
	}
	parts := make([][]part, n)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	for i := range parts {
		parts[i] = make([]part, n+1)
		for j := i + 1; j <= n; j++ {
			parts[i][j] = part{level: p.sideLevel(order[i:j]), curve: map[int]float64{}}
		}
	}
	curve := func(i, j, step int) float64 {
		c, ok := parts[i][j].curve[step]
		if !ok {
			c, _ = p.play(order[i:j], max(step, 0))
			parts[i][j].curve[step] = c
		}
		return c
	}
	out := outcome{proven: true, method: "every division weighed, order kept"}
	best := bestOf{most: keptBest}
	cuts := make([]int, p.sides+1)
	cuts[p.sides] = n
	var walk func(side int)
	walk = func(side int) {
		if side < p.sides {
			for c := cuts[side-1] + 1; c <= n-(p.sides-side); c++ {
				cuts[side] = c
				walk(side + 1)
			}
			return
		}
		out.weighed++
		levels := make([]int, p.sides)
		for s := range levels {
			levels[s] = parts[cuts[s]][cuts[s+1]].level
		}
		d := division{steps: levels}
		d.key = p.keyOf(levels)
		for s := range levels {
			d.curve = math.Max(d.curve, curve(cuts[s], cuts[s+1], levels[s]))
		}
		if len(best.list) == best.most && !d.less(best.list[best.most-1].key) {
			return
		}
		for s := range levels {
			d.orders = append(d.orders, slices.Clone(order[cuts[s]:cuts[s+1]]))
		}
		best.add(d)
	}
	walk(1)
	out.best = best.list
	return out
}

// keyOf compares levels of sides; with one level for all it lowers them to it.
func (p *problem) keyOf(levels []int) key {
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
		return k
	}
	k.diff = slices.Max(levels) - k.level
	return k
}

// free searches divisions and orders.
type free struct {
	*orderer
	levels       map[levelKey]int
	best         bestOf
	weighed      int
	mustA, mustB set
}

func newFree(p *problem) *free {
	f := &free{orderer: newOrderer(p), levels: map[levelKey]int{}, best: bestOf{most: keptBest}}
	for i, h := range p.holds {
		switch h {
		case HoldFirst:
			f.mustA |= 1 << i
		case HoldLast:
			f.mustB |= 1 << i
		}
	}
	return f
}

type levelKey struct {
	s    set
	side int // 0 for sides alike
}

// freeOrder finds the best division and order of all allowed.
func (p *problem) freeOrder() outcome {
	f := newFree(p)
	n := len(p.pieces)
	out := outcome{}
	switch {
	case p.sides == 1:
		f.weigh([]set{1<<n - 1})
		out.proven, out.method = !f.loose, "one side, every order by deadlines and subsets"
	case p.sides == 2 && n <= maxAll:
		f.each(func(a set) bool { f.weigh([]set{a, f.all() &^ a}); return true })
		out.proven, out.method = !f.loose, "every division weighed, the order of each side exact"
	case p.sides == 2 && n <= maxExact:
		f.local(localWork)
		out.proven, out.bound = f.prove()
		out.method = "local search, then every division that could beat it, the order of each side exact"
	default:
		f.local(4 * localWork)
		out.method = "local search over divisions, the order of each side by deadlines"
	}
	if !out.proven && out.bound == 0 {
		out.bound = f.relaxedTop()
	}
	out.best, out.weighed = f.best.list, f.weighed
	return out
}

func (f *free) all() set { return 1<<len(f.pieces) - 1 }

// each calls fn for every division over two sides: side a of each, neither
// empty. Where the sides are alike, piece 0 stays on the first.
func (f *free) each(fn func(a set) bool) {
	alike := f.alike()
	for a := set(1); a < f.all(); a++ {
		if alike && a&1 == 0 || !f.allowed(a) {
			continue
		}
		if !fn(a) {
			return
		}
	}
}

// alike tells whether nothing distinguishes the sides.
func (f *free) alike() bool {
	return !slices.ContainsFunc(f.holds, func(h string) bool { return h != HoldFree && h != "" })
}

// allowed tells whether tracks that hold first and last are on their sides.
func (f *free) allowed(a set) bool {
	return a&f.mustA == f.mustA && a&f.mustB == 0
}

// role is what side number k of sets must keep.
func (f *free) role(sets []set, k int) role {
	r := role{first: -1, last: -1}
	before, size := 0, bits.OnesCount64(sets[k])
	for _, s := range sets[:k] {
		before += bits.OnesCount64(s)
	}
	for i, h := range f.holds {
		switch h {
		case HoldFirst:
			if k == 0 {
				r.first = i
			}
		case HoldLast:
			if k == len(sets)-1 {
				r.last = i
			}
		case HoldPlace:
			if at := i - before; at >= 0 && at < size {
				if r.place == nil {
					r.place = map[int]int{}
				}
				r.place[at] = i
			}
		}
	}
	return r
}

// possible tells whether a side has the pieces its role asks for.
func (r role) possible(s set) bool {
	in := func(i int) bool { return i < 0 || s>>i&1 == 1 }
	if !in(r.first) || !in(r.last) || r.first >= 0 && r.first == r.last && bits.OnesCount64(s) > 1 {
		return false
	}
	n := bits.OnesCount64(s)
	for at, i := range r.place {
		if !in(i) || at == 0 && r.first >= 0 && r.first != i || at == n-1 && r.last >= 0 && r.last != i ||
			at > 0 && r.first == i || at < n-1 && r.last == i {
			return false
		}
	}
	return true
}

// weigh weighs one division in full.
func (f *free) weigh(sets []set) (key, bool) {
	f.weighed++
	levels := make([]int, len(sets))
	for k, s := range sets {
		r := f.role(sets, k)
		if s == 0 || !r.possible(s) {
			return key{}, false
		}
		at := levelKey{s, 0}
		if !f.alike() {
			at.side = k + 1
		}
		l, known := f.levels[at]
		if !known {
			was := f.loose
			f.loose = false
			l = f.level(s, r)
			if !f.loose && len(f.levels) < 1<<18 {
				f.levels[at] = l
			}
			f.loose = f.loose || was
		}
		levels[k] = l
	}
	d := division{steps: levels}
	d.key = f.keyOf(levels)
	if last := len(f.best.list) - 1; last == f.best.most-1 {
		if worse := f.best.list[last].key; d.unheld == worse.unheld && d.diff == worse.diff && d.level < worse.level ||
			d.unheld == worse.unheld && d.diff > worse.diff || d.unheld > worse.unheld {
			return d.key, true
		}
	}
	for k, s := range sets {
		r := f.role(sets, k)
		o := (*ordered)(nil)
		if levels[k] >= 0 {
			o = f.orderer.best(s, r, levels[k])
		}
		if o == nil { // holds nowhere: any order serves to show it
			order := f.anyOrder(s, r)
			c, _ := f.play(order, 0)
			o = &ordered{curve: c, order: order}
		}
		d.curve = math.Max(d.curve, o.curve)
		d.orders = append(d.orders, o.order)
	}
	f.best.add(d)
	return d.key, true
}

// anyOrder is an order that keeps a role.
func (f *free) anyOrder(s set, r role) []int {
	var rest []int
	fixed := map[int]bool{r.first: true, r.last: true}
	for _, i := range r.place {
		fixed[i] = true
	}
	for m := s; m != 0; m &= m - 1 {
		if i := bits.TrailingZeros64(m); !fixed[i] {
			rest = append(rest, i)
		}
	}
	n := bits.OnesCount64(s)
	order := make([]int, 0, n)
	for at := range n {
		held, is := r.place[at]
		switch {
		case at == 0 && r.first >= 0:
			order = append(order, r.first)
		case at == n-1 && r.last >= 0:
			order = append(order, r.last)
		case is:
			order = append(order, held)
		case len(rest) > 0:
			order = append(order, rest[0])
			rest = rest[1:]
		}
	}
	return order
}
