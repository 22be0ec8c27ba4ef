package volume

import (
	"os"
	"path/filepath"
	"testing"
)

func TestOneHolder(t *testing.T) {
	if !Locks {
		t.Fatal("this system has no locks: workers and stores are not safe on it")
	}
	path := filepath.Join(t.TempDir(), "lock")
	open := func() *os.File {
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	one, two := open(), open()
	try := func(f *os.File, want bool) {
		t.Helper()
		if got, err := TryLock(f); got != want || err != nil {
			t.Fatalf("lock: %v %v, want %v", got, err, want)
		}
	}
	try(one, true)
	try(one, true) // its own again
	try(two, false)
	one.Close()
	try(two, true)
	if _, err := TryLock(one); err == nil {
		t.Error("a closed file was locked")
	}
}

func TestTryWrite(t *testing.T) {
	dir := t.TempDir()
	if err := TryWrite(dir); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if TryWrite(filepath.Join(dir, "none")) == nil {
		t.Error("a folder that is not there was written to")
	}
}

func TestFree(t *testing.T) {
	dir := t.TempDir()
	if n, known := Free(dir); !known || n <= 0 {
		t.Errorf("%d bytes free, known %v", n, known)
	}
	if _, known := Free(filepath.Join(dir, "none")); known {
		t.Error("a folder that is not there has room")
	}
}
