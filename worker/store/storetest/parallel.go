package storetest

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"testing"

	"discsafe/worker/store"
)

func swapsOneWins(t *testing.T, s Subject) {
	sides := s.sides()
	for _, from := range []string{"absent", "present"} {
		key, old := "jobs/"+from, store.Version("")
		if from == "present" {
			var err error
			if old, err = s.Store.Swap(t.Context(), key, "", []byte("start")); err != nil {
				t.Fatal(err)
			}
		}
		versions := make([]store.Version, 100)
		won := race(t, 100, store.ErrConflict, func(i int) (err error) {
			versions[i], err = sides[i%len(sides)].Swap(t.Context(), key, old, []byte("worker "+strconv.Itoa(i)))
			return err
		})
		if len(won) != 1 {
			t.Fatalf("%s: %d swaps won: %v", from, len(won), won)
		}
		got, v, err := store.Read(t.Context(), s.Store, key)
		if want := "worker " + strconv.Itoa(won[0]); err != nil || string(got) != want || v != versions[won[0]] {
			t.Errorf("%s: %q at %q, want %q at %q; %v", from, got, v, want, versions[won[0]], err)
		}
	}
}

func recordsOneWins(t *testing.T, s Subject) {
	sides := s.sides()
	// All write the same bytes: still one and only one may believe it was first.
	won := race(t, 100, store.ErrExists, func(i int) error {
		return sides[i%len(sides)].PutIfAbsent(t.Context(), "results/manifest", []byte("the same"))
	})
	if len(won) != 1 {
		t.Fatalf("%d records won: %v", len(won), won)
	}
	if n := s.Leftovers(); n != 0 {
		t.Errorf("%d leftovers", n)
	}
}

func putsOneWins(t *testing.T, s Subject) {
	sides := s.sides()
	infos := make([]store.Info, 20)
	won := race(t, len(infos), store.ErrExists, func(i int) (err error) {
		data := bytes.Repeat([]byte{byte(i)}, 300_000+i)
		infos[i], err = sides[i%len(sides)].Put(t.Context(), "results/premaster.wav", bytes.NewReader(data))
		return err
	})
	if len(won) != 1 {
		t.Fatalf("%d puts won: %v", len(won), won)
	}
	sum := sha256.Sum256(read(t, s.Store, "results/premaster.wav"))
	if got := hex.EncodeToString(sum[:]); got != infos[won[0]].SHA256 {
		t.Error("the content is not the winner's")
	}
	if n := s.Leftovers(); n != 0 {
		t.Errorf("%d leftovers", n)
	}
}

// noLostCount: every successful swap counts exactly once.
func noLostCount(t *testing.T, s Subject) {
	const writers, each = 6, 10
	sides := s.sides()
	if _, err := s.Store.Swap(t.Context(), "count", "", []byte("0")); err != nil {
		t.Fatal(err)
	}
	race(t, writers, nil, func(i int) error {
		side := sides[i%len(sides)]
		for n := 0; n < each; {
			data, v, err := store.Read(t.Context(), side, "count")
			if err != nil {
				return err
			}
			count, err := strconv.Atoi(string(data))
			if err != nil {
				return err
			}
			_, err = side.Swap(t.Context(), "count", v, []byte(strconv.Itoa(count+1)))
			switch {
			case err == nil:
				n++
			case !errors.Is(err, store.ErrConflict):
				return err
			}
		}
		return nil
	})
	if got := string(read(t, s.Store, "count")); got != strconv.Itoa(writers*each) {
		t.Errorf("counted %s, want %d", got, writers*each)
	}
}

// deleteAgainstSwap: what is deleted does not come back through a swap that
// had looked before.
func deleteAgainstSwap(t *testing.T, s Subject) {
	sides := s.sides()
	for round := range 10 {
		key := fmt.Sprintf("jobs/%d/record", round)
		v, err := s.Store.Swap(t.Context(), key, "", []byte("start"))
		if err != nil {
			t.Fatal(err)
		}
		race(t, 4, store.ErrConflict, func(i int) error {
			if i == 0 {
				return s.Store.Delete(t.Context(), key)
			}
			_, err := sides[i%len(sides)].Swap(t.Context(), key, v, []byte("worker "+strconv.Itoa(i)))
			return err
		})
		if _, err := s.Store.Stat(t.Context(), key); !errors.Is(err, store.ErrNotFound) {
			t.Fatalf("round %d: deleted, and there again: %v", round, err)
		}
	}
}

// wholeRecords: a reader beside a writer sees one state or another, never a
// piece of each, and never nothing.
func wholeRecords(t *testing.T, s Subject) {
	content := func(n int) []byte { return bytes.Repeat([]byte{byte('a' + n%26)}, 1000+37*n) }
	v, err := s.Store.Swap(t.Context(), "r", "", content(0))
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	var readers sync.WaitGroup
	for _, side := range append(s.sides(), s.Store) {
		readers.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				data, version, err := store.Read(background(t), side, "r")
				if err != nil {
					t.Errorf("read beside swaps: %v", err)
					return
				}
				n := (len(data) - 1000) / 37
				if version == "" || n < 0 || !bytes.Equal(data, content(n)) {
					t.Errorf("read a record of %d bytes that nobody wrote", len(data))
					return
				}
			}
		})
	}
	for n := 1; n <= 40; n++ {
		if v, err = s.Store.Swap(t.Context(), "r", v, content(n)); err != nil {
			t.Errorf("swap %d: %v", n, err)
			break
		}
	}
	close(done)
	readers.Wait()
}
