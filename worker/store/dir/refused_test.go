//go:build unix

package dir_test

import (
	"errors"
	"io/fs"
	"strings"
	"syscall"
	"testing"

	"discsafe/worker/store"
	"discsafe/worker/store/dir"
)

// A volume that has become read-only, or another's, refuses: whoever waits for it
// may try again.
func TestReadOnlyVolume(t *testing.T) {
	for _, cause := range []error{syscall.EROFS, &fs.PathError{Op: "open", Err: syscall.EACCES}} {
		refuses := false
		s := open(t, t.TempDir(), dir.Options{Fault: func(string, string) error {
			if refuses {
				return cause
			}
			return nil
		}})
		refuses = true
		_, put := s.Put(t.Context(), "k", strings.NewReader("x"))
		_, swap := s.Swap(t.Context(), "r", "", []byte("x"))
		for _, err := range []error{put, swap} {
			if !errors.Is(err, store.ErrRefused) || !store.Transient(err) {
				t.Errorf("%v: %v", cause, err)
			}
		}
	}
}
