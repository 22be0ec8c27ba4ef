// Package land plans the radius of the groove against time: as little radial
// advance as possible while neighbouring turns keep their land.
//
// Entry point: [Solve] takes a [Problem] (one need per sector of a turn) and
// returns a [Plan]. [Bound] says how little any plan could use, [FixedPitchUM]
// how much a constant pitch would.
//
// The package knows micrometres and seconds. It must not know audio, discs,
// radii, reference levels or where the needs come from.
//
// # The problem
//
// D(t) is the radial advance in um since the start, T the seconds per turn,
// p(t) = T*D'(t) the pitch in um per turn. Sector i is the time
// [i*T/K, (i+1)*T/K]. With N sectors in the programme:
//
//	minimise D(N*T/K) - D(0) subject to
//	D(t+T) - D(t) >= need[i]  for every t in sector i, i < N-K
//	MinPitchUM <= p(t) <= MaxPitchUM,  |dp/dt| <= SlewUMPerS
//
// The last K sectors have no next turn, so their needs are not looked at.
// need[i] is land + groove widths + modulation of the two turns; for the
// 90 degree groove of IEC 60098 at constant depth it is
// W0 + land_min + sqrt2*g*(R(t+T) - L(t)), derived from the geometry alone.
//
// A constant pitch of max(need, MinPitchUM) satisfies everything, and no pitch
// below MaxPitchUM can make D(t+T)-D(t) exceed MaxPitchUM. So a plan exists
// exactly when the largest need is not above MaxPitchUM; slew never makes a
// problem infeasible, because the pitch at the start is free.
//
// # Lower bound
//
// Let B[j] be a lower bound of D at the sector boundary j*T/K, B[0] = 0, and
// let m >= 0 be a pitch that p never goes below. Then
//
//	B[j] = max( B[j-1] + m/K,  B[j-K-1] + need[j-K-1] + m/K )
//
// The first term is the pitch minimum over one sector. For the second let
// i = j-K-1. The true need is reached at SOME moment t of sector i (the sector
// value is the maximum within it), so D(t+T) >= D(t) + need[i]. Since D rises
// by at least m/T per second, D(t) >= D(i*T/K) + (t - i*T/K)*m/T, and boundary
// j lies (i+1)*T/K - t after t+T, so D(j*T/K) >= D(t+T) + ((i+1)*T/K - t)*m/T.
// The two gains of m add up to m/K whatever t is. With m = 0 only the
// monotone radius is used. The bound is a longest path and costs O(N) time and
// O(K) memory. It holds in continuous time, also for a lathe without limits of
// slew, and also when only the moments of the maxima are constrained. It gives
// away up to one sector per turn (1/K) against the problem above.
//
// # Representation
//
// D is a quadratic B-spline on uniform nodes, M per turn, spacing h = T/M,
// coefficients c. In the cell [k*h, (k+1)*h] with u = (t - k*h)/h
//
//	D = c[k]*(1-u)^2/2 + c[k+1]*(1/2 + u - u^2) + c[k+2]*u^2/2
//
// so p at node k is M*(c[k+1]-c[k]) and linear between nodes: pitch limits at
// nodes and slew limits on differences of neighbours are exact, not sampled.
// E(t) = D(t+T)-D(t) is the spline with coefficients c[i+M]-c[i].
//
// # Rows and what lies between them
//
// Needs are held at R points per cell, d = h/R apart. The second derivative of
// D is at most slew/T in size, that of E at most twice that, and a function
// whose second derivative is at most q dips below the chord of an interval of
// length d by at most q*d*d/8. So E >= need on the whole interval when both ends
// have
//
//	E >= need + sag,  sag = d*d*slew/(4*T)
//
// R is chosen so that sag stays below 0.1 um where possible (M = 24, R = 3,
// slew 300 um/s, T = 1.8 s: 0.026 um). Where the need is not above the pitch
// minimum no sag is added: there E >= MinPitchUM says more.
//
// # Optimum
//
// The linear programme in c is solved by Mehrotra's predictor-corrector method
// (S. Mehrotra, "On the Implementation of a Primal-Dual Interior Point Method",
// SIAM J. Optim. 2, 1992) from the constant pitch, which is strictly feasible;
// every iterate therefore is a valid plan, and stopping early costs land, never
// safety. The Newton matrix has bandwidth M+2, so a step costs O(n*M^2). The
// reported gap is rigorous for the spline family: for dual y >= 0 with residual
// r = g - A'y (g the objective) every feasible plan uses at least
// PlannedUM - y's - sum|R[k]|*(MaxPitchUM-MinPitchUM)/M, R the running sums of r.
//
// The finished plan is verified against the problem itself, exactly within each
// sector; what rounding may have left is lifted, see Plan.lift.
//
// How good the optimum is against any plan at all, splines or not, is answered
// by [BoundWithSlew]: on made-up music of 20 min at slew 100, 300 and 1000 um/s
// the plan used 0.15, 0.3 and 0.6 % more than that bound, which is mostly the
// bound's own looseness.
//
// Results are the same on every run and any number of processors of one
// architecture.
//
// # Heuristics
//
// Two plans are built without optimisation: see heuristic.go. They serve when
// the programme is far too long for the disc, when there is no room between
// the largest need and MaxPitchUM, and as baseline of the benchmarks.
package land
