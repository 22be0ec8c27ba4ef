package jetstream_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"discsafe/worker/queue"
	"discsafe/worker/queue/jetstream"
)

// A broker in the process, one ring, and what a worker does with it.
func Example() {
	if err := ringOnce(context.Background()); err != nil {
		fmt.Println(err)
	}
	// Output:
	// job 01h7 of North, delivery 1
	// waiting 0, in flight 0, dead 0
}

func ringOnce(ctx context.Context) (err error) {
	dir, err := os.MkdirTemp("", "broker")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	broker, err := jetstream.StartBroker(ctx, jetstream.BrokerOptions{Dir: dir})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, broker.Close()) }()
	q, err := jetstream.Open(ctx, jetstream.Options{Broker: broker})
	if err != nil {
		return err
	}
	defer q.Close()

	if err := q.Publish(ctx, queue.Message{JobID: "01h7", Studio: "North", Lane: queue.Express}); err != nil {
		return err
	}
	d, err := q.Fetch(ctx, 10*time.Second)
	if err != nil {
		return err
	}
	fmt.Printf("job %s of %s, delivery %d\n", d.Message().JobID, d.Message().Studio, d.Deliveries())
	// Here the worker claims the job in the store, runs it, calls InProgress every
	// AckWait/3, and commits under its attempt number. Only then:
	if err := d.Done(ctx); err != nil {
		return err
	}
	s, err := q.Stats(ctx)
	if err != nil {
		return err
	}
	fmt.Printf("waiting %d, in flight %d, dead %d\n", s.Waiting, s.InFlight, s.Dead)
	return nil
}
