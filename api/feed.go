package api

import (
	"context"
	"slices"
	"sync"
	"time"

	"discsafe/worker/job"
)

// feed waits for news of all jobs that a reader may see.
type feed struct {
	picks func(*job.Record) bool
	news  chan struct{} // holds one

	mu    sync.Mutex
	since time.Time        // a job first met is news only if its last transition is not older
	sent  map[string]int64 // revision of each job that was met
	wait  []*job.Record    // in the order in which they became news, latest of each job
	gap   bool             // there was more than fits: the reader must list anew
}

// maxWaiting bounds the memory of a reader that does not keep up.
const maxWaiting = 1000

// attend begins to watch all jobs; call the function to end it.
func (w *watcher) attend(since time.Time, picks func(*job.Record) bool) (*feed, func()) {
	f := &feed{picks: picks, news: make(chan struct{}, 1), since: since, sent: map[string]int64{}}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.feeds[f] = true
	w.start()
	return f, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.feeds, f)
		w.end()
	}
}

func (f *feed) give(r *job.Record) {
	f.mu.Lock()
	defer f.mu.Unlock()
	rev, met := f.sent[r.ID]
	if met && r.Rev <= rev || !f.picks(r) {
		return
	}
	f.sent[r.ID] = r.Rev
	if !met && r.Changed().Before(f.since) {
		return
	}
	at := slices.IndexFunc(f.wait, func(o *job.Record) bool { return o.ID == r.ID })
	switch {
	case at >= 0:
		f.wait[at] = r
	case len(f.wait) == maxWaiting:
		f.gap = true
		f.wait = nil
	default:
		f.wait = append(f.wait, r)
	}
	ring(f.news)
}

// take returns what came, oldest first, and whether something was dropped.
func (f *feed) take(now time.Time) ([]*job.Record, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	out, gap := f.wait, f.gap
	f.wait, f.gap = nil, false
	if len(f.sent) > 10*maxWaiting {
		clear(f.sent)
		f.since = now
	}
	return out, gap
}

// scan picks which records a look reads for feeds: the open jobs, those that
// run always, those that wait in turns, each that was open and is no more, and
// those on which there was a decision a moment ago.
// So a look costs at most scanBudget reads, however long the backlog is; with
// more than that waiting, news of a job that waits comes later, never not.
type scan struct {
	mu    sync.Mutex
	open  map[string]job.State // as last seen; "" not read yet
	order []string             // of those that wait, next in turn first
	// oldest is the ID of the open job that is oldest: IDs sort newest first.
	oldest string
}

const scanBudget = 400

// decidedWithin is longer than two looks are apart and clocks differ.
const decidedWithin = time.Minute

func newScan() *scan { return &scan{open: map[string]job.State{}} }

func (s *scan) reset() {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.open)
	s.order, s.oldest = nil, ""
}

func (s *scan) note(r *job.Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if r.State.Ended() {
		delete(s.open, r.ID)
		return
	}
	s.open[r.ID] = r.State
}

func (s *scan) drop(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, id)
}

// mark is the place up to which a reader must look back who comes again.
func (s *scan) mark() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.oldest
}

// next lists the open jobs and returns those to be read now.
func (s *scan) next(ctx context.Context, l *job.Ledger) ([]string, error) {
	now, err := l.OpenIDs(ctx)
	if err != nil {
		return nil, err
	}
	decided, err := l.Decided(ctx, decidedWithin)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	is := make(map[string]bool, len(now))
	must, turn := decided, []string(nil)
	for _, id := range now {
		is[id] = true
		switch st, ok := s.open[id]; {
		case !ok:
			s.open[id] = ""
			must = append(must, id)
		case st != job.Accepted:
			must = append(must, id)
		default:
			turn = append(turn, id)
		}
	}
	for id := range s.open {
		if !is[id] {
			must = append(must, id) // it has ended, or was deleted
		}
	}
	s.oldest = ""
	if len(now) > 0 {
		s.oldest = now[len(now)-1]
	}
	slices.Sort(must)
	s.turns(turn)
	if len(must) > scanBudget {
		must = must[:scanBudget]
	}
	n := min(len(s.order), scanBudget-len(must))
	must = append(must, s.order[:n]...)
	s.order = append(s.order[n:], s.order[:n]...)
	return must, nil
}

// turns brings the order up to date: what is new goes last.
func (s *scan) turns(now []string) {
	is := make(map[string]bool, len(now))
	for _, id := range now {
		is[id] = true
	}
	s.order = slices.DeleteFunc(s.order, func(id string) bool {
		keep := is[id]
		delete(is, id)
		return !keep
	})
	for _, id := range now {
		if is[id] {
			s.order = append(s.order, id)
		}
	}
}
