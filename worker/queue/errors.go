package queue

import (
	"errors"
	"fmt"
)

// What a caller can decide on, by errors.Is.
var (
	// ErrEmpty is Fetch's answer when no message came in time.
	ErrEmpty = errors.New("queue is empty")
	// ErrClosed follows Close.
	ErrClosed = errors.New("queue is closed")
	// ErrSettled is the answer to a second Done, Later or Drop.
	ErrSettled = errors.New("delivery is settled already")
	// ErrFull means that the backlog's limit or the broker's disk is reached:
	// tell the submitter to come back, no attempt is spent.
	ErrFull = errors.New("queue is full")
	// ErrUnavailable means that the broker did not answer: try again with growing
	// pauses, no attempt is spent.
	ErrUnavailable = errors.New("broker does not answer")
)

// Error says which operation failed for which job. Kind is one of the errors
// above; Err is the cause as the driver saw it, or nil.
type Error struct {
	Op   string // publish, fetch, done, in progress, later, drop, stats, dead
	Job  string // job id, or ""
	Kind error
	Err  error
}

// Error is `doing: kind: cause`.
func (e *Error) Error() string {
	s := e.Op
	if e.Job != "" {
		s += " job " + e.Job
	}
	if e.Kind != nil {
		s += ": " + e.Kind.Error()
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap gives kind and cause.
func (e *Error) Unwrap() []error {
	var all []error
	for _, err := range []error{e.Kind, e.Err} {
		if err != nil {
			all = append(all, err)
		}
	}
	return all
}

// InvalidError names the field of a message or option that cannot be, and what
// it may be. Trying again does not help.
type InvalidError struct {
	Field  string
	Reason string
}

// Error is `field: reason`.
func (e *InvalidError) Error() string { return fmt.Sprintf("%s: %s", e.Field, e.Reason) }
