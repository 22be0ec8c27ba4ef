//go:build unix

package dir_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"discsafe/worker/store"
	"discsafe/worker/store/dir"
)

// Folders that became empty go, so that years of jobs do not leave millions.
func TestEmptyFoldersGo(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, dir.Options{})
	for _, key := range []string{"jobs/1/a/b/c", "jobs/2"} {
		if err := s.PutIfAbsent(t.Context(), key, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Delete(t.Context(), "jobs/1/a/b/c"); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(filepath.Join(folder, "jobs"))
	if err != nil || len(entries) != 1 || entries[0].Name() != "2" {
		t.Errorf("jobs holds %v, %v", entries, err)
	}
}

// A name that is a folder now and an object then: no tidying takes the object.
func TestFolderBecomesObject(t *testing.T) {
	s := open(t, t.TempDir(), dir.Options{})
	ctx := context.Background()
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 150 {
			if err := s.PutIfAbsent(ctx, "a/b", nil); err != nil && !errors.Is(err, store.ErrKey) {
				t.Error(err)
			}
			if err := s.Delete(ctx, "a/b"); err != nil {
				t.Error(err)
			}
		}
	}()
	for running := true; running; {
		select {
		case <-done:
			running = false
		default:
		}
		err := s.PutIfAbsent(ctx, "a", nil)
		if errors.Is(err, store.ErrKey) {
			continue
		}
		if err != nil {
			t.Error(err)
			break
		}
		if _, err := s.Stat(ctx, "a"); err != nil {
			t.Errorf("an object just made: %v", err)
		}
		if err := s.Delete(ctx, "a"); err != nil {
			t.Error(err)
		}
	}
	<-done
}

// Making and removing in the same folder: neither is disturbed.
func TestFoldersComeAndGo(t *testing.T) {
	s := open(t, t.TempDir(), dir.Options{})
	done := make(chan error, 4)
	for i := range 4 {
		go func() {
			key := "shared/folder/" + string(rune('a'+i))
			var err error
			for range 60 {
				err = errors.Join(err, s.PutIfAbsent(context.Background(), key, nil), s.Delete(context.Background(), key))
			}
			done <- err
		}()
	}
	for range 4 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// A folder that comes and goes under the hands of others is never taken for an
// object: making something in it comes through, or is given up as what it is.
func TestFolderFlickers(t *testing.T) {
	root := t.TempDir()
	s := open(t, root, dir.Options{})
	folder := filepath.Join(root, "flickers")
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-stop:
				return
			default:
				_ = os.Mkdir(folder, 0o700) // there, or not
				_ = os.Remove(folder)
			}
		}
	}()
	ctx := context.Background()
	for range 300 {
		err := s.PutIfAbsent(ctx, "flickers/a", nil)
		if errors.Is(err, store.ErrKey) {
			t.Errorf("taken for an object: %v", err)
		}
		if err == nil {
			err = s.Delete(ctx, "flickers/a")
		}
		if errors.Is(err, store.ErrKey) {
			t.Error(err)
		}
	}
	close(stop)
	<-done
	// An object in its place is told of.
	if err := s.PutIfAbsent(ctx, "flickers", nil); err != nil {
		t.Fatal(err)
	}
	if err := s.PutIfAbsent(ctx, "flickers/a", nil); !errors.Is(err, store.ErrKey) {
		t.Errorf("made in an object: %v", err)
	}
}
