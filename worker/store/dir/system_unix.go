//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package dir

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

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
