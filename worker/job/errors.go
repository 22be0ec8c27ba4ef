package job

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// ErrUnknown is a job that does not exist.
var ErrUnknown = errors.New("no such job")

// ErrBusy means that so many others changed a record at the same time that
// this change did not come through. Try again.
var ErrBusy = errors.New("the record is being changed by others, try again")

// ErrCancelAsked tells a worker that its job is to be cancelled.
var ErrCancelAsked = errors.New("cancelling was asked for")

// RequestError is a request that cannot be accepted, with every fault.
type RequestError struct{ Faults []string }

func (e *RequestError) Error() string { return "request: " + strings.Join(e.Faults, "; ") }

// KeyError is an idempotency key that was used for another request.
type KeyError struct{ ID string } // of the job the key made

func (e *KeyError) Error() string {
	return "this idempotency key was used for another request, which made job " + e.ID + "; use a new key for a new request"
}

// DeletedError is a job that was deleted not long ago. It is an ErrUnknown too.
type DeletedError struct {
	ID     string
	Studio string // whose job it was: others must not be told that it was there
	At     time.Time
	By     string
}

func (e *DeletedError) Error() string {
	return "job " + e.ID + " was deleted " + e.At.Format(time.RFC3339)
}

// Is makes the error an ErrUnknown.
func (e *DeletedError) Is(target error) bool { return target == ErrUnknown }

// StateError is a wish that the job's state does not allow.
type StateError struct {
	ID    string
	State State
	Want  string // what was wanted, in words
}

func (e *StateError) Error() string {
	return fmt.Sprintf("job %s is %s and cannot %s", e.ID, e.State, e.Want)
}

// RecordError is a record this version cannot read.
type RecordError struct {
	ID, Detail string
	Err        error
}

func (e *RecordError) Error() string {
	s := "record of job " + e.ID + " " + e.Detail
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap returns the cause.
func (e *RecordError) Unwrap() error { return e.Err }

// FencedError tells a worker that the job is no longer its own. What it made
// must be thrown away.
type FencedError struct {
	ID           string
	Attempt, Now int   // the worker's number, and the record's
	State        State // empty if the job was deleted
}

func (e *FencedError) Error() string {
	if e.State == "" {
		return fmt.Sprintf("job %s is no longer held by attempt %d: it was deleted", e.ID, e.Attempt)
	}
	return fmt.Sprintf("job %s is no longer held by attempt %d: it is %s at attempt %d", e.ID, e.Attempt, e.State, e.Now)
}

// OverError answers a claim of a job that has ended.
type OverError struct {
	ID    string
	State State
	Now   bool // this very claim ended it: found a sealed result, a wish to cancel, or one loss too many
	Code  Code
	// Record is the job's, when this very claim ended it.
	Record *Record
}

func (e *OverError) Error() string { return fmt.Sprintf("job %s has ended: %s", e.ID, e.State) }

// WaitError answers a claim that comes too early.
type WaitError struct {
	ID   string
	Why  string
	Wait time.Duration // when to ask again
}

func (e *WaitError) Error() string {
	return fmt.Sprintf("job %s must wait %v: %s", e.ID, e.Wait, e.Why)
}
