package web

import (
	"context"
	"fmt"
	"slices"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
)

// queueView says where a job that waits stands, as far as its reader may know.
type queueView struct{ Place, Takes string }

// How far one looks for jobs that wait, and how many jobs that are done an
// estimate takes.
const (
	queueMost = 200
	paceJobs  = 5
)

// queue adds where a job that waits stands. It is an addition: what the store does not
// give just now is left out.
func (p *Pages) queue(ctx context.Context, j *v1.Job, v *jobView, id access.Identity) {
	if j.State != "accepted" {
		return
	}
	list, err := p.o.Service.Jobs(ctx, Query{State: "accepted", Limit: queueMost})
	if err != nil {
		return
	}
	ahead := 0
	for i := range list.Jobs {
		if o := &list.Jobs[i]; o.ID != j.ID && o.Lane == j.Lane && waitingSince(o).Before(waitingSince(j)) {
			ahead++
		}
	}
	// Studios are served in turn, so even a list of all jobs is no order.
	v.Queue = &queueView{Place: placeWords(ahead, list.Next != "", id.Studio != "")}
	done, err := p.o.Service.Jobs(ctx, Query{State: "done", Kind: j.Kind, Limit: paceJobs})
	if err != nil {
		return
	}
	if d := lasts(done.Jobs, j.LengthS); d >= time.Second {
		v.Queue.Takes = fmt.Sprintf("Once it begins it should take about %s, by the last ones like it.", spanWords(d))
	}
}

func placeWords(ahead int, more, own bool) string {
	whose, turn := "", ""
	if own {
		whose, turn = " of your studio", " Studios are served in turn."
	}
	switch {
	case ahead == 0 && more:
		return "Many jobs wait." + turn
	case ahead == 0:
		return "No other job" + whose + " has waited longer in this lane." + turn
	case ahead == 1 && !more:
		return "1 job" + whose + " has waited longer in this lane." + turn
	case more:
		return fmt.Sprintf("%d or more jobs%s have waited longer in this lane.%s", ahead, whose, turn)
	}
	return fmt.Sprintf("%d jobs%s have waited longer in this lane.%s", ahead, whose, turn)
}

// lasts is how long a side of a length should take: the median pace of others; 0
// if there is nothing to tell by.
func lasts(done []v1.Job, lengthS float64) time.Duration {
	var pace []float64 // seconds of work for a second of programme
	for _, j := range done {
		if took := j.Ended.Sub(j.Started).Seconds(); j.LengthS > 0 && !j.Started.IsZero() && took > 0 {
			pace = append(pace, took/j.LengthS)
		}
	}
	if len(pace) == 0 || lengthS <= 0 {
		return 0
	}
	slices.Sort(pace)
	return time.Duration(pace[len(pace)/2] * lengthS * float64(time.Second))
}
