package mem_test

import (
	"testing"

	"discsafe/worker/queue"
	"discsafe/worker/queue/mem"
	"discsafe/worker/queue/queuetest"
)

func TestConformance(t *testing.T) {
	queuetest.Run(t, func(t *testing.T, c queuetest.Config) queuetest.Bench {
		b := mem.New(mem.Options{AckWait: c.AckWait, MaxWaiting: c.MaxWaiting})
		return queuetest.Bench{
			Open:  func(*testing.T) queue.Queue { return b.Open() },
			Stop:  func(*testing.T) { b.Stop() },
			Start: func(*testing.T) { b.Start() },
			Wipe:  func(*testing.T) { b.Wipe() },
		}
	})
}
