package stage

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"discsafe/pipeline/groove"
)

// TestSectorSetAgreesWithAMap: the oracle is a plain map.
func TestSectorSetAgreesWithAMap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 300).Draw(t, "sectors")
		s, want := NewSectorSet(n), map[int]bool{}
		if !s.Empty() {
			t.Fatal("a new set is not empty")
		}
		for _, i := range rapid.SliceOf(rapid.IntRange(0, n-1)).Draw(t, "added") {
			s.Add(i)
			want[i] = true
		}
		for i := range n {
			if s.Has(i) != want[i] {
				t.Fatalf("sector %d of %d: %v, want %v", i, n, s.Has(i), want[i])
			}
		}
		if s.Empty() != (len(want) == 0) {
			t.Fatalf("empty is %v with %d sectors in the set", s.Empty(), len(want))
		}
	})
}

func TestSectorSetOutsideItsRange(t *testing.T) {
	s := everySector(64)
	for _, i := range []int{-1, -64, math.MinInt, 64, 65, math.MaxInt} {
		if s.Has(i) {
			t.Errorf("sector %d is in a set of 64", i)
		}
	}
	if NewSectorSet(0).Has(0) || SectorSet(nil).Has(0) || !SectorSet(nil).Empty() {
		t.Error("an empty set holds something")
	}
}

// TestTraceJoinsPassages: what lies within half a turn is one passage, with the
// least gain and the worst excess of all of it.
func TestTraceJoinsPassages(t *testing.T) {
	const half = groove.SectorsPerTurn / 2
	type note struct {
		sector      int
		gain, worst float64
		limit       string
	}
	for _, c := range []struct {
		name  string
		notes []note
		want  []Passage
	}{
		{"one sector", []note{{7, 0.5, 2, "width"}}, []Passage{{7, 7, 7, 0.5, 2, "width"}}},
		{"a run", []note{{7, 0.9, 1.1, "width"}, {8, 0.5, 2, "width"}, {9, 0.8, 1.2, "depth"}}, []Passage{{7, 9, 8, 0.5, 2, "width"}}},
		{"half a turn apart is one", []note{{0, 0.9, 1.1, "a"}, {half, 0.8, 1.3, "b"}}, []Passage{{0, half, half, 0.8, 1.3, "b"}}},
		{"further is two", []note{{0, 0.9, 1.1, "a"}, {half + 1, 0.8, 1.3, "b"}},
			[]Passage{{0, 0, 0, 0.9, 1.1, "a"}, {half + 1, half + 1, half + 1, 0.8, 1.3, "b"}}},
		{"least gain and worst excess in different places", []note{{0, 0.9, 1.5, "a"}, {1, 0.7, 1.2, "b"}}, []Passage{{0, 1, 1, 0.7, 1.5, "a"}}},
		{"approach before the excess has no limit of its own", []note{{0, 0.99, 0, ""}, {1, 0.7, 1.2, "b"}}, []Passage{{0, 1, 1, 0.7, 1.2, "b"}}},
	} {
		var tr Trace
		var heard []int
		tr.OnGain = func(sector int, gain float64) { heard = append(heard, sector) }
		sum := 0.0
		var sectors []int
		for _, n := range c.notes {
			tr.note(n.sector, n.gain, -n.gain, n.worst, n.limit)
			sum -= n.gain
			sectors = append(sectors, n.sector)
		}
		if d := cmp.Diff(c.want, tr.Passages); d != "" {
			t.Errorf("%s: passages differ (-want +got):\n%s", c.name, d)
		}
		if tr.Treated != len(c.notes) || tr.SumDB != sum {
			t.Errorf("%s: %d sectors, %g dB, want %d and %g", c.name, tr.Treated, tr.SumDB, len(c.notes), sum)
		}
		if d := cmp.Diff(sectors, heard); d != "" {
			t.Errorf("%s: OnGain heard otherwise (-want +got):\n%s", c.name, d)
		}
	}
}

// TestTraceHasRoomForEveryPassage: the most passages a side can have never make
// the list grow, so Process never allocates.
func TestTraceHasRoomForEveryPassage(t *testing.T) {
	const sectors = 10000
	tr := newTrace(sectors, nil)
	room := cap(tr.Passages)
	for s := 0; s < sectors; s += joinSectors + 1 {
		tr.note(s, 0.5, -6, 2, "width")
	}
	if cap(tr.Passages) != room {
		t.Errorf("%d passages outgrow a room of %d", len(tr.Passages), room)
	}
}

// TestLookSectors: half of the look-ahead, in sectors of one degree, because
// the gain curve reaches twice that far.
func TestLookSectors(t *testing.T) {
	for _, c := range []struct {
		ms, turnS float64
		want      int
	}{{20, 1.8, 2}, {60, 1.8, 6}, {5, 1.8, 1}, {0, 1.8, 1}, {150, 1.8, 15}, {60, 4. / 3, 8}, {20, 4. / 3, 3}} {
		if got := LookSectors(c.ms, groove.NewSectors(48000, c.turnS)); got != c.want {
			t.Errorf("%g ms at %g s a turn: %d sectors, want %d", c.ms, c.turnS, got, c.want)
		}
	}
}
