package service

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"
	"discsafe/worker/store/dir"
	"discsafe/worker/store/mem"
)

// shelf is a store with ended jobs, and a clock moved by hand.
type shelf struct {
	t      *testing.T
	now    time.Time
	store  store.Store
	ledger *job.Ledger
	broken string // nothing below this prefix can be removed
}

func newShelf(t *testing.T) *shelf {
	s := &shelf{t: t, now: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	s.store = mem.New(mem.Options{Fault: func(step, key string) error {
		if s.broken != "" && step == "remove" && strings.HasPrefix(key, s.broken) {
			return errors.New("injected")
		}
		return nil
	}})
	var err error
	if s.ledger, err = job.NewLedger(job.Config{Store: s.store, Now: func() time.Time { return s.now }}); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *shelf) end(jobs int) (last string) {
	s.t.Helper()
	sum := strings.Repeat("0a", 32)
	for range jobs {
		r, _, err := s.ledger.Submit(s.t.Context(), "", job.Request{Studio: "north", Plan: job.Input{Name: "plan.yaml", Key: "input/plan", SHA256: sum}, Inputs: []job.Input{{Name: "one.wav", Key: "input/one", SHA256: sum}}})
		if err == nil {
			_, err = s.ledger.Cancel(s.t.Context(), r.ID, "")
		}
		if err != nil {
			s.t.Fatal(err)
		}
		last = r.ID
	}
	return last
}

func (s *shelf) count(dir string) (n int) {
	s.t.Helper()
	for _, err := range store.All(s.t.Context(), s.store, dir) {
		if err != nil {
			s.t.Fatal(err)
		}
		n++
	}
	return n
}

func (s *shelf) retention(keep time.Duration) (r *retention, behind *[]time.Duration, rests *int) {
	behind, rests = new([]time.Duration), new(int)
	return &retention{ledger: s.ledger, keep: keep, now: func() time.Time { return s.now },
		rest:    func(context.Context, time.Duration) { *rests++ },
		behind:  func(d time.Duration) { *behind = append(*behind, d) },
		removed: func(int, int) {}}, behind, rests
}

// A pass goes on until nothing is due, resting after each batch.
func TestRetentionGoesOnUntilNothingIsDue(t *testing.T) {
	s := newShelf(t)
	const jobs = 5*retainBatch + 7
	s.end(jobs)
	s.now = s.now.Add(49 * time.Hour)
	s.end(3)
	r, behind, rests := s.retention(24 * time.Hour)
	n, err := r.pass(t.Context())
	if err != nil || n.jobs != jobs || s.count("ended/") != 3 || *rests != 5 {
		t.Errorf("%+v after %d rests, %v; %d markers left", n, *rests, err, s.count("ended/"))
	}
	if b := *behind; len(b) != 7 || b[0] != 25*time.Hour-time.Minute || b[6] != 0 {
		t.Errorf("told to be behind by %v", b)
	}
	s.now = s.now.Add(15 * 24 * time.Hour)
	if n, err = r.pass(t.Context()); err != nil || n.jobs != 3 || n.tombstones != jobs || s.count("record/") != 3 {
		t.Errorf("two weeks later: %+v, %v; %d records left", n, err, s.count("record/"))
	}
}

// Where jobs are kept for ever, what was deleted by hand still loses its tombstone.
func TestRetentionForEver(t *testing.T) {
	s := newShelf(t)
	if err := s.ledger.Delete(t.Context(), s.end(2), "ann"); err != nil {
		t.Fatal(err)
	}
	s.now = s.now.Add(1000 * 24 * time.Hour)
	r, behind, _ := s.retention(0)
	if n, err := r.pass(t.Context()); err != nil || n.jobs != 0 || n.tombstones != 1 || s.count("record/") != 1 || len(*behind) != 0 {
		t.Errorf("%+v, %v, %d records, behind %v", n, err, s.count("record/"), *behind)
	}
}

// One job that cannot be deleted is told of, again and again, and holds up none.
func TestRetentionGoesOnBehindTrouble(t *testing.T) {
	s := newShelf(t)
	s.broken = "studio/north/" + s.end(1)
	s.now = s.now.Add(2 * time.Hour)
	s.end(3 * retainBatch)
	s.now = s.now.Add(48 * time.Hour)
	r, behind, _ := s.retention(24 * time.Hour)
	var deleted, troubles int
	for range 4 {
		n, err := r.pass(t.Context())
		if deleted += n.jobs; err != nil {
			troubles++
		}
		s.now = s.now.Add(2 * time.Minute)
	}
	if deleted != 3*retainBatch+1 || troubles < 2 || s.count("ended/") != 1 || (*behind)[len(*behind)-1] < 24*time.Hour {
		t.Errorf("%d deleted, %d times trouble, %d left, behind %v", deleted, troubles, s.count("ended/"), *behind)
	}
	s.broken = ""
	for range 2 {
		if _, err := r.pass(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if s.count("ended/") != 0 || s.count("studio/") != 0 {
		t.Error("what broke off is not finished")
	}
}

// Being stopped ends a pass between two batches.
func TestRetentionStops(t *testing.T) {
	s := newShelf(t)
	s.end(3 * retainBatch)
	s.now = s.now.Add(48 * time.Hour)
	r, _, _ := s.retention(24 * time.Hour)
	ctx, stop := context.WithCancel(t.Context())
	r.rest = func(context.Context, time.Duration) { stop() }
	if n, err := r.pass(ctx); !errors.Is(err, context.Canceled) || n.jobs != retainBatch {
		t.Errorf("%+v, %v", n, err)
	}
}

// A service deletes what is past its time when it starts, and says so.
func TestServiceRetains(t *testing.T) {
	t.Parallel()
	o := own(t, t.TempDir())
	o.Worker, o.Limits.RetainDays = false, 2
	disk, err := dir.Open(filepath.Join(o.Data, "store"), dir.Options{Create: true})
	if err != nil {
		t.Fatal(err)
	}
	defer disk.Close()
	s := &shelf{t: t, store: disk}
	if s.ledger, err = job.NewLedger(job.Config{Store: disk, Now: func() time.Time { return s.now }}); err != nil {
		t.Fatal(err)
	}
	s.now = time.Now().Add(-60 * time.Hour)
	old := s.end(1)
	s.now = time.Now()
	young := s.end(1)
	running, _ := run(t, o)
	eventually(t, "the old job is deleted", func() bool {
		_, err := s.ledger.Get(t.Context(), old)
		return errors.Is(err, job.ErrUnknown)
	})
	if _, err := s.ledger.Get(t.Context(), young); err != nil {
		t.Error(err)
	}
	eventually(t, "it is counted", func() bool {
		all, err := running.metrics.Gatherer().Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			if f.GetName() == "discsafe_retention_pass_jobs" {
				return f.GetMetric()[0].GetGauge().GetValue() == 1
			}
		}
		return false
	})
}
