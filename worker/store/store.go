// Package store keeps the bytes that must not be lost: mixes handed in, job
// records, results. It is the book; the queue is only the bell.
//
// Enter at Store. There are three drivers, in the folders below: dir (a folder,
// also one shared by several machines), s3 (an object store with conditional
// writes) and mem (tests). All pass the suite in storetest.
//
// Objects come in two kinds under one set of keys. A big object is written once
// by Put, streamed, and never changes. A record is small (MaxRecordBytes) and is
// made by PutIfAbsent or changed by Swap, which compares before it sets. Both
// are seen whole or not at all, and are on the medium when the call returns.
//
// The package knows nothing of jobs, sound or queues.
package store

import (
	"context"
	"io"
	"time"
)

// MaxRecordBytes is the greatest size of a record. Beyond it PutIfAbsent and
// Swap answer ErrTooLarge; Put has no limit but the medium's.
const MaxRecordBytes = 1 << 20

// A Version names the content of a record. Two records with the same bytes may
// have the same version, so whoever must tell them apart keeps a counter inside.
// It means something only to the store that gave it. "" means: does not exist.
type Version string

// Info describes an object.
type Info struct {
	Key  string
	Size int64 // bytes
	// SHA256 of the content in lower-case hex. Only Put tells it, computed while
	// writing; note it beside the key and hold it against the bytes with Verify.
	SHA256 string
	// Version is told by Stat and Open, for objects of at most MaxRecordBytes.
	Version Version
	// Modified is told by Stat, Open and List, by the clock of the medium: good
	// for people and for sweeping by age, not for deciding who was first.
	Modified time.Time
}

// An Object is open for reading. It shows the content of the moment it was
// opened, whatever is swapped or deleted since; if the driver can no longer read
// that, an error, never a mixture. Read and Seek belong to one goroutine; ReadAt
// may be called from several. The context given to Open holds until Close.
type Object interface {
	io.ReadSeekCloser
	io.ReaderAt
	Info() Info
}

// A Store keeps objects under keys (see CheckKey). Its methods may be called
// from many goroutines, and several processes may use the same medium.
//
// Errors are told apart with errors.Is: ErrExists, ErrConflict, ErrNotFound,
// ErrKey, ErrTooLarge, ErrFull, ErrUnavailable, ErrRefused. After any error but ErrExists,
// ErrConflict, ErrKey and ErrTooLarge a write may or may not have happened, but
// whole or not at all: read again to know.
type Store interface {
	// Put writes what r holds until io.EOF. Memory does not grow with size. It
	// never overwrites: ErrExists. An error of r comes back in a SourceError.
	// ctx is looked at between reads; it does not interrupt a blocked r.
	Put(ctx context.Context, key string, r io.Reader) (Info, error)
	// PutIfAbsent makes a record, or answers ErrExists.
	PutIfAbsent(ctx context.Context, key string, data []byte) error
	// Swap sets a record if its version still is old, and returns the new
	// version. old "" means that it must not exist. ErrConflict if it is another,
	// or gone.
	Swap(ctx context.Context, key string, old Version, data []byte) (Version, error)
	// Open opens an object for reading, or answers ErrNotFound.
	Open(ctx context.Context, key string) (Object, error)
	// Stat describes an object, or answers ErrNotFound.
	Stat(ctx context.Context, key string) (Info, error)
	// List describes at most limit objects (at least 1) whose keys begin with
	// prefix and come after the key after, in the order of the bytes of the keys.
	// Fewer than limit means that there are no more. What is made or deleted
	// meanwhile may or may not be there; everything else is, once.
	List(ctx context.Context, prefix, after string, limit int) ([]Info, error)
	// Delete removes an object. One that does not exist is no error.
	Delete(ctx context.Context, key string) error
	// Free returns the bytes that can still be written, if the medium tells.
	Free(ctx context.Context) (bytes int64, known bool)
}

// A Sweeper removes what writes that never ended left behind: temporary files,
// open uploads. It may run while others write. All drivers are sweepers.
type Sweeper interface {
	Sweep(ctx context.Context) (Swept, error)
}

// Swept is what Sweep removed.
type Swept struct {
	Removed int
	Bytes   int64 // 0 where the medium does not tell
}

// A Fault is called by a driver before each step of input or output, with the
// name of the step and the key. An error it returns is taken for a failure of
// that step. It exists for tests.
type Fault func(step, key string) error
