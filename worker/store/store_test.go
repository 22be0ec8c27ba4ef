package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"regexp"
	"strings"
	"testing"
	"testing/iotest"

	"discsafe/worker/store"
	"discsafe/worker/store/mem"
	"discsafe/worker/store/storetest"
)

func Example() {
	ctx := context.Background()
	s := mem.New(mem.Options{}) // or dir.Open, s3.Open

	mix, err := s.Put(ctx, "mixes/1/side-a.wav", strings.NewReader("abc"))
	fmt.Println(mix.Size, mix.SHA256[:8], err)

	v, err := s.Swap(ctx, "jobs/1", "", []byte("accepted"))
	fmt.Println(err)
	_, err = s.Swap(ctx, "jobs/1", v, []byte("running, attempt 1"))
	fmt.Println(err)
	_, err = s.Swap(ctx, "jobs/1", v, []byte("running, attempt 2"))
	fmt.Println(errors.Is(err, store.ErrConflict), err)

	for info, err := range store.All(ctx, s, "") {
		fmt.Println(info.Key, info.Size, err)
	}
	// Output:
	// 3 ba7816bf <nil>
	// <nil>
	// <nil>
	// true store: swap "jobs/1": changed by someone else
	// jobs/1 18 <nil>
	// mixes/1/side-a.wav 3 <nil>
}

func TestHostileKeys(t *testing.T) {
	for _, key := range storetest.HostileKeys() {
		err := store.CheckKey(key)
		if !errors.Is(err, store.ErrKey) {
			t.Errorf("%q: %v", key, err)
		}
		if err != nil && len(err.Error()) > 1000 {
			t.Errorf("the error about a key of %d bytes has %d", len(key), len(err.Error()))
		}
	}
}

// The rule once more, as one pattern.
var keyRule = regexp.MustCompile(`^[a-z0-9_-][a-z0-9._-]*(/[a-z0-9_-][a-z0-9._-]*)*$`)

func FuzzCheckKey(f *testing.F) {
	for _, key := range append(storetest.HostileKeys(), "a", "jobs/01h/record.json", "a..b", "-") {
		f.Add(key)
	}
	f.Fuzz(func(t *testing.T, key string) {
		err := store.CheckKey(key)
		if want := keyRule.MatchString(key) && len(key) <= store.MaxKeyBytes; (err == nil) != want {
			t.Fatalf("%q: %v, the pattern says allowed %v", key, err, want)
		}
		if err != nil {
			return
		}
		if path.Clean(key) != key || path.IsAbs(key) || strings.HasPrefix(key, "..") {
			t.Errorf("%q is allowed and not plain", key)
		}
		for i := range key {
			if err := store.CheckPrefix(key[:i]); err != nil {
				t.Errorf("%q is allowed, its beginning %q is not: %v", key, key[:i], err)
			}
		}
	})
}

func TestFill(t *testing.T) {
	broken := errors.New("broken")
	for _, c := range []struct {
		name string
		r    io.Reader
		n    int
		err  error
	}{
		{"full", strings.NewReader("abcdef"), 4, nil},
		{"full at its end", strings.NewReader("abcd"), 4, nil},
		{"full, end told with the last bytes", iotest.DataErrReader(strings.NewReader("abcd")), 4, nil},
		{"byte by byte", iotest.OneByteReader(strings.NewReader("abc")), 3, io.EOF},
		{"empty", strings.NewReader(""), 0, io.EOF},
		{"cut off", io.MultiReader(strings.NewReader("ab"), iotest.ErrReader(io.ErrUnexpectedEOF)), 2, io.ErrUnexpectedEOF},
		{"broken", io.MultiReader(strings.NewReader("ab"), iotest.ErrReader(broken)), 2, broken},
	} {
		n, err := store.Fill(c.r, make([]byte, 4))
		if n != c.n || err != c.err {
			t.Errorf("%s: %d, %v; want %d, %v", c.name, n, err, c.n, c.err)
		}
	}
}

func TestTransient(t *testing.T) {
	for err, want := range map[error]bool{
		&store.Error{Op: "put", Kind: store.ErrFull}:                            true,
		&store.Error{Op: "put", Kind: store.ErrUnavailable, Err: io.EOF}:        true,
		&store.Error{Op: "put", Err: context.DeadlineExceeded}:                  true,
		&store.Error{Op: "put", Kind: store.ErrExists}:                          false,
		&store.Error{Op: "put", Err: &store.SourceError{Err: errors.New("up")}}: false,
	} {
		if store.Transient(err) != want {
			t.Errorf("%v: transient %v, want %v", err, !want, want)
		}
	}
}

// All asks on behind a full page.
func TestAllBeyondOnePage(t *testing.T) {
	s := mem.New(mem.Options{})
	const n = 2000 // two full pages
	for i := range n {
		if err := s.PutIfAbsent(t.Context(), fmt.Sprintf("k/%05d", i), nil); err != nil {
			t.Fatal(err)
		}
	}
	i := 0
	for info, err := range store.All(t.Context(), s, "k/") {
		if want := fmt.Sprintf("k/%05d", i); err != nil || info.Key != want {
			t.Fatalf("%s, %v; want %s", info.Key, err, want)
		}
		i++
	}
	if i != n {
		t.Errorf("%d keys, want %d", i, n)
	}
}

func TestHeldIsAReader(t *testing.T) {
	content := bytes.Repeat([]byte("0123456789"), 50)
	o := store.Held(t.Context(), store.Info{Size: 500}, content)
	if err := iotest.TestReader(o, content); err != nil {
		t.Error(err)
	}
}
