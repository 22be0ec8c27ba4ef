package intake

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

var errKilled = errors.New("killed")

// A process killed between the last byte and its answer loses nothing: whichever
// of HEAD, empty PATCH or Sweep comes first in the next process finishes it.
func TestCrashWhileFinishingIsHealed(t *testing.T) {
	type crash struct {
		name string
		set  func(h *house)
	}
	var crashes []crash
	for _, step := range []string{"hashed", "stored", "recorded", "noted"} {
		crashes = append(crashes, crash{step, func(h *house) {
			h.in.fault = func(s string) error {
				if s == step {
					return errKilled
				}
				return nil
			}
		}})
	}
	for _, key := range []string{"mix/", "mixinfo/"} {
		for _, step := range []string{"create", "write", "sync", "link", "sync-dir"} {
			crashes = append(crashes, crash{key + step, func(h *house) {
				f := store.Fault(func(s, k string) error {
					if s == step && strings.HasPrefix(k, key) {
						return &store.Error{Kind: store.ErrUnavailable, Err: errKilled}
					}
					return nil
				})
				h.fault.Store(&f)
			}})
		}
	}
	for _, c := range crashes {
		for _, heal := range []string{"head", "patch", "sweep"} {
			t.Run(c.name+", "+heal, func(t *testing.T) {
				h := newHouse(t, nil)
				where := h.create(len(wavFile), "Upload-Metadata", metadata("filename", "a.wav"))
				c.set(h)
				if a := h.patch(where, 0, wavFile); a.StatusCode < 500 {
					t.Fatalf("said %d before it was durable", a.StatusCode)
				}
				h.fault.Store(nil)
				h.restart()
				switch heal {
				case "sweep":
					if _, err := h.in.Sweep(t.Context()); err != nil {
						t.Fatal(err)
					}
					fallthrough
				case "head":
					if a := h.head(where); a.StatusCode != 200 || a.Header.Get(MixHeader) != shaOf(wavFile) {
						t.Errorf("head: %d %v", a.StatusCode, a.Header)
					}
				case "patch":
					if a := h.patch(where, len(wavFile), ""); a.StatusCode != 204 || a.Header.Get(MixHeader) != shaOf(wavFile) {
						t.Errorf("patch: %d %s", a.StatusCode, a.body)
					}
				}
				h.holds("north", wavFile)
				if m, err := h.in.Find(t.Context(), "north", shaOf(wavFile)); err != nil || m.Audio == nil || m.Name != "a.wav" {
					t.Errorf("found %+v, %v", m, err)
				}
				for range 2 { // the upload's files, then, later, its note
					if _, err := h.in.Sweep(t.Context()); err != nil {
						t.Fatal(err)
					}
					h.shift.Add(int64(2 * time.Hour))
				}
				if files := h.files(); len(files) != 0 {
					t.Errorf("left behind: %v", files)
				}
			})
		}
	}
}

// A put whose answer was lost, at any step of the store, is simply repeated.
func TestCrashWhilePuttingIsRepeated(t *testing.T) {
	for _, key := range []string{"mix/", "mixinfo/"} {
		for _, step := range []string{"create", "write", "sync", "link", "sync-dir"} {
			t.Run(key+step, func(t *testing.T) {
				h := newHouse(t, nil)
				f := store.Fault(func(s, k string) error {
					if s == step && strings.HasPrefix(k, key) {
						return &store.Error{Kind: store.ErrUnavailable, Err: errKilled}
					}
					return nil
				})
				h.fault.Store(&f)
				if a := h.put(asStudio, wavFile); a.StatusCode != 503 {
					t.Fatalf("%d %s", a.StatusCode, a.body)
				}
				h.fault.Store(nil)
				if a := h.put(asStudio, wavFile); a.StatusCode != 200 && a.StatusCode != 201 {
					t.Fatalf("again: %d %s", a.StatusCode, a.body)
				}
				h.holds("north", wavFile)
			})
		}
	}
}

// What a kill can leave of a creation is not an upload, and goes.
func TestTornCreationIsSwept(t *testing.T) {
	h := newHouse(t, nil)
	folder := filepath.Join(h.opt.Spool, tusDir, "north")
	if err := os.MkdirAll(folder, dirMode); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-2 * leftover)
	id := func(n int) string { return fmt.Sprintf("north.%032x", n) }
	for name, content := range map[string]string{
		id(1): "", id(2): "", id(2) + ".info": `{"ID":"north`, id(3) + ".info": fmt.Sprintf(`{"ID":%q,"Size":3}`, id(3)), id(4) + ".lock": "",
	} {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, []byte(content), fileMode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
	}
	for n := range 4 {
		if a := h.head("/v1/uploads/" + id(n+1)); a.StatusCode != 404 {
			t.Errorf("%d: %d", n+1, a.StatusCode)
		}
	}
	if n, err := h.in.Sweep(t.Context()); n != 3 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
	if files := h.files(); len(files) != 0 {
		t.Errorf("left behind: %v", files)
	}
}

func TestSweepOfMixes(t *testing.T) {
	used := map[string]bool{}
	h := newHouse(t, nil)
	if n, err := h.in.Sweep(t.Context()); n != 0 || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
	for _, c := range []string{"used", "wanted", "again", "stale"} {
		h.put(asStudio, c)
	}
	h.put(asOther, "used") // the same bytes, of another studio
	// Bytes whose record a crash left out.
	if _, err := h.store.Put(t.Context(), Key("north", shaOf("bare")), strings.NewReader("bare")); err != nil {
		t.Fatal(err)
	}
	used[Key("north", shaOf("used"))] = true
	h.shift.Add(int64(29 * 24 * time.Hour))
	if _, err := h.in.Find(t.Context(), "north", shaOf("wanted")); err != nil {
		t.Fatal(err)
	}
	h.put(asStudio, "again")
	h.shift.Add(int64(2 * 24 * time.Hour))
	uses := func(key string) bool { return used[key] }
	if n, err := h.in.SweepMixes(t.Context(), uses, h.now().Add(-2*24*time.Hour)); n != 0 || err != nil {
		t.Fatalf("swept %d, %v by what was known two days ago", n, err)
	}
	if n, err := h.in.SweepMixes(t.Context(), uses, h.now()); n != 3 || err != nil {
		t.Errorf("swept %d, %v, want stale, bare and the other studio's", n, err)
	}
	for _, c := range []string{"used", "wanted", "again"} {
		h.holds("north", c)
	}
	for studio, c := range map[string]string{"north": "stale", "south": "used"} {
		var p *v1.Problem
		if _, err := h.in.Find(t.Context(), studio, shaOf(c)); !errors.As(err, &p) || p.Code != string(v1.MixMissing) {
			t.Errorf("%s of %s: %v", c, studio, err)
		}
	}
	for info, err := range store.All(t.Context(), h.store, "mix") {
		if err != nil || strings.Contains(info.Key, shaOf("stale")) || strings.Contains(info.Key, shaOf("bare")) {
			t.Errorf("left: %s, %v", info.Key, err)
		}
	}
}

// Deleting and handing in again meet: whoever was told that the mix is here
// finds it.
func TestSweepAgainstHandingInAgain(t *testing.T) {
	h := newHouse(t, nil)
	h.put(asStudio, "x")
	h.shift.Add(int64(31 * 24 * time.Hour))
	none := func(string) bool { return false }
	asOf := h.now()
	// Wanted between the look at what is used and the deletion, which comes when even
	// that is long ago.
	if _, err := h.in.Find(t.Context(), "north", shaOf("x")); err != nil {
		t.Fatal(err)
	}
	h.shift.Add(int64(31 * 24 * time.Hour))
	if n, err := h.in.SweepMixes(t.Context(), none, asOf); n != 0 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
	h.holds("north", "x")
	// A sweeper that died half way keeps others out until the next takes over.
	rec, version, err := h.in.load(t.Context(), "north", shaOf("x"))
	if err != nil {
		t.Fatal(err)
	}
	rec.Deleting = h.now()
	if err := h.in.save(t.Context(), rec, version); err != nil {
		t.Fatal(err)
	}
	if a := h.put(asStudio, "x"); a.StatusCode != 503 || a.Header.Get("Retry-After") == "" {
		t.Errorf("put while deleting: %d", a.StatusCode)
	}
	if a := h.do("GET", "/v1/mixes/"+shaOf("x"), asStudio, nil); a.StatusCode != 404 {
		t.Errorf("get while deleting: %d", a.StatusCode)
	}
	if n, err := h.in.SweepMixes(t.Context(), none, h.now()); n != 0 || err != nil {
		t.Errorf("swept %d, %v beside another sweeper", n, err)
	}
	h.shift.Add(int64(2 * leftover))
	if n, err := h.in.SweepMixes(t.Context(), none, h.now()); n != 1 || err != nil {
		t.Errorf("swept %d, %v", n, err)
	}
	if a := h.put(asStudio, "x"); a.StatusCode != 201 {
		t.Errorf("put after deleting: %d %s", a.StatusCode, a.body)
	}
	h.holds("north", "x")
}
