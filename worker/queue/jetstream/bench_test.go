package jetstream_test

import (
	"fmt"
	"testing"
	"time"

	"discsafe/worker/queue"
	"discsafe/worker/queue/jetstream"
)

func benchQueue(b *testing.B) *jetstream.Queue {
	b.Helper()
	broker, err := jetstream.StartBroker(b.Context(), jetstream.BrokerOptions{Dir: b.TempDir()})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = broker.Close() })
	q, err := jetstream.Open(b.Context(), jetstream.Options{Broker: broker, AckWait: time.Minute})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(q.Close)
	return q
}

// BenchmarkPublish is one ring, synced to disk.
func BenchmarkPublish(b *testing.B) {
	q := benchQueue(b)
	n := 0
	for b.Loop() {
		n++
		if err := q.Publish(b.Context(), queue.Message{JobID: fmt.Sprint(n), Studio: "a", Lane: queue.Bulk}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDeliver is Publish, Fetch and Done of one job, while other studios
// have a line each.
func BenchmarkDeliver(b *testing.B) {
	for _, studios := range []int{1, 30, 300} {
		b.Run(fmt.Sprintf("studios=%d", studios), func(b *testing.B) {
			q := benchQueue(b)
			n := 0
			add := func() {
				n++
				if err := q.Publish(b.Context(), queue.Message{JobID: fmt.Sprint(n), Studio: fmt.Sprint(n % studios), Lane: queue.Bulk}); err != nil {
					b.Fatal(err)
				}
			}
			take := func() {
				d, err := q.Fetch(b.Context(), 10*time.Second)
				if err == nil {
					err = d.Done(b.Context())
				}
				if err != nil {
					b.Fatal(err)
				}
			}
			for range 2 * studios {
				add()
			}
			for range studios { // consumers exist from here on
				take()
			}
			for b.Loop() {
				add()
				take()
			}
		})
	}
}

// BenchmarkStats is one count for metrics.
func BenchmarkStats(b *testing.B) {
	for _, studios := range []int{1, 100} {
		b.Run(fmt.Sprintf("studios=%d/jobs=1000", studios), func(b *testing.B) {
			q := benchQueue(b)
			for n := range 1000 {
				if err := q.Publish(b.Context(), queue.Message{JobID: fmt.Sprint(n), Studio: fmt.Sprint(n % studios), Lane: queue.Bulk}); err != nil {
					b.Fatal(err)
				}
			}
			for b.Loop() {
				if _, err := q.Stats(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
