package lab

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"discsafe/api/client"
	"discsafe/api/v1"
)

// Job is a submission that was answered 2xx.
type Job struct {
	ID, Key  string
	Side     int
	Kind     string
	Accepted time.Time
	Final    *v1.Job // as last seen
	// May lists the reason codes with which it may end other than done.
	May []string
	// Gone says that retention has deleted it, with its files.
	Gone bool
}

// Client speaks to an API as a program of a studio would, without repeating by
// itself: every answer is looked at.
func (a *API) Client() (*client.Client, error) {
	return client.New(client.Options{Server: a.URL(), HTTP: a.l.http, Retries: -1})
}

// api is one of the APIs that run, a different one each time; the first if none
// does.
func (l *Lab) api(n int) *API {
	var up []*API
	for _, a := range l.APIs {
		if a.P.Alive() {
			up = append(up, a)
		}
	}
	if len(up) == 0 {
		return l.APIs[0]
	}
	return up[n%len(up)]
}

// Request is what a side is submitted as.
func (l *Lab) Request(side int, kind, lane string) v1.Submit {
	s := l.Sides[side]
	return v1.Submit{Kind: kind, Lane: lane, Plan: s.Plan, Files: []v1.Use{{Name: s.Name, SHA256: s.SHA256}}}
}

// Upload hands in the mix of a side.
func (l *Lab) Upload(ctx context.Context, a *API, side int) error {
	c, err := a.Client()
	if err != nil {
		return err
	}
	s := l.Sides[side]
	_, err = c.Upload(ctx, client.Source{Name: s.Name, ReaderAt: bytes.NewReader(s.Mix), Size: int64(len(s.Mix)), SHA256: s.SHA256}, nil)
	return err
}

// allowed says whether a service in trouble may answer a submission like that:
// not reached, or told to come again and when.
func (l *Lab) allowed(err error) bool {
	p, is := errors.AsType[*v1.Problem](err)
	if !is {
		return true // the line broke
	}
	switch p.Status {
	case http.StatusServiceUnavailable, http.StatusTooManyRequests, http.StatusInsufficientStorage:
		if p.RetryAfter <= 0 {
			l.Bad("answer", "%d %s without Retry-After", p.Status, p.Code)
		}
		return true
	}
	return false
}

// Submit hands a side in until that is answered 2xx, or ctx ends. The same key
// goes with every try.
func (l *Lab) Submit(ctx context.Context, n, side int, kind string) (*Job, error) {
	key := fmt.Sprintf("%s-%d-%d", l.o.Suite, l.o.Seed, n)
	for try := 0; ; try++ {
		a := l.api(n + try)
		j, err := l.submitOnce(ctx, a, n, side, kind, key)
		if err == nil {
			return j, nil
		}
		if ctx.Err() != nil {
			return nil, err
		}
		l.Note("refused", "n", n, "try", try, "api", a.n, "error", err)
		if !l.allowed(err) {
			l.Bad("answer", "submission %d was answered %v", n, err)
			return nil, err
		}
		select {
		case <-ctx.Done():
			return nil, err
		case <-time.After(250 * time.Millisecond): // sooner than told: the service must stand it
		}
	}
}

func (l *Lab) submitOnce(ctx context.Context, a *API, n, side int, kind, key string) (*Job, error) {
	// A dead line must not hold the run up.
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	if err := l.Upload(ctx, a, side); err != nil {
		return nil, err
	}
	c, err := a.Client()
	if err != nil {
		return nil, err
	}
	lane := "bulk"
	if n%5 == 0 {
		lane = "express"
	}
	got, _, err := c.Submit(ctx, l.Request(side, kind, lane), key)
	if err != nil {
		return nil, err
	}
	return l.took(got, key, side), nil
}

// took notes that a submission was answered 2xx.
func (l *Lab) took(got *v1.Job, key string, side int) *Job {
	l.Note("accepted", "job", got.ID, "key", key, "side", side)
	l.mu.Lock()
	defer l.mu.Unlock()
	j := l.jobs[got.ID]
	if j == nil {
		j = &Job{ID: got.ID, Key: key, Side: side, Kind: got.Kind, Accepted: time.Now()}
		l.jobs[got.ID] = j
		l.order = append(l.order, j)
	}
	j.Final = got
	return j
}

// Load submits n jobs over the sides there are, a few at a time, and returns
// when all are accepted. The first number keeps the keys of several loads apart.
func (l *Lab) Load(ctx context.Context, first, n int, pause time.Duration) error {
	var wg sync.WaitGroup
	gate := make(chan struct{}, 4)
	errs := make([]error, n)
	for i := range n {
		select {
		case gate <- struct{}{}:
		case <-ctx.Done():
			wg.Wait()
			return ctx.Err()
		}
		wg.Go(func() {
			defer func() { <-gate }()
			_, errs[i] = l.Submit(ctx, first+i, (first+i)%len(l.Sides), v1.Prepare)
			time.Sleep(pause)
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// Look brings what is known of all jobs up to date, from the list.
func (l *Lab) Look(ctx context.Context, a *API) error {
	c, err := a.Client()
	if err != nil {
		return err
	}
	for j, err := range c.Jobs(ctx, client.Query{Limit: 500}) {
		if err != nil {
			return err
		}
		l.mu.Lock()
		if k := l.jobs[j.ID]; k != nil {
			k.Final = &j
		}
		l.mu.Unlock()
	}
	return nil
}

// Open are the accepted jobs that were not seen to end.
func (l *Lab) Open() []*Job {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(l.order), func(j *Job) bool { return j.Final.Over() })
}

// Jobs are all accepted ones, in the order they were.
func (l *Lab) Jobs() []*Job { l.mu.Lock(); defer l.mu.Unlock(); return slices.Clone(l.order) }

// Await waits until all accepted jobs have ended: I1. It returns how long that
// took.
func (l *Lab) Await(ctx context.Context, most time.Duration) time.Duration {
	at := time.Now()
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	var last error
	_ = l.Until(ctx, 300*time.Millisecond, func() error {
		if last = l.Look(ctx, l.api(0)); last != nil {
			return last
		}
		if n := len(l.Open()); n > 0 {
			return fmt.Errorf("%d jobs have not ended", n)
		}
		return nil
	})
	for _, j := range l.Open() {
		l.Bad("I1", "job %s, accepted %v ago, is %s after %v (attempt %d); looking said: %v",
			j.ID, time.Since(j.Accepted).Round(time.Second), j.Final.State, most, j.Final.Attempt, last)
	}
	return time.Since(at)
}

// OfSide lists the jobs of a side, whoever submitted them.
func (l *Lab) OfSide(ctx context.Context, side int) ([]string, error) {
	c, err := l.api(0).Client()
	if err != nil {
		return nil, err
	}
	var ids []string
	for j, err := range c.Jobs(ctx, client.Query{Limit: 500}) {
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(j.Inputs, func(i v1.Input) bool { return i.SHA256 == l.Sides[side].SHA256 }) {
			ids = append(ids, j.ID)
		}
	}
	return ids, nil
}

// SubmitKey submits a side under a key, again while the service asks for that.
func (l *Lab) SubmitKey(ctx context.Context, a *API, side int, key string) (string, error) {
	c, err := a.Client()
	if err != nil {
		return "", err
	}
	for {
		got, _, err := c.Submit(ctx, l.Request(side, v1.Prepare, "express"), key)
		if err == nil {
			return l.took(got, key, side).ID, nil
		}
		p, is := errors.AsType[*v1.Problem](err)
		if !is || p.RetryAfter == 0 || ctx.Err() != nil {
			return "", err
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// Post submits a side once, bare.
func (l *Lab) Post(ctx context.Context, a *API, side int, key string) error {
	c, err := a.Client()
	if err != nil {
		return err
	}
	got, _, err := c.Submit(ctx, l.Request(side, v1.Prepare, "bulk"), key)
	if err == nil {
		l.took(got, key, side)
	}
	return err
}
