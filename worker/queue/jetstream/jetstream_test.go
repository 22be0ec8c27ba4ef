package jetstream_test

import (
	"os"
	"path/filepath"
	"testing"

	"discsafe/worker/queue"
	"discsafe/worker/queue/jetstream"
	"discsafe/worker/queue/queuetest"
)

// startBroker starts an embedded broker on a folder of the test's own.
func startBroker(t *testing.T) (*jetstream.Broker, string) {
	t.Helper()
	dir := t.TempDir()
	b, err := jetstream.StartBroker(t.Context(), jetstream.BrokerOptions{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b, dir
}

func open(t *testing.T, o jetstream.Options) *jetstream.Queue {
	t.Helper()
	q, err := jetstream.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(q.Close)
	return q
}

func TestConformance(t *testing.T) {
	queuetest.Run(t, func(t *testing.T, c queuetest.Config) queuetest.Bench {
		b, dir := startBroker(t)
		return queuetest.Bench{
			Open: func(t *testing.T) queue.Queue {
				return open(t, jetstream.Options{Broker: b, AckWait: c.AckWait, MaxWaiting: c.MaxWaiting})
			},
			Stop: func(*testing.T) { b.Stop() },
			Start: func(t *testing.T) {
				if err := b.Start(t.Context()); err != nil {
					t.Error(err)
				}
			},
			Wipe: func(t *testing.T) {
				if err := os.RemoveAll(filepath.Join(dir, "jetstream")); err != nil {
					t.Error(err)
				}
			},
		}
	})
}
