package job_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

func TestCancel(t *testing.T) {
	t.Run("waiting", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		r, err := b.l.Cancel(b.ctx, id, "mira")
		if err != nil {
			t.Fatal(err)
		}
		wantPath(t, r, "accepted/0:submitted cancelled/0:cancelled")
		if r.Last().By != "mira" || len(b.keys("open/")) != 0 {
			t.Errorf("by %q, open %v", r.Last().By, b.keys("open/"))
		}
		if _, err := b.l.Cancel(b.ctx, id, "mira"); err != nil {
			t.Errorf("again: %v", err)
		}
	})
	t.Run("running", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		h := b.claim(id, "w1")
		if r, err := b.l.Cancel(b.ctx, id, "mira"); err != nil || r.State != job.Running {
			t.Fatalf("%v %v", r, err)
		}
		if err := h.Beat(b.ctx, job.Progress{}); !errors.Is(err, job.ErrCancelAsked) {
			t.Errorf("beat: %v, want ErrCancelAsked", err)
		}
		if _, err := h.Finish(b.ctx, b.result(h)); !errors.Is(err, job.ErrCancelAsked) {
			t.Errorf("finish: %v, want ErrCancelAsked: the wish came first", err)
		}
		r, err := h.Stop(b.ctx)
		if err != nil {
			t.Fatal(err)
		}
		wantPath(t, r, "accepted/0:submitted running/1:claimed cancelled/1:cancelled")
		if err := b.l.Tidy(b.ctx, r); err != nil || len(b.keys("result/")) != 0 {
			t.Errorf("tidied: %v, left %v", err, b.keys("result/"))
		}
	})
	t.Run("worker gone", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		b.claim(id, "w1")
		if _, err := b.l.Cancel(b.ctx, id, "mira"); err != nil {
			t.Fatal(err)
		}
		b.clock.pass(lease)
		_, err := b.l.Claim(b.ctx, id, by("w2"))
		if over, ok := errors.AsType[*job.OverError](err); !ok || over.State != job.Cancelled || !over.Now {
			t.Errorf("claim: %v, want *OverError, cancelled now", err)
		}
	})
	t.Run("handed back meanwhile", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		h := b.claim(id, "w1")
		if _, err := b.l.Cancel(b.ctx, id, ""); err != nil {
			t.Fatal(err)
		}
		r, err := h.HandBack(b.ctx, job.Because(job.CodeDrain, ""), 0)
		if err != nil || r.State != job.Cancelled {
			t.Errorf("%v %v, want cancelled", r, err)
		}
	})
	t.Run("finished", func(t *testing.T) {
		b := newBench(t)
		id := b.submit("").ID
		h := b.claim(id, "w1")
		if _, err := h.Finish(b.ctx, b.result(h)); err != nil {
			t.Fatal(err)
		}
		for what, f := range map[string]func() error{
			"cancel": func() error { _, err := b.l.Cancel(b.ctx, id, ""); return err },
			"retry":  func() error { _, err := b.l.Retry(b.ctx, id, ""); return err },
		} {
			if err := f(); err == nil {
				t.Errorf("%s of a finished job was taken", what)
			} else if _, ok := errors.AsType[*job.StateError](err); !ok {
				t.Errorf("%s: %v, want *StateError", what, err)
			}
		}
		if k := b.keys("open/"); len(k) != 0 {
			t.Errorf("a refused retry left the mark %v", k)
		}
	})
}

// A result sealed before a retry by hand is not taken for the retry's.
func TestRetryDoesTheWorkAgain(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	h := b.claim(id, "w1")
	if _, err := b.l.Cancel(b.ctx, id, ""); err != nil {
		t.Fatal(err)
	}
	res := b.result(h)
	if err := b.store.PutIfAbsent(b.ctx, "seal/"+id+"/000001", []byte(fmt.Sprintf(
		`{"schema":"discsafe-seal/1","job":%q,"attempt":1,"files":[{"name":"premaster.wav","key":%q,"bytes":5}]}`, id, res.Files[0].Key))); err != nil {
		t.Fatal(err)
	}
	if _, err := h.Stop(b.ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := b.l.Retry(b.ctx, id, ""); err != nil {
		t.Fatal(err)
	}
	if h := b.claim(id, "w2"); h.Attempt != 3 {
		t.Errorf("attempt %d, want 3", h.Attempt)
	}
}

// A seal whose files are missing or cut short counts for nothing.
func TestSealWithoutItsFiles(t *testing.T) {
	for _, size := range []int{5, 6} {
		b := newBench(t)
		id := b.submit("").ID
		h := b.claim(id, "w1")
		res := b.result(h)
		if err := b.store.PutIfAbsent(b.ctx, "seal/"+id+"/000001", []byte(fmt.Sprintf(
			`{"schema":"discsafe-seal/1","job":%q,"attempt":1,"files":[{"name":"premaster.wav","key":%q,"bytes":%d}]}`, id, res.Files[0].Key, size))); err != nil {
			t.Fatal(err)
		}
		if size == 5 {
			if err := b.store.Delete(b.ctx, res.Files[0].Key); err != nil {
				t.Fatal(err)
			}
		}
		b.clock.pass(lease)
		if h := b.claim(id, "w2"); h.Attempt != 2 {
			t.Errorf("attempt %d, want 2", h.Attempt)
		}
	}
}

// A sealed result is not discarded: whoever holds the job now may have found it.
func TestDiscardLeavesSealedResults(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	h := b.claim(id, "w1")
	res := b.result(h)
	b.failAt("rename", "record/") // the seal is there, the last word is not
	if _, err := h.Finish(b.ctx, res); err == nil {
		t.Fatal("the last word was taken")
	}
	b.failAt("", "")
	if err := h.Discard(b.ctx); err != nil {
		t.Fatal(err)
	}
	b.clock.pass(lease)
	_, err := b.l.Claim(b.ctx, id, by("w2"))
	if over, ok := errors.AsType[*job.OverError](err); !ok || over.State != job.Done {
		t.Fatalf("claim: %v, want the sealed result found", err)
	}
	if k := b.keys("result/"); len(k) != 1 {
		t.Errorf("files of the result: %v", k)
	}
}

// The write comes through and only the answer is lost: no error, no second try.
func TestAnswerLostWriteDone(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	b.failAt("sync-dir", "record/")
	h := b.claim(id, "w1")
	if err := h.Beat(b.ctx, job.Progress{}); err != nil {
		t.Errorf("beat: %v", err)
	}
	r, err := h.Finish(b.ctx, b.result(h))
	if err != nil {
		t.Fatal(err)
	}
	wantPath(t, r, "accepted/0:submitted running/1:claimed done/1:done")
	if r.Rev != 4 {
		t.Errorf("written %d times, want 4", r.Rev)
	}
}

// meddled is a store that does something right after a delete.
type meddled struct {
	store.Store
	then func(key string)
}

func (m *meddled) Delete(ctx context.Context, key string) error {
	err := m.Store.Delete(ctx, key)
	if then := m.then; then != nil {
		m.then = nil
		then(key)
	}
	return err
}

// A retry falls between the deletion of the mark and the look after it.
func TestRetryWhileTheMarkIsRemoved(t *testing.T) {
	b := newBench(t)
	id := b.submit("").ID
	m := &meddled{Store: b.store}
	l, err := job.NewLedger(job.Config{Store: m, Now: b.clock.now})
	if err != nil {
		t.Fatal(err)
	}
	m.then = func(string) {
		if _, err := b.l.Retry(b.ctx, id, "mira"); err != nil {
			t.Error(err)
		}
		if err := b.store.Delete(b.ctx, "open/"+id); err != nil { // the late deletion of a slow medium
			t.Error(err)
		}
	}
	if _, err := l.Cancel(b.ctx, id, ""); err != nil {
		t.Fatal(err)
	}
	if r := b.get(id); r.State != job.Accepted || len(b.keys("open/"+id)) != 1 {
		t.Errorf("%s, marks %v; want accepted and marked", r.State, b.keys("open/"))
	}
}
