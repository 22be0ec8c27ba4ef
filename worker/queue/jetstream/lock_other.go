//go:build !unix

package jetstream

import "os"

// dirLock holds a file that no other process may create. It stays behind if the
// process dies and must then be removed by hand.
type dirLock struct{ f *os.File }

func lockDir(path string) (*dirLock, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	return &dirLock{f}, nil
}

func (l *dirLock) release() error {
	name := l.f.Name()
	if err := l.f.Close(); err != nil {
		return err
	}
	return os.Remove(name)
}
