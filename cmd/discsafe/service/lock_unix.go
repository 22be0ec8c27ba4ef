//go:build unix

package service

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// tryLock takes the exclusive lock of a file unless another holds it. The
// kernel drops it when the process ends, however that ends.
func tryLock(f *os.File) (bool, error) {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}

// freeBytes is the space an unprivileged user may still fill at dir.
func freeBytes(dir string) (int64, bool) {
	var s unix.Statfs_t
	if unix.Statfs(dir, &s) != nil {
		return 0, false
	}
	return int64(s.Bavail) * int64(s.Bsize), true
}
