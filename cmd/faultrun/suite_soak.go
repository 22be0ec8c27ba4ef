package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"discsafe/cmd/faultrun/lab"
)

// soakOptions are the flags of the soak.
type soakOptions struct {
	span     time.Duration // of the load
	topology string        // apart, serve or both
	csv      string        // file; "": none
	profiles string        // folder; "": none
}

const leastSoak = 2 * time.Minute

func (o soakOptions) check() error {
	switch {
	case o.span < leastSoak:
		return fmt.Errorf("--for %v: want %v or more", o.span, leastSoak)
	case !slices.Contains([]string{"apart", "serve", "both"}, o.topology):
		return fmt.Errorf("--topology %s: want apart, serve or both", o.topology)
	}
	return nil
}

// How a soak is carried out.
const (
	soakLoad    = 0.7 // of the capacity measured
	soakSlots   = 2
	soakClients = 12 // that keep all slots busy while capacity is measured
	sampleEvery = 5 * time.Second
	// Jobs are deleted so long after their end, and looked for so often.
	soakKeep  = 90 * time.Second
	soakHouse = 20 * time.Second
	soakMixes = 10 * time.Minute // mixes that no job uses
	// What arrives while so many jobs are open is turned away, and told: a machine
	// that got slower must not make a soak into a backlog.
	soakMostOpen = 60
)

// warmup is what of the load is left out of the slopes: pools fill, the
// collector finds its pace, tables grow to their size.
func warmup(span time.Duration) time.Duration { return min(10*time.Minute, span/4) }

// soaking is the soak of one service.
type soaking struct {
	r    *run
	l    *lab.Lab
	name string // of the topology
	side soakSides
	http *http.Client // of the visitors; streams have no timeout

	mu        sync.Mutex
	ended     []time.Time // of jobs that reached an end
	busy      []busyAt
	arrived   int // during the load
	turned    int // of those, turned away
	did       map[string]int
	abandoned []string // uploads
}

// soak loads a service with 70 % of what it can do for a long time, and holds
// the memory, goroutines and descriptors of its long-lived processes against
// what they were.
func soak(ctx context.Context, r *run) error {
	names := []string{r.soak.topology}
	if r.soak.topology == "both" {
		names = []string{"apart", "serve"}
	}
	out, err := openSamples(r.soak.csv)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	errs := make([]error, len(names))
	for i, name := range names {
		wg.Go(func() { errs[i] = soakOne(ctx, r, name, out) })
	}
	wg.Wait()
	return errors.Join(append(errs, out.Close())...)
}

func soakOne(ctx context.Context, r *run, name string, out *samples) error {
	tune := fast()
	tune.APIArgs = append(tune.APIArgs, "--retain-days", daysOf(soakKeep), "--mix-days", daysOf(soakMixes))
	tune.APIEnv = []string{"DISCSAFE_HOUSE_EVERY=" + soakHouse.String()}
	tune.Profiles = r.soak.profiles != ""
	o := lab.Options{Workers: soakSlots, Tune: tune}
	if name == "serve" {
		o.Serve, o.Tune.JobArgs = true, []string{"--slots", fmt.Sprint(soakSlots)}
	}
	l, err := r.lab(ctx, o)
	if err != nil {
		return err
	}
	s := &soaking{r: r, l: l, name: name, did: map[string]int{}}
	s.http = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 16, IdleConnTimeout: 5 * time.Second}}
	defer s.http.CloseIdleConnections()
	if err := s.makeSides(ctx); err != nil {
		return err
	}
	// Every kind of work is done once and more before anything is compared.
	perMinute, err := s.capacity(ctx, min(2*time.Minute, max(45*time.Second, r.soak.span/10)))
	if err != nil {
		return err
	}
	before, err := s.quiet(ctx, nil)
	if err != nil {
		return err
	}
	watch := watching(ctx, s, out)
	began := time.Now()
	err = s.load(ctx, perMinute)
	w, werr := watch()
	if err := errors.Join(err, werr); err != nil {
		return err
	}
	// The last arrivals are brought to their ends by load; nobody else has open jobs.
	l.Await(ctx, 5*time.Minute)
	if r.soak.profiles != "" {
		if err := l.KeepProfiles(ctx, s.profile("end")); err != nil {
			return err
		}
	}
	done := s.endedSince(began)
	l.Retired(ctx, soakKeep+3*soakHouse+time.Minute)
	after, err := s.quiet(ctx, before)
	if err != nil {
		return err
	}
	s.verdict(before, after, w, done)
	return l.Judge(ctx, lab.Verdict{Counted: true, Stray: s.abandoned, MayEnd: func(j *lab.Job) bool {
		return j.Final.Reason != nil && slices.Contains(j.May, j.Final.Reason.Code)
	}})
}

func daysOf(d time.Duration) string { return fmt.Sprintf("%.6f", d.Hours()/24) }

func (s *soaking) profile(when string) string {
	return fmt.Sprintf("%s/%s-%s-", s.r.soak.profiles, s.name, when)
}

// capacity keeps every slot busy for a while with the work of the load, and
// returns the jobs that ended each minute.
func (s *soaking) capacity(ctx context.Context, span time.Duration) (perMinute float64, err error) {
	const settle = 10 * time.Second // until the slots are busy
	began := time.Now()
	stop, cancel := context.WithTimeout(ctx, settle+span)
	defer cancel()
	var wg sync.WaitGroup
	errs := make([]error, soakClients)
	for i := range errs {
		wg.Go(func() {
			for n := i; stop.Err() == nil && errs[i] == nil; n += soakClients {
				errs[i] = s.arrive(ctx, 1_000_000+n)
			}
		})
	}
	var busy []float64
	for stop.Err() == nil {
		sleep(stop, time.Second)
		h, err := s.l.Watched()
		if err != nil {
			break // the clients tell better
		}
		sum := 0.0
		for _, p := range h {
			sum += p.SlotsBusy
		}
		if time.Since(began) > settle {
			busy = append(busy, sum)
		}
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		return 0, err
	}
	n := 0
	s.mu.Lock()
	for _, at := range s.ended {
		if d := at.Sub(began); d >= settle && d < settle+span {
			n++
		}
	}
	s.mu.Unlock()
	perMinute = float64(n) / span.Minutes()
	s.l.Fact(s.name+"_capacity_per_min", perMinute)
	s.l.Say("%s: %d jobs ended in %v with %.2f of %d slots busy: %.1f a minute", s.name, n, span, mean(busy), soakSlots, perMinute)
	if n == 0 {
		return 0, errors.New("no job ended while the capacity was measured")
	}
	return perMinute, nil
}

// busyAt is how many slots were busy at a moment.
type busyAt struct {
	at    time.Time
	slots float64
}

// capacityNow is what the service could do over the last minutes: jobs that
// ended each minute by the share of slot time they took. On a machine that others
// use too it is not what it was at the beginning; before there are figures it is
// taken for that.
func capacityNow(now time.Time, ended []time.Time, busy []busyAt, first float64) float64 {
	const span, leastJobs = 5 * time.Minute, 10
	var share []float64
	for _, b := range busy {
		if now.Sub(b.at) < span {
			share = append(share, b.slots/soakSlots)
		}
	}
	jobs := 0
	for _, at := range ended {
		if now.Sub(at) < span {
			jobs++
		}
	}
	if len(share) == 0 || now.Sub(busy[0].at) < span || jobs < leastJobs || mean(share) < 0.1 {
		return first
	}
	return float64(jobs) / span.Minutes() / mean(share)
}

// load lets jobs arrive at random, on average 70 % of the capacity as it stands,
// and returns when the last one has ended.
func (s *soaking) load(ctx context.Context, capacity float64) error {
	s.l.Say("%s: %v at first at %.1f jobs a minute, %v of it warm-up", s.name, s.r.soak.span, soakLoad*capacity, warmup(s.r.soak.span))
	r := rand.New(rand.NewPCG(s.r.seed, 70))
	var wg sync.WaitGroup
	var mu sync.Mutex
	var errs []error
	// One visitor whom the service fails is told and does not end the soak; what it
	// is for shows over its whole length.
	failed := func() bool { mu.Lock(); defer mu.Unlock(); return len(errs) >= 20 }
	next, end := time.Now(), time.Now().Add(s.r.soak.span)
	for n := 0; ; n++ {
		s.mu.Lock()
		now := capacityNow(time.Now(), s.ended, s.busy, capacity)
		s.mu.Unlock()
		lab.Most(s.l, s.name+"_capacity_per_min_most", now)
		next = next.Add(time.Duration(r.ExpFloat64() / (soakLoad * now) * float64(time.Minute)))
		if next.After(end) || ctx.Err() != nil || failed() {
			break
		}
		sleep(ctx, time.Until(next))
		full := len(s.l.Open()) >= soakMostOpen
		s.mu.Lock()
		s.arrived++
		if full {
			s.turned++
		}
		s.mu.Unlock()
		if full {
			continue
		}
		wg.Go(func() {
			if err := s.arrive(ctx, n); err != nil {
				mu.Lock()
				errs = append(errs, err)
				mu.Unlock()
				s.l.Bad("soak", "visitor %d: %v", n, err)
			}
		})
	}
	wg.Wait()
	if failed() {
		return errors.Join(append(errs, ctx.Err())...)
	}
	return ctx.Err()
}

// Quiet after quiet: connections of peers and idle goroutines come and go by a
// few; a leak of one in a thousand jobs is more than this after an hour.
const (
	quietFDs        = 4
	quietGoroutines = 6
)

// quiet waits until the service has nothing to do, and looks. After before it is
// given two minutes to come back to it: connections live on for 90 s.
func (s *soaking) quiet(ctx context.Context, before []lab.Held) ([]lab.Held, error) {
	sleep(ctx, 10*time.Second)
	if before == nil {
		// Idle connections of the first rush may go.
		if _, err := s.l.Quiet(); err != nil {
			return nil, err
		}
		sleep(ctx, 20*time.Second)
		return s.l.Quiet()
	}
	var now []lab.Held
	wait, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	var failed error
	_ = s.l.Until(wait, 2*time.Second, func() error { // the verdict tells what did not come back
		if now, failed = s.l.Quiet(); failed != nil {
			return nil
		}
		if grown := moreThan(before, now); len(grown) > 0 {
			return errors.New(strings.Join(grown, "; "))
		}
		return nil
	})
	return now, errors.Join(failed, ctx.Err())
}

// moreThan tells what a process holds more than before, beyond the tolerances.
func moreThan(before, now []lab.Held) (grown []string) {
	for _, b := range before {
		i := slices.IndexFunc(now, func(h lab.Held) bool { return h.Process == b.Process })
		if i < 0 {
			grown = append(grown, b.Process+" is gone")
			continue
		}
		if n := now[i]; n.FDs > b.FDs+quietFDs || n.Goroutines > b.Goroutines+quietGoroutines {
			grown = append(grown, fmt.Sprintf("%s holds %d descriptors and %d goroutines, before the load %d and %d", b.Process, n.FDs, n.Goroutines, b.FDs, b.Goroutines))
		}
	}
	return grown
}

func (s *soaking) endedSince(t time.Time) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, at := range s.ended {
		if at.After(t) {
			n++
		}
	}
	return n
}

// count notes that something was done.
func (s *soaking) count(what string) { s.mu.Lock(); s.did[what]++; s.mu.Unlock() }

func mean(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}
