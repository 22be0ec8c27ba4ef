// Package storetest is the suite that every store driver passes. Enter at Run.
package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"testing"

	"discsafe/worker/store"
)

// A Subject is a fresh, empty store under test.
type Subject struct {
	Store store.Store
	// Another opens the same bytes as another process would. nil: it cannot.
	Another func() store.Store
	// SetFault makes steps fail until it is called with nil.
	SetFault func(store.Fault)
	// Leftovers counts what failed writes have left that no key names.
	Leftovers func() int
	// PutBytes is the memory one Put of a big object may take. 0: the driver
	// keeps objects in memory.
	PutBytes int64
	// PartBytes is the size of the parts big objects are sent in, 0: none.
	PartBytes int64
	// KeysCollide says whether the driver refuses a key that is the folder of
	// another.
	KeysCollide bool
}

// Run runs the suite. open returns a new subject each time.
func Run(t *testing.T, open func(t *testing.T) Subject) {
	for _, c := range []struct {
		name string
		test func(t *testing.T, s Subject)
	}{
		{"put, open, stat, delete", putOpenStatDelete},
		{"absent", absent},
		{"never overwrites", neverOverwrites},
		{"record once", recordOnce},
		{"swap", swap},
		{"record too large", tooLarge},
		{"read, seek, read at", readSeek},
		{"open shows one moment", oneMoment},
		{"list", list},
		{"list in pages while keys come and go", listPages},
		{"key hygiene", keyHygiene},
		{"key as folder", keyAsFolder},
		{"reader fails", readerFails},
		{"cancelled", cancelled},
		{"verify", verify},
		{"100 swaps, one wins", swapsOneWins},
		{"100 records, one wins", recordsOneWins},
		{"20 puts, one wins", putsOneWins},
		{"no lost count", noLostCount},
		{"delete against swap", deleteAgainstSwap},
		{"readers see whole records", wholeRecords},
		{"big object", bigObject},
		{"fault at every step", faultEverywhere},
		{"random against a map", randomOps},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.name != "big object" { // which measures memory
				t.Parallel() // most of the time is waiting for the medium
			}
			c.test(t, open(t))
		})
	}
}

func put(t *testing.T, s store.Store, key string, data []byte) store.Info {
	t.Helper()
	info, err := s.Put(t.Context(), key, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return info
}

func read(t *testing.T, s store.Store, key string) []byte {
	t.Helper()
	o, err := s.Open(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(o)
	if err := errors.Join(err, o.Close()); err != nil {
		t.Fatal(err)
	}
	return data
}

func wantErr(t *testing.T, what string, err, kind error) {
	t.Helper()
	if !errors.Is(err, kind) {
		t.Errorf("%s: error %v, want %v", what, err, kind)
	}
	var e *store.Error
	if err != nil && (!errors.As(err, &e) || e.Op == "") {
		t.Errorf("%s: error %#v is no *store.Error that names what was done", what, err)
	}
}

func keys(infos []store.Info) []string {
	names := []string{}
	for _, i := range infos {
		names = append(names, i.Key)
	}
	return names
}

func absent(t *testing.T, s Subject) {
	ctx := t.Context()
	_, err := s.Store.Open(ctx, "a/b")
	wantErr(t, "open", err, store.ErrNotFound)
	_, err = s.Store.Stat(ctx, "a/b")
	wantErr(t, "stat", err, store.ErrNotFound)
	_, _, err = store.Read(ctx, s.Store, "a/b")
	wantErr(t, "read", err, store.ErrNotFound)
	_, err = s.Store.Swap(ctx, "a/b", "0123", []byte("x"))
	wantErr(t, "swap", err, store.ErrConflict)
	if err := s.Store.Delete(ctx, "a/b"); err != nil {
		t.Errorf("delete: %v", err)
	}
	if got, err := s.Store.List(ctx, "", "", 10); err != nil || len(got) != 0 {
		t.Errorf("list: %v, %v", got, err)
	}
}

func putOpenStatDelete(t *testing.T, s Subject) {
	ctx := t.Context()
	// SHA-256 of "abc" and of nothing: FIPS 180-4, examples of NIST.
	for _, c := range []struct{ key, content, sum string }{
		{"mixes/1/a.wav", "abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		{"mixes/1/empty", "", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
	} {
		want := store.Info{Key: c.key, Size: int64(len(c.content)), SHA256: c.sum}
		got := put(t, s.Store, c.key, []byte(c.content))
		got.Modified = want.Modified
		if got != want {
			t.Errorf("put: %+v, want %+v", got, want)
		}
		if got := read(t, s.Store, c.key); string(got) != c.content {
			t.Errorf("%s: read %q", c.key, got)
		}
		info, err := s.Store.Stat(ctx, c.key)
		if err != nil || info.Key != c.key || info.Size != want.Size || info.Version == "" || info.SHA256 != "" {
			t.Errorf("stat %+v, %v", info, err)
		}
		o, err := s.Store.Open(ctx, c.key)
		if err != nil {
			t.Fatal(err)
		}
		if o.Info() != info {
			t.Errorf("open says %+v, stat %+v", o.Info(), info)
		}
		if err := o.Close(); err != nil {
			t.Error(err)
		}
		if s.Another != nil {
			if got := read(t, s.Another(), c.key); string(got) != c.content {
				t.Errorf("%s: another opening reads %q", c.key, got)
			}
		}
	}
	for range 2 {
		if err := s.Store.Delete(ctx, "mixes/1/a.wav"); err != nil {
			t.Fatal(err)
		}
	}
	_, err := s.Store.Stat(ctx, "mixes/1/a.wav")
	wantErr(t, "stat after delete", err, store.ErrNotFound)
	if got := read(t, s.Store, "mixes/1/empty"); len(got) != 0 {
		t.Errorf("neighbour of the deleted reads %q", got)
	}
	put(t, s.Store, "mixes/1/a.wav", []byte("again"))
	if got := read(t, s.Store, "mixes/1/a.wav"); string(got) != "again" {
		t.Errorf("after delete and put: %q", got)
	}
}

func neverOverwrites(t *testing.T, s Subject) {
	ctx := t.Context()
	put(t, s.Store, "k/put", []byte("first"))
	if err := s.Store.PutIfAbsent(ctx, "k/record", []byte("first")); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"k/put", "k/record"} {
		_, err := s.Store.Put(ctx, key, bytes.NewReader([]byte("second")))
		wantErr(t, "put", err, store.ErrExists)
		_, err = s.Store.Put(ctx, key, pattern(2*store.MaxRecordBytes))
		wantErr(t, "big put", err, store.ErrExists)
		wantErr(t, "put if absent", s.Store.PutIfAbsent(ctx, key, []byte("second")), store.ErrExists)
		_, err = s.Store.Swap(ctx, key, "", []byte("second"))
		wantErr(t, "swap", err, store.ErrConflict)
		if got := read(t, s.Store, key); string(got) != "first" {
			t.Errorf("%s holds %q", key, got)
		}
	}
	if n := s.Leftovers(); n != 0 {
		t.Errorf("%d leftovers", n)
	}
}

func recordOnce(t *testing.T, s Subject) {
	ctx := t.Context()
	data := []byte("mine")
	if err := s.Store.PutIfAbsent(ctx, "r", data); err != nil {
		t.Fatal(err)
	}
	copy(data, "XXXX") // the caller may use its slice again
	got, v, err := store.Read(ctx, s.Store, "r")
	if err != nil || string(got) != "mine" || v == "" {
		t.Fatalf("read %q version %q, %v", got, v, err)
	}
	if _, err := s.Store.Swap(ctx, "r", v, []byte("next")); err != nil {
		t.Errorf("swap on the version of a record put: %v", err)
	}
}

func swap(t *testing.T, s Subject) {
	ctx := t.Context()
	v1, err := s.Store.Swap(ctx, "jobs/1", "", []byte("accepted"))
	if err != nil {
		t.Fatal(err)
	}
	v2, err := s.Store.Swap(ctx, "jobs/1", v1, []byte("running"))
	if err != nil {
		t.Fatal(err)
	}
	if v1 == v2 || v1 == "" || v2 == "" {
		t.Errorf("versions %q and %q", v1, v2)
	}
	_, err = s.Store.Swap(ctx, "jobs/1", v1, []byte("late"))
	wantErr(t, "swap on an old version", err, store.ErrConflict)
	got, v, err := store.Read(ctx, s.Store, "jobs/1")
	if err != nil || string(got) != "running" || v != v2 {
		t.Errorf("read %q at %q (want %q), %v", got, v, v2, err)
	}
	if info, err := s.Store.Stat(ctx, "jobs/1"); err != nil || info.Version != v2 {
		t.Errorf("stat %+v, %v", info, err)
	}
	if err := s.Store.Delete(ctx, "jobs/1"); err != nil {
		t.Fatal(err)
	}
	_, err = s.Store.Swap(ctx, "jobs/1", v2, []byte("risen"))
	wantErr(t, "swap on a deleted record", err, store.ErrConflict)
	if _, err := s.Store.Swap(ctx, "jobs/1", "", []byte("new")); err != nil {
		t.Errorf("swap after delete: %v", err)
	}
	if _, err := s.Store.Swap(ctx, "jobs/none", "", nil); err != nil {
		t.Errorf("empty record: %v", err)
	}
}

func tooLarge(t *testing.T, s Subject) {
	ctx := t.Context()
	greatest := bytes.Repeat([]byte("r"), store.MaxRecordBytes)
	if err := s.Store.PutIfAbsent(ctx, "r", greatest); err != nil {
		t.Fatal(err)
	}
	_, v, err := store.Read(ctx, s.Store, "r")
	if err != nil {
		t.Fatal(err)
	}
	over := append(greatest, 'r')
	wantErr(t, "put if absent", s.Store.PutIfAbsent(ctx, "r2", over), store.ErrTooLarge)
	_, err = s.Store.Swap(ctx, "r", v, over)
	wantErr(t, "swap", err, store.ErrTooLarge)
	_, err = s.Store.Swap(ctx, "r3", "", over)
	wantErr(t, "swap of new", err, store.ErrTooLarge)
	put(t, s.Store, "big", over)
	_, _, err = store.Read(ctx, s.Store, "big")
	wantErr(t, "read of a big object as a record", err, store.ErrTooLarge)
	if info, err := s.Store.Stat(ctx, "big"); err != nil || info.Version != "" {
		t.Errorf("a big object has version %q, %v", info.Version, err)
	}
	_, err = s.Store.Swap(ctx, "big", "0123", []byte("x"))
	wantErr(t, "swap of a big object", err, store.ErrConflict)
}

func oneMoment(t *testing.T, s Subject) {
	ctx := t.Context()
	v, err := s.Store.Swap(ctx, "r", "", []byte("old"))
	if err != nil {
		t.Fatal(err)
	}
	o, err := s.Store.Open(ctx, "r")
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	if _, err := s.Store.Swap(ctx, "r", v, []byte("newer")); err != nil {
		t.Fatal(err)
	}
	if got, err := io.ReadAll(o); err != nil || string(got) != "old" || o.Info().Version != v {
		t.Errorf("read %q at %q, %v; want the content of the moment of opening", got, o.Info().Version, err)
	}
	big := patternBytes(store.MaxRecordBytes + 5)
	put(t, s.Store, "big", big)
	b, err := s.Store.Open(ctx, "big")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	head := make([]byte, 1000)
	if _, err := io.ReadFull(b, head); err != nil {
		t.Fatal(err)
	}
	if err := s.Store.Delete(ctx, "big"); err != nil {
		t.Fatal(err)
	}
	put(t, s.Store, "big", bytes.Repeat([]byte("Z"), len(big)))
	rest, err := io.ReadAll(b)
	if err == nil && !bytes.Equal(append(head, rest...), big) {
		t.Error("an object deleted and put again while open reads as a mixture")
	}
	if _, err := b.Seek(0, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	if again, err := io.ReadAll(b); err == nil && !bytes.Equal(again, big) {
		t.Error("an object deleted and put again while open shows the new one after a jump")
	}
	if n, err := b.ReadAt(head, 5000); err == nil && !bytes.Equal(head[:n], big[5000:6000]) {
		t.Error("an object deleted and put again while open shows the new one to ReadAt")
	}
}

func keyHygiene(t *testing.T, s Subject) {
	ctx := t.Context()
	for _, key := range HostileKeys() {
		_, err := s.Store.Put(ctx, key, bytes.NewReader(nil))
		wantErr(t, fmt.Sprintf("put %q", key), err, store.ErrKey)
		wantErr(t, fmt.Sprintf("put if absent %q", key), s.Store.PutIfAbsent(ctx, key, nil), store.ErrKey)
		_, err = s.Store.Swap(ctx, key, "", nil)
		wantErr(t, fmt.Sprintf("swap %q", key), err, store.ErrKey)
		_, err = s.Store.Swap(ctx, key, "v", nil)
		wantErr(t, fmt.Sprintf("swap %q", key), err, store.ErrKey)
		_, err = s.Store.Open(ctx, key)
		wantErr(t, fmt.Sprintf("open %q", key), err, store.ErrKey)
		_, err = s.Store.Stat(ctx, key)
		wantErr(t, fmt.Sprintf("stat %q", key), err, store.ErrKey)
		wantErr(t, fmt.Sprintf("delete %q", key), s.Store.Delete(ctx, key), store.ErrKey)
	}
	for _, prefix := range []string{"../", "/", ".", "a//", "A", "a/../"} {
		_, err := s.Store.List(ctx, prefix, "", 1)
		wantErr(t, fmt.Sprintf("list %q", prefix), err, store.ErrKey)
	}
	if _, err := s.Store.List(ctx, "", "", 0); err == nil {
		t.Error("list with limit 0 gave no error")
	}
	long := string(bytes.Repeat([]byte("k"), store.MaxKeyBytes))
	for _, key := range []string{"a", "0", "_", "-", "a.b", "a..b", "a.", "a/b/c/d/e/f/g", "a-b_c.d/0", long} {
		if key == "a" {
			key = "single"
		}
		put(t, s.Store, key, []byte(key))
		if got := read(t, s.Store, key); string(got) != key {
			t.Errorf("%q reads %q", key, got)
		}
	}
}

func keyAsFolder(t *testing.T, s Subject) {
	ctx := t.Context()
	put(t, s.Store, "a/b", []byte("ab"))
	for _, key := range []string{"a", "a/b/c"} {
		_, err := s.Store.Put(ctx, key, bytes.NewReader([]byte(key)))
		perr := s.Store.PutIfAbsent(ctx, key, []byte(key))
		if s.KeysCollide {
			wantErr(t, "put "+key, err, store.ErrKey)
			wantErr(t, "put if absent "+key, perr, store.ErrKey)
		} else if err != nil {
			t.Errorf("put %s: %v", key, err)
		}
	}
	if s.KeysCollide {
		for _, key := range []string{"a", "a/b/c"} {
			_, err := s.Store.Open(ctx, key)
			wantErr(t, "open "+key, err, store.ErrNotFound)
			_, err = s.Store.Stat(ctx, key)
			wantErr(t, "stat "+key, err, store.ErrNotFound)
			if err := s.Store.Delete(ctx, key); err != nil {
				t.Errorf("delete %s: %v", key, err)
			}
		}
		if err := s.Store.Delete(ctx, "a/b"); err != nil {
			t.Fatal(err)
		}
		put(t, s.Store, "a", []byte("now free"))
	} else if got := read(t, s.Store, "a/b"); string(got) != "ab" {
		t.Errorf("a/b reads %q", got)
	}
}

// HostileKeys are keys that every driver refuses.
func HostileKeys() []string {
	return []string{
		"", "/", "/a", "a/", "a//b", ".", "..", "../a", "a/..", "a/../b", "./a", "a/./b", ".hidden", "a/.hidden", ".discsafe/tmp/x",
		"A", "a b", "a\x00b", "a\nb", "a\\b", "..\\a", "c:", "c:\\a", "a:b", "%2e%2e/a", "a%00", "~", "~root", "$home", "a*", "a?", "a#b", "a&b", "a+b",
		"caf\u00e9", "cafe\u0301", "\u202ea", "\uff0e\uff0e/a", "\xff\xfe", "a\u2215b", "a\u2044b", "\u2024\u2024/a", "\ufeffa",
		string(bytes.Repeat([]byte("k"), store.MaxKeyBytes+1)), string(bytes.Repeat([]byte("a/"), 4096)), string(bytes.Repeat([]byte("../"), 100)) + "etc/passwd",
	}
}

// race runs f n times at once and returns how many gave no error; every error
// must be of kind.
func race(t *testing.T, n int, kind error, f func(i int) error) (won []int) {
	t.Helper()
	errs := make([]error, n)
	start := make(chan struct{})
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			<-start
			errs[i] = f(i)
		})
	}
	close(start)
	wg.Wait()
	for i, err := range errs {
		switch {
		case err == nil:
			won = append(won, i)
		case !errors.Is(err, kind):
			t.Errorf("number %d: %v, want success or %v", i, err, kind)
		}
	}
	return won
}

func (s Subject) sides() []store.Store {
	if s.Another == nil {
		return []store.Store{s.Store}
	}
	return []store.Store{s.Store, s.Another()}
}

func sorted(m map[string][]byte) []string {
	names := []string{}
	for k := range m {
		names = append(names, k)
	}
	slices.Sort(names)
	return names
}

func background(t *testing.T) context.Context { return context.WithoutCancel(t.Context()) }
