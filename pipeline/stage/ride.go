package stage

import (
	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// ride is the clockwork shared by the limiting stages: it keeps enough of the
// past and future of the stream, asks for each sector's allowance as soon as
// its frames are there, and applies the smoothed gain once it is known.
type ride struct {
	sectors groove.Sectors
	margin  int // frames needed before and after a sector
	curve   *gainCurve
	trace   *Trace
	last    int // number of sectors; later ones allow everything
	late    int // frames by which the stages before delay the stream

	buf    audio.Block // frames base, base+1, ...
	base   int64
	fill   int
	taken  int64 // frames of the stream taken in
	asked  int   // next sector to ask
	done   int   // next sector to apply
	delay  int
	worst  []float64 // value/limit by sector, ring beside the curve's
	limits []string

	// allow returns the greatest gain for a sector, what value/limit asked for
	// it and the limit's name. x starts margin frames before the sector.
	allow func(sector int, x audio.Block) (gain, worst float64, limit string)
	// apply changes a sector in place with gains g0 to g1 at its boundaries; x
	// starts margin frames before the sector. It is called for every sector.
	apply func(sector int, x audio.Block, g0, g1 float64)
}

func newRide(s groove.Sectors, count, look, margin, late int, trace *Trace) *ride {
	r := &ride{sectors: s, margin: margin, curve: newGainCurve(look), trace: trace, last: count, late: late}
	r.delay = (2*look+3)*s.MaxFrames() + margin
	size := 2*(r.delay+2*margin+s.MaxFrames()) + 1<<14
	r.buf = audio.NewBlock(size)
	r.worst, r.limits = make([]float64, 4*look+8), make([]string, 4*look+8)
	r.reset()
	return r
}

func (r *ride) reset() {
	clear(r.buf.L)
	clear(r.buf.R)
	r.curve.reset()
	// Silence before the first frame serves as margin and as what comes out
	// first.
	lead := r.delay + r.margin
	r.base, r.fill = -int64(lead)-int64(r.late), lead
	r.taken, r.asked, r.done = -int64(r.late), 0, 0
}

func (r *ride) process(b audio.Block) {
	const step = 1 << 12
	for at := 0; at < b.Len(); at += step {
		c := b.Slice(at, min(at+step, b.Len()))
		r.take(c)
		for r.act() || r.ask() { // act first: the curve remembers only so much
		}
		from := int(r.taken - int64(c.Len()) - int64(r.delay) - r.base)
		copy(c.L, r.buf.L[from:from+c.Len()])
		copy(c.R, r.buf.R[from:from+c.Len()])
	}
}

func (r *ride) take(c audio.Block) {
	if r.fill+c.Len() > r.buf.Len() {
		// Keep what the output and the next sector's margin still need.
		keep := min(r.taken-int64(r.delay), r.sectors.StartFrame(r.done)-int64(r.margin)) - int64(r.sectors.MaxFrames())
		drop := int(keep - r.base)
		copy(r.buf.L, r.buf.L[drop:r.fill])
		copy(r.buf.R, r.buf.R[drop:r.fill])
		r.fill -= drop
		r.base = keep
	}
	copy(r.buf.L[r.fill:], c.L)
	copy(r.buf.R[r.fill:], c.R)
	r.fill += c.Len()
	r.taken += int64(c.Len())
}

// window is a sector with its margins, if all its frames are there.
func (r *ride) window(sector int) (audio.Block, bool) {
	from := r.sectors.StartFrame(sector) - int64(r.margin) - r.base
	to := r.sectors.StartFrame(sector+1) + int64(r.margin) - r.base
	if to > int64(r.fill) {
		return audio.Block{}, false
	}
	return r.buf.Slice(int(from), int(to)), true
}

func (r *ride) ask() bool {
	x, ok := r.window(r.asked)
	if !ok {
		return false
	}
	g, w, name := 1.0, 0.0, ""
	if r.asked < r.last {
		g, w, name = r.allow(r.asked, x)
	}
	r.curve.push(g)
	i := r.asked % len(r.worst)
	r.worst[i], r.limits[i] = w, name
	r.asked++
	return true
}

func (r *ride) act() bool {
	if r.curve.ready() < r.done+1 {
		return false
	}
	x, ok := r.window(r.done)
	if !ok {
		return false
	}
	g0, g1 := r.curve.at(r.done), r.curve.at(r.done+1)
	r.apply(r.done, x, g0, g1)
	if g := min(g0, g1); g < 1 && r.done < r.last {
		i := r.done % len(r.worst)
		r.trace.note(r.done, g, audio.DB((g0+g1)/2), r.worst[i], r.limits[i])
	}
	r.done++
	return true
}
