package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"discsafe/api"
	"discsafe/worker/roster"
	"discsafe/worker/store"
	"discsafe/worker/volume"
)

// health is what probes are answered from, so that a probe costs nothing and
// cannot be used to load the store.
type health struct {
	mu      sync.Mutex
	version store.Version // of the record that probes writing
	storeBy error         // why the store could not be written when last tried
	ringBy  error         // why the broker did not answer when last asked
}

// healthDir begins the keys of the records that probes write.
const healthDir = "health/"

// StoreKeys are the beginnings of the keys that a service keeps in its store
// beside the ledger's, for job.AuditOptions. The last part of a hashed key is the
// SHA-256 of what it holds.
func StoreKeys() (named, hashed []string) {
	named, hashed = api.StoreKeys()
	return slices.Concat(named, roster.StoreKeys(), []string{healthDir, walkKey}), hashed
}

// probeTime bounds one try to write.
const probeTime = 10 * time.Second

// probeStore writes a small record. Each process has one of its own.
func (h *health) probeStore(ctx context.Context, s store.Store, name string) error {
	ctx, cancel := context.WithTimeout(ctx, probeTime)
	defer cancel()
	data, err := json.Marshal(map[string]time.Time{"at": time.Now().UTC()})
	if err != nil {
		return err
	}
	h.mu.Lock()
	old := h.version
	h.mu.Unlock()
	v, err := s.Swap(ctx, healthDir+name, old, data)
	if errors.Is(err, store.ErrConflict) {
		// An answer was lost, or somebody tidied up: take what is there.
		if _, v, err = store.Read(ctx, s, healthDir+name); errors.Is(err, store.ErrNotFound) {
			v, err = "", nil
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if err == nil {
		h.version = v
	}
	h.storeBy = err
	return err
}

// probeStore tries whether the store takes a record, and tells the metrics how
// long that took.
func (s *Service) probeStore(ctx context.Context) error {
	began := time.Now()
	err := s.health.probeStore(ctx, s.store, s.name)
	if ctx.Err() == nil {
		s.metrics.Wrote("store", time.Since(began), err)
	}
	return err
}

// probeFolder returns the step that tries whether a folder can be written, and
// how fast. A write that hangs with its medium is waited for once more at each
// step, and counts as refused meanwhile.
func (s *Service) probeFolder(name, dir string) func(context.Context) error {
	var began time.Time
	var ended chan error // nil: none is under way
	return func(ctx context.Context) error {
		if ended == nil {
			began, ended = time.Now(), make(chan error, 1)
			go func(to chan<- error) { to <- volume.TryWrite(dir) }(ended)
		}
		within := time.NewTimer(probeTime)
		defer within.Stop()
		var err error
		select {
		case <-ctx.Done():
			return nil
		case err = <-ended:
			ended = nil
		case <-within.C:
			err = fmt.Errorf("the folder %s does not answer", dir)
		}
		s.metrics.Wrote(name, time.Since(began), err)
		return err
	}
}

// leave removes the record.
func (h *health) leave(s store.Store, name string) error {
	ctx, cancel := context.WithTimeout(context.Background(), probeTime)
	defer cancel()
	return s.Delete(ctx, healthDir+name)
}

func (h *health) rang(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ringBy = err
}

func (h *health) now() (storeBy, ringBy error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.storeBy, h.ringBy
}

var (
	errDraining = errors.New("the service is stopping")
	errUnsynced = errors.New("the broker is away, or acknowledges before its disk has the message")
	errNoWorker = errors.New("the worker does not run")
)

// Ready returns nil if the service can do all it is there for.
func (s *Service) Ready(context.Context) error {
	storeBy, ringBy := s.health.now()
	switch {
	case s.draining.Load():
		return errDraining
	case storeBy != nil:
		return storeBy
	case ringBy != nil:
		return ringBy
	case !s.queue.Synced() && !s.o.Broker.AllowUnsyncedBroker:
		return errUnsynced
	case s.worker != nil && !s.working.Load():
		return errNoWorker
	}
	if s.worker != nil && s.server == nil {
		if t := s.worker.Status().Trouble; t != "" {
			return errors.New(t)
		}
	}
	return nil
}

// probeHandler answers on the address for probes. It tells nothing about jobs.
func (s *Service) probeHandler() http.Handler {
	mux := http.NewServeMux()
	answer := func(w http.ResponseWriter, status int, text string) {
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Cache-Control", "no-store")
		w.WriteHeader(status)
		// A prober that has gone cannot be told so.
		_ = json.NewEncoder(w).Encode(map[string]string{"status": text})
	}
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { answer(w, http.StatusOK, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		if err := s.Ready(r.Context()); err != nil {
			answer(w, http.StatusServiceUnavailable, err.Error())
			return
		}
		answer(w, http.StatusOK, "ready")
	})
	mux.Handle("GET /metrics", s.metrics.Handler())
	return mux
}
