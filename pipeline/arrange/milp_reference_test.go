//go:build reference

package arrange

import (
	"math"
	"math/rand"
	"testing"

	"discsafe/testdata/scipy"
)

// A division with an order on each side, as an integer programme: who is on which
// side, who comes before whom there, no piece begins further in than it may, no
// side ends further in than it may. SciPy hands it to HiGHS.
const milpProgram = `
import itertools, json, sys
import numpy as np
from scipy.optimize import LinearConstraint, Bounds, milp

def feasible(c):
    land, deadline, gap, room = c["land_mm"], c["deadline_mm"], c["gap_mm"], c["room_mm"]
    n = len(land)
    pairs = list(itertools.permutations(range(n), 2))
    before = {p: n + k for k, p in enumerate(pairs)}
    rows, low, high = [], [], []
    def row(terms, lo, hi):
        r = np.zeros(n + len(pairs))
        for i, v in terms:
            r[i] += v
        rows.append(r); low.append(lo); high.append(hi)
    for i, j in itertools.combinations(range(n), 2):
        both = [(before[i, j], 1), (before[j, i], 1)]  # 1 if on the same side, else 0
        row(both + [(i, 1), (j, -1)], -np.inf, 1)
        row(both + [(i, -1), (j, 1)], -np.inf, 1)
        row(both + [(i, -1), (j, -1)], -1, np.inf)
        row(both + [(i, 1), (j, 1)], 1, np.inf)
    for i, j, k in itertools.permutations(range(n), 3):
        row([(before[i, j], 1), (before[j, k], 1), (before[i, k], -1)], -np.inf, 1)
    for i in range(n):
        row([(before[j, i], land[j] + gap) for j in range(n) if j != i], -np.inf, deadline[i] + 1e-7)
    row([(i, land[i] + gap) for i in range(n)], -np.inf, room + gap + 1e-7)
    total = sum(land) + n * gap
    row([(i, -land[i] - gap) for i in range(n)], -np.inf, room + gap - total + 1e-7)
    row([(i, 1) for i in range(n)], 1, n - 1)
    size = n + len(pairs)
    r = milp(np.zeros(size), constraints=LinearConstraint(np.array(rows), low, high), integrality=np.ones(size), bounds=Bounds(0, 1))
    if r.status not in (0, 2):
        raise Exception(r.message)
    return r.status == 0

json.dump([feasible(c) for c in json.load(sys.stdin)], sys.stdout)
`

// At the level found an integer programme has an arrangement, a tenth of a dB
// above it has none: for more pieces than can be tried one by one.
func TestLevelAgainstIntegerProgramme(t *testing.T) {
	type question struct {
		LandMM     []float64 `json:"land_mm"`
		DeadlineMM []float64 `json:"deadline_mm"` // from the outer radius
		GapMM      float64   `json:"gap_mm"`
		RoomMM     float64   `json:"room_mm"`
		seed, step int
		want       bool
	}
	var all []question
	for seed := range 60 {
		rnd := rand.New(rand.NewSource(int64(9000 + seed)))
		n := 3 + rnd.Intn(7)
		p := small(rnd, n, 2)
		p.same, p.SoftFrom = true, p.top // one level; no cap on treatment, which no line says
		for i := range p.pieces {
			p.holds[i], p.pieces[i].GapS, p.pieces[i].GapUM = HoldFree, 2, 250
			base, slope := 125*float64(rnd.Intn(4)+8*(44+rnd.Intn(16))/n), 125*float64(2+rnd.Intn(6)) // two sides are nearly full
			for step := range p.pieces[i].LandUM {
				p.pieces[i].LandUM[step] = base + slope*float64(step)
			}
		}
		got := p.freeOrder()
		if !got.proven || len(got.best) == 0 {
			t.Errorf("seed %d: %d pieces, not proven", seed, n)
			continue
		}
		level := got.best[0].key.level // -1: holds at none
		for _, q := range []question{{step: level, want: true}, {step: level + 1, want: false}} {
			if q.step < 0 || q.step > p.top {
				continue
			}
			q.seed, q.GapMM, q.RoomMM = seed, 0.25, p.OuterMM-p.InnerMM+p.TailUM[q.step]/1000
			for _, piece := range p.pieces {
				q.LandMM = append(q.LandMM, piece.LandUM[q.step]/1000)
				late := p.OuterMM - piece.MinRadiusMM[q.step]
				if math.IsInf(late, -1) {
					late = -1 // nowhere
				}
				q.DeadlineMM = append(q.DeadlineMM, late)
			}
			all = append(all, q)
		}
	}
	var can []bool
	if scipy.Ask(t, milpProgram, all, &can); len(can) != len(all) {
		t.Fatalf("%d answers to %d questions", len(can), len(all))
	}
	yes, no := 0, 0
	for i, q := range all {
		if can[i] != q.want {
			t.Errorf("seed %d, %d pieces at step %d: HiGHS finds an arrangement: %v, want %v", q.seed, len(q.LandMM), q.step, can[i], q.want)
		}
		if q.want {
			yes++
		} else {
			no++
		}
	}
	t.Logf("%d levels have an arrangement, %d one step higher have none", yes, no)
	if yes < 30 || no < 30 {
		t.Error("too few of one kind: the test tests little")
	}
}
