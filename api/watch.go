package api

import (
	"context"
	"errors"
	"sync"
	"time"

	"discsafe/worker/job"
)

// watcher looks at the records of jobs that somebody watches, for all streams
// of the process together. It runs while anybody watches. The store has no bell
// of its own, so it looks; what it costs follows the jobs watched, not the
// streams.
//
// A reader is given the newest record only: transitions that came in between
// stand in its history.
type watcher struct {
	ledger *job.Ledger
	poll   time.Duration

	mu    sync.Mutex
	jobs  map[string]map[*follower]bool
	last  map[string]*job.Record
	feeds map[*feed]bool
	stop  context.CancelFunc // nil while nobody watches
	scan  *scan
}

// lookAtOnce is how many records are read at the same time: with object
// storage a read takes many milliseconds.
const lookAtOnce = 8

func newWatcher(l *job.Ledger, poll time.Duration) *watcher {
	return &watcher{ledger: l, poll: poll, jobs: map[string]map[*follower]bool{}, last: map[string]*job.Record{}, feeds: map[*feed]bool{}}
}

// follower waits for news of one job.
type follower struct {
	id   string
	news chan struct{} // holds one
	mu   sync.Mutex
	rec  *job.Record // newest, nil once taken
	gone bool        // the job was deleted
}

func (f *follower) take() (r *job.Record, gone bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	r, f.rec = f.rec, nil
	return r, f.gone
}

func (f *follower) give(r *job.Record, gone bool) {
	f.mu.Lock()
	f.gone = f.gone || gone
	if r != nil && (f.rec == nil || r.Rev > f.rec.Rev) {
		f.rec = r
	}
	f.mu.Unlock()
	ring(f.news)
}

func ring(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// follow begins to watch a job; call the function to end it.
func (w *watcher) follow(id string) (*follower, func()) {
	f := &follower{id: id, news: make(chan struct{}, 1)}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.jobs[id] == nil {
		w.jobs[id] = map[*follower]bool{}
	}
	w.jobs[id][f] = true
	w.start()
	return f, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.jobs[id], f)
		if len(w.jobs[id]) == 0 {
			delete(w.jobs, id)
			delete(w.last, id)
		}
		w.end()
	}
}

// start and end hold the lock.
func (w *watcher) start() {
	if w.stop != nil {
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	w.stop = cancel
	w.scan = newScan()
	go w.run(ctx, w.scan)
}

func (w *watcher) end() {
	if w.stop != nil && len(w.jobs) == 0 && len(w.feeds) == 0 {
		w.stop()
		w.stop = nil
	}
}

func (w *watcher) run(ctx context.Context, sc *scan) {
	tick := time.NewTicker(w.poll)
	defer tick.Stop()
	for {
		w.look(ctx, sc)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// look reads all watched records once.
func (w *watcher) look(ctx context.Context, sc *scan) {
	w.mu.Lock()
	want := make([]string, 0, len(w.jobs))
	for id := range w.jobs {
		want = append(want, id)
	}
	feeds := len(w.feeds) > 0
	w.mu.Unlock()
	if feeds {
		// What cannot be listed now is listed at the next look.
		if more, err := sc.next(ctx, w.ledger); err == nil {
			want = append(want, more...)
		}
	} else {
		sc.reset()
	}
	seen := make(map[string]bool, len(want))
	var wg sync.WaitGroup
	slots := make(chan struct{}, lookAtOnce)
	for _, id := range want {
		if seen[id] || ctx.Err() != nil {
			continue
		}
		seen[id] = true
		slots <- struct{}{}
		wg.Go(func() {
			defer func() { <-slots }()
			r, err := w.ledger.Get(ctx, id)
			switch {
			case err == nil:
				w.saw(r)
			case errors.Is(err, job.ErrUnknown):
				w.lost(id)
			}
			// Other trouble passes, or is told by who asks for the job itself.
		})
	}
	wg.Wait()
}

// saw tells watchers of a record as somebody has read or written it.
func (w *watcher) saw(r *job.Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.stop == nil {
		return
	}
	followers := w.jobs[r.ID]
	w.scan.note(r)
	if len(followers) > 0 {
		if last := w.last[r.ID]; last == nil || r.Rev > last.Rev {
			w.last[r.ID] = r
			for f := range followers {
				f.give(r, false)
			}
		}
	}
	for f := range w.feeds {
		f.give(r)
	}
}

func (w *watcher) lost(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for f := range w.jobs[id] {
		f.give(nil, true)
	}
	if w.scan != nil {
		w.scan.drop(id)
	}
}

// mark is that of the scan that runs.
func (w *watcher) mark() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.scan == nil {
		return ""
	}
	return w.scan.mark()
}
