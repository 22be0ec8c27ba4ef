package web

import (
	"testing"
	"time"

	"discsafe/api/v1"
)

func TestLasts(t *testing.T) {
	begun := time.Date(2026, 1, 31, 18, 0, 0, 0, time.UTC)
	done := func(lengthS, tookS float64) v1.Job {
		return v1.Job{LengthS: lengthS, Started: begun, Ended: begun.Add(time.Duration(tookS * float64(time.Second)))}
	}
	for name, c := range map[string]struct {
		done    []v1.Job
		lengthS float64
		want    time.Duration
	}{
		"nothing done":       {nil, 1200, 0},
		"no length":          {[]v1.Job{done(600, 60)}, 0, 0},
		"by the pace of one": {[]v1.Job{done(600, 60)}, 1200, 2 * time.Minute},
		"median of three":    {[]v1.Job{done(600, 6000), done(600, 60), done(600, 30)}, 1200, 2 * time.Minute},
		"without useless":    {[]v1.Job{done(0, 60), {LengthS: 600, Ended: begun}, done(600, -5), done(600, 60)}, 600, time.Minute},
		"only useless":       {[]v1.Job{done(0, 60), done(600, 0)}, 600, 0},
	} {
		if got := lasts(c.done, c.lengthS); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

func TestPlaceWords(t *testing.T) {
	for want, got := range map[string]string{
		"No other job has waited longer in this lane.": placeWords(0, false, false),
		"Many jobs wait.":                                                                    placeWords(0, true, false),
		"1 job has waited longer in this lane.":                                              placeWords(1, false, false),
		"1 or more jobs have waited longer in this lane.":                                    placeWords(1, true, false),
		"7 jobs have waited longer in this lane.":                                            placeWords(7, false, false),
		"2 jobs of your studio have waited longer in this lane. Studios are served in turn.": placeWords(2, false, true),
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
