package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"discsafe/worker/store"
)

func list(t *testing.T, s Subject) {
	ctx := t.Context()
	// '-' and '.' sort before '/', digits after: the order is that of whole keys,
	// not folder by folder.
	all := []string{"a-b", "a.b", "a/1", "a/b-c", "a/b/1", "a/b/2", "a0", "ab/c", "b", "c/d/e/f"}
	shuffled := slices.Clone(all)
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	for _, key := range shuffled {
		put(t, s.Store, key, []byte(key))
	}
	prefixes := []string{"", "a", "a/", "a/b", "a/b/", "a-", "ab", "b", "b/", "c/d", "c/d/e/", "c/d/e/f", "x", "a/b/1", "a/b/1/"}
	afters := append([]string{"", "a", "a/", "a/b", "a/b/", "a/zz", "zzz", "c/d/e/f/", "C", "\xff"}, all...)
	for _, prefix := range prefixes {
		for _, after := range afters {
			for _, limit := range []int{2, 100} {
				want := []string{}
				for _, k := range all {
					if strings.HasPrefix(k, prefix) && k > after && len(want) < limit {
						want = append(want, k)
					}
				}
				got, err := s.Store.List(ctx, prefix, after, limit)
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(want, keys(got)); diff != "" {
					t.Fatalf("prefix %q after %q limit %d (-want +got):\n%s", prefix, after, limit, diff)
				}
				for _, info := range got {
					if info.Size != int64(len(info.Key)) || info.Version != "" || info.SHA256 != "" {
						t.Errorf("listed %+v", info)
					}
				}
			}
		}
	}
}

func listPages(t *testing.T, s Subject) {
	ctx := t.Context()
	const n = 60
	for i := range n {
		if err := s.Store.PutIfAbsent(ctx, fmt.Sprintf("jobs/%02d/record", i), nil); err != nil {
			t.Fatal(err)
		}
	}
	var got []string
	after := ""
	for page := 0; ; page++ {
		infos, err := s.Store.List(ctx, "jobs/", after, 7)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, keys(infos)...)
		if len(infos) < 7 {
			break
		}
		after = infos[len(infos)-1].Key
		// The key the cursor stands on goes, and one behind it comes.
		if err := s.Store.Delete(ctx, after); err != nil {
			t.Fatal(err)
		}
		if err := s.Store.PutIfAbsent(ctx, fmt.Sprintf("jobs/00/%d", page), nil); err != nil {
			t.Fatal(err)
		}
	}
	if len(got) != n || !slices.IsSorted(got) || len(slices.Compact(slices.Clone(got))) != n {
		t.Errorf("pages gave %d keys, want each of %d once in order: %v", len(got), n, got)
	}
	count := 0
	for _, err := range store.All(ctx, s.Store, "jobs/") {
		if err != nil {
			t.Fatal(err)
		}
		count++
	}
	if want := n; count != want { // as many came as went
		t.Errorf("All gave %d, want %d", count, want)
	}
	for range store.All(ctx, s.Store, "jobs/") {
		break
	}
	for _, err := range store.All(ctx, s.Store, "../") {
		wantErr(t, "All of a bad prefix", err, store.ErrKey)
	}
}

// randomOps compares with a map, from a fixed seed.
func randomOps(t *testing.T, s Subject) {
	ctx := t.Context()
	rnd := rand.New(rand.NewPCG(20, 26))
	model := map[string][]byte{}
	versions := map[string]store.Version{}
	names := []string{"a/1", "a/2", "a/b/3", "a/b/4", "c-5", "c.6", "c/7"}
	for i := range 250 {
		key := names[rnd.IntN(len(names))]
		old, there := model[key]
		data := []byte(fmt.Sprintf("%d %s", i, key))
		var err error
		switch op := rnd.IntN(6); op {
		case 0:
			_, err = s.Store.Put(ctx, key, bytes.NewReader(data))
			if there != errors.Is(err, store.ErrExists) {
				t.Fatalf("operation %d: put %s, there %v: %v", i, key, there, err)
			}
		case 1:
			err = s.Store.PutIfAbsent(ctx, key, data)
			if there != errors.Is(err, store.ErrExists) {
				t.Fatalf("operation %d: put if absent %s, there %v: %v", i, key, there, err)
			}
		case 2, 3:
			v := versions[key] // "" if never swapped or deleted
			wins := v != "" && there || v == "" && !there
			_, err = s.Store.Swap(ctx, key, v, data)
			if wins == errors.Is(err, store.ErrConflict) {
				t.Fatalf("operation %d: swap %s from %q, there %v: %v", i, key, v, there, err)
			}
		case 4:
			if err := s.Store.Delete(ctx, key); err != nil {
				t.Fatalf("operation %d: delete: %v", i, err)
			}
			delete(model, key)
			delete(versions, key)
			continue
		case 5:
			got, err := s.Store.List(ctx, "", "", 100)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(sorted(model), keys(got)); diff != "" {
				t.Fatalf("operation %d: list (-want +got):\n%s", i, diff)
			}
			continue
		}
		if err == nil {
			model[key], old = data, data
		}
		if old == nil {
			continue
		}
		got, v, err := store.Read(ctx, s.Store, key)
		if err != nil || !bytes.Equal(got, old) {
			t.Fatalf("operation %d: %s holds %q, want %q; %v", i, key, got, old, err)
		}
		versions[key] = v
	}
}
