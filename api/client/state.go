package client

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// State keeps where uploads stand, so that another process can go on with
// them. It must be safe for many goroutines. A fingerprint is hexadecimal.
type State interface {
	Load(fingerprint string) (id string, err error) // empty: nothing is known
	Save(fingerprint, id string) error              // empty id: forget it
}

// FolderState is a State of one small file for each upload. It holds
// identifiers only, neither token nor sound.
type FolderState struct{ dir string }

// NewFolderState keeps state in dir, which is made when it is needed; for
// instance a folder of os.UserCacheDir.
func NewFolderState(dir string) *FolderState { return &FolderState{dir} }

func (s *FolderState) path(fingerprint string) (string, error) {
	if !isSHA256.MatchString(fingerprint) {
		return "", fmt.Errorf("fingerprint %.80q: want 64 hexadecimal digits", fingerprint)
	}
	return filepath.Join(s.dir, fingerprint+".upload"), nil
}

// Load reads what Save wrote.
func (s *FolderState) Load(fingerprint string) (string, error) {
	p, err := s.path(fingerprint)
	if err != nil {
		return "", err
	}
	b, err := os.ReadFile(p)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	return strings.TrimSpace(string(b)), err
}

// Save replaces what was there, whole or not at all. It does not sync: after
// a power cut the upload begins anew, and nothing else is lost.
func (s *FolderState) Save(fingerprint, id string) error {
	p, err := s.path(fingerprint)
	if err != nil {
		return err
	}
	if id == "" {
		if err := os.Remove(p); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	if err := os.MkdirAll(s.dir, 0o700); err != nil {
		return err
	}
	f, err := os.CreateTemp(s.dir, ".upload-*")
	if err != nil {
		return err
	}
	_, err = f.WriteString(id + "\n")
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), p)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
