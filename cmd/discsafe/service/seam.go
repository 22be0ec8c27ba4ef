package service

import (
	"context"
	"encoding/json"
	"io"
	"strings"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

// apiStore is the store as the API's ledger and intake see it: what they write
// is counted, and moments are told of in tests of crashes.
func (s *Service) apiStore() store.Store { return &seam{Store: s.store, s: s} }

type seam struct {
	store.Store
	s *Service
}

// told passes a moment on after which a killed API must have lost nothing.
func (m *seam) told(step string) {
	if f := m.s.o.APIStep; f != nil {
		f(step)
	}
}

// Put implements store.Store. "stored": the bytes of a mix are safe.
func (m *seam) Put(ctx context.Context, key string, r io.Reader) (store.Info, error) {
	info, err := m.Store.Put(ctx, key, r)
	if err == nil && strings.HasPrefix(key, "mix/") {
		m.told("stored")
	}
	return info, err
}

// Swap implements store.Store. "recorded": a job is accepted, and its bell has
// not been rung.
func (m *seam) Swap(ctx context.Context, key string, old store.Version, data []byte) (store.Version, error) {
	v, err := m.Store.Swap(ctx, key, old, data)
	if err != nil || !strings.HasPrefix(key, "record/") {
		return v, err
	}
	var r job.Record
	if json.Unmarshal(data, &r) == nil {
		m.count(&r, old == "")
	}
	if old == "" {
		m.told("recorded")
	}
	return v, nil
}

// count tells the metrics of what happens to jobs without a worker, and the log
// of ends: no worker will.
func (m *seam) count(r *job.Record, fresh bool) {
	switch {
	case fresh:
		m.s.metrics.Accepted(r.Request.Lane)
	case r.State == job.Cancelled && r.Deleted == nil:
		m.s.metrics.Ended(r)
		last := r.Last()
		m.s.log.Info("job "+string(r.State), "job", r.ID, "studio", r.Request.Studio, "by", last.By, "reason", last.Code, "trace", r.Request.Trace)
	}
}
