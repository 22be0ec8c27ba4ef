//go:build unix

package jetstream

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// dirLock is an advisory lock on a file, freed by the system if the process
// dies.
type dirLock struct{ f *os.File }

func lockDir(path string) (*dirLock, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = errors.New("another process runs a broker on this folder: stop it, or connect to it")
		}
		return nil, errors.Join(fmt.Errorf("lock %s: %w", path, err), f.Close())
	}
	return &dirLock{f}, nil
}

func (l *dirLock) release() error { return l.f.Close() }
