package intake

import (
	"context"
	"errors"
	"os"
	"sync"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/volume"
)

// lockPoll is how often a lock that others hold is tried again.
const lockPoll = 20 * time.Millisecond

var errBusy = v1.NewProblem(v1.Unavailable, "another request works on this upload").After(busyPause)

// holding is a lock held in this process.
type holding struct {
	once    sync.Once
	release func() // asks the holder to give up
}

// tryUpload takes the lock of an upload if it is free. A second opening in this
// process is kept out by in.held, one in another process by flock.
func (in *Intake) tryUpload(studio, id string, release func()) (unlock func(), err error) {
	in.mu.Lock()
	other := in.held[id]
	if other == nil {
		in.held[id] = &holding{release: release}
	}
	in.mu.Unlock()
	if other != nil {
		if other.release != nil {
			other.once.Do(other.release)
		}
		return nil, errBusy
	}
	drop := func() {
		in.mu.Lock()
		defer in.mu.Unlock()
		delete(in.held, id)
	}
	path := in.lockPath(studio, id)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, fileMode)
	if errors.Is(err, os.ErrNotExist) {
		err = errNoUpload // not even its folder
	}
	if err != nil {
		drop()
		return nil, err
	}
	ok, err := volume.TryLock(f)
	if err == nil && (!ok || !isAt(f, path)) {
		err = errBusy
	}
	if err != nil {
		cerr := f.Close()
		drop()
		return nil, errors.Join(err, cerr)
	}
	return func() {
		if _, err := os.Lstat(in.infoPath(studio, id)); errors.Is(err, os.ErrNotExist) {
			_ = os.Remove(path) // whoever opened it meanwhile sees that it is gone
		}
		_ = f.Close()
		drop()
	}, nil
}

// lockUpload waits for the lock of an upload, and asks a holder in this process
// to give up: it is most often the sender's own broken connection. One in
// another process ends when its body has been silent for Limits.Grace.
func (in *Intake) lockUpload(ctx context.Context, studio, id string, release func()) (unlock func(), err error) {
	for {
		unlock, err := in.tryUpload(studio, id, release)
		if !errors.Is(err, errBusy) {
			return unlock, err
		}
		select {
		case <-ctx.Done():
			return nil, errBusy
		case <-time.After(lockPoll):
		}
	}
}
