package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// What went wrong, for errors.Is.
var (
	ErrNotFound    = errors.New("not found")
	ErrExists      = errors.New("already exists")
	ErrConflict    = errors.New("changed by someone else")
	ErrKey         = errors.New("key not allowed")
	ErrTooLarge    = errors.New("too large for a record")
	ErrFull        = errors.New("no space left")
	ErrUnavailable = errors.New("store not reachable")
	ErrRefused     = errors.New("the store refuses") // read-only, or not for this user
	ErrDamaged     = errors.New("content is not what was written")
)

// Error is what every method of a driver returns when it fails.
type Error struct {
	Op   string // put, put-if-absent, swap, open, read, stat, list, delete, sweep
	Key  string // or prefix
	Kind error  // one of the errors above, or nil
	Err  error  // the cause, or nil
	Hint string // what to do, or ""
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString("store: " + e.Op)
	if e.Key != "" {
		fmt.Fprintf(&b, " %q", e.Key)
	}
	if e.Kind != nil {
		b.WriteString(": " + e.Kind.Error())
	}
	if e.Err != nil {
		b.WriteString(": " + e.Err.Error())
	}
	if e.Hint != "" {
		b.WriteString("; " + e.Hint)
	}
	return b.String()
}

// Unwrap returns kind and cause.
func (e *Error) Unwrap() []error {
	var all []error
	for _, err := range []error{e.Kind, e.Err} {
		if err != nil {
			all = append(all, err)
		}
	}
	return all
}

// SourceError says that not the store failed but the reader given to Put, after
// so many bytes.
type SourceError struct {
	After int64
	Err   error
}

func (e *SourceError) Error() string {
	return fmt.Sprintf("reading what to write, after %d bytes: %v", e.After, e.Err)
}

// Unwrap returns the error of the reader.
func (e *SourceError) Unwrap() error { return e.Err }

// Transient says whether the same call may succeed later without anybody doing
// anything to the job it belongs to: such failures are not the job's fault.
func Transient(err error) bool {
	return errors.Is(err, ErrFull) || errors.Is(err, ErrUnavailable) || errors.Is(err, ErrRefused) || errors.Is(err, context.DeadlineExceeded)
}

// MaxKeyBytes is the greatest length of a key.
const MaxKeyBytes = 200

// CheckKey answers ErrKey unless key is one to MaxKeyBytes bytes of a-z, 0-9,
// '.', '_', '-' in parts divided by single '/', none of which is empty or begins
// with a dot. So no key climbs out of a folder, is hidden, or differs from
// another by case only. A key must also not be the folder of another: with "a/b"
// there is no "a". The dir and mem drivers refuse that, s3 cannot tell.
func CheckKey(key string) error {
	switch {
	case key == "":
		return &Error{Op: "check", Kind: ErrKey, Err: errors.New("it is empty")}
	case len(key) > MaxKeyBytes:
		return &Error{Op: "check", Key: key[:MaxKeyBytes], Kind: ErrKey, Err: fmt.Errorf("it has %d bytes, at most %d are allowed", len(key), MaxKeyBytes)}
	case strings.HasSuffix(key, "/"):
		return &Error{Op: "check", Key: key, Kind: ErrKey, Err: errors.New("it ends with /")}
	}
	return checkParts(key)
}

// CheckPrefix answers ErrKey unless some key could begin with prefix.
func CheckPrefix(prefix string) error {
	if len(prefix) > MaxKeyBytes {
		return &Error{Op: "check", Key: prefix[:MaxKeyBytes], Kind: ErrKey, Err: fmt.Errorf("prefix has %d bytes, at most %d are allowed", len(prefix), MaxKeyBytes)}
	}
	return checkParts(prefix)
}

func checkParts(s string) error {
	start := true // of a part
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '_', c == '-':
			start = false
		case c == '.' && !start:
		case c == '/' && !start:
			start = true
		default:
			return &Error{Op: "check", Key: s, Kind: ErrKey, Err: fmt.Errorf("byte %d is %q", i, c),
				Hint: "use a-z 0-9 . _ - in parts divided by /, no part empty or beginning with a dot"}
		}
	}
	return nil
}
