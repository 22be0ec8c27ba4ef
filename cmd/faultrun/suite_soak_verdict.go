package main

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"discsafe/cmd/faultrun/lab"
	"discsafe/cmd/faultrun/trend"
)

// samples is the file of samples; several services may write to it.
type samples struct {
	mu sync.Mutex
	f  *os.File
}

func openSamples(path string) (*samples, error) {
	if path == "" {
		return &samples{}, nil
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	_, err = fmt.Fprintln(f, "t_s,topology,process,rss_bytes,rss_anon_bytes,heap_inuse_bytes,heap_live_bytes,goroutines,fds,threads,slots_busy,open_jobs")
	return &samples{f: f}, err
}

func (s *samples) add(tS float64, topology string, h lab.Held, open int) error {
	if s.f == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	_, err := fmt.Fprintf(s.f, "%.1f,%s,%s,%d,%d,%.0f,%.0f,%d,%d,%d,%.0f,%d\n", tS, topology, h.Process, h.RSSBytes, h.AnonBytes, h.HeapInUseBytes, h.HeapLiveBytes, h.Goroutines, h.FDs, h.Threads, h.SlotsBusy, open)
	return err
}

// Close ends the file.
func (s *samples) Close() error {
	if s.f == nil {
		return nil
	}
	return s.f.Close()
}

// watched is what was seen of each process over the load, the warm-up left out.
type watched struct {
	order []string
	tH    map[string][]float64 // hours since the load began
	held  map[string][]lab.Held
	busy  []float64 // slots of all workers
	open  int       // most jobs that had not ended
}

// watching samples in the background from now on; the function ends it.
func watching(ctx context.Context, s *soaking, out *samples) func() (*watched, error) {
	ctx, stop := context.WithCancel(ctx)
	w := &watched{tH: map[string][]float64{}, held: map[string][]lab.Held{}}
	var err error
	done := make(chan struct{})
	began, skip := time.Now(), warmup(s.r.soak.span)
	look := func() error {
		h, err := s.l.Watched()
		if err != nil {
			// Told, and the next sample is tried: the others say enough.
			s.l.Bad("soak", "%s: sampling: %v", s.name, err)
			return nil
		}
		at, open, busy := time.Since(began), len(s.l.Open()), 0.0
		w.open = max(w.open, open)
		for _, p := range h {
			busy += p.SlotsBusy
			if err := out.add(at.Seconds(), s.name, p, open); err != nil {
				return err
			}
			// After the load's end the last jobs run off: not the load any more.
			if at < skip || at > s.r.soak.span {
				continue
			}
			if w.tH[p.Process] == nil {
				w.order = append(w.order, p.Process)
			}
			w.tH[p.Process], w.held[p.Process] = append(w.tH[p.Process], at.Hours()), append(w.held[p.Process], p)
		}
		if at >= skip && at <= s.r.soak.span {
			w.busy = append(w.busy, busy)
		}
		s.mu.Lock()
		s.busy = append(s.busy, busyAt{time.Now(), busy})
		s.mu.Unlock()
		return nil
	}
	go func() {
		defer close(done)
		warm := s.r.soak.profiles == ""
		for err == nil && ctx.Err() == nil {
			if err = look(); err == nil && !warm && time.Since(began) > skip {
				err, warm = s.l.KeepProfiles(ctx, s.profile("warm")), true
			}
			sleep(ctx, sampleEvery)
		}
	}()
	return func() (*watched, error) { stop(); <-done; return w, err }
}

// Bounds on resident memory. After 50 minutes behind the warm-up one MB an hour
// can be told, and the slope itself must be below. In a shorter run it cannot:
// the collector lets a heap of some 8 MB grow by as much again before it runs, so
// that for minutes a process may rise by that without having leaked a byte.
// There only growth counts that is certain, the lower end of the interval, and
// what it makes of the time watched must stay within one such breath.
const (
	rssMostMBPerHour = 1.0
	rssBreathMB      = 8.0
	longEnough       = 50 * time.Minute // of load behind the warm-up
	soakBlocks       = 50
)

const mb = 1e6

// trends are the slopes of one process, an hour.
type trends struct {
	process                    string
	rssMB                      float64 // median
	rss, heap, goroutines, fds trend.Slope
}

// judge finds the slopes, and what rises too much over the time watched.
func (w *watched) judge(tested time.Duration) (all []trends, bad []string) {
	for _, name := range w.order {
		t, h := w.tH[name], w.held[name]
		tr := trends{process: name}
		fail := func(format string, a ...any) { bad = append(bad, name+": "+fmt.Sprintf(format, a...)) }
		slope := func(to *trend.Slope, of func(lab.Held) float64) []float64 {
			v := values(h, of)
			sl, err := trend.Of(t, v, soakBlocks)
			if err != nil {
				fail("%d samples: %v", len(h), err)
			}
			*to = sl
			return v
		}
		flat := func(what string, sl trend.Slope, tolerance float64) {
			if sl.Low*tested.Hours() > tolerance {
				fail("%s rise by %.1f an hour, surely by %.1f", what, sl.Per, sl.Low)
			}
		}
		tr.rssMB = trend.Median(slope(&tr.rss, func(h lab.Held) float64 { return float64(h.RSSBytes) / mb }))
		slope(&tr.heap, func(h lab.Held) float64 { return h.HeapLiveBytes / mb })
		slope(&tr.goroutines, func(h lab.Held) float64 { return float64(h.Goroutines) })
		slope(&tr.fds, func(h lab.Held) float64 { return float64(h.FDs) })
		switch {
		case tested >= longEnough && tr.rss.Per >= rssMostMBPerHour:
			fail("resident memory rises by %.2f MB/h (95 %%: %.2f to %.2f), want less than %g", tr.rss.Per, tr.rss.Low, tr.rss.High, rssMostMBPerHour)
		case tested < longEnough && tr.rss.Low*tested.Hours() >= rssBreathMB:
			fail("resident memory rises by %.1f MB/h, surely by %.1f, which in %v is more than %g MB", tr.rss.Per, tr.rss.Low, tested, rssBreathMB)
		}
		// A worker with a job in its hands holds 5 and 4 more than without, an API for
		// each open request: as the load breathes, so do these. Quiet tells it finely.
		flat("goroutines", tr.goroutines, 2*quietGoroutines)
		flat("descriptors", tr.fds, 2*quietFDs)
		all = append(all, tr)
	}
	return all, bad
}

// verdict prints what was found and tells what is too much.
func (s *soaking) verdict(before, after []lab.Held, w *watched, jobs int) {
	span := s.r.soak.span
	tested := span - warmup(span)
	all, bad := w.judge(tested)
	for _, g := range moreThan(before, after) {
		bad = append(bad, "at quiet "+g)
	}
	for _, b := range bad {
		s.l.Bad("soak", "%s: %s", s.name, b)
	}
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "process\tRSS MB\tRSS MB/h\t95 %\tlive heap MB/h\tgoroutines/h\tfds/h\tat quiet: goroutines\tfds\tthreads\tRSS MB")
	for _, tr := range all {
		b, a := held(before, tr.process), held(after, tr.process)
		fmt.Fprintf(tab, "%s\t%.1f\t%+.2f\t%+.2f to %+.2f\t%+.2f\t%+.1f\t%+.1f\t%d > %d\t%d > %d\t%d > %d\t%.1f > %.1f\n", tr.process, tr.rssMB, tr.rss.Per, tr.rss.Low, tr.rss.High,
			tr.heap.Per, tr.goroutines.Per, tr.fds.Per, b.Goroutines, a.Goroutines, b.FDs, a.FDs, b.Threads, a.Threads, float64(b.RSSBytes)/mb, float64(a.RSSBytes)/mb)
		lab.Most(s.l, s.name+"_rss_mb_per_h", tr.rss.Per)
	}
	_ = tab.Flush() // into memory
	for line := range strings.Lines(table.String()) {
		s.l.Say("%s: %s", s.name, strings.TrimRight(line, "\n"))
	}
	busy := mean(w.busy) / soakSlots
	s.l.Say("%s: slopes over %v behind %v of warm-up, samples each %v in %d blocks; %d jobs, %.0f %% of slot time busy, at most %d jobs open, %d arrivals turned away",
		s.name, tested, warmup(span), sampleEvery, soakBlocks, jobs, 100*busy, w.open, s.turned)
	what := make([]string, 0, len(s.did))
	for k, n := range s.did {
		what = append(what, fmt.Sprintf("%s %d", k, n))
	}
	slices.Sort(what)
	s.l.Say("%s: with the measuring of capacity: %s", s.name, strings.Join(what, ", "))
	s.l.Fact(s.name+"_jobs", jobs)
	s.l.Fact(s.name+"_busy", busy)
	s.l.Fact(s.name+"_turned_away", s.turned)
	// A run without load proves nothing, nor one that lost a good part of it.
	if jobs < s.arrived/2 || jobs == 0 {
		s.l.Bad("soak", "%s: only %d of %d jobs that were to come ended in %v", s.name, jobs, s.arrived, span)
	}
}

func values(h []lab.Held, of func(lab.Held) float64) []float64 {
	v := make([]float64, len(h))
	for i := range h {
		v[i] = of(h[i])
	}
	return v
}

func held(all []lab.Held, name string) lab.Held {
	if i := slices.IndexFunc(all, func(h lab.Held) bool { return h.Process == name }); i >= 0 {
		return all[i]
	}
	return lab.Held{}
}
