package job

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
)

// Filter picks jobs for a list. Zero values pick all.
type Filter struct {
	Studio  string    // exactly
	States  []State   // any of them
	Lane    string    // exactly
	Codes   []Code    // any of them is the code of the last transition
	Text    string    // stands in ID, title, side or catalogue number, whatever the case
	From    time.Time // accepted at or after
	To      time.Time // accepted before
	Kind    string    // one of Kinds
	Verdict string    // of jobs that are done
	Signoff Standing  // of sides that are prepared
}

// Picks says whether the filter picks a job.
func (f *Filter) Picks(r *Record) bool {
	q := &r.Request
	switch {
	case f.Studio != "" && q.Studio != f.Studio,
		len(f.States) > 0 && !slices.Contains(f.States, r.State),
		f.Lane != "" && q.Lane != f.Lane,
		len(f.Codes) > 0 && !slices.Contains(f.Codes, r.Last().Code),
		!f.From.IsZero() && r.Accepted.Before(f.From),
		!f.To.IsZero() && !r.Accepted.Before(f.To),
		f.Kind != "" && q.Makes() != f.Kind,
		f.Verdict != "" && (r.Result == nil || r.Result.Verdict != f.Verdict),
		f.Signoff != "" && (r.State != Done || !q.Prepares() || r.Standing() != f.Signoff):
		return false
	}
	if f.Text == "" {
		return true
	}
	text := strings.ToLower(f.Text)
	return slices.ContainsFunc([]string{r.ID, q.Title, q.Side, q.Catalogue}, func(s string) bool {
		return strings.Contains(strings.ToLower(s), text)
	})
}

// index is the shortest walk that meets every job the filter can pick.
func (f *Filter) index() string {
	open := len(f.States) > 0 && !slices.ContainsFunc(f.States, State.Ended)
	switch {
	case open:
		return openDir
	case f.Studio != "":
		return studioDir + f.Studio + "/"
	}
	return recordDir
}

// Page is a part of a list, newest first.
type Page struct {
	Jobs []*Record
	// Next is the cursor of the next page, empty after the last. A page may have
	// fewer jobs than asked for, or none, and yet a next one: looking for rare
	// jobs among many stops after a while so that no call takes for ever.
	Next string
	// Unreadable names jobs whose records this version cannot read.
	Unreadable []string
}

// Bounds of one call of List.
const (
	maxLimit    = 500
	maxLookedAt = 5000
	listPage    = 200
)

// List returns jobs that f picks, newest first, at most limit (1 to 500; 0 is
// 50), after cursor. A cursor is the ID of the last job looked at: jobs that
// come meanwhile do not shift pages.
func (l *Ledger) List(ctx context.Context, f Filter, cursor string, limit int) (*Page, error) {
	if f.Studio != "" && !studioForm.MatchString(f.Studio) {
		return &Page{}, nil // no job has such a studio
	}
	if cursor != "" && !ValidID(cursor) {
		return nil, &RequestError{Faults: []string{fmt.Sprintf("cursor %.40q: want one that a list gave", cursor)}}
	}
	if limit <= 0 {
		limit = 50
	}
	limit = min(limit, maxLimit)
	dir := f.index()
	after := ""
	if !f.To.IsZero() {
		// The ID is made a moment before Accepted is stamped.
		after = dir + idFloor(f.To.Add(time.Second))
	}
	if cursor != "" {
		after = max(after, dir+cursor)
	}
	p := &Page{}
	for looked := 0; ; {
		keys, err := l.store.List(ctx, dir, after, listPage)
		if err != nil {
			return nil, err
		}
		for _, k := range keys {
			id := idOf(k.Key)
			after = k.Key
			if t := idTime(id); !f.From.IsZero() && !t.IsZero() && t.Before(f.From.Add(-idSlack)) {
				return p, nil // older than anything asked for
			}
			r, err := l.Get(ctx, id)
			switch _, unreadable := errors.AsType[*RecordError](err); {
			case unreadable:
				p.Unreadable = append(p.Unreadable, id)
			case errors.Is(err, ErrUnknown): // a marker whose submission is under way or broke off
			case err != nil:
				return nil, err
			case f.Picks(r):
				p.Jobs = append(p.Jobs, r)
			}
			if looked++; len(p.Jobs) == limit || looked == maxLookedAt {
				p.Next = id
				return p, nil
			}
		}
		if len(keys) < listPage {
			return p, nil
		}
	}
}

// idSlack covers a submission that was repeated under an idempotency key after
// its first try broke off: its ID is that much older than its record, at most.
const idSlack = 8 * 24 * time.Hour

// eachAtOnce is how many records each reads beside each other: on an object store
// nearly all of its time is waiting.
const eachAtOnce = 8

// each calls f with every job that has a key in dir, newest first and one at a
// time, until f returns an error. f is given ErrUnknown for a marker without a
// record, and a *RecordError for a record that cannot be read. A record is read
// up to eachAtOnce calls before its own.
func (l *Ledger) each(ctx context.Context, dir string, f func(id string, made time.Time, r *Record, err error) error) error {
	type read struct {
		id  string
		r   *Record
		err error
	}
	var reads sync.WaitGroup
	defer reads.Wait()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	line := make(chan chan read, eachAtOnce-1) // the one that is waited for is out of it
	var failed error
	reads.Go(func() {
		defer close(line)
		for o, err := range l.all(ctx, dir) {
			if err != nil {
				failed = err
				return
			}
			next := make(chan read, 1)
			select {
			case line <- next:
			case <-ctx.Done():
				failed = ctx.Err()
				return
			}
			reads.Go(func() {
				id := idOf(o.Key)
				r, err := l.Get(ctx, id)
				next <- read{id, r, err}
			})
		}
	})
	for next := range line {
		n := <-next
		_, unreadable := errors.AsType[*RecordError](n.err)
		if n.err != nil && !unreadable && !errors.Is(n.err, ErrUnknown) {
			return n.err
		}
		if err := f(n.id, idTime(n.id), n.r, n.err); err != nil {
			return err
		}
	}
	return failed
}

// CountOpen counts jobs that have not ended, up to most: for a cap on the
// backlog.
func (l *Ledger) CountOpen(ctx context.Context, most int) (int, error) {
	n, after := 0, ""
	for n < most {
		page := min(most-n, 1000)
		keys, err := l.store.List(ctx, openDir, after, page)
		if err != nil {
			return 0, err
		}
		n += len(keys)
		if len(keys) < page {
			return n, nil
		}
		after = keys[len(keys)-1].Key
	}
	return n, nil
}

// OpenIDs returns the jobs that have not ended, newest first, without reading
// their records: also some that ended a moment ago, and submissions that have
// not come through yet.
func (l *Ledger) OpenIDs(ctx context.Context) ([]string, error) {
	var ids []string
	for o, err := range l.all(ctx, openDir) {
		if err != nil {
			return nil, err
		}
		ids = append(ids, idOf(o.Key))
	}
	return ids, nil
}
