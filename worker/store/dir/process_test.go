//go:build unix

package dir_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"go.uber.org/goleak"

	"discsafe/worker/store"
	"discsafe/worker/store/dir"
)

// role, if set, makes this test binary a worker on the folder of that name.
const role, folderOf = "DISCSAFE_TEST_ROLE", "DISCSAFE_TEST_FOLDER"

func TestMain(m *testing.M) {
	if r := os.Getenv(role); r != "" {
		if err := work(r, os.Getenv(folderOf)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

const mixBytes = 2_000_000

func work(role, folder string) error {
	ctx := context.Background()
	s, err := dir.Open(folder, dir.Options{})
	if err != nil {
		return err
	}
	if role == "writer" { // until killed
		for i := 0; ; i++ {
			half := readerFunc(func([]byte) (int, error) {
				fmt.Println(i, "half")
				return 0, io.EOF
			})
			mix := io.MultiReader(bytes.NewReader(make([]byte, mixBytes/2)), half, bytes.NewReader(make([]byte, mixBytes/2)))
			if _, err := s.Put(ctx, fmt.Sprintf("mixes/%d/%d", os.Getpid(), i), mix); err != nil {
				return err
			}
			fmt.Println(i, "done")
		}
	}
	for n := 0; n < 25; {
		data, v, err := store.Read(ctx, s, "count")
		if err != nil {
			return err
		}
		count, err := strconv.Atoi(string(data))
		if err != nil {
			return err
		}
		_, err = s.Swap(ctx, "count", v, []byte(strconv.Itoa(count+1)))
		switch {
		case err == nil:
			n++
		case !errors.Is(err, store.ErrConflict):
			return err
		}
	}
	return nil
}

func child(t *testing.T, as, folder string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), role+"="+as, folderOf+"="+folder)
	cmd.Stderr = os.Stderr
	return cmd
}

// Four processes count in one record.
func TestProcessesCount(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, dir.Options{})
	if err := s.PutIfAbsent(t.Context(), "count", []byte("0")); err != nil {
		t.Fatal(err)
	}
	var all []*exec.Cmd
	for range 4 {
		cmd := child(t, "counter", folder)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		all = append(all, cmd)
	}
	for _, cmd := range all {
		if err := cmd.Wait(); err != nil {
			t.Error(err)
		}
	}
	if data, _, err := store.Read(t.Context(), s, "count"); err != nil || string(data) != "100" {
		t.Errorf("counted %s, want 100; %v", data, err)
	}
}

// Writers that are killed: every object they told of is there and whole, and
// so is every other that can be seen; sweeping takes the rest.
func TestWritersAreKilled(t *testing.T) {
	folder := t.TempDir()
	s := open(t, folder, dir.Options{})
	told := 0
	for round := range 6 {
		cmd := child(t, "writer", folder)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Killed when half of one is written, or just after one.
		last, moment := -1, "half"
		if round%2 == 1 {
			moment = "done"
		}
		lines := bufio.NewScanner(out)
		for killed := false; lines.Scan(); { // to the end: what is told is told
			var i int
			var what string
			if _, err := fmt.Sscan(lines.Text(), &i, &what); err != nil {
				t.Fatal(err)
			}
			if what == "done" {
				last = i
			}
			if what == moment && i >= round && !killed {
				killed = true
				if err := cmd.Process.Kill(); err != nil {
					t.Error(err)
				}
			}
		}
		_ = cmd.Wait() // killed
		for i := range last + 1 {
			told++
			key := fmt.Sprintf("mixes/%d/%d", cmd.Process.Pid, i)
			if info, err := s.Stat(t.Context(), key); err != nil || info.Size != mixBytes {
				t.Errorf("%s: %d bytes, %v", key, info.Size, err)
			}
		}
	}
	for info, err := range store.All(t.Context(), s, "mixes/") {
		if err != nil || info.Size != mixBytes {
			t.Errorf("%s: %d bytes, %v", info.Key, info.Size, err)
		}
	}
	swept, err := s.Sweep(t.Context())
	if err != nil || temps(t, folder) != 0 {
		t.Errorf("swept %+v, %d temporary files left, %v", swept, temps(t, folder), err)
	}
	if told == 0 || swept.Removed == 0 {
		t.Error("nothing written, or nobody killed while writing: the check checks nothing")
	}
	t.Logf("%d objects told of, %d temporary files swept", told, swept.Removed)
}
