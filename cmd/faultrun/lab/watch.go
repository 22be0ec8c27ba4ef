package lab

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"

	"discsafe/cmd/faultrun/proc"
)

// Held is what one process held of things that must not grow, at one moment.
type Held struct {
	Process        string
	RSSBytes       int64
	AnonBytes      int64   // of RSSBytes, those that are no pages of files
	HeapInUseBytes float64 // by the process itself; 0 where it does not tell
	Goroutines     int     // 0 where it does not tell
	FDs, Threads   int
	SlotsBusy      float64 // of a worker
	HeapLiveBytes  float64 // that lived after the last collection; 0 where it does not tell
}

// Watched are the processes that live as long as the service: brokers, APIs,
// workers; not those of jobs.
func (l *Lab) Watched() ([]Held, error) {
	var all []Held
	var errs []error
	look := func(p *proc.Proc, scrape func() (Samples, error)) {
		m, err := p.Memory()
		if err != nil {
			errs = append(errs, err)
			return
		}
		h := Held{Process: p.Name, RSSBytes: m.RSSBytes, AnonBytes: m.AnonBytes, Threads: m.Threads, FDs: p.FDs()}
		if scrape != nil {
			s, err := scrape()
			errs = append(errs, err)
			h.HeapInUseBytes, h.Goroutines = s.Sum("go_memstats_heap_inuse_bytes"), int(s.Sum("go_goroutines"))
			h.SlotsBusy = s.Sum("discsafe_slots", `state="busy"`)
			// With GOGC, in percent, of what lives more the next collection begins.
			h.HeapLiveBytes = s.Sum("go_memstats_next_gc_bytes") / (1 + s.Sum("go_gc_gogc_percent")/100)
		}
		all = append(all, h)
	}
	for _, b := range l.Brokers {
		look(b.P, nil)
	}
	for _, a := range l.APIs {
		look(a.P, a.Scrape)
	}
	for _, w := range l.Living() {
		look(w.P, w.Scrape)
	}
	return all, errors.Join(errs...)
}

// Quiet closes the connections that the lab keeps, and looks.
func (l *Lab) Quiet() ([]Held, error) {
	h, err := l.Watched()
	l.http.CloseIdleConnections()
	return h, err
}

// KeepProfiles fetches the heap and goroutine profiles of every process that
// shows them into files whose names begin with prefix.
func (l *Lab) KeepProfiles(ctx context.Context, prefix string) error {
	var errs []error
	keep := func(name, addr string) {
		for _, kind := range []string{"heap", "goroutine"} {
			if addr != "" {
				errs = append(errs, l.keepProfile(ctx, fmt.Sprintf("http://%s/debug/pprof/%s", addr, kind), fmt.Sprintf("%s%s-%s.pprof", prefix, name, kind)))
			}
		}
	}
	for _, a := range l.APIs {
		keep(a.P.Name, a.profiles)
	}
	for _, w := range l.Living() {
		keep(w.P.Name, w.profiles)
	}
	return errors.Join(errs...)
}

func (l *Lab) keepProfile(ctx context.Context, url, path string) (err error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return err
	}
	r, err := l.http.Do(req)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", url, r.Status)
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	_, err = io.Copy(f, r.Body)
	return err
}
