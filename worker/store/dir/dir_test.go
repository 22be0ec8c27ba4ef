//go:build unix

package dir_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"

	"discsafe/worker/store"
	"discsafe/worker/store/dir"
	"discsafe/worker/store/storetest"
)

func open(t *testing.T, folder string, opt dir.Options) *dir.Store {
	t.Helper()
	opt.Create = true
	s, err := dir.Open(folder, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func temps(t *testing.T, folder string) int {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(folder, ".discsafe/tmp"))
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

func suite(t *testing.T, wrap func(store.Fault) store.Fault) {
	storetest.Run(t, func(t *testing.T) storetest.Subject {
		var fault atomic.Pointer[store.Fault]
		folder := t.TempDir()
		opt := dir.Options{Fault: wrap(func(step, key string) error {
			if f := fault.Load(); f != nil && *f != nil {
				return (*f)(step, key)
			}
			return nil
		})}
		return storetest.Subject{
			Store:       open(t, folder, opt),
			Another:     func() store.Store { return open(t, folder, opt) },
			SetFault:    func(f store.Fault) { fault.Store(&f) },
			Leftovers:   func() int { return temps(t, folder) },
			PutBytes:    4 << 20, // one buffer of 256 KiB, and the noise of the collector
			KeysCollide: true,
		}
	})
}

func TestSuite(t *testing.T) {
	suite(t, func(f store.Fault) store.Fault { return f })
}

// Some file systems have no hard links; link(2) says EPERM then.
func TestSuiteWithoutHardLinks(t *testing.T) {
	suite(t, func(f store.Fault) store.Fault {
		return func(step, key string) error {
			if err := f(step, key); err != nil || step != "link" {
				return err
			}
			return &os.LinkError{Op: "link", Err: syscall.EPERM}
		}
	})
}

// The order of steps is what survives a power cut: content is on the medium
// before it has a name, and the name before the answer.
func TestOrderOfSteps(t *testing.T) {
	var steps []string
	s := open(t, t.TempDir(), dir.Options{Fault: func(step, key string) error {
		if step == "sync-dir" {
			step += " " + key
		}
		steps = append(steps, step)
		return nil
	}})
	check := func(what string, want ...string) {
		t.Helper()
		if diff := cmp.Diff(want, steps); diff != "" {
			t.Errorf("%s (-want +got):\n%s", what, diff)
		}
		steps = nil
	}
	ctx := t.Context()
	steps = nil
	if _, err := s.Put(ctx, "a/b/c", strings.NewReader("x")); err != nil {
		t.Fatal(err)
	}
	check("put into a new folder", "create", "write", "sync", "link", "mkdir", "link", "sync-dir a/b", "sync-dir a", "sync-dir .", "remove-temp")
	v, err := s.Swap(ctx, "a/r", "", []byte("1"))
	if err != nil {
		t.Fatal(err)
	}
	check("new record", "create", "write", "sync", "link", "sync-dir a", "sync-dir .", "remove-temp")
	if _, err := s.Swap(ctx, "a/r", v, []byte("2")); err != nil {
		t.Fatal(err)
	}
	check("swap", "lock", "open", "read", "create", "write", "sync", "rename", "sync-dir a")
	// Somebody acts on this answer, so what it is about is made durable first.
	if err := s.PutIfAbsent(ctx, "a/r", nil); !errors.Is(err, store.ErrExists) {
		t.Fatal(err)
	}
	check("record that exists", "create", "write", "sync", "link", "sync-dir a", "sync-dir .", "remove-temp")
	if err := s.Delete(ctx, "a/r"); err != nil {
		t.Fatal(err)
	}
	check("delete", "lock", "remove", "sync-dir a")
}

// What a process killed at any step leaves: the folder is copied before each,
// and each copy is opened as a store.
func TestKilledAtEveryStep(t *testing.T) {
	folder, copies := t.TempDir(), t.TempDir()
	var recording bool
	var names []string
	s := open(t, folder, dir.Options{Fault: func(step, key string) error {
		if recording {
			to := filepath.Join(copies, string(rune('A'+len(names))))
			names = append(names, step)
			if err := os.CopyFS(to, os.DirFS(folder)); err != nil {
				t.Error(err)
			}
		}
		return nil
	}})
	ctx := t.Context()
	v, err := s.Swap(ctx, "jobs/1", "", []byte("accepted"))
	if err != nil {
		t.Fatal(err)
	}
	mix := bytes.Repeat([]byte("mix"), 200_000) // several writes
	recording = true
	if _, err := s.Put(ctx, "mixes/1/a.wav", bytes.NewReader(mix)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Swap(ctx, "jobs/1", v, []byte("done")); err != nil {
		t.Fatal(err)
	}
	recording = false
	if len(names) < 15 {
		t.Fatalf("only %d steps: %v", len(names), names)
	}
	swept := 0
	for i, step := range names {
		left := filepath.Join(copies, string(rune('A'+i)))
		s, err := dir.Open(left, dir.Options{})
		if err != nil {
			t.Fatalf("killed before %s: %v", step, err)
		}
		n, err := s.Sweep(ctx)
		if err != nil {
			t.Fatalf("killed before %s: %v", step, err)
		}
		swept += n.Removed
		if n := temps(t, left); n != 0 {
			t.Errorf("killed before %s: %d temporary files after sweep", step, n)
		}
		job, v, err := store.Read(ctx, s, "jobs/1")
		if err != nil || string(job) != "accepted" && string(job) != "done" {
			t.Errorf("killed before %s: job reads %q, %v", step, job, err)
		}
		if _, err := s.Swap(ctx, "jobs/1", v, []byte("running")); err != nil {
			t.Errorf("killed before %s: %v", step, err)
		}
		info, err := s.Stat(ctx, "mixes/1/a.wav")
		if !errors.Is(err, store.ErrNotFound) && (err != nil || info.Size != int64(len(mix))) {
			t.Errorf("killed before %s: mix has %d bytes, %v", step, info.Size, err)
		}
		if errors.Is(err, store.ErrNotFound) {
			if _, err := s.Put(ctx, "mixes/1/a.wav", bytes.NewReader(mix)); err != nil {
				t.Errorf("killed before %s: put again: %v", step, err)
			}
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	if swept == 0 {
		t.Error("no copy held a temporary file: the check checks nothing")
	}
}

func TestSweepLeavesTheLiving(t *testing.T) {
	folder := t.TempDir()
	s, other := open(t, folder, dir.Options{}), open(t, folder, dir.Options{})
	dead := filepath.Join(folder, ".discsafe/tmp/DEAD")
	if err := os.WriteFile(dead, make([]byte, 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	swept := false
	r := readerFunc(func(p []byte) (int, error) {
		if swept {
			return 0, errEOF
		}
		swept = true
		got, err := other.Sweep(t.Context())
		if want := (store.Swept{Removed: 1, Bytes: 1000}); err != nil || got != want {
			t.Errorf("swept %+v, %v; want %+v", got, err, want)
		}
		return copy(p, "alive"), nil
	})
	if _, err := s.Put(t.Context(), "a", r); err != nil {
		t.Fatal(err)
	}
	if n := temps(t, folder); n != 0 {
		t.Errorf("%d temporary files", n)
	}
}

// Sweeping all the time beside writers takes nothing from them.
func TestSweepBesideWriters(t *testing.T) {
	folder := t.TempDir()
	s, other := open(t, folder, dir.Options{}), open(t, folder, dir.Options{})
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			select {
			case <-stop:
				return
			default:
				if _, err := other.Sweep(context.Background()); err != nil {
					t.Error(err)
					return
				}
			}
		}
	}()
	for i := range 100 {
		if err := s.PutIfAbsent(t.Context(), "k/"+string(rune('a'+i%26))+strings.Repeat("x", i/26), []byte("x")); err != nil {
			t.Error(err)
		}
	}
	close(stop)
	<-stopped
}

func TestFolderThatIsNoStore(t *testing.T) {
	for _, c := range []struct {
		name, want string
		make       func(folder string) error
	}{
		{"empty", "is the volume mounted", func(string) error { return nil }},
		{"missing", "check the path", os.Remove},
		{"a file", "check the path", func(f string) error {
			return errors.Join(os.Remove(f), os.WriteFile(f, nil, 0o600))
		}},
		{"other format", "this version knows", func(f string) error {
			return errors.Join(os.Mkdir(filepath.Join(f, ".discsafe"), 0o700), os.WriteFile(filepath.Join(f, ".discsafe/format"), []byte("discsafe store 2\n"), 0o600))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			folder := filepath.Join(t.TempDir(), "s")
			if err := errors.Join(os.Mkdir(folder, 0o700), c.make(folder)); err != nil {
				t.Fatal(err)
			}
			_, err := dir.Open(folder, dir.Options{})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("opened with %v, want an error with %q", err, c.want)
			}
			if entries, _ := os.ReadDir(folder); c.name == "empty" && len(entries) != 0 {
				t.Errorf("refused, and left %v", entries)
			}
		})
	}
}

// Links planted in the store lead nowhere: nothing outside is read, listed,
// written or removed.
func TestPlantedLinks(t *testing.T) {
	outside := t.TempDir()
	secret := filepath.Join(outside, "secret")
	if err := os.WriteFile(secret, []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	s := open(t, folder, dir.Options{})
	ctx := t.Context()
	if err := s.PutIfAbsent(ctx, "real/r", []byte("r")); err != nil {
		t.Fatal(err)
	}
	for name, target := range map[string]string{"abs": secret, "rel": "../../../../../../" + secret, "dirlink": outside, "inside": "real/r", "loop": "loop"} {
		if err := os.Symlink(target, filepath.Join(folder, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := syscall.Mkfifo(filepath.Join(folder, "pipe"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"abs", "rel", "dirlink", "dirlink/secret", "inside", "loop", "loop/x", "pipe", "dirlink/new"} {
		if o, err := s.Open(ctx, key); err == nil {
			t.Errorf("%s: opened", key)
			o.Close()
		}
		if _, err := s.Stat(ctx, key); err == nil {
			t.Errorf("%s: stat succeeded", key)
		}
		if _, err := s.Put(ctx, key, strings.NewReader("evil")); err == nil {
			t.Errorf("%s: written", key)
		}
		if err := s.PutIfAbsent(ctx, key, []byte("evil")); err == nil {
			t.Errorf("%s: written", key)
		}
		if _, err := s.Swap(ctx, key, "x", []byte("evil")); err == nil {
			t.Errorf("%s: swapped", key)
		}
		_ = s.Delete(ctx, key) // may say no error; must do nothing
	}
	infos, err := s.List(ctx, "", "", 100)
	if err != nil || len(infos) != 1 || infos[0].Key != "real/r" {
		t.Errorf("listed %v, %v", infos, err)
	}
	entries, err := os.ReadDir(outside)
	if err != nil || len(entries) != 1 {
		t.Errorf("outside holds %v, %v", entries, err)
	}
	if got, err := os.ReadFile(secret); err != nil || string(got) != "secret" {
		t.Errorf("secret reads %q, %v", got, err)
	}
}

func TestReserveIsKeptForRecords(t *testing.T) {
	s := open(t, t.TempDir(), dir.Options{ReserveBytes: 1 << 62})
	ctx := t.Context()
	_, err := s.Put(ctx, "mix", strings.NewReader("x"))
	if !errors.Is(err, store.ErrFull) || !store.Transient(err) {
		t.Errorf("put into the reserve: %v", err)
	}
	if err := s.PutIfAbsent(ctx, "record", []byte("x")); err != nil {
		t.Errorf("record in the reserve: %v", err)
	}
	if n, known := s.Free(ctx); n != 0 || !known {
		t.Errorf("free %d, %v; want 0 beyond the reserve", n, known)
	}
	if n, known := open(t, t.TempDir(), dir.Options{}).Free(ctx); n == 0 || !known {
		t.Errorf("free %d, %v", n, known)
	}
}

func TestFullIsTold(t *testing.T) {
	for _, step := range []string{"create", "write", "sync", "mkdir", "link", "sync-dir"} {
		full := false
		s := open(t, t.TempDir(), dir.Options{Fault: func(name, _ string) error {
			if full && name == step {
				return &fs.PathError{Op: name, Err: syscall.ENOSPC}
			}
			return nil
		}})
		full = true
		if _, err := s.Put(t.Context(), "a/b", strings.NewReader("x")); !errors.Is(err, store.ErrFull) {
			t.Errorf("no space at %s: %v", step, err)
		}
	}
}

func TestDamagedBehindOurBack(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, dir.Options{})
	ctx := t.Context()
	big := bytes.Repeat([]byte("0123456789"), store.MaxRecordBytes/5)
	info, err := s.Put(ctx, "big", bytes.NewReader(big))
	if err != nil {
		t.Fatal(err)
	}
	o, err := s.Open(ctx, "big")
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	if err := os.Truncate(filepath.Join(folder, "big"), int64(len(big)-5)); err != nil {
		t.Fatal(err)
	}
	if n, err := o.ReadAt(make([]byte, 100), int64(len(big)-50)); n != 45 || !errors.Is(err, store.ErrDamaged) {
		t.Errorf("read %d bytes at the missing end, %v", n, err)
	}
	if err := store.Verify(ctx, s, "big", info.Size, info.SHA256); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("verify of a truncated file: %v", err)
	}
}

func TestNobodyElseReads(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, dir.Options{})
	if _, err := s.Put(t.Context(), "mixes/a", strings.NewReader("x")); err != nil {
		t.Fatal(err)
	}
	var open []string
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || path == folder {
			return err
		}
		info, err := d.Info()
		if err == nil && info.Mode().Perm()&0o007 != 0 {
			open = append(open, path)
		}
		return err
	})
	if err != nil || len(open) != 0 {
		t.Errorf("others may read %v, %v", slices.Compact(open), err)
	}
}
