package land

import "math"

// Plan is the radial advance as a function of time. It is immutable and safe
// for use by several goroutines.
type Plan struct {
	PlannedUM       float64 // radial advance over the programme, um
	BoundUM         float64 // provable minimum for a monotone radius, see Bound
	BoundMinPitchUM float64 // provable minimum that also uses the pitch minimum
	RatioToBound    float64 // PlannedUM / BoundUM; 0 when BoundUM is 0
	// RatioToBoundMinPitch is PlannedUM / BoundMinPitchUM; 0 when that is 0. It
	// says how good the plan is; RatioToBound also counts what the pitch
	// minimum costs, which no plan can avoid.
	RatioToBoundMinPitch float64
	// GapUM: no plan with these nodes that holds the same rows uses less than
	// PlannedUM - GapUM. For a heuristic plan it is PlannedUM - BoundMinPitchUM,
	// which then holds for every plan whatever.
	GapUM        float64
	Steps        int  // Newton steps taken; 0 for a plan made without optimisation
	NodesPerTurn int  // resolution of the plan
	Quick        bool // made by a heuristic: keeps every need, uses more land than the optimum

	secondsPerTurn float64
	sectorsPerTurn int
	sectors        int
	coef           []float64 // B-spline coefficients, um, D(0) = 0
}

// newPlan takes ownership of coef, in um, and shifts it so that D(0) = 0.
func newPlan(p Problem, nodesPerTurn int, coef []float64) *Plan {
	pl := &Plan{
		NodesPerTurn:    nodesPerTurn,
		BoundUM:         Bound(p),
		BoundMinPitchUM: BoundMinPitch(p),
		secondsPerTurn:  p.SecondsPerTurn,
		sectorsPerTurn:  p.SectorsPerTurn,
		sectors:         len(p.NeedUM),
		coef:            coef,
	}
	d0 := (coef[0] + coef[1]) / 2
	for i := range coef {
		coef[i] -= d0
	}
	pl.measure()
	return pl
}

// measure sets what follows from the coefficients.
func (p *Plan) measure() {
	p.PlannedUM = p.at(float64(p.sectors) * p.nodesPerSector())
	if p.BoundUM > 0 {
		p.RatioToBound = p.PlannedUM / p.BoundUM
	}
	if p.BoundMinPitchUM > 0 {
		p.RatioToBoundMinPitch = p.PlannedUM / p.BoundMinPitchUM
	}
}

// cellCount returns how many cells of T/m seconds cover n sectors of T/k.
func cellCount(n, m, k int) int { return (n*m + k - 1) / k }

func (p *Plan) nodesPerSector() float64 {
	return float64(p.NodesPerTurn) / float64(p.sectorsPerTurn)
}

// DurationS is the length of the programme in seconds.
func (p *Plan) DurationS() float64 {
	return float64(p.sectors) / float64(p.sectorsPerTurn) * p.secondsPerTurn
}

// cell splits a time in node spacings into cell and fraction, within the plan.
func (p *Plan) cell(x float64) (k int, u float64) {
	x = min(max(x, 0), float64(p.sectors)*p.nodesPerSector())
	k = min(int(x), len(p.coef)-3)
	return k, x - float64(k)
}

func (p *Plan) at(x float64) float64 {
	k, u := p.cell(x)
	c := p.coef[k : k+3]
	v := 1 - u
	return c[0]*v*v/2 + c[1]*(0.5+u*v) + c[2]*u*u/2
}

// AdvanceUM returns the radial advance, um, at a time in seconds. Times outside
// the programme are taken as its start or end; NaN gives NaN.
func (p *Plan) AdvanceUM(seconds float64) float64 {
	if math.IsNaN(seconds) {
		return seconds
	}
	return p.at(seconds / p.secondsPerTurn * float64(p.NodesPerTurn))
}

// PitchUM returns the pitch, um per turn, at a time in seconds. Times outside
// the programme are taken as its start or end; NaN gives NaN.
func (p *Plan) PitchUM(seconds float64) float64 {
	if math.IsNaN(seconds) {
		return seconds
	}
	k, u := p.cell(seconds / p.secondsPerTurn * float64(p.NodesPerTurn))
	c := p.coef[k : k+3]
	return float64(p.NodesPerTurn) * ((c[1]-c[0])*(1-u) + (c[2]-c[1])*u)
}

// SectorAdvancesUM fills dst with the radial advance, um, at sector boundaries
// first, first+1, ... (boundary j is the start of sector j; boundary
// len(NeedUM) is the end). Boundaries outside the programme are taken as its
// start or end. It does not allocate.
func (p *Plan) SectorAdvancesUM(dst []float64, first int) {
	m, kk := p.NodesPerTurn, p.sectorsPerTurn
	inv := 1 / float64(kk)
	for i := range dst {
		num := min(max(first+i, 0), p.sectors) * m
		k := min(num/kk, len(p.coef)-3)
		u := float64(num-k*kk) * inv
		v := 1 - u
		c := p.coef[k : k+3 : k+3]
		dst[i] = c[0]*v*v/2 + c[1]*(0.5+u*v) + c[2]*u*u/2
	}
}

// SectorPitchesUM is like [Plan.SectorAdvancesUM] for the pitch, um per turn.
func (p *Plan) SectorPitchesUM(dst []float64, first int) {
	m, kk := p.NodesPerTurn, p.sectorsPerTurn
	inv := 1 / float64(kk)
	for i := range dst {
		num := min(max(first+i, 0), p.sectors) * m
		k := min(num/kk, len(p.coef)-3)
		u := float64(num-k*kk) * inv
		c := p.coef[k : k+3 : k+3]
		dst[i] = float64(m) * ((c[1]-c[0])*(1-u) + (c[2]-c[1])*u)
	}
}

// MinSlackUM returns the least of D(t+T)-D(t)-need over all times that have a
// next turn, and the sector where it occurs. It is exact within each sector
// (the minimum of a quadratic, not a sample), up to rounding of about 1e-10 um.
// It returns +Inf, -1 when no sector has a next turn. need may differ from the
// needs that were planned for; entries beyond those with a next turn are not
// looked at.
func (p *Plan) MinSlackUM(need []float32) (slackUM float64, atSector int) {
	slackUM, atSector = math.Inf(1), -1
	m, kk := p.NodesPerTurn, p.sectorsPerTurn
	inv := 1 / float64(kk)
	for i := 0; i < min(len(need), p.sectors-kk); i++ {
		// The sector in units of 1/kk cells: [i*m, (i+1)*m].
		least := math.Inf(1)
		for lo, hi := i*m, (i+1)*m; lo < hi; {
			k := lo / kk
			end := min(hi, (k+1)*kk)
			a, b := p.coef[k:k+3], p.coef[k+m:k+m+3]
			least = min(least, quadraticMin(b[0]-a[0], b[1]-a[1], b[2]-a[2],
				float64(lo-k*kk)*inv, float64(end-k*kk)*inv))
			lo = end
		}
		if s := least - float64(need[i]); s < slackUM {
			slackUM, atSector = s, i
		}
	}
	return slackUM, atSector
}

// quadraticMin returns the least value on [lo, hi] of the spline piece with
// coefficients e0, e1, e2.
func quadraticMin(e0, e1, e2, lo, hi float64) float64 {
	c0, c1, c2 := (e0+e1)/2, e1-e0, (e0-2*e1+e2)/2
	f := func(u float64) float64 { return c0 + u*(c1+u*c2) }
	v := min(f(lo), f(hi))
	if c2 > 0 {
		if u := -c1 / (2 * c2); u > lo && u < hi {
			v = min(v, f(u))
		}
	}
	return v
}

// PitchRangeUM returns the finest and coarsest pitch of the plan, um per turn.
// Exact: the pitch is linear between nodes.
func (p *Plan) PitchRangeUM() (finest, coarsest float64) {
	finest, coarsest = math.Inf(1), math.Inf(-1)
	for k := 0; k+1 < len(p.coef); k++ {
		v := float64(p.NodesPerTurn) * (p.coef[k+1] - p.coef[k])
		finest, coarsest = min(finest, v), max(coarsest, v)
	}
	return finest, coarsest
}

// MaxSlewUMPerS returns the fastest change of pitch, um of pitch per second.
// Exact: it is constant between nodes.
func (p *Plan) MaxSlewUMPerS() float64 {
	var d float64
	for k := 0; k+2 < len(p.coef); k++ {
		d = max(d, math.Abs(p.coef[k]-2*p.coef[k+1]+p.coef[k+2]))
	}
	m := float64(p.NodesPerTurn)
	return d * m * m / p.secondsPerTurn
}
