package mem_test

import (
	"context"
	"fmt"
	"time"

	"discsafe/worker/queue"
	"discsafe/worker/queue/mem"
)

// North has rung three times before South rings once. Neither was served yet,
// so it is between them for the first turn; South is not fourth.
func Example() {
	ctx := context.Background()
	q := mem.New(mem.Options{}).Open()
	defer q.Close()
	for _, m := range []queue.Message{
		{JobID: "n1", Studio: "North", Lane: queue.Bulk},
		{JobID: "n2", Studio: "North", Lane: queue.Bulk},
		{JobID: "n3", Studio: "North", Lane: queue.Bulk},
		{JobID: "s1", Studio: "South", Lane: queue.Bulk},
	} {
		if err := q.Publish(ctx, m); err != nil {
			fmt.Println(err)
		}
	}
	for {
		d, err := q.Fetch(ctx, time.Millisecond)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(d.Message().JobID)
		if err := d.Done(ctx); err != nil {
			fmt.Println(err)
		}
	}
	// Output:
	// s1
	// n1
	// n2
	// n3
	// fetch: queue is empty
}
