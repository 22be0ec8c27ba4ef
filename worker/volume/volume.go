// Package volume asks the system three things about files and the volume they lie
// on: may this process have this lock, how much room is left, and does a write
// reach the medium.
//
// Enter at TryLock, Free and TryWrite. The package knows nothing of who asks.
package volume

import (
	"errors"
	"fmt"
	"os"
)

// Free is the space in bytes that an unprivileged user may still fill at dir, if
// the system tells.
func Free(dir string) (bytes int64, known bool) {
	f, err := os.Open(dir)
	if err != nil {
		return 0, false
	}
	defer f.Close()
	return FreeAt(f)
}

// tryBytes is what TryWrite writes: a page, so that no file system keeps it
// beside the name.
const tryBytes = 4096

// TryWrite writes a small file in dir, waits until it is on the medium, and
// leaves nothing behind. It lasts as long as the medium takes.
func TryWrite(dir string) (err error) {
	f, err := os.CreateTemp(dir, "try-*")
	if err != nil {
		return fmt.Errorf("a trial write: %w", err)
	}
	// The name goes first: whoever is killed here leaves no file.
	err = os.Remove(f.Name())
	if err == nil {
		_, err = f.Write(make([]byte, tryBytes))
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("a trial write: %w", err)
	}
	return nil
}
