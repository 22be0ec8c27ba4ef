package stage

import "math"

// gainCurve turns the greatest gain each sector allows into a smooth gain that
// never exceeds it. The allowance is first held over look sectors on either
// side (a sliding minimum), then smoothed with a raised-cosine kernel of the
// same half-width. Because the kernel never looks further than the minimum was
// held, the smoothed gain stays at or below every allowance, and it equals the
// allowance where that is least: as little as possible is taken away. From one
// boundary to the next the gain moves by at most the kernel's greatest weight,
// 1/(look+1), of the deepest reduction in reach.
//
// Gains live on sector boundaries; between them they run linearly. A sector
// reaches 2*look+1 sectors on either side; beyond that the gain is exactly 1.
type gainCurve struct {
	look   int
	kernel []float64 // 2*look+1 weights, sum 1
	allow  []float64 // ring of allowances
	pushed int       // sectors pushed
	held   []float64 // ring of sliding minima, by boundary
	last   int       // last sector that allowed less than 1
}

func newGainCurve(look int) *gainCurve {
	g := &gainCurve{look: look, kernel: make([]float64, 2*look+1)}
	sum := 0.0
	for k := range g.kernel {
		g.kernel[k] = 1 + math.Cos(math.Pi*float64(k-look)/float64(look+1))
		sum += g.kernel[k]
	}
	for k := range g.kernel {
		g.kernel[k] /= sum
	}
	n := 4*look + 4
	g.allow, g.held = make([]float64, n), make([]float64, n)
	g.reset()
	return g
}

func (g *gainCurve) reset() {
	for i := range g.allow {
		g.allow[i], g.held[i] = 1, 1
	}
	g.pushed, g.last = 0, math.MinInt/2
}

// push gives the allowance of the next sector.
func (g *gainCurve) push(allow float64) {
	n := len(g.allow)
	i := g.pushed
	g.allow[i%n] = allow
	g.pushed++
	if allow < 1 {
		g.last = i
	}
	// Boundary b holds the minimum of sectors b-look-1 to b+look. Boundaries
	// before the start count too: the kernel of the first ones reaches there.
	b := i - g.look
	m := 1.0
	if g.last >= b-g.look-1 {
		for k := max(0, b-g.look-1); k <= i; k++ {
			m = math.Min(m, g.allow[k%n])
		}
	}
	g.held[(b+n)%n] = m
}

// ready is the last boundary whose gain is known.
func (g *gainCurve) ready() int { return g.pushed - 1 - 2*g.look }

// at is the gain at boundary b, which must be ready and not older than the
// ring holds: exactly 1 where nothing near asks for less.
func (g *gainCurve) at(b int) float64 {
	if g.last < b-2*g.look-1 {
		return 1
	}
	n := len(g.held)
	sum, touched := 0.0, false
	for k, w := range g.kernel {
		m := g.held[(b+k-g.look+n)%n]
		if m < 1 {
			touched = true
		}
		sum += w * m
	}
	if !touched {
		return 1
	}
	return math.Min(sum, 1)
}
