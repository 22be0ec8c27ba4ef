package service

import (
	"context"
	"slices"
	"testing"
	"time"

	"discsafe/api/client"
	"discsafe/worker/job"
	"discsafe/worker/queue"
)

// Housekeeping takes out the letters of jobs that are dead no more, and leaves
// those that somebody must still decide on.
func TestDecidedLettersAreTakenOut(t *testing.T) {
	t.Parallel()
	o := own(t, t.TempDir())
	o.Worker = false
	s, _ := run(t, o)
	c := dial(t, s.URL(), "", nil)
	plan := client.SidePlan{Path: side(t, t.TempDir(), 1), Names: []string{"one.wav"}}
	// The book of workers that give up at once.
	l, err := job.NewLedger(job.Config{Store: s.store, Now: time.Now, Limits: job.Limits{Crashes: 1}})
	if err != nil {
		t.Fatal(err)
	}
	drop := func() (id string) {
		t.Helper()
		d, err := s.queue.Fetch(t.Context(), time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Drop("crashed: test"); err != nil {
			t.Fatal(err)
		}
		return d.Message().JobID
	}
	// Each has a letter; what became of the job since the worker dropped it?
	made := func(die bool, since func(ctx context.Context, id string) error) string {
		t.Helper()
		if _, _, err := c.SubmitPlan(t.Context(), plan); err != nil {
			t.Fatal(err)
		}
		id := drop()
		if die {
			h, err := l.Claim(t.Context(), id, job.Claimant{Worker: "w", Token: "t", Lease: time.Minute})
			if err != nil {
				t.Fatal(err)
			}
			if r, err := h.Crash(t.Context(), job.Because(job.CodeCrashed, "")); err != nil || r.State != job.Dead {
				t.Fatalf("%+v %v", r, err)
			}
		}
		if since != nil {
			if err := since(t.Context(), id); err != nil {
				t.Fatal(err)
			}
		}
		return id
	}
	dead := made(true, nil)
	made(true, func(ctx context.Context, id string) error { _, err := l.Retry(ctx, id, ""); return err })
	made(true, func(ctx context.Context, id string) error { return l.Delete(ctx, id, "") })
	made(false, func(ctx context.Context, id string) error { _, err := l.Cancel(ctx, id, ""); return err })
	unknown := queue.Message{JobID: "unknown", Studio: "default", Lane: queue.Bulk}
	if err := s.queue.Publish(t.Context(), unknown); err != nil {
		t.Fatal(err)
	}
	for id := ""; id != unknown.JobID; id = drop() { // a job put back to the start may be rung for meanwhile
	}
	if _, err := s.forgetDecided(t.Context()); err != nil {
		t.Fatal(err)
	}
	var left []string
	letters, err := s.queue.Dead(t.Context(), 0, 100)
	for _, l := range letters {
		left = append(left, l.Message.JobID)
	}
	if want := []string{dead, unknown.JobID}; err != nil || !slices.Equal(left, want) {
		t.Errorf("letters of %v, %v; want %v", left, err, want)
	}
}
