package pipeline_test

import ("testing";"fmt")

func TestExplore(t *testing.T) {
	w := func(t float64) (l, r float64) {
			x := 0.9 * gate(t, 0.5, 2) * sine(1800, t)
			return x, x
		}
	mix := sampled(44100, 24, 3, w)
	for _, l := range []string{"-4", "-3", "-2.6", "-2.5", "-2.4","-2.3"} {
	r := prepare(t, mix, innerDisc+wideCaps+"level: "+l+"\n").report
	fmt.Println(l, r.Cut.LevelDB, *r.After.Groove.SlopeRatioMax, *r.Before.Groove.SlopeRatioMax,*r.After.Groove.CurvatureRatioMax, r.After.Where["groove.slope_ratio_max"], *r.Land.PlannedMM, r.Proof.Tightenings, len(r.Changes), r.Verdict.State)
	for _, c := range r.Changes { fmt.Printf("%+v %v %v\n", c, *c.Before, c.After) }
	for _, g := range r.Ladder { if g.LevelDB < 0&&g.LevelDB > -4 { fmt.Print(g.LevelDB, " ", *g.SlopeRatio, " ",*g.LandMM, " ",*g.CurvatureRatio," ", g.Why, ";  ") } }
	fmt.Println()
	}
}
