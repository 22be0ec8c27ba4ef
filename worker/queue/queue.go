package queue

import (
	"context"
	"time"
)

// Queue is one worker's or one submitter's access to the broker. All methods
// may be called from many goroutines at once.
type Queue interface {
	// Publish rings for one attempt of a job. It returns nil only once the
	// broker has the message safely, and also when that very attempt is in the
	// queue already, or was published within the driver's dedupe window (seconds:
	// it covers a call repeated for want of an answer). Publishing again is always
	// harmless. Errors: *InvalidError
	// for an impossible message, ErrFull at the backlog's limit, ErrUnavailable
	// if the broker gave no answer (the message may or may not be there; publish
	// again), ErrClosed, the context's error.
	Publish(ctx context.Context, m Message) error

	// Fetch hands out exactly one message, the fair next one, waiting at most
	// about wait for it; 0 looks once. Nothing is ever fetched ahead. Errors:
	// ErrEmpty if there was none, ErrUnavailable if the broker could not be asked
	// until wait was over (so a loop around Fetch does not spin), ErrClosed, the
	// context's error. A broker that is connected but silent may add one timeout
	// of the driver to wait.
	Fetch(ctx context.Context, wait time.Duration) (Delivery, error)

	// Stats counts what is in the queue, for all lanes and all workers. It asks
	// the broker and may take milliseconds per busy studio: for metrics, not for
	// decisions.
	Stats(ctx context.Context) (Stats, error)

	// Close wakes every waiting call with ErrClosed and frees what the queue
	// holds. Deliveries not settled come again after AckWait, so settle first. It
	// may be called again.
	Close()
}

// Delivery is one message in one worker's hands, until it is settled by the
// first of Done, Later or Drop that succeeds; after that all of them, and
// InProgress, return ErrSettled. If one returns ErrUnavailable the broker may
// or may not have heard it: call it again, or let AckWait pass. Methods may be
// called from several goroutines.
type Delivery interface {
	// Message returns what was published.
	Message() Message

	// Deliveries tells how often the broker has handed out this message, this
	// time included, so it is at least 1. It counts hand-backs too and starts
	// anew if the broker lost its state: attempts are counted in the store, this
	// is for logs and metrics.
	Deliveries() int

	// InProgress starts AckWait anew. Call it every AckWait/3; one failure is
	// survivable, three in a row mean that somebody else has the job by now. It
	// waits for the broker's answer, at most the driver's timeout.
	InProgress() error

	// Done removes the message and waits until the broker has confirmed it. Call
	// it after the result is committed, never before.
	Done(ctx context.Context) error

	// Later hands the message back, to be delivered again to anyone after delay,
	// which must be above 0: a hand-back without delay burns attempts in
	// milliseconds.
	Later(delay time.Duration) error

	// Drop removes the message for good and keeps a DeadLetter with the reason
	// for the operator: a stable code, a colon, words (`attempts: 5 of 5 failed`).
	Drop(reason string) error
}

// Stats is what the queue holds at one moment. A message that is due again and
// not fetched yet may count as waiting or as in flight, as the broker has it.
type Stats struct {
	Waiting  int       // published and in nobody's hands
	InFlight int       // delivered and unsettled, or handed back and not due yet
	Oldest   time.Time // when the oldest message that nobody was given yet was published; zero if none
	Dead     int       // dead letters kept
}

// DeadLetter is a message that was dropped.
type DeadLetter struct {
	Seq        uint64    // its place among dead letters, rising
	Message    Message   // zero if the payload could not be read
	Raw        []byte    // the payload as it came, only if it could not be read
	Deliveries int       // how often it had been handed out
	Reason     string    // what Drop was told
	At         time.Time // when, by the broker's clock
}

// DeadLetters is implemented by queues that let an operator read what was
// dropped. Requeueing is not theirs: that is a change in the store, followed by
// Publish of the next attempt and Forget, so that what is listed and counted is
// what waits for a decision.
type DeadLetters interface {
	// Dead lists at most limit letters with Seq above after, oldest first.
	Dead(ctx context.Context, after uint64, limit int) ([]DeadLetter, error)

	// Forget takes out the letters of all attempts of a job of a studio, and
	// returns how many there were; without any that is 0 and no error. After an
	// error some may be out: call it again. Letters whose payload could not be read
	// belong to no job and stay.
	Forget(ctx context.Context, studio, jobID string) (int, error)
}
