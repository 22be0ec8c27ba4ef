package mem_test

import (
	"bytes"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"discsafe/worker/store"
	"discsafe/worker/store/mem"
	"discsafe/worker/store/storetest"
)

func TestSuite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Subject {
		var fault atomic.Pointer[store.Fault]
		s := mem.New(mem.Options{Fault: func(step, key string) error {
			if f := fault.Load(); f != nil && *f != nil {
				return (*f)(step, key)
			}
			return nil
		}})
		return storetest.Subject{
			Store:       s,
			SetFault:    func(f store.Fault) { fault.Store(&f) },
			Leftovers:   func() int { return 0 },
			KeysCollide: true,
		}
	})
}

func TestFull(t *testing.T) {
	ctx := t.Context()
	s := mem.New(mem.Options{CapacityBytes: 10})
	if _, err := s.Put(ctx, "a", bytes.NewReader(make([]byte, 11))); !errors.Is(err, store.ErrFull) || !store.Transient(err) {
		t.Errorf("put of 11 bytes in 10: %v", err)
	}
	v, err := s.Swap(ctx, "a", "", make([]byte, 6))
	if err != nil {
		t.Fatal(err)
	}
	if n, known := s.Free(ctx); n != 4 || !known {
		t.Errorf("free %d, %v; want 4", n, known)
	}
	if err := s.PutIfAbsent(ctx, "b", make([]byte, 5)); !errors.Is(err, store.ErrFull) {
		t.Errorf("record of 5 bytes in 4: %v", err)
	}
	if _, err := s.Swap(ctx, "a", v, make([]byte, 11)); !errors.Is(err, store.ErrFull) {
		t.Errorf("swap to 11 bytes: %v", err)
	}
	if _, err := s.Swap(ctx, "a", v, make([]byte, 10)); err != nil {
		t.Errorf("swap to 10 bytes: %v", err)
	}
	if err := s.Delete(ctx, "a"); err != nil {
		t.Fatal(err)
	}
	if n, _ := s.Free(ctx); n != 10 {
		t.Errorf("free %d after delete, want 10", n)
	}
	if _, known := mem.New(mem.Options{}).Free(ctx); known {
		t.Error("a store without capacity knows what is free")
	}
}

func TestModifiedIsTheInjectedClock(t *testing.T) {
	noon := time.Date(2026, 1, 2, 12, 0, 0, 0, time.UTC)
	s := mem.New(mem.Options{Now: func() time.Time { return noon }})
	if err := s.PutIfAbsent(t.Context(), "a", nil); err != nil {
		t.Fatal(err)
	}
	info, err := s.Stat(t.Context(), "a")
	if err != nil || !info.Modified.Equal(noon) {
		t.Errorf("modified %v, %v", info.Modified, err)
	}
}
