package job_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

// done makes a job with a sealed result, from an idempotency key of its own.
func (b *bench) done(key string) *job.Record {
	b.t.Helper()
	r := b.submit(key)
	h := b.claim(r.ID, "w-"+r.ID)
	r, err := h.Finish(b.ctx, b.result(h))
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

// left are the keys that belong to a job, but for its tombstone and that one's marker.
func (b *bench) left(id string) []string {
	return slices.DeleteFunc(b.keys(""), func(k string) bool {
		return !strings.Contains(k, id) || k == "record/"+id || strings.HasPrefix(k, "buried/")
	})
}

// gone fails unless nobody sees the job.
func (b *bench) gone(id string) {
	b.t.Helper()
	_, err := b.l.Get(b.ctx, id)
	var d *job.DeletedError
	if !errors.Is(err, job.ErrUnknown) || !errors.As(err, &d) || d.Studio != "north" {
		b.t.Errorf("a deleted job answers %v", err)
	}
	for _, f := range []job.Filter{{}, {Studio: "north"}, {States: []job.State{job.Accepted}}} {
		p, err := b.l.List(b.ctx, f, "", 0)
		if err != nil || slices.ContainsFunc(p.Jobs, func(r *job.Record) bool { return r.ID == id }) || len(p.Unreadable) > 0 {
			b.t.Errorf("list %+v: %v %v, error %v", f, p.Jobs, p.Unreadable, err)
		}
	}
}

func (b *bench) pass() job.Counts {
	b.t.Helper()
	c := job.Reconciler{Ledger: b.l, Ring: func(context.Context, *job.Record) error { return nil }}
	n, err := c.Pass(b.ctx)
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}

func TestDeleteTakesEverythingButATombstone(t *testing.T) {
	b := newBench(t)
	other := b.done("other")
	r := b.done("key")
	if err := b.l.Delete(b.ctx, r.ID, "ann"); err != nil {
		t.Fatal(err)
	}
	b.gone(r.ID)
	if k := b.left(r.ID); len(k) > 0 {
		t.Errorf("left: %v", k)
	}
	if got := len(b.left(other.ID)); got != 4 { // file, seal, marks of the studio and for retention
		t.Errorf("the other job has %d keys left, want 4: %v", got, b.left(other.ID))
	}
	data, _, err := store.Read(b.ctx, b.store, "record/"+r.ID)
	if err != nil || strings.Contains(string(data), "Night Train") || !strings.Contains(string(data), `"by":"ann"`) {
		t.Errorf("tombstone %s, error %v", data, err)
	}
	if err := b.l.Delete(b.ctx, r.ID, "bob"); err != nil {
		t.Errorf("deleting again: %v", err)
	}
	if err := b.l.Delete(b.ctx, strings.Repeat("7", 26), "bob"); !errors.Is(err, job.ErrUnknown) {
		t.Errorf("deleting what never was: %v", err)
	}
	for what, f := range map[string]func() error{
		"retry":  func() error { _, err := b.l.Retry(b.ctx, r.ID, "ann"); return err },
		"cancel": func() error { _, err := b.l.Cancel(b.ctx, r.ID, "ann"); return err },
		"claim":  func() error { _, err := b.l.Claim(b.ctx, r.ID, by("late")); return err },
	} {
		if err := f(); !errors.Is(err, job.ErrUnknown) {
			t.Errorf("%s of a deleted job: %v", what, err)
		}
	}
}

func TestOnlyEndedJobsAreDeleted(t *testing.T) {
	b := newBench(t)
	r := b.submit("")
	var state *job.StateError
	if err := b.l.Delete(b.ctx, r.ID, "ann"); !errors.As(err, &state) {
		t.Errorf("deleting a waiting job: %v", err)
	}
	h := b.claim(r.ID, "w")
	if err := b.l.Delete(b.ctx, r.ID, "ann"); !errors.As(err, &state) {
		t.Errorf("deleting a running job: %v", err)
	}
	for _, end := range []func() error{
		func() error { _, err := h.Fail(b.ctx, job.Because(job.CodeSound, "")); return err },
		func() error { return b.l.Delete(b.ctx, r.ID, "ann") },
	} {
		if err := end(); err != nil {
			t.Fatal(err)
		}
	}
	b.gone(r.ID)
}

// A key that made a job which was deleted makes no other one while it is
// remembered, and is free afterwards.
func TestKeyOfADeletedJob(t *testing.T) {
	b := newBench(t)
	r := b.done("key")
	if err := b.l.Delete(b.ctx, r.ID, "ann"); err != nil {
		t.Fatal(err)
	}
	var deleted *job.DeletedError
	if _, _, err := b.l.Submit(b.ctx, "key", request("north")); !errors.As(err, &deleted) || deleted.ID != r.ID {
		t.Errorf("the key again: %v", err)
	}
	other := request("north")
	other.Side = "B"
	var reused *job.KeyError
	if _, _, err := b.l.Submit(b.ctx, "key", other); !errors.As(err, &reused) {
		t.Errorf("the key for something else: %v", err)
	}
	if open := b.keys("open/"); len(open) > 0 {
		t.Errorf("marks of open jobs: %v", open)
	}
	b.clock.pass(7*24*time.Hour + time.Minute)
	again, replayed, err := b.l.Submit(b.ctx, "key", request("north"))
	if err != nil || replayed || again.ID == r.ID {
		t.Errorf("the key after its time: %+v, replayed %v, error %v", again, replayed, err)
	}
}

// Wherever a deletion breaks off, the job is either whole or gone for everybody,
// and one pass of the reconciler, a restart or the same call finishes it.
func TestDeleteBreaksOffAnywhere(t *testing.T) {
	finishers := map[string]func(*bench, string) error{
		"reconciler": func(b *bench, id string) error { b.pass(); return nil },
		"rebuild": func(b *bench, id string) error {
			// Even if the marker was lost.
			if err := b.store.Delete(b.ctx, "open/"+id); err != nil {
				return err
			}
			_, err := b.l.Rebuild(b.ctx, time.Hour)
			return err
		},
		"again": func(b *bench, id string) error { return b.l.Delete(b.ctx, id, "ann") },
	}
	for name, finish := range finishers {
		t.Run(name, func(t *testing.T) {
			whole, buried := 0, 0
			for n := 1; ; n++ {
				b := newBench(t)
				r := b.done("key")
				before := b.left(r.ID)
				b.fault.arm(n)
				err := b.l.Delete(b.ctx, r.ID, "ann")
				hit := b.fault.hit
				b.fault.arm(0)
				if !hit {
					if n < 8 || whole == 0 || buried == 0 {
						t.Fatalf("only %d steps, whole after %d, gone after %d: the faults met nothing", n, whole, buried)
					}
					return
				}
				if _, get := b.l.Get(b.ctx, r.ID); get == nil {
					whole++
					if err == nil {
						t.Fatalf("step %d: deleting reports success and the job is there", n)
					}
					b.pass() // takes back the mark
					if diff := cmp.Diff(before, b.left(r.ID)); diff != "" {
						t.Fatalf("step %d: the job is there, but not whole:\n%s", n, diff)
					}
					if name != "again" {
						continue // nobody else may delete what is not yet deleted
					}
				} else {
					buried++
					b.gone(r.ID)
				}
				if err := finish(b, r.ID); err != nil {
					t.Fatalf("step %d: %v", n, err)
				}
				b.gone(r.ID)
				if k := b.left(r.ID); len(k) > 0 {
					t.Fatalf("step %d: left after finishing: %v", n, k)
				}
			}
		})
	}
}

// A worker that slept through the end, the retry and the deletion of its job
// finds itself fenced; what it still wrote is removed with the tombstone.
func TestLateWorkerOfADeletedJob(t *testing.T) {
	b := newBench(t)
	r := b.submit("")
	late := b.claim(r.ID, "late")
	b.clock.pass(2 * lease)
	h := b.claim(r.ID, "quick")
	if _, err := h.Fail(b.ctx, job.Because(job.CodeSound, "")); err != nil {
		t.Fatal(err)
	}
	if err := b.l.Delete(b.ctx, r.ID, "ann"); err != nil {
		t.Fatal(err)
	}
	var fenced *job.FencedError
	if err := late.Beat(b.ctx, job.Progress{}); !errors.As(err, &fenced) {
		t.Errorf("beat: %v", err)
	}
	if _, err := late.Finish(b.ctx, b.result(late)); !errors.As(err, &fenced) {
		t.Errorf("finish: %v", err)
	}
	if k := b.left(r.ID); len(k) != 1 {
		t.Errorf("keys of the late worker: %v, want its file", k)
	}
	if n, err := b.l.Rebuild(b.ctx, time.Hour); err != nil || n.Tombstones != 1 {
		t.Errorf("rebuild: %+v, %v", n, err)
	}
	if k := b.left(r.ID); len(k) > 0 {
		t.Errorf("left: %v", k)
	}
	b.gone(r.ID)
	b.clock.pass(15 * 24 * time.Hour)
	if _, err := b.l.Rebuild(b.ctx, time.Hour); err != nil {
		t.Fatal(err)
	}
	if k := append(b.keys("record/"), b.keys("buried/")...); len(k) > 0 {
		t.Errorf("tombstones after their time: %v", k)
	}
}

func TestKinds(t *testing.T) {
	plain := request("north")
	named, analyse := plain, plain
	named.Kind, analyse.Kind = job.Prepare, job.Analyse
	if plain.Fingerprint() != named.Fingerprint() {
		t.Error("preparing said in words has another fingerprint")
	}
	// Of this request as a version without kinds computed it.
	const before = "aab7670ac263fcfdb7ebf6791252af82e91b5710840c14836ff7c4cbcabd04da"
	if got := plain.Fingerprint(); got != before {
		t.Errorf("fingerprint %s, want %s as before there were kinds", got, before)
	}
	if plain.Fingerprint() == analyse.Fingerprint() {
		t.Error("analysing has the fingerprint of preparing")
	}
	b := newBench(t)
	r, _, err := b.l.Submit(b.ctx, "", named)
	if err != nil || r.Request.Kind != "" || r.Request.Makes() != job.Prepare {
		t.Errorf("preparing said in words: %+v, error %v", r, err)
	}
	if r, _, err = b.l.Submit(b.ctx, "", analyse); err != nil || b.get(r.ID).Request.Makes() != job.Analyse {
		t.Errorf("analysing: %+v, error %v", r, err)
	}
	arrange := plain
	arrange.Kind = job.Arrange
	if r, _, err = b.l.Submit(b.ctx, "", arrange); err != nil || b.get(r.ID).Request.Makes() != job.Arrange || r.Request.Prepares() || arrange.Fingerprint() == plain.Fingerprint() {
		t.Errorf("arranging: %+v, error %v", r, err)
	}
	var bad *job.RequestError
	analyse.AsTraced = true
	if _, _, err := b.l.Submit(b.ctx, "", analyse); !errors.As(err, &bad) {
		t.Errorf("analysing with sound: %v", err)
	}
	plain.Kind = "cut"
	if _, _, err := b.l.Submit(b.ctx, "", plain); !errors.As(err, &bad) {
		t.Errorf("an unknown kind: %v", err)
	}
}
