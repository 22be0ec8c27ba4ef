package lab

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"
)

// See looks at one job and brings what is known of it up to date.
func (l *Lab) See(ctx context.Context, j *Job) (*v1.Job, error) {
	c, err := l.api(0).Client()
	if err != nil {
		return nil, err
	}
	got, err := c.Job(ctx, j.ID)
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	j.Final = got
	return got, nil
}

// CheckResult holds a job that is done against I3 and I4 now, for suites in
// which retention deletes results before Judge.
func (l *Lab) CheckResult(ctx context.Context, j *Job, measure bool) error {
	return l.checkResult(ctx, l.api(0), j, measure)
}

// Retired waits until retention has deleted every job that was accepted, and
// notes it: nothing that has ended may stay.
func (l *Lab) Retired(ctx context.Context, most time.Duration) {
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	listed := func() (n int, err error) {
		c, err := l.api(0).Client()
		if err != nil {
			return 0, err
		}
		for _, err := range c.Jobs(ctx, client.Query{Limit: 500}) {
			if err != nil {
				return n, err
			}
			n++
		}
		return n, nil
	}
	if err := l.Until(ctx, time.Second, func() error {
		n, err := listed()
		if err == nil && n > 0 {
			err = fmt.Errorf("%d jobs are still listed", n)
		}
		return err
	}); err != nil {
		l.Bad("retention", "%v after the last end: %v", most, err)
		return
	}
	for _, j := range l.Jobs() {
		if !j.Final.Over() {
			continue // told by Await
		}
		c, err := l.api(0).Client()
		if err == nil {
			_, err = c.Job(ctx, j.ID)
		}
		p, is := errors.AsType[*v1.Problem](err)
		if !is || p.Status != http.StatusGone {
			l.Bad("retention", "job %s is listed no more, asking for it says %v, want that it was deleted", j.ID, err)
			continue
		}
		l.mu.Lock()
		j.Gone = true
		l.mu.Unlock()
	}
}
