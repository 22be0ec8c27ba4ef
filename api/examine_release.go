package api

import (
	"fmt"

	"discsafe/api/v1"
	"discsafe/pipeline/arrange"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/sideplan"
	"discsafe/worker/job"
)

// read parses the text of a submission as its kind asks.
func (e *examined) read(kind string) (err error) {
	if kind != job.Arrange {
		e.plan, err = sideplan.Parse(planName, e.text)
		return err
	}
	r, err := arrange.Parse(planName, e.text)
	if err != nil {
		return err
	}
	e.release = r
	e.plan = &sideplan.Plan{Title: r.Title, Catalogue: r.Catalogue, Disc: r.Disc, Room: r.Room, Output: r.Output}
	for i, t := range r.Tracks {
		p := sideplan.Track{File: t.File, GapS: t.GapS}
		if i == 0 {
			p.GapS = 0
		}
		e.plan.Tracks = append(e.plan.Tracks, p)
	}
	return nil
}

// tooLong holds the length of the programme against that of the longest side.
func (e *examined) tooLong(sideS float64) *v1.Problem {
	what, most := "side", sideS
	if e.release != nil {
		what, most = fmt.Sprintf("release on %d sides", e.release.Sides), sideS*float64(e.release.Sides)
	}
	if e.lengthS <= most {
		return nil
	}
	return v1.NewProblem(v1.TooLong, fmt.Sprintf("the %s has %s, and at most %s are taken", what, audio.Timecode(e.lengthS), audio.Timecode(most)))
}

// normal is the text with every default written out, "" while the room is not
// known.
func (e *examined) normal() (string, error) {
	if e.plan.Room.Pending {
		return "", nil
	}
	if e.release == nil {
		text, err := e.plan.Normalized()
		return string(text), err
	}
	r := *e.release
	r.Room = e.plan.Room
	return r.Normalized()
}
