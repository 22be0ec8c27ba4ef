//go:build darwin || dragonfly || freebsd || linux

package intake

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// canLock says that a free lock means that its holder is gone.
const canLock = true

// tryLock takes the exclusive lock of a file unless another opening of it holds
// it. The kernel drops it when the process ends, however that ends. A file that
// names a process would not do: in a container every process has the same
// number, and a dead one would seem alive.
func tryLock(f *os.File) (bool, error) {
	for {
		err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		switch {
		case errors.Is(err, unix.EINTR):
			continue
		case errors.Is(err, unix.EWOULDBLOCK):
			return false, nil
		}
		return err == nil, err
	}
}

// freeBytes is the space an unprivileged user may still fill at dir.
func freeBytes(dir string) (int64, bool) {
	var s unix.Statfs_t
	if unix.Statfs(dir, &s) != nil {
		return 0, false
	}
	return int64(s.Bavail) * int64(s.Bsize), true
}
