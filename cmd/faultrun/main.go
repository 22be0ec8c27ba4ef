package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"discsafe/cmd/faultrun/lab"
	"discsafe/cmd/faultrun/proc"
)

// suite is a family of faults.
type suite struct {
	name string
	what string
	run  func(ctx context.Context, r *run) error
	kind kind
}

// kind says how a suite is carried out.
type kind int

const (
	together kind = iota // beside others
	alone                // it measures time: others must be silent
	apart                // only when asked for by name
)

func suites() []suite {
	return []suite{
		{"worker-kill", "kill -9 of random workers at random moments", workerKill, together},
		{"steps", "kill -9 at every named step of worker and API", steps, together},
		{"api-kill", "kill -9 of the API in uploads, between record and publish, under load", apiKill, together},
		{"broker", "broker restarted and killed under load", brokerRestart, together},
		{"broker-wipe", "broker's storage deleted", brokerWipe, together},
		{"freeze", "workers stopped for longer than their lease, then woken", freeze, together},
		{"disk-full", "no room for store, spool, scratch, broker", diskFull, together},
		{"poison", "sides that panic, eat memory, never end", poison, together},
		{"drain", "SIGTERM of workers under load", drain, together},
		{"partition", "a minute of black holes, half-open lines and resets", partition, together},
		{"burst", "5,000 submissions at once", burst, alone},
		{"idem", "100 parallel posts with one key", idem, together},
		{"slow", "1,000 connections with slow heads, bodies, readers", slow, alone},
		{"throughput", "1, 2 and 4 workers; overhead of a job", throughput, alone},
		{"cluster", "three brokers, object store; one broker and one worker killed", cluster, apart},
		{"soak", "nothing broken: 70 % load for a long time; memory, goroutines, descriptors", soak, apart},
	}
}

// run is one suite under way.
type run struct {
	suite suite
	seed  uint64
	scale int
	root  string // of the module
	progs *proc.Programs
	hist  *lab.History
	out   io.Writer
	soak  soakOptions

	mu   sync.Mutex
	labs []*lab.Lab
}

// lab makes a lab that is closed when the suite ends.
func (r *run) lab(ctx context.Context, o lab.Options) (*lab.Lab, error) {
	o.Suite, o.Seed, o.Programs, o.History, o.Out = r.suite.name, r.seed, r.progs, r.hist, r.out
	l, err := lab.New(ctx, o)
	if err == nil {
		r.mu.Lock()
		r.labs = append(r.labs, l)
		r.mu.Unlock()
	}
	return l, err
}

// outcome is what became of a suite.
type outcome struct {
	Suite      string         `json:"suite"`
	What       string         `json:"what"`
	OK         bool           `json:"ok"`
	Seconds    float64        `json:"seconds"`
	Error      string         `json:"error,omitempty"`
	Violations []string       `json:"violations,omitempty"`
	Facts      map[string]any `json:"facts"`
	Folder     string         `json:"folder,omitempty"`
}

type summary struct {
	Seed    uint64    `json:"seed"`
	Scale   int       `json:"scale"`
	OK      bool      `json:"ok"`
	Began   time.Time `json:"began"`
	Seconds float64   `json:"seconds"`
	Suites  []outcome `json:"suites"`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	code := mainCode(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

func mainCode(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	f := flag.NewFlagSet("faultrun", flag.ContinueOnError)
	f.SetOutput(stderr)
	names := f.String("suite", "", "suites, separated by commas; empty: all but cluster and soak")
	without := f.String("skip", "", "suites to leave out, separated by commas")
	scale := f.Int("scale", 1, "times the counts of a change")
	seed := f.Uint64("seed", 0, "of all draws; 0: a random one, printed")
	out := f.String("out", "", "file for the summary, as JSON")
	history := f.String("history", "", "file for the history, JSON lines; empty: a temporary one, named if something fails")
	cache := f.String("cache", "", "folder for programs that are built once; empty: below the user's cache folder")
	keep := f.Bool("keep", false, "leave the folders of suites that failed")
	parallel := f.Int("parallel", 1, "suites at the same time; most of them wait most of the time")
	var so soakOptions
	f.DurationVar(&so.span, "for", time.Hour, "length of the soak's load")
	f.StringVar(&so.topology, "topology", "apart", "of the soak: apart (broker, API, two workers), serve (one process), or both beside each other")
	f.StringVar(&so.csv, "csv", "", "file for the soak's samples; empty: none")
	f.StringVar(&so.profiles, "profiles", "", "folder for heap and goroutine profiles of the soak's processes, after the warm-up and at the end; empty: none")
	list := f.Bool("list", false, "list the suites")
	if f.Parse(args) != nil {
		return 2
	}
	if *list {
		for _, s := range suites() {
			fmt.Fprintf(stdout, "%-12s %s\n", s.name, s.what)
		}
		return 0
	}
	picked, err := pick(*names, *without, f.Args())
	err = errors.Join(err, so.check())
	if err != nil || *scale < 1 || *parallel < 1 {
		fmt.Fprintln(stderr, "faultrun:", errors.Join(err, errors.New("see --help and --list; scale and parallel are 1 or more")))
		return 2
	}
	if *seed == 0 {
		*seed = rand.Uint64N(1e9) + 1
	}
	sum := summary{Seed: *seed, Scale: *scale, Began: time.Now().UTC()}
	fmt.Fprintf(stdout, "seed %d, scale %d\n", *seed, *scale)
	if err := carryOut(ctx, picked, &sum, options{history: *history, cache: *cache, keep: *keep, parallel: *parallel, soak: so}, stdout); err != nil {
		fmt.Fprintln(stderr, "faultrun:", err)
		return 1
	}
	table(stdout, &sum)
	if *out != "" {
		b, err := json.MarshalIndent(sum, "", "  ")
		if err == nil {
			err = os.WriteFile(*out, append(b, '\n'), 0o644)
		}
		if err != nil {
			fmt.Fprintln(stderr, "faultrun:", err)
			return 1
		}
	}
	if !sum.OK {
		return 1
	}
	return 0
}

func pick(names, without string, args []string) ([]suite, error) {
	want := args
	if names != "" {
		want = append(want, strings.Split(names, ",")...)
	}
	all := suites()
	if without != "" {
		for _, w := range strings.Split(without, ",") {
			n := len(all)
			if all = slices.DeleteFunc(all, func(s suite) bool { return s.name == w }); len(all) == n {
				return nil, fmt.Errorf("there is no suite %q", w)
			}
		}
	}
	if len(want) == 0 {
		return slices.DeleteFunc(all, func(s suite) bool { return s.kind == apart }), nil
	}
	var picked []suite
	for _, w := range want {
		i := slices.IndexFunc(all, func(s suite) bool { return s.name == w })
		if i < 0 {
			return nil, fmt.Errorf("there is no suite %q", w)
		}
		picked = append(picked, all[i])
	}
	return picked, nil
}

type options struct {
	history, cache string
	keep           bool
	parallel       int
	soak           soakOptions
}

func carryOut(ctx context.Context, picked []suite, sum *summary, o options, stdout io.Writer) (err error) {
	root, err := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Dir}}", "discsafe").Output()
	if err != nil {
		return fmt.Errorf("finding the module: %w", err)
	}
	if o.cache == "" {
		base, err := os.UserCacheDir()
		if err != nil {
			base = os.TempDir()
		}
		o.cache = filepath.Join(base, "discsafe-faultrun")
	}
	bin, err := os.MkdirTemp("", "faultrun-bin-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(bin)) }()
	temporary := o.history == ""
	if temporary {
		o.history = filepath.Join(os.TempDir(), fmt.Sprintf("faultrun-%d.jsonl", sum.Seed))
	}
	hist, err := lab.OpenHistory(o.history)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, hist.Close()) }()
	began := time.Now()
	s3 := slices.ContainsFunc(picked, func(s suite) bool { return s.name == "cluster" })
	progs, err := proc.Build(ctx, strings.TrimSpace(string(root)), bin, o.cache, s3)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "programs built in %.0f s\n", time.Since(began).Seconds())
	out := &lines{w: stdout}
	sum.Suites = make([]outcome, len(picked))
	one := func(i int) {
		r := &run{suite: picked[i], seed: sum.Seed, scale: sum.Scale, root: strings.TrimSpace(string(root)), progs: progs, hist: hist, out: out, soak: o.soak}
		sum.Suites[i] = r.carryOut(ctx, o.keep)
	}
	gate := make(chan struct{}, o.parallel)
	var wg sync.WaitGroup
	for i, s := range picked {
		if s.kind == alone {
			continue
		}
		gate <- struct{}{}
		wg.Go(func() {
			defer func() { <-gate }()
			one(i)
		})
	}
	wg.Wait()
	for i, s := range picked {
		if s.kind == alone {
			one(i)
		}
	}
	sum.OK = !slices.ContainsFunc(sum.Suites, func(o outcome) bool { return !o.OK })
	sum.Seconds = time.Since(began).Seconds()
	if !sum.OK {
		fmt.Fprintln(stdout, "history:", o.history)
	} else if temporary {
		return os.Remove(o.history)
	}
	return nil
}

func (r *run) carryOut(ctx context.Context, keep bool) (o outcome) {
	began := time.Now()
	o = outcome{Suite: r.suite.name, What: r.suite.what, Facts: map[string]any{}}
	fmt.Fprintf(r.out, "=== %s: %s\n", r.suite.name, r.suite.what)
	r.hist.Note(r.suite.name, "begin")
	err := ctx.Err()
	if err == nil {
		err = r.suite.run(ctx, r)
	}
	if err != nil {
		o.Error = err.Error()
	}
	for _, l := range r.labs {
		o.Violations = append(o.Violations, l.Violations()...)
		for k, v := range l.Facts() {
			o.Facts[k] = add(o.Facts[k], v)
		}
	}
	o.OK = err == nil && len(o.Violations) == 0
	for _, l := range r.labs {
		if err := l.Close(keep && !o.OK); err != nil {
			o.OK, o.Error = false, strings.TrimSpace(o.Error+"\n"+err.Error())
		}
		if keep && !o.OK {
			o.Folder = strings.TrimSpace(o.Folder + " " + l.Dir)
		}
	}
	o.Seconds = time.Since(began).Seconds()
	r.hist.Note(r.suite.name, "end", "ok", o.OK, "error", o.Error, "facts", o.Facts)
	fmt.Fprintf(r.out, "--- %s: %s, %.0f s\n", r.suite.name, word(o.OK), o.Seconds)
	return o
}

// add joins the figures of several labs of one suite.
func add(a, b any) any {
	x, ok := a.(int)
	y, also := b.(int)
	if ok && also {
		return x + y
	}
	if s, is := a.(float64); is {
		if t, is := b.(float64); is {
			return max(s, t)
		}
	}
	return b
}

func word(ok bool) string {
	if ok {
		return "held"
	}
	return "BROKEN"
}

func table(w io.Writer, s *summary) {
	fmt.Fprintf(w, "\nseed %d, scale %d, %.0f s\n", s.Seed, s.Scale, s.Seconds)
	for _, o := range s.Suites {
		var facts []string
		for k, v := range o.Facts {
			if f, is := v.(float64); is {
				v = fmt.Sprintf("%.4g", f)
			}
			facts = append(facts, fmt.Sprintf("%s=%v", k, v))
		}
		slices.Sort(facts)
		fmt.Fprintf(w, "%-12s %-6s %5.0f s  %s\n", o.Suite, word(o.OK), o.Seconds, strings.Join(facts, " "))
		if o.Error != "" {
			fmt.Fprintf(w, "    error: %s\n", strings.ReplaceAll(o.Error, "\n", "\n           "))
		}
		for i, v := range o.Violations {
			if i == 15 {
				fmt.Fprintf(w, "    and %d more\n", len(o.Violations)-i)
				break
			}
			fmt.Fprintf(w, "    %s\n", v)
		}
		if o.Folder != "" {
			fmt.Fprintf(w, "    left in %s\n", o.Folder)
		}
	}
	held := 0
	for _, o := range s.Suites {
		if o.OK {
			held++
		}
	}
	fmt.Fprintf(w, "%d suites held, %d broken\n", held, len(s.Suites)-held)
}

// lines keeps the output of suites that run at the same time apart.
type lines struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(p)
}
