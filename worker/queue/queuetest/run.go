package queuetest

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"discsafe/worker/queue"
)

// Config is what a test wants of its broker.
type Config struct {
	AckWait    time.Duration
	MaxWaiting int // 0: the driver's default
}

// Bench is one broker that a test may treat badly. Each test gets its own.
type Bench struct {
	// Open returns another worker's queue on the broker. The suite closes it.
	Open func(t *testing.T) queue.Queue
	// Stop takes the broker down; Start brings it back with its storage.
	Stop, Start func(t *testing.T)
	// Wipe erases the storage of a stopped broker.
	Wipe func(t *testing.T)
}

// NewBench makes a broker for a test and cleans up after it.
type NewBench func(t *testing.T, c Config) Bench

// patience is the longest a test waits for what must come. It only has to be
// longer than the worst stall of a loaded machine.
const patience = 20 * time.Second

// Run runs the suite.
func Run(t *testing.T, newBench NewBench) {
	for _, c := range []struct {
		name    string
		ackWait time.Duration
		max     int
		test    func(*testing.T, *bench)
	}{
		{"every field arrives and Done removes the message", time.Minute, 0, testRoundTrip},
		{"an empty queue says so, not before the wait is over", time.Minute, 0, testEmpty},
		{"a waiting Fetch is woken by Publish", time.Minute, 0, testWake},
		{"a waiting Fetch ends with its context", time.Minute, 0, testContext},
		{"impossible messages are refused by field", time.Minute, 0, testInvalid},
		{"a closed queue answers ErrClosed and wakes waiters", time.Minute, 0, testClosed},
		{"a delivery is settled once", time.Minute, 0, testSettled},
		{"the backlog has a limit", time.Minute, 5, testFull},
		{"a silent delivery comes again after AckWait", 300 * time.Millisecond, 0, testRedelivery},
		{"InProgress keeps a delivery", time.Second, 0, testInProgress},
		{"a late Done is accepted and does no harm", 300 * time.Millisecond, 0, testLateDone},
		{"Later brings the message back after the delay", time.Minute, 0, testLater},
		{"Drop removes the message and keeps a dead letter", time.Minute, 0, testDrop},
		{"Forget takes out the dead letters of one job", time.Minute, 0, testForget},
		{"an attempt is in the queue once however often published", time.Minute, 0, testDedupe},
		{"first deliveries of a studio keep their order", time.Minute, 0, testOrder},
		{"500 jobs of one studio do not hold up another's", time.Minute, 0, testStarvation},
		{"busy studios share evenly", time.Minute, 0, testShares},
		{"express overtakes bulk, bulk is not starved", time.Minute, 0, testLanes},
		{"many workers get each message once", time.Minute, 0, testWorkers},
		{"Stats counts waiting, in flight, oldest, dead", time.Minute, 0, testStats},
		{"a restart loses nothing", 2 * time.Second, 0, testRestart},
		{"a stopped broker is unavailable, and Fetch does not spin", time.Minute, 0, testDown},
		{"erased storage is made anew and rung again", time.Minute, 0, testWipe},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.test(t, &bench{Bench: newBench(t, Config{AckWait: c.ackWait, MaxWaiting: c.max}), ackWait: c.ackWait})
		})
	}
}

// bench adds the suite's steps to a Bench.
type bench struct {
	Bench
	ackWait time.Duration
}

func (b *bench) open(t *testing.T) queue.Queue {
	t.Helper()
	q := b.Open(t)
	t.Cleanup(q.Close)
	return q
}

// job is the nth job of a studio, in bulk.
func job(studio string, n int) queue.Message {
	return queue.Message{JobID: fmt.Sprintf("%s-%d", studio, n), Studio: studio, Lane: queue.Bulk}
}

func publish(t *testing.T, q queue.Queue, all ...queue.Message) {
	t.Helper()
	for _, m := range all {
		if err := q.Publish(t.Context(), m); err != nil {
			t.Fatalf("Publish(%s): %v", m.ID(), err)
		}
	}
}

// fetch returns the next delivery, which must come within patience.
func fetch(t *testing.T, q queue.Queue) queue.Delivery {
	t.Helper()
	d, err := q.Fetch(t.Context(), patience)
	if err != nil {
		t.Fatalf("Fetch: %v", err)
	}
	return d
}

func fetchJob(t *testing.T, q queue.Queue, want queue.Message, deliveries int) queue.Delivery {
	t.Helper()
	d := fetch(t, q)
	if d.Message() != want || d.Deliveries() != deliveries {
		t.Fatalf("got %+v, delivery %d; want %+v, delivery %d", d.Message(), d.Deliveries(), want, deliveries)
	}
	return d
}

func done(t *testing.T, d queue.Delivery) {
	t.Helper()
	if err := d.Done(t.Context()); err != nil {
		t.Fatalf("Done(%s): %v", d.Message().ID(), err)
	}
}

// empty checks that nothing comes for a while.
func empty(t *testing.T, q queue.Queue, wait time.Duration) {
	t.Helper()
	d, err := q.Fetch(t.Context(), wait)
	if d != nil {
		t.Fatalf("got %s, delivery %d; want nothing", d.Message().ID(), d.Deliveries())
	}
	wantErr(t, "Fetch", err, queue.ErrEmpty)
}

func wantErr(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Fatalf("%s: %v; want %v", what, err, want)
	}
}

// eventually repeats a check that a broker may need a moment for.
func eventually(t *testing.T, what string, check func(context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	for {
		err := check(ctx)
		if err == nil {
			return
		}
		select {
		case <-ctx.Done():
			t.Fatalf("%s: not within %v: %v", what, patience, err)
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// wantStats waits until the counts are as wanted.
func wantStats(t *testing.T, q queue.Queue, waiting, inFlight, dead int) queue.Stats {
	t.Helper()
	var s queue.Stats
	eventually(t, "Stats", func(ctx context.Context) (err error) {
		if s, err = q.Stats(ctx); err != nil {
			return err
		}
		if s.Waiting != waiting || s.InFlight != inFlight || s.Dead != dead {
			return fmt.Errorf("got %+v; want %d waiting, %d in flight, %d dead", s, waiting, inFlight, dead)
		}
		return nil
	})
	return s
}
