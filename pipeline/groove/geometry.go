package groove

import "math"

// CrossSection is the groove at one instant, in um. Edges are radial distances
// from the centre line of the unmodulated groove, positive away from the disc's
// centre.
type CrossSection struct {
	LateralUM  float64 // y, motion of the groove's bottom along the radius, + away from the disc's centre
	VerticalUM float64 // z, motion of the groove's bottom, + up, i.e. shallower
	DepthUM    float64 // h
	WidthUM    float64 // w, top width
	OuterUM    float64 // outer edge
	InnerUM    float64 // inner edge
}

// SectionAt is the groove cut by channel displacements left and right (um,
// along the 45 degree axes, in the sense of the signal) around an unmodulated
// depth in um.
//
// The left channel moves the inner wall, the right one the outer wall
// (IEC 60098:2020 6.2.1). With the inner wall displaced by +left along its
// normal (+1,+1)/sqrt2 and the outer wall by -right along its normal
// (-1,+1)/sqrt2, the minus sign being what makes equal channels lateral
// (IEC 60098:2020 6.2.2), algebra on the 90 degree V gives
//
//	y = (left + right)/sqrt2       z = (left - right)/sqrt2     h = depth - z
//	outer edge = +depth + sqrt2 right      inner edge = -depth + sqrt2 left
//	w = 2 depth + sqrt2 (right - left)
//
// so each edge depends on one channel only. Derived.
//
// Polarity: whether +left pushes its wall in or out was not found in the
// standard's excerpts. Here a positive in-phase signal moves the groove away
// from the disc's centre. The other choice mirrors both edges and changes
// nothing else but which half-cycle is which.
func SectionAt(leftUM, rightUM, depthUM float64) CrossSection {
	y, z := LateralVertical(leftUM, rightUM)
	return CrossSection{
		LateralUM:  y,
		VerticalUM: z,
		DepthUM:    depthUM - z,
		WidthUM:    2*depthUM + math.Sqrt2*(rightUM-leftUM),
		OuterUM:    depthUM + math.Sqrt2*rightUM,
		InnerUM:    -depthUM + math.Sqrt2*leftUM,
	}
}

// LateralVertical turns motion along the two 45 degree axes into motion along
// the radius (+ outwards) and up; any unit. The matrix is orthonormal and its
// own inverse, so ChannelPair is the same arithmetic.
func LateralVertical(left, right float64) (lateral, vertical float64) {
	return (left + right) * (1 / math.Sqrt2), (left - right) * (1 / math.Sqrt2)
}

// ChannelPair turns lateral and vertical motion back into motion along the two
// 45 degree axes; any unit.
func ChannelPair(lateral, vertical float64) (left, right float64) {
	return (lateral + vertical) * (1 / math.Sqrt2), (lateral - vertical) * (1 / math.Sqrt2)
}

// LateralVerticalBlock is LateralVertical over blocks. All four have one
// length; lateral and vertical may be left and right themselves. It panics on
// unequal lengths.
func LateralVerticalBlock(lateral, vertical, left, right []float64) {
	n := len(left)
	if len(right) != n || len(lateral) != n || len(vertical) != n {
		panic("groove: LateralVerticalBlock: unequal lengths")
	}
	for i, l := range left {
		lateral[i], vertical[i] = LateralVertical(l, right[i])
	}
}

// IntegerMidSide turns a pair of integer samples into mid (rounded down) and
// side without loss: side keeps the bit that halving mid drops. Samples of n
// bits need n+1 bits for side; up to 31 bits fit.
func IntegerMidSide(left, right int32) (mid, side int32) {
	side = left - right
	return right + side>>1, side
}

// IntegerLeftRight is the exact inverse of IntegerMidSide.
func IntegerLeftRight(mid, side int32) (left, right int32) {
	right = mid - side>>1
	return right + side, right
}

// ContactWidthUM is how far apart the two contact points of a sphere in a 90
// degree V lie: sqrt2 R. A groove narrower than this carries the tip on its
// edges. 36 um for a 25.4 um tip is published (a record-transfer lab's page,
// secondary).
func ContactWidthUM(tipUM float64) float64 { return math.Sqrt2 * tipUM }

// BottomClearanceUM is the distance between a sphere in a 90 degree V and the
// sharp bottom: (sqrt2 - 1) R. Derived.
func BottomClearanceUM(tipUM float64) float64 { return (math.Sqrt2 - 1) * tipUM }

// LandUM is the land in um between a groove and the next turn of itself.
// advance is how far the groove's centre line moved inwards in the turn; depth
// and left belong to this turn, nextDepth and nextRight to the same angle one
// turn later: the neighbours are this turn's inner edge (left channel only) and
// the next turn's outer edge (right channel only). All in um.
//
//	land = advance - depth - nextDepth + sqrt2 (left - nextRight)
//
// Negative land is an overcut. Derived, exact for the 90 degree groove.
func LandUM(advanceUM, depthUM, nextDepthUM, leftUM, nextRightUM float64) float64 {
	return advanceUM - depthUM - nextDepthUM + math.Sqrt2*(leftUM-nextRightUM)
}

// PitchForLandUM is the advance in um that LandUM needs to give landUM.
func PitchForLandUM(landUM, depthUM, nextDepthUM, leftUM, nextRightUM float64) float64 {
	return landUM + depthUM + nextDepthUM + math.Sqrt2*(nextRightUM-leftUM)
}

// WorstPitchUM is the pitch in um that keeps landUM whatever the phase of the
// channel peaks of two neighbouring turns, at constant depth:
// W0 + land + sqrt2 (leftPeak + rightPeak). For mono that is
// W0 + land + 2 lateral peak. Derived.
func WorstPitchUM(widthUM, landUM, leftPeakUM, rightPeakUM float64) float64 {
	return widthUM + landUM + math.Sqrt2*(math.Abs(leftPeakUM)+math.Abs(rightPeakUM))
}
