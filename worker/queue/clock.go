package queue

import "time"

// Clock is where drivers take time from, so that a test can hold it still.
type Clock interface {
	Now() time.Time
	// After returns a channel that receives once, d from now.
	After(d time.Duration) <-chan time.Time
}

// SystemClock is the machine's clock.
func SystemClock() Clock { return systemClock{} }

type systemClock struct{}

func (systemClock) Now() time.Time                         { return time.Now() }
func (systemClock) After(d time.Duration) <-chan time.Time { return time.After(d) }
