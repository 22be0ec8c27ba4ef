package storetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"testing"

	"discsafe/worker/store"
)

// pattern is a reader of n bytes that repeat only after a prime number of them.
func pattern(n int64) *patternReader { return &patternReader{left: n} }

type patternReader struct {
	pos, left int64
	most      int    // bytes given at once, 0: what is asked for
	each      func() // called at every read
}

// table is what the pattern repeats; its length is prime, so that no two parts
// of equal round size are alike.
var table = sync.OnceValue(func() []byte {
	b := make([]byte, 65521)
	rnd := rand.New(rand.NewPCG(3, 4))
	for i := range b {
		b[i] = byte(rnd.Uint32())
	}
	return b
})

func (p *patternReader) Read(b []byte) (int, error) {
	if p.each != nil {
		p.each()
	}
	if p.left == 0 {
		return 0, io.EOF
	}
	if p.most > 0 {
		b = b[:min(len(b), p.most)]
	}
	n := int(min(int64(len(b)), p.left))
	for filled := 0; filled < n; {
		m := copy(b[filled:n], table()[p.pos%int64(len(table())):])
		filled += m
		p.pos += int64(m)
	}
	p.left -= int64(n)
	return n, nil
}

func patternBytes(n int) []byte {
	b, err := io.ReadAll(pattern(int64(n)))
	if err != nil {
		panic(err) // a pattern does not fail
	}
	return b
}

func readSeek(t *testing.T, s Subject) {
	for _, size := range []int{0, 1, 1000, store.MaxRecordBytes, store.MaxRecordBytes + 1, 3*store.MaxRecordBytes + 17} {
		want := patternBytes(size)
		key := fmt.Sprintf("size-%d", size)
		put(t, s.Store, key, want)
		o, err := s.Store.Open(t.Context(), key)
		if err != nil {
			t.Fatal(err)
		}
		readAsReader(t, o, want)
		if err := o.Close(); err != nil {
			t.Errorf("%s: close: %v", key, err)
		}
	}
}

// readAsReader holds an object against bytes.Reader over the same content.
func readAsReader(t *testing.T, o store.Object, content []byte) {
	t.Helper()
	want := bytes.NewReader(content)
	size := int64(len(content))
	for _, step := range []struct {
		offset int64
		whence int
		n      int
	}{
		{0, io.SeekStart, 10}, {0, io.SeekCurrent, 5}, {-1, io.SeekEnd, 5}, {0, io.SeekEnd, 5}, {size / 2, io.SeekStart, 70_000},
		{-50_000, io.SeekCurrent, 60_000}, {100, io.SeekCurrent, 100}, {size + 10, io.SeekStart, 5}, {-1, io.SeekStart, 5}, {3, io.SeekStart, 1 << 21},
	} {
		p1, err1 := o.Seek(step.offset, step.whence)
		p2, err2 := want.Seek(step.offset, step.whence)
		if (err1 == nil) != (err2 == nil) || err1 == nil && p1 != p2 {
			t.Errorf("size %d, seek %+v: %d, %v; want %d, %v", size, step, p1, err1, p2, err2)
		}
		b1, b2 := make([]byte, step.n), make([]byte, step.n)
		n1, err1 := io.ReadFull(o, b1)
		n2, err2 := io.ReadFull(want, b2)
		if n1 != n2 || err1 != err2 || !bytes.Equal(b1[:n1], b2[:n2]) {
			t.Errorf("size %d, read after seek %+v: %d bytes, %v; want %d, %v", size, step, n1, err1, n2, err2)
		}
	}
	offsets := []int64{0, 1, size / 3, size - 1, size, size + 1}
	var wg sync.WaitGroup
	for _, off := range slices.Concat(offsets, offsets) {
		wg.Go(func() {
			b1, b2 := make([]byte, 4099), make([]byte, 4099)
			n1, err1 := o.ReadAt(b1, off)
			n2, err2 := want.ReadAt(b2, off)
			if n1 != n2 || (err1 == nil) != (err2 == nil) || err2 == io.EOF && err1 != io.EOF || !bytes.Equal(b1[:n1], b2[:n2]) {
				t.Errorf("size %d, read at %d: %d bytes, %v; want %d, %v", size, off, n1, err1, n2, err2)
			}
		})
	}
	wg.Wait()
}

// bigBytes is the size of the big object: enough that keeping it would show.
const bigBytes = 40 << 20

func bigObject(t *testing.T, s Subject) {
	heap := func() int64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	runtime.GC()
	runtime.GC() // twice, or what pools give up only now would count against what is taken
	before, peak, reads, looks := heap(), int64(0), 0, 0
	src := pattern(bigBytes)
	src.most = 128 << 10
	src.each = func() {
		if reads++; reads%32 == 0 {
			runtime.GC()
			peak = max(peak, heap()-before)
			looks++
		}
	}
	info, err := s.Store.Put(t.Context(), "mixes/big.wav", src)
	if err != nil {
		t.Fatal(err)
	}
	if info.Size != bigBytes {
		t.Errorf("wrote %d bytes, want %d", info.Size, bigBytes)
	}
	if looks < 10 {
		t.Errorf("memory looked at %d times: the check checks nothing", looks)
	}
	if s.PutBytes > 0 && peak > s.PutBytes {
		t.Errorf("putting %d bytes took %d bytes of memory, at most %d allowed", int64(bigBytes), peak, s.PutBytes)
	}
	t.Logf("memory while putting: %d KiB", peak>>10)
	o, err := s.Store.Open(t.Context(), "mixes/big.wav")
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	got, want := make([]byte, 1<<20), make([]byte, 1<<20)
	check := pattern(bigBytes)
	for pos := 0; pos < bigBytes; pos += len(got) {
		if _, err := io.ReadFull(o, got); err != nil {
			t.Fatalf("at %d: %v", pos, err)
		}
		if _, err := io.ReadFull(check, want); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Fatalf("content differs in the MiB at %d", pos)
		}
	}
	if err := store.Verify(t.Context(), s.Store, "mixes/big.wav", info.Size, info.SHA256); err != nil {
		t.Error(err)
	}
}

// cutReader fails after some bytes.
type cutReader struct {
	r   io.Reader
	err error
}

func (c *cutReader) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	if err == io.EOF {
		err = c.err
	}
	return n, err
}

func readerFails(t *testing.T, s Subject) {
	ctx := t.Context()
	broken := errors.New("line broken")
	for _, size := range []int64{0, 1, 100_000, s.PartBytes + 1_000_000} {
		// io.ErrUnexpectedEOF is what a request body cut off gives: no end.
		for _, cause := range []error{broken, io.ErrUnexpectedEOF} {
			_, err := s.Store.Put(ctx, "mixes/a", &cutReader{pattern(size), cause})
			wantErr(t, fmt.Sprintf("put cut off after %d bytes", size), err, cause)
			var source *store.SourceError
			if !errors.As(err, &source) || source.After != size {
				t.Errorf("put cut off after %d bytes: %v does not say whose fault it was", size, err)
			}
			_, err = s.Store.Stat(ctx, "mixes/a")
			wantErr(t, "stat", err, store.ErrNotFound)
		}
	}
	// A kind of the source is not one of the store.
	_, err := s.Store.Put(ctx, "mixes/a", &cutReader{pattern(10), &store.Error{Op: "read", Key: "elsewhere", Kind: store.ErrNotFound}})
	var e *store.Error
	if !errors.As(err, &e) || e.Op != "put" || e.Key != "mixes/a" || e.Kind != nil {
		t.Errorf("put from a store where the source was deleted: %v", err)
	}
	_, err = s.Store.Put(ctx, "mixes/a", stuck{})
	wantErr(t, "put of a reader that gives nothing", err, io.ErrNoProgress)
	if n := s.Leftovers(); n != 0 {
		t.Errorf("%d leftovers", n)
	}
}

type stuck struct{}

func (stuck) Read([]byte) (int, error) { return 0, nil }

func cancelled(t *testing.T, s Subject) {
	put(t, s.Store, "there", []byte("x"))
	_, v, err := store.Read(t.Context(), s.Store, "there")
	if err != nil {
		t.Fatal(err)
	}
	o, err := s.Store.Open(t.Context(), "there")
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	ctx, cancel := context.WithCancel(t.Context())
	src := pattern(s.PartBytes + 1_000_000)
	src.each = func() {
		if src.left < 300_000 {
			cancel()
		}
	}
	_, err = s.Store.Put(ctx, "mixes/a", src)
	wantErr(t, "put cancelled on the way", err, context.Canceled)
	_, err = s.Store.Stat(t.Context(), "mixes/a")
	wantErr(t, "stat", err, store.ErrNotFound)

	_, err = s.Store.Put(ctx, "a", bytes.NewReader(nil))
	wantErr(t, "put", err, context.Canceled)
	wantErr(t, "put if absent", s.Store.PutIfAbsent(ctx, "a", nil), context.Canceled)
	_, err = s.Store.Swap(ctx, "there", v, nil)
	wantErr(t, "swap", err, context.Canceled)
	_, err = s.Store.Swap(ctx, "a", "", nil)
	wantErr(t, "swap of new", err, context.Canceled)
	_, err = s.Store.Open(ctx, "there")
	wantErr(t, "open", err, context.Canceled)
	_, err = s.Store.Stat(ctx, "there")
	wantErr(t, "stat", err, context.Canceled)
	_, err = s.Store.List(ctx, "", "", 1)
	wantErr(t, "list", err, context.Canceled)
	wantErr(t, "delete", s.Store.Delete(ctx, "there"), context.Canceled)
	if got := read(t, s.Store, "there"); string(got) != "x" {
		t.Errorf("after cancelled calls: %q", got)
	}
	if n := s.Leftovers(); n != 0 {
		t.Errorf("%d leftovers", n)
	}

	for _, size := range []int{10, 2 * store.MaxRecordBytes} {
		key := fmt.Sprintf("long/%d", size)
		put(t, s.Store, key, patternBytes(size))
		ctx, cancel := context.WithCancel(t.Context())
		o, err := s.Store.Open(ctx, key)
		if err != nil {
			t.Fatal(err)
		}
		cancel()
		_, err = io.ReadAll(o)
		wantErr(t, "read after its context ended", err, context.Canceled)
		if err := o.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}
}

func verify(t *testing.T, s Subject) {
	ctx := t.Context()
	info := put(t, s.Store, "a", []byte("abc"))
	if err := store.Verify(ctx, s.Store, "a", info.Size, info.SHA256); err != nil {
		t.Error(err)
	}
	wantErr(t, "other size", store.Verify(ctx, s.Store, "a", 2, info.SHA256), store.ErrDamaged)
	wantErr(t, "other content", store.Verify(ctx, s.Store, "a", 3, put(t, s.Store, "b", []byte("abd")).SHA256), store.ErrDamaged)
	wantErr(t, "absent", store.Verify(ctx, s.Store, "c", 3, info.SHA256), store.ErrNotFound)
}

func patternSum(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}
