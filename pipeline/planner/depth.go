package planner

import (
	"math"

	"discsafe/pipeline/groove"
)

// depthPlan is mean groove depth over time: straight lines between nodes.
type depthPlan struct {
	nodes  []float64 // um
	spread int       // sectors between nodes
}

// depthSpread divides a turn into 24 nodes, one every 75 ms at 33 1/3: slow
// against anything heard.
const depthSpread = groove.SectorsPerTurn / 24

func (d *depthPlan) at(sector int) float64 {
	k := min(sector/d.spread, len(d.nodes)-2)
	f := float64(sector-k*d.spread) / float64(d.spread)
	f = math.Min(f, 1)
	return d.nodes[k]*(1-f) + d.nodes[k+1]*f
}

// span is the least and greatest mean depth within a sector.
func (d *depthPlan) span(sector int) (lo, hi float64) {
	a, b := d.at(sector), d.at(sector+1)
	return math.Min(a, b), math.Max(a, b)
}

// vertical collects, once for all levels, the greatest rise and fall on either
// side of each node, in um at 0 dB.
func (w *weigher) vertical(nodes int) error {
	if len(w.rise) == nodes {
		return nil
	}
	w.rise, w.fall = make([]float32, nodes), make([]float32, nodes)
	return w.side.Log.Scan(func(first int, run []groove.Motion) {
		for i := range run {
			m := &run[i]
			k := (first + i) / depthSpread
			u, f := m.VerticalMaxUM, -m.VerticalMinUM
			w.rise[k], w.rise[k+1] = max(w.rise[k], u), max(w.rise[k+1], u)
			w.fall[k], w.fall[k+1] = max(w.fall[k], f), max(w.fall[k+1], f)
		}
	})
}

// planDepth finds the shallowest groove that keeps width and depth at a gain,
// never shallower than the room's unless depth demands it, with the room's
// slew. Where vertical motion needs more than width and depth together allow,
// the depth is placed so that rise and fall must be reduced equally.
func (w *weigher) planDepth(gain float64) (*depthPlan, error) {
	s := w.side
	n := s.Log.Len()
	nodes := n/depthSpread + 2
	d := &depthPlan{nodes: make([]float64, nodes), spread: depthSpread}
	base := s.Limits.DesignDepthUM
	for i := range d.nodes {
		d.nodes[i] = base
	}
	if !s.Room.Depth.Variable {
		return d, nil
	}
	if err := w.vertical(nodes); err != nil {
		return nil, err
	}
	lower, upper := make([]float64, nodes), make([]float64, nodes)
	const spare = 1 / treatTarget
	for k := range d.nodes {
		u, f := gain*float64(w.rise[k])*spare, gain*float64(w.fall[k])*spare
		lo, hi := s.Limits.LeastDepthUM(u), s.Limits.GreatestDepthUM(f)
		if lo > hi {
			mid := (s.Limits.MaxDepthUM*u + s.Limits.MinWidthUM/2*f) / (u + f)
			lo, hi = mid, mid
		}
		lower[k], upper[k] = math.Max(lo, math.Min(base, hi)), hi
	}
	step := s.Room.Depth.Slew * s.slowdown() * s.Sectors.SecondsPerTurn * depthSpread / groove.SectorsPerTurn
	for k := 1; k < nodes; k++ {
		lower[k] = math.Max(lower[k], lower[k-1]-step)
		upper[k] = math.Min(upper[k], upper[k-1]+step)
	}
	for k := nodes - 2; k >= 0; k-- {
		lower[k] = math.Max(lower[k], lower[k+1]-step)
		upper[k] = math.Min(upper[k], upper[k+1]+step)
	}
	for k := range d.nodes {
		d.nodes[k] = math.Min(lower[k], upper[k])
	}
	return d, nil
}
