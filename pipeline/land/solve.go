package land

import "context"

const (
	fullNodes, quickNodes = 24, 12
	fullGap, quickGap     = 1e-4, 1e-3
	memoryBudget          = 9 << 20 // bytes of working memory the choice of nodes aims at
	hopeless              = 1.2     // bound over available radius above which no optimum is sought
)

// Solve returns the plan of least radial advance. Errors: *ProblemError when
// the input makes no sense, *InfeasibleError when a need lies above the
// coarsest pitch, or the error of ctx.
//
// The plan keeps every need, pitch and slew limit, whether optimal or not; see
// Plan.Quick and Plan.GapUM. No optimum is sought, and Quick is set, when
// the bound already exceeds AvailableUM by 20 %, or when the largest need leaves
// no room below MaxPitchUM.
func Solve(ctx context.Context, p Problem, o Options) (*Plan, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if err := o.validate(); err != nil {
		return nil, err
	}
	if err := p.feasible(); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	m, gap := o.NodesPerTurn, o.GapFraction
	if m == 0 {
		m = affordableNodes(p, o.Quick)
	}
	if gap == 0 {
		gap = fullGap
		if o.Quick {
			gap = quickGap
		}
	}
	need := FixedPitchUM(p)
	if p.SlewUMPerS == 0 || len(p.needs()) == 0 || need <= p.MinPitchUM {
		return constantPlan(p, m, need), nil
	}
	g := newGrid(p, m, pointsPerCell(p, m))
	largest := max(g.largest(), p.MinPitchUM)
	if (p.AvailableUM > 0 && Bound(p) > hopeless*p.AvailableUM) || p.MaxPitchUM-largest < 1e-4*p.MaxPitchUM {
		return heuristicPlan(p, g), nil
	}
	start := largest + min((p.MaxPitchUM-largest)/2, largest/4)
	pr := newProgram(p, g, start)
	opt, err := pr.minimise(ctx, 1, gap)
	if err != nil {
		return nil, err
	}
	for i := range opt.x {
		opt.x[i] *= start
	}
	pl := newPlan(p, m, opt.x)
	pl.Steps, pl.GapUM = opt.steps, opt.gap*start
	if !pl.lift(p, start) {
		return heuristicPlan(p, g), nil
	}
	return pl, nil
}

// lift verifies the plan against the problem itself, not its rows, and removes
// what rounding may have left by mixing in the constant pitch safeUM, which
// keeps every condition with room to spare: conditions are linear, so a mix keeps
// what both keep. It reports false when the plan is beyond such repair.
func (p *Plan) lift(pb Problem, safeUM float64) bool {
	toleranceUM := 1e-7 + 1e-12*p.PlannedUM
	m := float64(p.NodesPerTurn)
	slewTolerance := toleranceUM * m * m / pb.SecondsPerTurn
	over := func() float64 { // largest violation, as a part of what the mix has to spare
		slack, _ := p.MinSlackUM(pb.NeedUM)
		finest, coarsest := p.PitchRangeUM()
		need := FixedPitchUM(pb)
		return max(
			(-toleranceUM-slack)/(safeUM-need),
			(pb.MinPitchUM-toleranceUM-finest)/(safeUM-pb.MinPitchUM),
			(coarsest-pb.MaxPitchUM-toleranceUM)/(pb.MaxPitchUM-safeUM),
			(p.MaxSlewUMPerS()-pb.SlewUMPerS-slewTolerance)/pb.SlewUMPerS,
		)
	}
	v := over()
	if v <= 0 {
		return true
	}
	if !(v < 0.01) {
		return false
	}
	before := p.PlannedUM
	step := safeUM / m
	theta := 1.01 * v / (1 + v)
	for i := range p.coef {
		p.coef[i] += theta * (step*(float64(i)-0.5) - p.coef[i])
	}
	p.measure()
	p.GapUM += p.PlannedUM - before
	return over() <= 0
}

// Heuristic returns the plan made without optimisation: the baseline of Solve
// and its fallback. Quick is set. Errors as for Solve.
func Heuristic(p Problem) (*Plan, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if err := p.feasible(); err != nil {
		return nil, err
	}
	m := affordableNodes(p, false)
	return heuristicPlan(p, newGrid(p, m, pointsPerCell(p, m))), nil
}

func heuristicPlan(p Problem, g *grid) *Plan {
	pl := newPlan(p, g.m, g.heuristic(p))
	pl.Quick = true
	pl.GapUM = max(0, pl.PlannedUM-pl.BoundMinPitchUM)
	return pl
}

// constantPlan is the optimum when the pitch may not change or no need lies
// above the pitch minimum.
func constantPlan(p Problem, m int, pitchUM float64) *Plan {
	coef := make([]float64, cellCount(len(p.NeedUM), m, p.SectorsPerTurn)+2)
	for i := range coef {
		coef[i] = pitchUM / float64(m) * float64(i)
	}
	return newPlan(p, m, coef)
}

// affordableNodes returns the most nodes per turn, up to the default, whose
// working memory fits the budget.
func affordableNodes(p Problem, quick bool) int {
	most := fullNodes
	if quick {
		most = quickNodes
	}
	for _, m := range []int{24, 20, 18, 15, 12, 10, 8, 6, 5} {
		if m <= most && workingBytes(p, m) <= memoryBudget {
			return m
		}
	}
	return 4
}

func workingBytes(p Problem, m int) int {
	n := cellCount(len(p.NeedUM), m, p.SectorsPerTurn) + 2
	r := pointsPerCell(p, m)
	matrix := m + 3
	rows := 4 * (r + 4)  // slack, dual and two steps of every row
	rest := 10 + r + r/8 // coefficients, steps, E; need points and their class
	return 8 * n * (matrix + rows + rest)
}
