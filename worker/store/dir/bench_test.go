//go:build unix

package dir_test

import (
	"fmt"
	"io"
	"testing"

	"discsafe/worker/store"
	"discsafe/worker/store/dir"
)

func benchStore(b *testing.B) *dir.Store {
	s, err := dir.Open(b.TempDir(), dir.Options{Create: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

func BenchmarkSwap(b *testing.B) {
	s, v := benchStore(b), store.Version("")
	for i := 0; b.Loop(); i++ {
		var err error
		if v, err = s.Swap(b.Context(), "jobs/1", v, fmt.Appendf(nil, "%2000d", i)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPutIfAbsent(b *testing.B) {
	s := benchStore(b)
	for i := 0; b.Loop(); i++ {
		if err := s.PutIfAbsent(b.Context(), fmt.Sprintf("jobs/%d/record", i), make([]byte, 2000)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	s := benchStore(b)
	if err := s.PutIfAbsent(b.Context(), "jobs/1", make([]byte, 2000)); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, _, err := store.Read(b.Context(), s, "jobs/1"); err != nil {
			b.Fatal(err)
		}
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { return len(p), nil }

func BenchmarkPut(b *testing.B) {
	const size = 64 << 20
	b.SetBytes(size)
	b.ReportAllocs()
	s := benchStore(b)
	for i := 0; b.Loop(); i++ {
		key := fmt.Sprintf("mixes/%d", i)
		if _, err := s.Put(b.Context(), key, io.LimitReader(zeros{}, size)); err != nil {
			b.Fatal(err)
		}
		if err := s.Delete(b.Context(), key); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkListPageOf10000(b *testing.B) {
	folder := b.TempDir()
	s, err := dir.Open(folder, dir.Options{Create: true})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	fillFolder(b, folder, 10_000)
	for b.Loop() {
		if got, err := s.List(b.Context(), "jobs/", "jobs/05000", 100); err != nil || len(got) != 100 {
			b.Fatal(len(got), err)
		}
	}
}
