package land

// Bound returns a provable lower bound, in um, of the radial advance of any
// plan with a radius that never moves outwards: no slew limit, no pitch
// minimum. Proof in the package comment. The problem must be valid; needs are
// not compared with MaxPitchUM.
func Bound(p Problem) float64 { return longestPath(p, 0) }

// BoundMinPitch is like [Bound] and also uses the pitch minimum. It is never
// below Bound.
func BoundMinPitch(p Problem) float64 { return longestPath(p, p.MinPitchUM) }

func longestPath(p Problem, minPitchUM float64) float64 {
	k := p.SectorsPerTurn
	step := minPitchUM / float64(k)
	// Ring of the last k+1 boundaries: ring[j mod (k+1)] still holds
	// boundary j-k-1 when boundary j is about to be written.
	ring := make([]float64, min(k+1, len(p.NeedUM)+1))
	needs := p.needs()
	at, b := 0, 0.0
	for j := 1; j <= len(p.NeedUM); j++ {
		b += step
		if at++; at == len(ring) {
			at = 0
		}
		if i := j - k - 1; i >= 0 {
			b = max(b, ring[at]+float64(needs[i])+step)
		}
		ring[at] = b
	}
	return b
}

// FixedPitchUM returns the constant pitch, um per turn, that serves the largest
// need: what a lathe without pitch control would have to cut. It may lie above
// MaxPitchUM.
func FixedPitchUM(p Problem) float64 {
	need, _ := p.largestNeed()
	return max(need, p.MinPitchUM)
}

// FixedAdvanceUM returns the radial advance, um, of the whole programme at the
// pitch given by [FixedPitchUM].
func FixedAdvanceUM(p Problem) float64 { return FixedPitchUM(p) * p.turns() }
