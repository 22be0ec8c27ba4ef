package client

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"discsafe/api/v1"

	"pgregory.net/rapid"
)

func source(b []byte) Source {
	return Source{Name: "mix one.wav", ReaderAt: bytes.NewReader(b), Size: int64(len(b))}
}

func chunks(n int64) func(*Options) {
	return func(o *Options) { o.SmallBytes, o.ChunkBytes = -1, n }
}

func TestUploadIsNotSentTwice(t *testing.T) {
	for name, set := range map[string]func(*Options){"small": func(*Options) {}, "chunks": chunks(1000)} {
		t.Run(name, func(t *testing.T) {
			in, b := newIntake(), noise(2500)
			c, _ := dial(t, in, set)
			for range 2 {
				var last int64
				m, err := c.Upload(within(t), source(b), func(sent, total int64) {
					if last = sent; total != 2500 {
						t.Errorf("total %d", total)
					}
				})
				if err != nil || m.SHA256 != sum(b) || m.Bytes != 2500 || last != 2500 {
					t.Fatalf("%+v, %v; progress ends at %d", m, err, last)
				}
			}
			if !bytes.Equal(in.mixes[sum(b)], b) {
				t.Error("other bytes arrived")
			}
			if n := in.count("PUT") + in.count("POST"); n != 1 {
				t.Errorf("sent %d times, want 1: %v", n, in.seen)
			}
		})
	}
}

func TestUploadOfOneRequestBreaksOffAndIsSentAgain(t *testing.T) {
	in, b := newIntake(), noise(200_000)
	in.cuts = map[int64]bool{0: true, 1: true, 150_000: true}
	c, _ := dial(t, in)
	if _, err := c.Upload(within(t), source(b), nil); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(in.mixes[sum(b)], b) || in.count("PUT") != 4 {
		t.Errorf("%d times sent, want 4", in.count("PUT"))
	}
}

func TestUploadGoesOnWhereItBroke(t *testing.T) {
	for name, cuts := range map[string][]int64{
		"before the first byte": {0},
		"after the first byte":  {1},
		"at the end of a chunk": {1000},
		"within chunks":         {1, 999, 1001, 2400},
		"the last byte":         {2499},
		"after the last byte":   {2500},
	} {
		t.Run(name, func(t *testing.T) {
			in, b := newIntake(), noise(2500)
			for _, at := range cuts {
				in.cuts[at] = true
			}
			c, _ := dial(t, in, chunks(1000))
			if _, err := c.Upload(within(t), source(b), nil); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(in.mixes[sum(b)], b) {
				t.Error("other bytes arrived")
			}
			// After the last byte nobody finishes it in this double, so it is begun anew.
			begun, taken := 1, int64(2500)
			if cuts[0] == 2500 {
				begun, taken = 2, 5000
			}
			if in.n != begun || in.taken != taken {
				t.Errorf("%d uploads of %d bytes in all, want %d of %d", in.n, in.taken, begun, taken)
			}
		})
	}
}

func TestUploadBrokenAnywhere(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(rt, "size")
		in, b := newIntake(), noise(n)
		for _, at := range rapid.SliceOfN(rapid.Int64Range(0, int64(n)), 0, 5).Draw(rt, "cuts") {
			in.cuts[at] = true
		}
		c, _ := dial(t, in, chunks(rapid.Int64Range(1, 500).Draw(rt, "chunk")))
		defer c.Close()
		if _, err := c.Upload(within(t), source(b), nil); err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(in.mixes[sum(b)], b) {
			rt.Fatal("other bytes arrived")
		}
	})
}

func TestUploadGoesOnInAnotherProcess(t *testing.T) {
	in, b := newIntake(), noise(5000)
	dir := t.TempDir()
	state := func(o *Options) { o.State = NewFolderState(filepath.Join(dir, "uploads")) }
	one, _ := dial(t, in, chunks(1000), state)
	ctx, cancel := context.WithCancel(within(t))
	_, err := one.Upload(ctx, source(b), func(sent, _ int64) {
		if sent == 3000 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("%v, want cancelled", err)
	}
	// The request that was broken off may still be with the server.
	in.mu.Lock()
	taken := in.taken
	in.mu.Unlock()
	if taken == 0 || taken >= 5000 {
		t.Fatalf("%d bytes taken before the break", taken)
	}
	two, err := New(one.o)
	if err != nil {
		t.Fatal(err)
	}
	defer two.Close()
	if _, err := two.Upload(within(t), source(b), nil); err != nil {
		t.Fatal(err)
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.n != 1 || in.taken != 5000 || !bytes.Equal(in.mixes[sum(b)], b) {
		t.Errorf("%d uploads, %d bytes; want 1 and 5000", in.n, in.taken)
	}
	if left, err := os.ReadDir(filepath.Join(dir, "uploads")); err != nil || len(left) != 0 {
		t.Errorf("state left behind: %v, %v", left, err)
	}
}

func TestUploadWhoseOffsetDiffers(t *testing.T) {
	in, b := newIntake(), noise(3000)
	lost := false
	in.patch = func(w http.ResponseWriter, r *http.Request, u *up) bool {
		if len(u.data) == 2000 && !lost {
			lost, u.data = true, u.data[:700] // the service lost what it had not synced
		}
		return false
	}
	c, _ := dial(t, in, chunks(1000))
	if _, err := c.Upload(within(t), source(b), nil); err != nil {
		t.Fatal(err)
	}
	if !lost || !bytes.Equal(in.mixes[sum(b)], b) || in.n != 1 {
		t.Errorf("%d uploads, lost %v", in.n, lost)
	}
}

func TestUploadThatExpired(t *testing.T) {
	in, b := newIntake(), noise(3000)
	gone := 0
	in.patch = func(w http.ResponseWriter, r *http.Request, u *up) bool {
		if len(u.data) == 2000 && gone < 2 {
			gone++
			delete(in.ups, u.id)
			problem(v1.NotFound, 0)(w, r)
			return true
		}
		return false
	}
	c, _ := dial(t, in, chunks(1000))
	if _, err := c.Upload(within(t), source(b), nil); err != nil {
		t.Fatal(err)
	}
	if in.n != 3 || !bytes.Equal(in.mixes[sum(b)], b) {
		t.Errorf("%d uploads, want 3", in.n)
	}
}

func TestUploadThatAlwaysExpiresEnds(t *testing.T) {
	in := newIntake()
	in.patch = func(w http.ResponseWriter, r *http.Request, u *up) bool {
		problem(v1.Gone, 0)(w, r)
		return true
	}
	c, _ := dial(t, in, chunks(1000))
	_, err := c.Upload(within(t), source(noise(3000)), nil)
	if p, ok := errors.AsType[*v1.Problem](err); !ok || p.Code != string(v1.Gone) || in.n != maxBegins {
		t.Errorf("%v after %d uploads, want gone after %d", err, in.n, maxBegins)
	}
}

func TestUploadWaitsAsLongAsAsked(t *testing.T) {
	in, b := newIntake(), noise(3000)
	busy := 3
	in.patch = func(w http.ResponseWriter, r *http.Request, u *up) bool {
		if busy--; busy >= 0 {
			problem(v1.DiskFull, 42*time.Second)(w, r)
		}
		return busy >= 0
	}
	c, k := dial(t, in, chunks(1000))
	if _, err := c.Upload(within(t), source(b), nil); err != nil {
		t.Fatal(err)
	}
	if s := k.slept(); len(s) != 3 || min(s[0], s[1], s[2]) < 42*time.Second {
		t.Errorf("slept %v, want three times 42 s or more", s)
	}
}

func TestUploadGivesUpWithoutProgress(t *testing.T) {
	in := newIntake()
	in.patch = func(w http.ResponseWriter, r *http.Request, u *up) bool {
		problem(v1.Unavailable, 0)(w, r)
		return true
	}
	state := NewFolderState(t.TempDir())
	c, k := dial(t, in, chunks(1000), func(o *Options) { o.State, o.GiveUp = state, 7*time.Minute })
	start := k.Now()
	s := source(noise(3000))
	_, err := c.Upload(within(t), s, nil)
	if p, ok := errors.AsType[*v1.Problem](err); !ok || p.Code != string(v1.Unavailable) || !strings.Contains(err.Error(), "no progress for") {
		t.Errorf("%v", err)
	}
	if d := k.Now().Sub(start); d < 7*time.Minute || d > 8*time.Minute {
		t.Errorf("gave up after %v, want 7 min", d)
	}
	s.SHA256 = sum(noise(3000))
	if id, err := state.Load(c.fingerprint(s)); id != "up1" || err != nil {
		t.Errorf("state %q, %v; another day it should go on", id, err)
	}
}

func TestUploadOfOtherBytesIsForgotten(t *testing.T) {
	in := newIntake()
	state := NewFolderState(t.TempDir())
	c, _ := dial(t, in, chunks(1000), func(o *Options) { o.State = state })
	s := source(noise(3000))
	s.SHA256 = strings.Repeat("0", 64) // as of a file that somebody wrote to
	_, err := c.Upload(within(t), s, nil)
	if p, ok := errors.AsType[*v1.Problem](err); !ok || p.Code != string(v1.HashDiffers) {
		t.Errorf("%v, want hash-differs", err)
	}
	if id, err := state.Load(c.fingerprint(s)); id != "" || err != nil {
		t.Errorf("state %q, %v; it is of no use any more", id, err)
	}
}

func TestUploadWhoseLastAnswerIsLost(t *testing.T) {
	in, b := newIntake(), noise(3000)
	in.finish = func(w http.ResponseWriter, u *up, sha string) bool {
		in.mixes[sha] = u.data
		panic(http.ErrAbortHandler)
	}
	c, _ := dial(t, in, chunks(1000))
	if _, err := c.Upload(within(t), source(b), nil); err != nil {
		t.Fatal(err)
	}
	if in.n != 1 || in.taken != 3000 {
		t.Errorf("%d uploads of %d bytes, want one", in.n, in.taken)
	}
}

// A Location elsewhere (a proxy's mistake, or malice) does not draw the token there.
func TestUploadStaysWithTheServer(t *testing.T) {
	for name, l := range map[string]string{
		"other host": "http://elsewhere.invalid/x/", "other scheme": "https://127.0.0.1:1/v1/uploads/",
		"relative": "uploads/", "other prefix": "/behind/proxy/",
	} {
		t.Run(name, func(t *testing.T) {
			in, b := newIntake(), noise(1500)
			in.location = l
			c, _ := dial(t, in, chunks(1000))
			if _, err := c.Upload(within(t), source(b), nil); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestUploadOffsetsThatCannotBe(t *testing.T) {
	for _, offset := range []string{"", "-1", "0", "5", "2501", "99999999999999999999", "x"} {
		t.Run(fmt.Sprintf("%q", offset), func(t *testing.T) {
			in := newIntake()
			in.patch = func(w http.ResponseWriter, r *http.Request, u *up) bool {
				_, _ = io.Copy(io.Discard, r.Body)
				w.Header().Set("Upload-Offset", offset)
				w.WriteHeader(http.StatusNoContent)
				u.data = u.data[:0]
				return true
			}
			c, _ := dial(t, in, chunks(1000), func(o *Options) { o.GiveUp = 5 * time.Minute })
			_, err := c.Upload(within(t), source(noise(2500)), nil)
			if offset == "5" { // strange, yet possible: a service may take less than it was sent
				if err == nil {
					t.Error("no error though nothing was kept")
				}
				return
			}
			if a, ok := errors.AsType[*AnswerError](err); !ok || !strings.Contains(a.What, "Upload-Offset") {
				t.Errorf("%v, want an error about Upload-Offset", err)
			}
		})
	}
}

func TestUploadThatStandsStill(t *testing.T) {
	b := noise(16 << 20)
	release := make(chan struct{})
	put := first(1, func(w http.ResponseWriter, r *http.Request) {
		<-release // reads nothing: the socket's buffers fill up
		panic(http.ErrAbortHandler)
	}, func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		writeJSON(w, http.StatusCreated, v1.Mix{SHA256: sum(b), Bytes: int64(len(b))})
	})
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut {
			put(w, r)
			return
		}
		problem(v1.NotFound, 0)(w, r)
	})
	c, _ := dial(t, h, func(o *Options) { o.SmallBytes, o.Idle = 1<<30, 300*time.Millisecond })
	t.Cleanup(func() { close(release) }) // before the server is closed
	if _, err := c.Upload(within(t), source(b), nil); err != nil {
		t.Error(err)
	}
}

func TestUploadRefusals(t *testing.T) {
	c, _ := dial(t, newIntake())
	short := source(noise(10))
	short.Size = 20
	odd := source(noise(10))
	odd.SHA256 = "../../etc"
	for name, s := range map[string]Source{"nothing": {}, "shorter than said": short, "no hash": odd} {
		t.Run(name, func(t *testing.T) {
			if _, err := c.Upload(within(t), s, nil); err == nil {
				t.Error("taken")
			}
		})
	}
	if _, err := c.UploadFile(within(t), t.TempDir(), nil); err == nil {
		t.Error("a folder was taken")
	}
}

func TestSubmitPlanHandsInEachFileOnce(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("side.yaml", "side: A\n")
	write("one.wav", "first")
	write("two.wav", "second")
	in := newIntake()
	var got string
	mux := http.NewServeMux()
	mux.Handle("/v1/", in)
	mux.HandleFunc("POST /v1/jobs", func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		got = string(b)
		writeJSON(w, http.StatusCreated, aJob("accepted", 1))
	})
	c, _ := dial(t, mux)
	j, replayed, err := c.SubmitPlan(within(t), SidePlan{Path: filepath.Join(dir, "side.yaml"),
		Names: []string{"one.wav", "./two.wav", "one.wav"}, Submit: v1.Submit{Lane: "bulk"}, Key: "k"})
	if err != nil || j.ID != jobID || replayed {
		t.Fatalf("%+v, %v, %v", j, replayed, err)
	}
	want := `{"lane":"bulk","plan":"side: A\n","files":[{"name":"one.wav","sha256":"` + sum([]byte("first")) +
		`"},{"name":"./two.wav","sha256":"` + sum([]byte("second")) + `"}]}`
	if got != want {
		t.Errorf("submitted\n%s\nwant\n%s", got, want)
	}
	_, _, err = c.SubmitPlan(within(t), SidePlan{Path: filepath.Join(dir, "side.yaml"), Names: []string{"three.wav"}})
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%v, want: there is no three.wav", err)
	}
}

func TestFolderStateRefusesOtherNames(t *testing.T) {
	s := NewFolderState(t.TempDir())
	for _, p := range []string{"", "..", "../x", strings.Repeat("g", 64)} {
		if err := s.Save(p, "x"); err == nil {
			t.Errorf("saved under %q", p)
		}
	}
}
