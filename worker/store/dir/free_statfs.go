//go:build darwin || dragonfly || freebsd || linux

package dir

import (
	"os"

	"golang.org/x/sys/unix"
)

// freeBytes returns the space an unprivileged writer has on the volume of d.
func freeBytes(d *os.File) (int64, bool) {
	raw, err := d.SyscallConn()
	if err != nil {
		return 0, false
	}
	var st unix.Statfs_t
	var serr error
	err = raw.Control(func(fd uintptr) { serr = unix.Fstatfs(int(fd), &st) })
	if err != nil || serr != nil {
		return 0, false
	}
	return int64(st.Bavail) * int64(st.Bsize), true
}
