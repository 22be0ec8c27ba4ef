package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	"discsafe/worker/store"
)

// faultEverywhere lets the first, second, third ... step of each operation fail
// until none is left to fail. Whatever failed: the object is as before or as
// wanted, the cause is in the error, and after Sweep nothing is left over.
func faultEverywhere(t *testing.T, s Subject) {
	small, big := []byte("small"), patternBytes(int(max(s.PartBytes, store.MaxRecordBytes)+300_000))
	for _, op := range []struct {
		name   string
		before []byte // what is there, nil: nothing
		after  []byte // what shall be there, nil: nothing
		do     func(key string, v store.Version) error
		done   error // what a repetition may answer
	}{
		{"put", nil, small, func(key string, _ store.Version) error {
			_, err := s.Store.Put(t.Context(), key, bytes.NewReader(small))
			return err
		}, store.ErrExists},
		{"put-big", nil, big, func(key string, _ store.Version) error {
			_, err := s.Store.Put(t.Context(), key, bytes.NewReader(big))
			return err
		}, store.ErrExists},
		{"put-if-absent", nil, small, func(key string, _ store.Version) error {
			return s.Store.PutIfAbsent(t.Context(), key, small)
		}, store.ErrExists},
		{"swap-new", nil, small, func(key string, _ store.Version) error {
			_, err := s.Store.Swap(t.Context(), key, "", small)
			return err
		}, store.ErrConflict},
		{"swap", []byte("old"), small, func(key string, v store.Version) error {
			_, err := s.Store.Swap(t.Context(), key, v, small)
			return err
		}, store.ErrConflict},
		{"delete", []byte("old"), nil, func(key string, _ store.Version) error {
			return s.Store.Delete(t.Context(), key)
		}, nil},
		{"open", small, small, func(key string, _ store.Version) error {
			_, _, err := store.Read(t.Context(), s.Store, key)
			return err
		}, nil},
		{"open-big", big, big, func(key string, _ store.Version) error {
			info, err := s.Store.Stat(t.Context(), key)
			if err == nil {
				err = store.Verify(t.Context(), s.Store, key, info.Size, patternSum(big))
			}
			return err
		}, nil},
		{"list", small, small, func(key string, _ store.Version) error {
			_, err := s.Store.List(t.Context(), key, "", 10)
			return err
		}, nil},
	} {
		var failed, steps []string
		// nth 0 fails nothing and counts the steps.
		for nth, next := 0, []int(nil); ; nth, next = next[0], next[1:] {
			key := fmt.Sprintf("faults/%s/%d/x", op.name, nth)
			if op.before != nil {
				put(t, s.Store, key, op.before)
			}
			v := store.Version("")
			if op.before != nil && len(op.before) <= store.MaxRecordBytes {
				var err error
				if _, v, err = store.Read(t.Context(), s.Store, key); err != nil {
					t.Fatal(err)
				}
			}
			injected := errors.New("injected")
			var calls, hit atomic.Int64
			var step atomic.Value
			var mu sync.Mutex
			s.SetFault(func(name, _ string) error {
				if nth == 0 {
					mu.Lock()
					defer mu.Unlock()
					steps = append(steps, name)
				} else if calls.Add(1) == int64(nth) {
					hit.Add(1)
					step.Store(name)
					return injected
				}
				return nil
			})
			err := op.do(key, v)
			s.SetFault(nil)
			what := fmt.Sprintf("%s, fault %d at %v", op.name, nth, step.Load())
			if err != nil {
				wantErr(t, what, err, injected)
			}
			now := holds(t, s.Store, key)
			isBefore, isAfter := same(now, op.before), same(now, op.after)
			if !isBefore && !isAfter || err == nil && !isAfter {
				t.Fatalf("%s: error %v, and then %d bytes are there", what, err, len(now))
			}
			if err := op.do(key, v); err != nil && !(isAfter && op.done != nil && errors.Is(err, op.done)) {
				t.Fatalf("%s: done again: %v", what, err)
			}
			if !same(holds(t, s.Store, key), op.after) {
				t.Fatalf("%s: done again, and something else is there", what)
			}
			sweep(t, s)
			if nth == 0 {
				next = worthFailing(steps)
				if err != nil {
					t.Fatalf("%s without a fault: %v", op.name, err)
				}
			} else if hit.Load() == 0 {
				t.Errorf("%s: step %d did not come", op.name, nth)
			} else {
				failed = append(failed, step.Load().(string))
			}
			if len(next) == 0 {
				break
			}
		}
		if len(failed) == 0 {
			t.Errorf("%s: no step could be made to fail: the check checks nothing", op.name)
		}
		t.Logf("%s: %d steps, failed in turn at %v", op.name, len(steps), failed)
	}
}

// worthFailing numbers the steps from 1, and leaves out the middle of long runs
// of the same step.
func worthFailing(steps []string) []int {
	var which []int
	for i, name := range steps {
		inside := i >= 2 && i+1 < len(steps) && steps[i-1] == name && steps[i-2] == name && steps[i+1] == name
		if !inside {
			which = append(which, i+1)
		}
	}
	return which
}

func sweep(t *testing.T, s Subject) {
	t.Helper()
	if _, err := s.Store.(store.Sweeper).Sweep(t.Context()); err != nil {
		t.Fatalf("sweep: %v", err)
	}
	if n := s.Leftovers(); n != 0 {
		t.Fatalf("%d leftovers after sweep", n)
	}
}

func holds(t *testing.T, s store.Store, key string) []byte {
	t.Helper()
	if _, err := s.Stat(t.Context(), key); errors.Is(err, store.ErrNotFound) {
		return nil
	}
	return read(t, s, key)
}

func same(a, b []byte) bool { return (a == nil) == (b == nil) && bytes.Equal(a, b) }
