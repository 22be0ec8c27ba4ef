// Package lab is a whole service made of real processes, for one suite of
// faults: brokers, an object store where wanted, APIs, workers; what was
// submitted to them; and the judge of what came out.
//
//	what                                       where
//	folders, processes, their flags            lab.go, start.go
//	sides, reference results                   sides.go
//	submitting, waiting for ends               load.go
//	the invariants                             check.go, result.go, traces.go
//	logs, metrics, the store's folder          logs.go, metrics.go, tree.go
//	what processes hold over time              watch.go, retire.go
//	what happened                              history.go
//
// Invariants, after every suite: I1 each submission answered 2xx ends, none is
// lost. I2 at most one committed result for each job. I3 a visible result is
// complete: size, hash, decodes, report matches re-measurement. I4 the same
// input gives the same bytes. I5 nothing outside the data folder changes. I6
// after draining no temporary files, leases, processes, goroutines or
// descriptors are left beyond what was there before. I7 each failure is told in
// the API, in one log line and in one counter with the same reason code.
//
// The judge reads files, logs and /proc by itself and takes nobody's word.
package lab

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"discsafe/cmd/faultrun/proc"
	"discsafe/worker/store/dir"
)

// Options say what a lab is made of.
type Options struct {
	Suite    string
	Seed     uint64
	Programs *proc.Programs
	History  *History
	Out      io.Writer // progress for people

	Brokers int  // 0: 1; 3 make a cluster
	APIs    int  // 0: 1
	Workers int  // that New starts
	Serve   bool // one process is API, worker and broker: Brokers, APIs, Workers and S3 do not count
	S3      bool // the store is an object store, not a folder
	Proxied bool // everybody reaches the broker through a proxy

	// Small makes a volume a file system of its own, of so many bytes: "store", "spool", "scratch", "broker".
	Small map[string]int64

	Tune Tuning
}

// Tuning is how the service is told to behave; zero values leave its defaults.
type Tuning struct {
	APIArgs []string // further flags
	JobArgs []string // the same for workers
	APIEnv  []string // added to the environment
	JobEnv  []string // the same for workers
	// Profiles lets every process but the brokers show profiles of its memory.
	Profiles bool
}

// Lab is a running service. Make one with New, and Close it.
type Lab struct {
	o    Options
	Rand *rand.Rand
	g    proc.Group

	Dir     string // everything
	Data    string // below Dir: what the service may write
	outside string // beside Data: what it must not touch
	before  map[string]string
	exe     string // the program under a name of this lab's own

	Brokers []*Broker
	S3      *S3
	APIs    []*API
	mu      sync.Mutex
	Workers []*Worker // all there ever were

	Sides []*Side
	http  *http.Client
	jobs  map[string]*Job
	order []*Job
	bad   []string
	facts map[string]any
}

// New makes the folders and starts brokers, store, APIs and workers.
func New(ctx context.Context, o Options) (_ *Lab, err error) {
	o.Brokers, o.APIs = max(1, o.Brokers), max(1, o.APIs)
	if o.Serve {
		o.Brokers, o.APIs, o.Workers, o.S3 = 0, 1, 0, false
	}
	l := &Lab{o: o, Rand: rand.New(rand.NewPCG(o.Seed, hash(o.Suite))), jobs: map[string]*Job{}, facts: map[string]any{}}
	l.http = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 64, IdleConnTimeout: 5 * time.Second}, Timeout: time.Minute}
	defer func() {
		if err != nil {
			_ = l.g.Close(true) // the folders tell why
		}
	}()
	if l.Dir, err = l.g.Dir("faultrun-" + o.Suite + "-"); err != nil {
		return nil, err
	}
	if err := l.folders(); err != nil {
		return nil, err
	}
	if err := l.startBrokers(); err != nil {
		return nil, err
	}
	if o.S3 {
		if err := l.startS3(); err != nil {
			return nil, err
		}
	}
	for n := range o.APIs {
		a := &API{l: l, n: n}
		if err := a.Start(nil); err != nil {
			return nil, err
		}
		l.APIs = append(l.APIs, a)
	}
	for range o.Workers {
		if _, err := l.Worker(nil); err != nil {
			return nil, err
		}
	}
	return l, nil
}

func hash(s string) uint64 {
	h := uint64(14695981039346656037) // FNV-1a
	for _, b := range []byte(s) {
		h = (h ^ uint64(b)) * 1099511628211
	}
	return h
}

func (l *Lab) folders() error {
	l.Data, l.outside = filepath.Join(l.Dir, "data"), filepath.Join(l.Dir, "outside")
	for _, d := range []string{"data", "logs", "outside/cwd", "outside/home", "outside/tmp", "outside/others", "ref"} {
		if err := os.MkdirAll(filepath.Join(l.Dir, d), 0o700); err != nil {
			return err
		}
	}
	for n := range 5 {
		if err := os.WriteFile(filepath.Join(l.outside, "others", fmt.Sprintf("mix-%d.wav", n)), wavLike(n), 0o600); err != nil {
			return err
		}
	}
	for volume, size := range l.o.Small {
		if err := l.g.Mount(l.Volume(volume), size); err != nil {
			return err
		}
	}
	if !l.o.S3 && !l.o.Serve { // serve makes its own
		s, err := dir.Open(l.Volume("store"), dir.Options{Create: true})
		if err != nil {
			return err
		}
		if err := s.Close(); err != nil {
			return err
		}
	}
	l.exe = filepath.Join(l.Dir, "discsafe")
	if err := os.Link(l.o.Programs.Discsafe, l.exe); err != nil {
		if err := copyFile(l.o.Programs.Discsafe, l.exe); err != nil {
			return err
		}
	}
	var err error
	l.before, err = tree(l.outside)
	return err
}

// Volume is the folder of a volume.
func (l *Lab) Volume(name string) string { return filepath.Join(l.Data, name) }

// Say tells people, and the history.
func (l *Lab) Say(format string, a ...any) {
	text := fmt.Sprintf(format, a...)
	fmt.Fprintf(l.o.Out, "  %-12s %s\n", l.o.Suite, text)
	l.Note("note", "text", text)
}

// Note adds to the history.
func (l *Lab) Note(kind string, pairs ...any) { l.o.History.Note(l.o.Suite, kind, pairs...) }

// Bad is a violation: what broke, and how.
func (l *Lab) Bad(what, format string, a ...any) {
	text := what + ": " + fmt.Sprintf(format, a...)
	l.mu.Lock()
	l.bad = append(l.bad, text)
	n := len(l.bad)
	l.mu.Unlock()
	l.Note("violation", "what", what, "text", text)
	if n <= 20 {
		fmt.Fprintf(l.o.Out, "  %-12s VIOLATION %s\n", l.o.Suite, text)
	}
}

// Fact is a figure of the suite, for the summary.
func (l *Lab) Fact(name string, v any) {
	if d, is := v.(time.Duration); is {
		v = seconds(d)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.facts[name] = v
}

// Most is a figure of which the greatest counts, however often it is told.
func Most[N int | float64 | time.Duration](l *Lab, name string, v N) {
	switch v := any(v).(type) {
	case time.Duration:
		most(l, name, seconds(v))
	case float64:
		most(l, name, v)
	case int:
		most(l, name, v)
	}
}

func most[N int | float64](l *Lab, name string, v N) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if was, is := l.facts[name].(N); !is || v > was {
		l.facts[name] = v
	}
}

func seconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1e6 }

// Violations lists what was found.
func (l *Lab) Violations() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string{}, l.bad...)
}

// Facts are the figures.
func (l *Lab) Facts() map[string]any { return l.facts }

// Close ends everything. keep leaves the folder, for looking into it.
func (l *Lab) Close(keep bool) error {
	for _, b := range l.Brokers {
		b.closeProxies()
	}
	l.http.CloseIdleConnections()
	return l.g.Close(keep)
}

// environment is all a process gets of ours.
func (l *Lab) environment(more []string) []string {
	env := []string{"PATH=" + os.Getenv("PATH"), "HOME=" + filepath.Join(l.outside, "home"), "TMPDIR=" + filepath.Join(l.outside, "tmp"), "TZ=UTC"}
	return append(env, more...)
}

func wavLike(n int) []byte {
	b := make([]byte, 2000)
	for i := range b {
		b[i] = byte(i * (n + 3))
	}
	return b
}

func copyFile(from, to string) error {
	b, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, b, 0o700)
}
