//go:build battery

package pipeline_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
	"discsafe/testdata/programme"
)

// Tolerances of the ladder against full runs.
const (
	ladderLandShare = 0.005 // land is interpolated between planned rungs
	ladderTreatDB   = 0.3   // two lines stand for all crests of a sector, see groove.Motion
	// Beyond ladderDeepDB, far above any cap, what is left of the treble is small
	// beside what lies below it, and 1 % of that moves the figure by tenths; beyond
	// ladderFloorDB the outcome hangs on which crests pass de-ess's floor of 24 dB.
	ladderDeepDB, ladderDeepTreatDB = 10, 0.5
	ladderFloorDB                   = 18
)

// TestLadderAgainstPrepares holds rungs of one run's ladder against full runs at
// those levels: five real pieces, five levels, at the edge of the disc and near
// its centre.
func TestLadderAgainstPrepares(t *testing.T) {
	pieces, _ := realPieces(t)
	byName := map[string]string{}
	for _, p := range pieces {
		byName[filepath.Base(p)] = p
	}
	for _, name := range []string{"piece-02-guitar-and-drums", "piece-05-electronic", "piece-06-drum-kit-96", "piece-08-acoustic-kit", "piece-09-wide-and-bright"} {
		for where, place := range map[string]programme.Plan{"at-edge": {}, "inner": {OuterMM: 74, InnerMM: 57.5}} {
			t.Run(name+"-"+where, func(t *testing.T) {
				mix := byName[name+".wav"]
				if mix == "" {
					t.Fatalf("%s.wav is not among the pieces", name)
				}
				ladderRun(t, mix, name, place)
			})
		}
	}
}

func ladderRun(t *testing.T, mix, name string, place programme.Plan) {
	dir := t.TempDir()
	if err := os.Symlink(mix, filepath.Join(dir, programme.MixFile)); err != nil {
		t.Fatal(err)
	}
	run := func(level string) *report.Report {
		place.Level = level
		path, err := programme.WritePlan(dir, programme.PlanFor(place, name, programme.MixFile))
		if err != nil {
			t.Fatal(err)
		}
		plan, err := sideplan.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		r, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: filepath.Join(dir, "out"+level), Version: "battery"})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	fit := run("fit")
	for _, db := range []float64{-4, -2, 0, 2, 4} {
		r := run(fmt.Sprint(db))
		if r.Cut.LevelDB != db {
			t.Errorf("asked for %+.1f dB, cut at %+.1f", db, r.Cut.LevelDB)
			continue
		}
		g := rungAt(t, fit, db)
		if off := *g.LandMM / *r.Land.PlannedMM - 1; math.Abs(off) > ladderLandShare {
			t.Errorf("%+.1f dB: land %.3f mm in the ladder, %.3f planned: %+.2f %%", db, *g.LandMM, *r.Land.PlannedMM, 100*off)
		}
		for _, s := range r.Stages {
			for _, g := range g.Treatment {
				if g.Stage != s.ID || s.MaxChangeDB == nil {
					continue
				}
				t.Logf("%+.1f dB, %s: %.2f dB and %.2f s in the ladder, %.2f dB and %.2f s done", db, s.ID, g.MaxDB, g.TreatedS, *s.MaxChangeDB, s.TreatedS)
				tolerance := ladderTreatDB
				if *s.MaxChangeDB < -ladderDeepDB {
					tolerance = ladderDeepTreatDB
				}
				if off := math.Abs(g.MaxDB - *s.MaxChangeDB); off > tolerance && *s.MaxChangeDB > -ladderFloorDB {
					t.Errorf("%+.1f dB, %s: %.2f dB in the ladder, %.2f done", db, s.ID, g.MaxDB, *s.MaxChangeDB)
				}
			}
		}
	}
}

func rungAt(t *testing.T, r *report.Report, db float64) report.Rung {
	t.Helper()
	for _, g := range r.Ladder {
		if math.Abs(g.LevelDB-db) < 1e-9 {
			return g
		}
	}
	t.Fatalf("no rung at %+.1f dB", db)
	return report.Rung{}
}
