//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package volume

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// Locks says that a lock keeps others out, and that a free one means that its
// holder is gone.
const Locks = true

// TryLock takes the exclusive lock of a file unless another opening of it, in
// this process or another, holds it. Closing the file, or dying, unlocks it. A
// file that names a process would not do: in a container every process has the
// same number, and a dead one would seem alive.
func TryLock(f *os.File) (bool, error) {
	raw, err := f.SyscallConn()
	if err != nil {
		return false, err
	}
	var lerr error
	err = raw.Control(func(fd uintptr) {
		for {
			lerr = unix.Flock(int(fd), unix.LOCK_EX|unix.LOCK_NB)
			if lerr != unix.EINTR {
				return
			}
		}
	})
	if err != nil {
		return false, err
	}
	if errors.Is(lerr, unix.EWOULDBLOCK) {
		return false, nil
	}
	return lerr == nil, lerr
}
