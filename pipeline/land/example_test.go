package land_test

import (
	"context"
	"errors"
	"fmt"

	"discsafe/pipeline/land"
)

// Ten turns at 33 1/3 that need 80 um everywhere and 140 um in one short
// passage. A fixed pitch pays for that passage all along.
func Example() {
	need := make([]float32, 10*360)
	for i := range need {
		need[i] = 80
		if i >= 1500 && i < 1530 {
			need[i] = 140
		}
	}
	p := land.Problem{
		SecondsPerTurn: 1.8, SectorsPerTurn: 360, NeedUM: need,
		MinPitchUM: 65, MaxPitchUM: 500, SlewUMPerS: 300,
	}
	plan, err := land.Solve(context.Background(), p, land.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	slack, _ := plan.MinSlackUM(need)
	fmt.Printf("planned %.1f um, no less than %.1f, fixed pitch %.1f\n", plan.PlannedUM, plan.BoundMinPitchUM, land.FixedAdvanceUM(p))
	fmt.Println("every need kept:", slack >= 0)

	p.MaxPitchUM = 120
	_, err = land.Solve(context.Background(), p, land.Options{})
	var inf *land.InfeasibleError
	if errors.As(err, &inf) {
		fmt.Println(err)
	}
	// Output:
	// planned 849.0 um, no less than 845.0, fixed pitch 1400.0
	// every need kept: true
	// land: at 7.500 s a turn needs 140.0 um: 20.0 um above the coarsest pitch of 120.0 um; cut lower or allow a coarser pitch
}
