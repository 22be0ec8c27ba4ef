//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package dir

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

const locks = true

// tryLock locks a file for one holder, among processes and among openings of
// the same process. Closing the file, or dying, unlocks it.
func tryLock(f *os.File) (bool, error) {
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

// rmdirAt removes an empty folder in an open one, and nothing else.
func rmdirAt(above *os.File, name string) error {
	raw, err := above.SyscallConn()
	if err != nil {
		return err
	}
	var rerr error
	err = raw.Control(func(fd uintptr) { rerr = unix.Unlinkat(int(fd), name, unix.AT_REMOVEDIR) })
	return errors.Join(err, rerr)
}
