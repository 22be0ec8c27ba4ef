package jetstream

import (
	"sync"
	"time"

	"discsafe/worker/queue"
)

// lines are the lanes and studios that may have work, as this process knows,
// with the time from which it makes sense to ask each again.
type lines struct {
	o Options

	mu        sync.Mutex
	all       map[queue.Key]*line
	nextSweep time.Time
	turns     queue.Turns
	wake      chan struct{} // closed and replaced when somebody should look again
}

type line struct {
	ready  bool          // its consumer was made or adapted by this process
	after  time.Time     // ask not before
	pause  time.Duration // before the next question, if the answer is no again
	marked bool          // rung since the sweep that is under way began
}

// firstPause is short because a ring may overtake what it rings for; each
// fruitless question multiplies it, up to Poll.
const (
	firstPause  = 5 * time.Millisecond
	pauseGrowth = 4
)

func (l *lines) init(o Options) {
	l.o = o
	l.all = make(map[queue.Key]*line)
	l.turns.ExpressRun = o.ExpressRun
	l.wake = make(chan struct{})
}

func (l *lines) serves(k queue.Key) bool {
	for _, lane := range l.o.Lanes {
		if lane == k.Lane {
			return true
		}
	}
	return false
}

// ring wakes all who wait. Lock held.
func (l *lines) ring() {
	close(l.wake)
	l.wake = make(chan struct{})
}

// waker returns a channel that is closed by the next change. Take it before
// looking, not after.
func (l *lines) waker() <-chan struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.wake
}

// rung notes that a message was stored in a line.
func (l *lines) rung(k queue.Key) {
	if !l.serves(k) {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	at := l.all[k]
	if at == nil {
		at = &line{}
		l.all[k] = at
	}
	at.marked = true
	if at.pause <= l.o.Poll { // else it is full or silent, and another message changes nothing
		at.after, at.pause = time.Time{}, firstPause
	}
	l.ring()
}

// resweep forgets what was known of consumers and asks for a sweep at once.
func (l *lines) resweep() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.nextSweep = time.Time{}
	for _, at := range l.all {
		*at = line{marked: at.marked, pause: firstPause}
	}
	l.ring()
}

// beginSweep tells whether a sweep is due.
func (l *lines) beginSweep(now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if now.Before(l.nextSweep) {
		return false
	}
	for _, at := range l.all {
		at.marked = false
	}
	return true
}

// endSweep takes over the lines found to have messages; others are forgotten
// unless they were rung meanwhile.
func (l *lines) endSweep(now time.Time, found map[queue.Key]int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.nextSweep = now.Add(l.o.Sweep)
	for k := range found {
		if l.all[k] == nil && l.serves(k) {
			l.all[k] = &line{pause: firstPause}
		}
	}
	for k, at := range l.all {
		if found[k] == 0 && !at.marked {
			delete(l.all, k)
		}
	}
	l.turns.Forget(func(k queue.Key) bool { return l.all[k] == nil })
}

// due lists the lines worth asking now, in the order of whose turn it is, and
// the time when the next one or the next sweep is due.
func (l *lines) due(now time.Time) (ask []queue.Key, next time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	next = l.nextSweep
	for k, at := range l.all {
		if !at.after.After(now) {
			ask = append(ask, k)
		} else if at.after.Before(next) {
			next = at.after
		}
	}
	return l.turns.Order(ask), next
}

// isReady tells whether this process has seen to the line's consumer.
func (l *lines) isReady(k queue.Key) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.all[k] != nil && l.all[k].ready
}

func (l *lines) setReady(k queue.Key, ready bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if at := l.all[k]; at != nil {
		at.ready = ready
	}
}

// served records a delivery.
func (l *lines) served(k queue.Key) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.turns.Served(k)
	if at := l.all[k]; at != nil {
		at.after, at.pause = time.Time{}, firstPause
	}
	l.ring() // others may have waited for this look to end
}

// nothing records that a line had nothing.
func (l *lines) nothing(k queue.Key, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if at := l.all[k]; at != nil {
		pause := min(max(at.pause, firstPause), l.o.Poll)
		at.after, at.pause = now.Add(pause), min(pause*pauseGrowth, l.o.Poll)
	}
}

// silent records that a line did not answer, because its consumer is at
// MaxInFlight or its server is gone: asking costs a whole timeout, so the other
// lines go on without it for a while.
func (l *lines) silent(k queue.Key, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if at := l.all[k]; at != nil {
		at.pause = max(5*l.o.Poll, l.o.Timeout)
		at.after = now.Add(at.pause)
	}
}
