package dir_test

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

var errEOF = io.EOF

// fillFolder makes n empty objects without syncing each.
func fillFolder(tb testing.TB, folder string, n int) {
	tb.Helper()
	if err := os.MkdirAll(filepath.Join(folder, "jobs"), 0o750); err != nil {
		tb.Fatal(err)
	}
	for i := range n {
		if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("jobs/%05d", i)), nil, 0o640); err != nil {
			tb.Fatal(err)
		}
	}
}
