package stage

import (
	"math"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage/stagetest"
)

// fullScale0 is the channel velocity of a full-scale sine at 1 kHz at 0 dB cut
// level for a reference of 5 cm/s lateral peak at -14 dBFS peak, m/s.
const fullScale0 = 0.17717

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// everySector is the set of all n sectors.
func everySector(n int) SectorSet {
	s := NewSectorSet(n)
	for i := range n {
		s.Add(i)
	}
	return s
}

// essTask watches every sector of a programme against one limit.
func essTask(rate int, turnS float64, frames int, accel, velocity float64) DeEssTask {
	s := groove.NewSectors(rate, turnS)
	n := s.Count(int64(frames))
	return DeEssTask{Sectors: s, Count: n, Watch: everySector(n), Scale: fullScale0,
		Limit: func(int) (float64, float64) { return accel, velocity }}
}

// sidesTask watches every sector of a programme against one room.
func sidesTask(rate int, turnS float64, frames int, riseUM, fallUM float64) LimitSidesTask {
	s := groove.NewSectors(rate, turnS)
	n := s.Count(int64(frames))
	return LimitSidesTask{Sectors: s, Count: n, Watch: everySector(n), Scale: fullScale0,
		Room: func(int) (float64, float64) { return riseUM, fallUM }}
}

// TestStagesConform runs every processor of the package through the suite that
// all of them must pass.
func TestStagesConform(t *testing.T) {
	const frames, longest = 72000, 1 << 22 // tails outlive the programme
	type row struct {
		name string
		f    stagetest.Factory
	}
	rows := []row{
		{"mono sum", stagetest.Factory{RateHz: 48000, MonoUntouched: true, New: func() stagetest.Processor { return MonoSum{} }}},
	}
	for _, slope := range []int{12, 24} {
		name := map[int]string{12: "block-infrasonic 12", 24: "block-infrasonic 24"}[slope]
		rows = append(rows, row{name, stagetest.Factory{RateHz: 44100, New: func() stagetest.Processor {
			return NewBlockInfrasonic(BlockInfrasonicParams{CutoffHz: 30, SlopeDB: slope}, 44100)
		}}})
	}
	rows = append(rows, row{"band-limit", stagetest.Factory{RateHz: 44100, New: func() stagetest.Processor {
		return must[*BandFilter](t)(NewBandLimit(BandLimitParams{CutoffHz: 18000}, 44100))
	}}})
	for _, c := range []struct {
		name  string
		p     SumLowsParams
		equal bool
	}{
		{"sum-lows 6 minimum", SumLowsParams{CrossoverHz: 150, SlopeDB: 6, Phase: PhaseMinimum}, true},
		{"sum-lows 12 minimum", SumLowsParams{CrossoverHz: 500, SlopeDB: 12, Phase: PhaseMinimum}, true},
		{"sum-lows 24 minimum", SumLowsParams{CrossoverHz: 150, SlopeDB: 24, Phase: PhaseMinimum}, true},
		{"sum-lows 12 matched", SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: PhaseMatched}, false},
		{"sum-lows 24 matched", SumLowsParams{CrossoverHz: 150, SlopeDB: 24, Phase: PhaseMatched}, false},
		{"sum-lows 12 linear", SumLowsParams{CrossoverHz: 150, SlopeDB: 12, Phase: PhaseLinear}, true},
	} {
		rows = append(rows, row{c.name, stagetest.Factory{RateHz: 44100, MonoUntouched: c.equal, New: func() stagetest.Processor {
			return must[*SumLowsFilter](t)(NewSumLows(c.p, 44100))
		}}})
	}
	ess := func(rate int, turnS, accel, velocity float64) func() stagetest.Processor {
		return func() stagetest.Processor {
			task := essTask(rate, turnS, longest, accel, velocity)
			task.Watch = NewSectorSet(task.Count) // some are enough, and looking is slow
			for i := range task.Count {
				if i/20%3 == 0 {
					task.Watch.Add(i)
				}
			}
			return must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 20, CrossoverHz: 4000}, task))
		}
	}
	unwatched := essTask(96000, 4./3, frames, 1, 1)
	unwatched.Watch = NewSectorSet(unwatched.Count)
	rows = append(rows,
		row{"de-ess 33", stagetest.Factory{RateHz: 44100, New: ess(44100, 1.8, 3000, 0.2), Neutral: ess(44100, 1.8, 1e9, 1e9)}},
		row{"de-ess 45", stagetest.Factory{RateHz: 96000, Frames: 30000, New: ess(96000, 4./3, 3000, 0.2), Neutral: func() stagetest.Processor {
			return must[*DeEsser](t)(NewDeEss(DeEssParams{LookAheadMS: 5, CrossoverHz: 2000}, unwatched))
		}}})
	sides := func(rate int, turnS, room float64) func() stagetest.Processor {
		return func() stagetest.Processor {
			return NewLimitSides(LimitSidesParams{LookAheadMS: 60}, sidesTask(rate, turnS, longest, room, room))
		}
	}
	rows = append(rows,
		row{"limit-sides 33", stagetest.Factory{RateHz: 44100, MonoUntouched: true, New: sides(44100, 1.8, 12), Neutral: sides(44100, 1.8, 1e6)}},
		row{"limit-sides 45", stagetest.Factory{RateHz: 48000, MonoUntouched: true, New: sides(48000, 4./3, 12), Neutral: func() stagetest.Processor {
			task := sidesTask(48000, 4./3, frames, 1, 1)
			task.Watch = nil
			return NewLimitSides(LimitSidesParams{LookAheadMS: 10}, task)
		}}})
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) { stagetest.Run(t, r.f) })
	}
}

// TestIdentity: the stage that has nothing to do returns the same bits.
func TestIdentity(t *testing.T) {
	in := stagetest.Programme(44100, 1000, 1)
	in.L[3] = math.Copysign(0, -1)
	p := Identity{}
	out := stagetest.Feed(p, in, 64)
	p.Reset()
	if p.Delay() != 0 {
		t.Errorf("delay %d, want 0", p.Delay())
	}
	wantSame(t, "identity", out.L, in.L)
	wantSame(t, "identity", out.R, in.R)
}

// wantSame compares bits.
func wantSame(t testing.TB, what string, got, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d frames, want %d", what, len(got), len(want))
	}
	for i := range want {
		if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
			t.Fatalf("%s: frame %d is %g, want %g", what, i, got[i], want[i])
		}
	}
}
