package queue

import (
	"cmp"
	"slices"
)

// Key is one line of waiting messages: a lane and the hash of a studio.
type Key struct {
	Lane   string
	Studio string
}

// Turns decides whose turn it is. Two rules:
//
//  1. Lanes: express goes first, but after ExpressRun express deliveries in a
//     row bulk goes first once. So bulk gets at least one delivery in
//     ExpressRun+1 while both wait, and express is never behind more than one.
//  2. Studios of a lane: least recently served first, a studio never served
//     before all others. So among K studios with work nobody is passed over
//     more than K-1 times, and who comes with one job comes next, whatever the
//     length of the other lines.
//
// Each worker process keeps its own Turns; the bound holds for each by itself,
// hence for all together. It is deficit-free round robin by count, not by
// minutes of work: jobs of one studio may still be longer than another's.
//
// Turns is not safe for concurrent use; the zero value is ready.
type Turns struct {
	// ExpressRun is how many express deliveries may come in a row while bulk
	// waits; 0 means DefaultExpressRun.
	ExpressRun int

	run    int            // express deliveries since the last bulk one
	count  uint64         // deliveries so far
	served map[Key]uint64 // count at the last delivery
}

// DefaultExpressRun gives bulk a quarter of the deliveries under full load.
// Our judgement, no source.
const DefaultExpressRun = 3

// Order sorts the lines that have work in the order in which they should be
// tried. It sorts in place and returns the same slice.
func (t *Turns) Order(busy []Key) []Key {
	first := Express
	limit := t.ExpressRun
	if limit <= 0 {
		limit = DefaultExpressRun
	}
	if t.run >= limit {
		first = Bulk
	}
	slices.SortFunc(busy, func(a, b Key) int {
		if a.Lane != b.Lane {
			if a.Lane == first {
				return -1
			}
			if b.Lane == first {
				return 1
			}
			return cmp.Compare(a.Lane, b.Lane)
		}
		return cmp.Or(cmp.Compare(t.served[a], t.served[b]), cmp.Compare(a.Studio, b.Studio))
	})
	return busy
}

// Served records a delivery from the line.
func (t *Turns) Served(k Key) {
	if t.served == nil {
		t.served = make(map[Key]uint64)
	}
	t.count++
	t.served[k] = t.count
	if k.Lane == Express {
		t.run++
	} else {
		t.run = 0
	}
}

// Forget drops lines that have no work, so that memory follows the busy
// studios and not all that ever were.
func (t *Turns) Forget(idle func(Key) bool) {
	for k := range t.served {
		if idle(k) {
			delete(t.served, k)
		}
	}
}
