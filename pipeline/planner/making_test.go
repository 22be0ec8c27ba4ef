package planner

import (
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/stage"
)

// still is a sector without motion.
var still groove.Motion

// logOf keeps sectors in a log.
func logOf(t testing.TB, sectors []groove.Motion) *groove.MotionLog {
	t.Helper()
	l, err := groove.NewMotionLog(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	for _, m := range sectors {
		l.Append(m)
	}
	return l
}

func repeated(m groove.Motion, n int) []groove.Motion {
	out := make([]groove.Motion, n)
	for i := range out {
		out[i] = m
	}
	return out
}

// sideOf is a side in the default room on the inside of a 12 in disc, with
// both limiting stages and caps that stay out of the way.
func sideOf(t testing.TB, sectors []groove.Motion) *Side {
	t.Helper()
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		t.Fatal(err)
	}
	disc.OuterMM = 70
	room := groove.DefaultRoom()
	return &Side{
		Log: logOf(t, sectors), Sectors: groove.NewSectors(48000, disc.SecondsPerTurn()), Room: room, Limits: groove.NewLimits(room, disc),
		DeEss:          &stage.DeEssParams{CrossoverHz: 4000, LookAheadMS: 20, Mode: stage.ModeApply},
		LimitSides:     &stage.LimitSidesParams{LookAheadMS: 60, Mode: stage.ModeApply},
		MaxReductionDB: 24, MaxTreatedShare: 1, MinLevelDB: -20, MaxLevelDB: 12, TightenDeEss: 1, TightenSides: 1,
	}
}

const turn = groove.SectorsPerTurn
