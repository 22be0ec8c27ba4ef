// Package queue is the bell of the service: it tells workers that a job waits.
// It is not the book. Jobs, inputs and results live in the store; whatever the
// bell loses, a reconciler rings again from there, and whatever it rings twice
// is fenced there. So a queue promises at-least-once while its broker keeps
// its disk, and nothing beyond.
//
//	publish ──> waiting ──Fetch──> in flight ──Done──> gone
//	               ^                  │  │
//	               │   AckWait passed │  └──Drop──> dead letter, gone
//	               └──────────────────┤
//	               └── after delay ───┘ Later
//
// What every driver holds, and package queuetest proves for each:
//
//   - a published message is on disk before Publish returns (jetstream) and is
//     delivered until it is Done or Dropped; nothing is given up by count;
//   - a delivery not extended by InProgress comes again AckWait after it was
//     handed out, to anyone, with Deliveries one higher;
//   - one attempt of one job is in the queue at most once, however often it is
//     published, also while it is in flight;
//   - within a lane and a studio, first deliveries come in order of publishing;
//   - between studios of a lane, the one least recently served comes first,
//     so 500 jobs of one do not hold up another's only one; see Turns.
//
// What no driver can promise: that a delivery is the only one alive. A worker
// that slept through AckWait still holds its delivery, and the broker accepts
// its late Done, Later or Drop as if it were the owner's. Ask the store whether
// the attempt is still yours before any of the three.
//
// Enter at Queue and Delivery; drivers are in mem (tests, fault injection) and
// jetstream (embedded in the process or a cluster). A driver may import this
// package and its client library. It must not know of jobs, stores or sides.
package queue
