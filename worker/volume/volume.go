// Package volume asks the system two things about files and the volume they lie
// on: may this process have this lock, and how much room is left.
//
// Enter at TryLock and Free. The package knows nothing of who asks.
package volume

import "os"

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
