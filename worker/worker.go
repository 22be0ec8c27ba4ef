package worker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/queue"
	"discsafe/worker/volume"
)

// Worker works on jobs. Make one with New.
type Worker struct {
	o       Options
	scratch *scratch
	claims  atomic.Int64 // for tokens
	epoch   string       // unlike that of a former worker of the same name

	mu       sync.Mutex
	running  map[string]*attempt // by job
	reserved int64               // bytes of scratch promised to running jobs
	draining bool
	paused   bool
	trouble  string
}

// New makes a worker. It does nothing before Run.
func New(o Options) (*Worker, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Worker{o: o, running: map[string]*attempt{}, epoch: fmt.Sprint(o.Clock.Now().UnixNano())}, nil
}

// Run works until ctx is cancelled, then drains: it fetches no more, lets
// running jobs end for Options.Grace, and hands the rest back. It returns when
// no process, goroutine or file of it is left. An error means that it could not
// start, or could not tidy its scratch folder.
func (w *Worker) Run(ctx context.Context) error {
	s, swept, err := openScratch(w.o.Scratch)
	if err != nil {
		return err
	}
	w.scratch = s
	if w.o.Free == nil {
		w.o.Free = func() (int64, bool) { return volume.Free(s.dir) }
	}
	w.o.Log.Info("worker started", "worker", w.o.Name, "slots", w.o.Slots, "scratch", s.dir, "swept", swept)
	stopped := context.AfterFunc(ctx, func() {
		w.mu.Lock()
		w.draining = true
		n := len(w.running)
		w.mu.Unlock()
		w.o.Log.Info("worker drains", "worker", w.o.Name, "running", n, "grace", w.o.Grace)
	})
	defer stopped()
	var wg sync.WaitGroup
	for range w.o.Slots {
		wg.Go(func() { w.slot(ctx) })
	}
	wg.Wait()
	w.o.Log.Info("worker stopped", "worker", w.o.Name)
	return s.close()
}

// Pause stops fetching until it is called with false; running jobs go on.
func (w *Worker) Pause(on bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.paused = on
}

// Status says what the worker is doing.
func (w *Worker) Status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := Status{Name: w.o.Name, Slots: w.o.Slots, Draining: w.draining, Paused: w.paused, Trouble: w.trouble}
	for id, a := range w.running {
		s.Running = append(s.Running, Running{Job: id, Attempt: a.hold.Attempt, Since: a.began, Progress: a.progress.now()})
	}
	slices.SortFunc(s.Running, func(a, b Running) int { return strings.Compare(a.Job, b.Job) })
	return s
}

const (
	fetchWait    = 5 * time.Second  // one call of Fetch
	idlePause    = 1 * time.Second  // while paused
	troubleFirst = 1 * time.Second  // after trouble, doubled each time
	troubleMost  = 30 * time.Second // up to this
)

// slot works on one job after the other.
func (w *Worker) slot(ctx context.Context) {
	pause := troubleFirst
	for ctx.Err() == nil {
		w.mu.Lock()
		paused := w.paused
		w.mu.Unlock()
		if paused {
			w.sleep(ctx, idlePause)
			continue
		}
		d, err := w.next(ctx)
		switch {
		case err == nil:
			pause = troubleFirst
			w.handle(ctx, d)
		case errors.Is(err, queue.ErrEmpty):
			pause = troubleFirst
		case errors.Is(err, queue.ErrClosed) || ctx.Err() != nil:
			if ctx.Err() == nil {
				w.note(err, "")
			}
			return
		default:
			w.note(err, codeOf(err))
			w.sleep(ctx, pause)
			pause = min(2*pause, troubleMost)
		}
	}
}

// next fetches a message if there is room for a job.
func (w *Worker) next(ctx context.Context) (queue.Delivery, error) {
	if free, known := w.o.Free(); known && free < w.o.MinFree {
		return nil, &spaceError{where: "scratch folder", free: free, want: w.o.MinFree}
	}
	d, err := w.o.Queue.Fetch(ctx, fetchWait)
	if err == nil || errors.Is(err, queue.ErrEmpty) {
		w.note(nil, "")
	}
	return d, err
}

// note remembers trouble for Status and tells it once.
func (w *Worker) note(err error, code job.Code) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	w.mu.Lock()
	was := w.trouble
	w.trouble = text
	w.mu.Unlock()
	switch {
	case err != nil:
		w.o.Observe(Event{Kind: Trouble, Code: code, Err: err})
		if was == "" {
			w.o.Log.Warn("nothing is fetched", "worker", w.o.Name, "reason", code, "error", text)
		}
	case was != "":
		w.o.Log.Info("fetching again", "worker", w.o.Name)
	}
}

func (w *Worker) sleep(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-w.o.Clock.After(d):
	}
}

// spaceError is a folder or store without room.
type spaceError struct {
	where      string
	free, want int64
}

func (e *spaceError) Error() string {
	return fmt.Sprintf("%s: %d MiB free, %d MiB wanted", e.where, e.free>>20, e.want>>20)
}

// reserve promises scratch space to a job, so that jobs beginning together do
// not all count on the same bytes.
func (w *Worker) reserve(n int64) (func(), error) {
	free, known := w.o.Free()
	w.mu.Lock()
	defer w.mu.Unlock()
	if known && free-w.reserved < n {
		return nil, &spaceError{where: "scratch folder", free: free - w.reserved, want: n}
	}
	w.reserved += n
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.reserved -= n
	}, nil
}

// enter lists an attempt as running. A job that is running here already, by
// way of a doubled message, must not be claimed again: its own beats would
// keep the claim waiting anyway.
func (w *Worker) enter(id string, a *attempt) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.running[id] = a
}

func (w *Worker) leave(id string, a *attempt) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.running[id] == a {
		delete(w.running, id)
	}
}

func (w *Worker) token() string {
	return fmt.Sprintf("%s/%s/%d", w.o.Name, w.epoch, w.claims.Add(1))
}
