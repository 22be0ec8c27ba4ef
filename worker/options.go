package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/queue"
	"discsafe/worker/store"
)

// Options say with what and how a Worker works. The first seven are required.
type Options struct {
	Queue   queue.Queue
	Store   store.Store
	Ledger  *job.Ledger
	Runner  Runner
	Name    string // of this worker, for records and logs; unlike any other's
	Version string // of this program
	Scratch string // folder for mixes and results under way; may be shared by workers of one machine

	Slots  int           // jobs at the same time; 0: 1
	Limits Limits        // of each job
	Clock  queue.Clock   // nil: the system's
	Log    *slog.Logger  // nil: nothing is logged
	Grace  time.Duration // running jobs get it when the worker is stopped; 0: 20 s, negative: none

	// AckWait is the queue's: a message is kept by InProgress every third of it. 0: 30 s.
	AckWait time.Duration
	// Lease is how long the worker may show no life before another takes its jobs; 0: AckWait. Beats come every
	// tenth of it. It must be longer than settle, the time a last word to the record may take.
	Lease time.Duration
	// MinFree is the scratch space below which nothing is fetched; 0: 512 MiB.
	MinFree int64
	// Free tells the space left in the scratch folder; nil: the system is asked.
	Free func() (bytes int64, known bool)
	// Observe is told of everything that happens, for metrics; it must be quick and safe for many goroutines.
	Observe func(Event)
	// Step is called at each step of an attempt, named as in Steps; if it returns false, the attempt is dropped as
	// if the worker had been killed there. For tests of crashes.
	Step func(step, id string) (goOn bool)
}

// Steps names the steps at which Options.Step is called, in order.
func Steps() []string { return []string{"claimed", "brought", "prepared", "stored", "recorded"} }

// Limits bound one job. Zero values take the defaults.
type Limits struct {
	MemoryBytes   int64         // of the child process; 0: 768 MiB (a side takes some 50 MiB, whatever its length: deploy/capacity.md)
	TimeBase      time.Duration // every job gets this; 0: 5 minutes
	TimePerSecond float64       // and so many seconds for each second of programme; 0: 1 (a core does 40 to 100 times better)
	TimeMost      time.Duration // and never more than this; 0: 6 hours
	Stall         time.Duration // longest silence of the child; 0: 5 minutes
}

func (l Limits) withDefaults() Limits {
	set(&l.MemoryBytes, 768<<20)
	set(&l.TimeBase, 5*time.Minute)
	set(&l.TimePerSecond, 1)
	set(&l.TimeMost, 6*time.Hour)
	set(&l.Stall, 5*time.Minute)
	return l
}

func set[T int | int64 | float64 | time.Duration](v *T, def T) {
	if *v <= 0 {
		*v = def
	}
}

// slowestBytesPerSecond is mono at 16 bit and 44.1 kHz: with it, size gives the
// longest programme that uncompressed sound of that size can be.
const slowestBytesPerSecond = 88200

// timeFor is how long a job may run.
func (l Limits) timeFor(q *job.Request) time.Duration {
	length := q.LengthS
	if length <= 0 {
		length = float64(q.Bytes()) / slowestBytesPerSecond
	}
	return min(l.TimeMost, l.TimeBase+time.Duration(length*l.TimePerSecond*float64(time.Second)))
}

// spaceFor is what a job may take in scratch or store. Premaster, difference and
// as-traced are up to one and a half, two and one and a half times the mixes
// when those are 16 bit; a packed mix is counted twice, which covers most. An
// analysis brings the mixes and writes a report; an arrangement keeps the groove of
// every track too, 0.9 MB a minute and twice that while it is joined.
func spaceFor(q *job.Request) int64 {
	switch q.Makes() {
	case job.Analyse:
		return q.Bytes() + 64<<20
	case job.Arrange:
		return 2*q.Bytes() + 64<<20
	}
	return 8*q.Bytes() + 64<<20
}

// SettleTime bounds what is said to store and queue at the end of an attempt. A
// lease must be longer.
const SettleTime = 15 * time.Second

func (o Options) withDefaults() (Options, error) {
	if o.Queue == nil || o.Store == nil || o.Ledger == nil || o.Runner == nil || o.Name == "" || o.Version == "" || o.Scratch == "" {
		return o, errors.New("worker: Queue, Store, Ledger, Runner, Name, Version and Scratch are required")
	}
	set(&o.Slots, 1)
	o.Limits = o.Limits.withDefaults()
	if o.Clock == nil {
		o.Clock = queue.SystemClock()
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Grace == 0 {
		o.Grace = 20 * time.Second
	}
	o.Grace = max(0, o.Grace)
	set(&o.AckWait, 30*time.Second)
	set(&o.Lease, o.AckWait)
	set(&o.MinFree, 512<<20)
	if o.Observe == nil {
		o.Observe = func(Event) {}
	}
	if o.Step == nil {
		o.Step = func(string, string) bool { return true }
	}
	if o.Lease <= SettleTime {
		return o, fmt.Errorf("worker: a lease of %v is too short: the last word to a record may take %v", o.Lease, SettleTime)
	}
	return o, nil
}

// EventKind says what an Event tells of.
type EventKind string

// The kinds of events.
const (
	Claimed EventKind = "claimed" // an attempt begins
	Passed  EventKind = "passed"  // a pass over the sound ended within an attempt; Pass, Took and RealTime say which and how fast
	Settled EventKind = "settled" // an attempt ended; State and Code say how
	Fenced  EventKind = "fenced"  // an attempt ended because another took the job over
	Turned  EventKind = "turned"  // a message needed no work: job ended, held or resting
	Trouble EventKind = "trouble" // queue, store or scratch refused; Code says which
)

// Event is something that happened, for metrics and tests.
type Event struct {
	Kind       EventKind
	Job, Lane  string
	Attempt    int
	Deliveries int           // of the message
	State      job.State     // of the record after it
	Record     *job.Record   // of Settled: as it then stood, not to be changed
	Code       job.Code      // why
	Waited     time.Duration // from accepted, or handed back, to claimed
	Took       time.Duration // from claimed to settled; of Passed: of the pass
	Pass       string        // of Passed: what was done, one of pipeline.PassNames or arrange.PassNames
	RealTime   float64       // of Passed: seconds of programme per second; 0 when not known
	LengthS    float64       // programme length, if known
	Err        error         // of Trouble
}

// Status is what a worker is doing.
type Status struct {
	Name     string
	Slots    int
	Draining bool
	Paused   bool   // by Pause
	Trouble  string // why nothing is fetched, or empty
	Running  []Running
}

// Running is one job under way.
type Running struct {
	Job      string
	Attempt  int
	Since    time.Time
	Progress job.Progress
}

// errDrain is why an attempt is cut short when the worker stops.
var errDrain = errors.New("the worker stops")

// detached is a context for last words: it outlives the attempt, for a while.
func detached(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(ctx), SettleTime)
}
