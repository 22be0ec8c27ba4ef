package proc

import "golang.org/x/sys/unix"

// Free is the space an ordinary user may still fill.
func Free(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * s.Bsize, nil
}
