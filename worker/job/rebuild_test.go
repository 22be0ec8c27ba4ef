package job_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

func TestUses(t *testing.T) {
	b := newBench(t)
	submit := func(key string) *job.Record {
		req := request("north")
		req.Plan.Key, req.Inputs[0].Key = "plan/"+key, "mix/"+key
		r, _, err := b.l.Submit(b.ctx, "", req)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	submit("open")
	ended, deleted := submit("ended"), submit("deleted")
	for _, id := range []string{ended.ID, deleted.ID} {
		if _, err := b.l.Cancel(b.ctx, id, ""); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.l.Delete(b.ctx, deleted.ID, ""); err != nil {
		t.Fatal(err)
	}
	want := map[string]bool{"plan/open": true, "mix/open": true, "plan/ended": true, "mix/ended": true}
	uses := func() (map[string]bool, error) {
		n, err := b.l.Rebuild(b.ctx, time.Hour)
		if err != nil || n.Uses == nil {
			return nil, errors.Join(err, n.Unknown)
		}
		got := map[string]bool{}
		for _, key := range []string{"plan/open", "mix/open", "plan/ended", "mix/ended", "plan/deleted", "mix/deleted"} {
			if n.Uses.Has(key) {
				got[key] = true
			}
		}
		return got, nil
	}
	got, err := uses()
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("error %v, (-want +got):\n%s", err, diff)
	}
	// A field this version does not know hides no input; a layout it does not know does.
	data, v, err := store.Read(b.ctx, b.store, "record/"+ended.ID)
	if err != nil {
		t.Fatal(err)
	}
	newer := []byte(strings.Replace(string(data), `"rev"`, `"newer":1,"rev"`, 1))
	if v, err = b.store.Swap(b.ctx, "record/"+ended.ID, v, newer); err != nil {
		t.Fatal(err)
	}
	if got, err := uses(); err != nil || !cmp.Equal(want, got) {
		t.Errorf("with a newer field: %v, %v", got, err)
	}
	for _, bad := range []string{`{`, `{"schema":"discsafe-job/2","request":{}}`, `{"schema":"discsafe-job/1"}`} {
		if v, err = b.store.Swap(b.ctx, "record/"+ended.ID, v, []byte(bad)); err != nil {
			t.Fatal(err)
		}
		var unreadable *job.RecordError
		if got, err := uses(); !errors.As(err, &unreadable) || got != nil {
			t.Errorf("with record %s: %v, %v", bad, got, err)
		}
	}
	// Nor is anything known when the store did not answer for one of them.
	if err := b.store.Delete(b.ctx, "record/"+ended.ID); err != nil {
		t.Fatal(err)
	}
	b.failAt("open", "record/")
	if n, err := b.l.Rebuild(b.ctx, time.Hour); !errors.Is(err, errInjected) || n.Uses != nil {
		t.Errorf("with a store that fails: %+v, %v", n, err)
	}
}
