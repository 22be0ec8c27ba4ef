package worker

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSweepTakesOnlyWhatTheDeadLeft(t *testing.T) {
	base := filepath.Join(t.TempDir(), "scratch")
	living, swept, err := openScratch(base)
	if err != nil || swept != 0 {
		t.Fatal(swept, err)
	}
	room, err := living.room("job", 1)
	if err != nil {
		t.Fatal(err)
	}
	dead, _, err := openScratch(base)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dead.room("job", 1); err != nil {
		t.Fatal(err)
	}
	if err := dead.lock.Close(); err != nil { // the kernel does this when a process is killed
		t.Fatal(err)
	}
	other := filepath.Join(base, "somebody-else")
	half := filepath.Join(base, scratchPrefix+"half") // a sweep that broke off after the lock was removed
	alone := filepath.Join(base, scratchPrefix+"alone"+lockSuffix)
	for _, err := range []error{os.Mkdir(other, 0o700), os.Mkdir(half, 0o700), os.WriteFile(alone, nil, 0o600)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	third, swept, err := openScratch(base)
	if err != nil || swept != 3 {
		t.Errorf("swept %d, %v; want 3: the dead worker's, the half and the lone lock", swept, err)
	}
	for path, want := range map[string]bool{room: true, living.dir: true, other: true, third.dir: true, dead.dir: false, dead.dir + lockSuffix: false, half: false, alone: false} {
		if _, err := os.Stat(path); (err == nil) != want {
			t.Errorf("%s: there %v, want %v", filepath.Base(path), err == nil, want)
		}
	}
	if err := errors.Join(living.close(), third.close()); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(base)
	if err != nil || len(entries) != 1 {
		t.Errorf("left: %v %v", entries, err)
	}
}

func TestTailKeepsHeadAndEnd(t *testing.T) {
	var w tail
	for range 3000 {
		if _, err := w.Write([]byte("0123456789")); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Write([]byte("THE END\xff")); err != nil {
		t.Fatal(err)
	}
	s := w.String()
	if len(s) > headBytes+tailBytes+20 || s[:10] != "0123456789" || s[len(s)-8:] != "THE END?" {
		t.Errorf("%d bytes, from %q to %q", len(s), s[:10], s[len(s)-8:])
	}
}

// Lines arrive in pieces of any size.
func TestSplitterInPieces(t *testing.T) {
	text := []byte("noise\n{\"pass\":{\"number\":1}}\n\n{\"made\":{\"verdict\":\"ready\"}}\n")
	for size := 1; size <= len(text); size++ {
		var got []line
		s := splitter{take: func(l line) { got = append(got, l) }}
		for at := 0; at < len(text); at += size {
			part := text[at:min(at+size, len(text))]
			if n, err := s.Write(part); n != len(part) || err != nil {
				t.Fatal(n, err)
			}
		}
		if len(got) != 2 || got[0].Pass == nil || got[1].Made == nil {
			t.Fatalf("in pieces of %d: %+v", size, got)
		}
	}
}

func FuzzSplitter(f *testing.F) {
	f.Add([]byte("{\"pass\":{}}\n"), 3)
	f.Add([]byte("{\"failed\":{\"code\":\"x\"}}\n{"), 1)
	f.Fuzz(func(t *testing.T, data []byte, size int) {
		size = 1 + (size&0x7fffffff)%64
		var whole, pieces int
		a := splitter{take: func(line) { whole++ }}
		b := splitter{take: func(line) { pieces++ }}
		_, _ = a.Write(data)
		for at := 0; at < len(data); at += size {
			_, _ = b.Write(data[at:min(at+size, len(data))])
		}
		if whole != pieces {
			t.Errorf("%d lines at once, %d in pieces of %d", whole, pieces, size)
		}
	})
}

// A kind of job this version does not know is no job to guess at.
func TestChildRefusesUnknownKinds(t *testing.T) {
	for order, want := range map[string]string{`{"schema":"discsafe-task/1","kind":"cut"}`: `the task asks for \"cut\"`, `{"schema":"discsafe-task/2"}`: "discsafe-task/2"} {
		var out bytes.Buffer
		code := Child(t.Context(), strings.NewReader(order+"\n"), &out, func(context.Context, Task, func(Pass)) (Made, error) {
			t.Error("it was begun")
			return Made{}, nil
		})
		if code != 0 || !strings.Contains(out.String(), `"unsupported-job"`) || !strings.Contains(out.String(), want) {
			t.Errorf("%s: exit code %d, said %s", order, code, out.String())
		}
	}
}
