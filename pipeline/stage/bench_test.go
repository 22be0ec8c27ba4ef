package stage

import (
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/stage/stagetest"
)

// BenchmarkStages measures each stage at 96 kHz in blocks of 2,048 frames, in
// times real time. Of the limiting stages, one row has nothing to look at, one
// looks at every sector, which no real side asks for.
func BenchmarkStages(b *testing.B) {
	const rate, block = 96000, 2048
	watched, quiet := essTask(rate, 1.8, 1<<22, 3000, 1), essTask(rate, 1.8, 1<<22, 3000, 1)
	quiet.Watch = nil
	sides, calm := sidesTask(rate, 1.8, 1<<22, 12, 12), sidesTask(rate, 1.8, 1<<22, 12, 12)
	calm.Watch = nil
	sumLows := func(p SumLowsParams) Processor { return must[*SumLowsFilter](b)(NewSumLows(p, rate)) }
	ess := DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}
	for _, c := range []struct {
		name string
		p    Processor
	}{
		{"block-infrasonic", NewBlockInfrasonic(BlockInfrasonicParams{CutoffHz: 16, SlopeDB: 12}, rate)},
		{"band-limit", must[*BandFilter](b)(NewBandLimit(BandLimitParams{CutoffHz: 20000}, rate))},
		{"sum-lows minimum", sumLows(SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: PhaseMinimum})},
		{"sum-lows matched", sumLows(SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: PhaseMatched})},
		{"sum-lows linear", sumLows(SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: PhaseLinear})},
		{"de-ess idle", must[*DeEsser](b)(NewDeEss(ess, quiet))},
		{"de-ess looking everywhere", must[*DeEsser](b)(NewDeEss(ess, watched))},
		{"limit-sides idle", NewLimitSides(LimitSidesParams{LookAheadMS: 60}, calm)},
		{"limit-sides looking everywhere", NewLimitSides(LimitSidesParams{LookAheadMS: 60}, sides)},
		{"mono sum", MonoSum{}},
	} {
		b.Run(c.name, func(b *testing.B) {
			in := stagetest.Programme(rate, 40*block, 1)
			work := audio.NewBlock(block)
			b.ReportAllocs()
			at := 0
			for b.Loop() {
				copy(work.L, in.L[at:])
				copy(work.R, in.R[at:])
				c.p.Process(work)
				at = (at + block) % (39 * block)
			}
			b.ReportMetric(float64(b.N)*block/rate/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}
