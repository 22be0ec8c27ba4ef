package pipeline

import (
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// steady is a file whose pages the kernel is asked to write out as they come,
// so that syncing at the end does not wait for all of them at once. It changes
// nothing about what is durable when: that is Sync's.
type steady struct {
	*os.File
	at, asked int64
}

// writebackBytes is how much may gather before the kernel is asked.
const writebackBytes = 16 << 20

func newSteady(f *os.File) io.WriteSeeker { return &steady{File: f} }

// Write writes and, now and then, asks for writing out.
func (s *steady) Write(p []byte) (int, error) {
	n, err := s.File.Write(p)
	s.at += int64(n)
	if s.at-s.asked >= writebackBytes {
		// A hint: a file system that cannot follow it loses nothing.
		_ = unix.SyncFileRange(int(s.Fd()), s.asked, s.at-s.asked, unix.SYNC_FILE_RANGE_WRITE)
		s.asked = s.at
	}
	return n, err
}

// Seek moves; sizes in the head are filled in that way at the end.
func (s *steady) Seek(offset int64, whence int) (int64, error) {
	at, err := s.File.Seek(offset, whence)
	s.at = at
	return at, err
}
