//go:build darwin || dragonfly || freebsd || linux

package volume

import (
	"os"

	"golang.org/x/sys/unix"
)

// FreeAt is Free for a file or folder that is open.
func FreeAt(f *os.File) (bytes int64, known bool) {
	raw, err := f.SyscallConn()
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
