package mem

import (
	"slices"
	"sync"
	"time"

	"discsafe/worker/queue"
)

// Options of a Broker.
type Options struct {
	AckWait    time.Duration // time until a silent delivery comes again; 0 means 30 s
	MaxWaiting int           // most messages kept, in flight included; 0 means no limit
	MaxDead    int           // most dead letters kept, the oldest go first; 0 means 10,000
	Dedupe     time.Duration // how long after publishing the same attempt is swallowed even if it left the queue; 0 means 10 s
	ExpressRun int           // see queue.Turns
	Clock      queue.Clock   // nil means the system's
	Fault      FaultFunc     // asked before and after every operation; nil means none
}

// Op names an operation for a FaultFunc.
type Op string

// The operations.
const (
	Publish    Op = "publish"
	Fetch      Op = "fetch" // asked with the message about to be handed out
	InProgress Op = "in progress"
	Done       Op = "done"
	Later      Op = "later"
	Drop       Op = "drop"
	Stats      Op = "stats" // with no message
	Dead       Op = "dead"  // with no message
	Forget     Op = "forget"
)

// Moment is when a fault strikes.
type Moment int

// Before: nothing has happened. After: it has happened and only the answer is
// lost; for Fetch the message is then in flight and in nobody's hands.
const (
	Before Moment = iota
	After
)

// FaultFunc returns nil, or the cause of a failure, which the caller sees as
// queue.ErrUnavailable. It runs without locks held and may be called from many
// goroutines.
type FaultFunc func(Op, Moment, queue.Message) error

// Broker holds messages. Its methods may be called from many goroutines.
type Broker struct {
	o Options

	mu      sync.Mutex
	down    bool
	lines   map[queue.Key][]*entry // each in order of publishing
	count   int
	recent  map[string]time.Time // ID of an attempt: when it was published
	swept   time.Time
	dead    []queue.DeadLetter
	deadSeq uint64
	wake    chan struct{} // closed and replaced when something changed
}

// entry is one message. due is the zero time while it has never been handed
// out, else when it comes again.
type entry struct {
	m          queue.Message
	published  time.Time
	deliveries int
	due        time.Time
}

// New returns an empty broker.
func New(o Options) *Broker {
	if o.AckWait <= 0 {
		o.AckWait = 30 * time.Second
	}
	if o.Dedupe <= 0 {
		o.Dedupe = 10 * time.Second
	}
	if o.MaxDead <= 0 {
		o.MaxDead = 10_000
	}
	if o.Clock == nil {
		o.Clock = queue.SystemClock()
	}
	b := &Broker{o: o, wake: make(chan struct{})}
	b.forget()
	return b
}

// Stop makes the broker answer nothing, as one that went down.
func (b *Broker) Stop() { b.change(func() { b.down = true }) }

// Start brings it back with all it held: what was in flight still is.
func (b *Broker) Start() { b.change(func() { b.down = false }) }

// Wipe erases everything, as if its disk had been lost.
func (b *Broker) Wipe() { b.change(b.forget) }

func (b *Broker) forget() {
	b.lines = make(map[queue.Key][]*entry)
	b.recent = make(map[string]time.Time)
	b.dead, b.count = nil, 0
}

func (b *Broker) change(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
	b.ring()
}

// ring wakes whoever waits. Lock held.
func (b *Broker) ring() {
	close(b.wake)
	b.wake = make(chan struct{})
}

// find returns the live entry of an attempt, or nil. Lock held.
func (b *Broker) find(m queue.Message) *entry {
	for _, e := range b.lines[m.Key()] {
		if e.m.JobID == m.JobID && e.m.Attempt == m.Attempt {
			return e
		}
	}
	return nil
}

// put adds a message; ok is false if there is no room. Lock held.
func (b *Broker) put(m queue.Message) (ok bool) {
	now := b.o.Clock.Now()
	if now.Sub(b.swept) >= b.o.Dedupe {
		for id, at := range b.recent {
			if now.Sub(at) >= b.o.Dedupe {
				delete(b.recent, id)
			}
		}
		b.swept = now
	}
	if at, seen := b.recent[m.ID()]; seen && now.Sub(at) < b.o.Dedupe || b.find(m) != nil {
		return true
	}
	if b.o.MaxWaiting > 0 && b.count >= b.o.MaxWaiting {
		return false
	}
	b.recent[m.ID()] = now
	b.lines[m.Key()] = append(b.lines[m.Key()], &entry{m: m, published: now})
	b.count++
	b.ring()
	return true
}

// take hands out the fair next message, or returns when one falls due, zero
// for never. Lock held.
func (b *Broker) take(turns *queue.Turns) (e *entry, next time.Time) {
	now := b.o.Clock.Now()
	busy := make([]queue.Key, 0, len(b.lines))
	for k := range b.lines {
		busy = append(busy, k)
	}
	for _, k := range turns.Order(busy) {
		for _, e := range b.lines[k] {
			if !e.due.IsZero() && e.due.After(now) {
				if next.IsZero() || e.due.Before(next) {
					next = e.due
				}
				continue
			}
			turns.Served(k)
			e.deliveries++
			e.due = now.Add(b.o.AckWait)
			return e, next
		}
	}
	turns.Forget(func(k queue.Key) bool { return len(b.lines[k]) == 0 })
	return nil, next
}

// remove takes an entry out; false if it is gone already. Lock held.
func (b *Broker) remove(e *entry) bool {
	k := e.m.Key()
	i := slices.Index(b.lines[k], e)
	if i < 0 {
		return false
	}
	if b.lines[k] = slices.Delete(b.lines[k], i, i+1); len(b.lines[k]) == 0 {
		delete(b.lines, k)
	}
	b.count--
	b.ring()
	return true
}

// bury keeps a dead letter. Lock held.
func (b *Broker) bury(e *entry, deliveries int, reason string) {
	b.deadSeq++
	b.dead = append(b.dead, queue.DeadLetter{
		Seq: b.deadSeq, Message: e.m, Deliveries: deliveries, Reason: reason, At: b.o.Clock.Now(),
	})
	if over := len(b.dead) - b.o.MaxDead; over > 0 {
		b.dead = slices.Delete(b.dead, 0, over)
	}
}
