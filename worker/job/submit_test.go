package job_test

import (
	"errors"
	"fmt"
	"sort"
	"strings"
	"sync"
	"testing"
	"time"

	"discsafe/worker/job"
)

func TestIDsSortNewestFirst(t *testing.T) {
	b := newBench(t)
	var ids []string
	for range 200 {
		ids = append(ids, b.submit("").ID)
		b.clock.pass(time.Millisecond)
	}
	if !sort.IsSorted(sort.Reverse(sort.StringSlice(ids))) {
		t.Error("IDs made a millisecond apart do not sort newest first")
	}
	for _, id := range ids {
		if !job.ValidID(id) {
			t.Fatalf("%q is not a valid ID", id)
		}
	}
	for _, bad := range []string{"", "../../etc/passwd", strings.ToUpper(ids[0]), ids[0] + "0", ids[0][1:], strings.Repeat("8", 26), strings.Repeat("i", 26)} {
		if job.ValidID(bad) {
			t.Errorf("%q counts as an ID", bad)
		}
		if _, err := b.l.Get(b.ctx, bad); !errors.Is(err, job.ErrUnknown) {
			t.Errorf("Get(%q): %v, want ErrUnknown", bad, err)
		}
	}
}

func TestHundredSubmissionsWithOneKeyMakeOneJob(t *testing.T) {
	b := newBench(t)
	ids := make([]string, 100)
	fresh := 0
	var mu sync.Mutex
	var wg sync.WaitGroup
	for i := range ids {
		wg.Go(func() {
			for {
				r, replayed, err := b.l.Submit(b.ctx, "key", request("north"))
				if errors.Is(err, job.ErrBusy) {
					continue
				}
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				ids[i] = r.ID
				if !replayed {
					fresh++
				}
				mu.Unlock()
				return
			}
		})
	}
	wg.Wait()
	for _, id := range ids {
		if id != ids[0] {
			t.Fatalf("two jobs: %s and %s", ids[0], id)
		}
	}
	if n := len(b.keys("record/")); n != 1 || fresh != 1 {
		t.Errorf("%d records, %d submissions told that theirs was new; want 1 and 1", n, fresh)
	}
	b.clock.pass(6 * 24 * time.Hour)
	if r, replayed, err := b.l.Submit(b.ctx, "key", request("north")); err != nil || !replayed || r.ID != ids[0] {
		t.Errorf("six days later: %v, replayed %v, %v; want the same job", r, replayed, err)
	}
	b.clock.pass(2 * 24 * time.Hour)
	if r, replayed, err := b.l.Submit(b.ctx, "key", request("north")); err != nil || replayed || r.ID == ids[0] {
		t.Errorf("eight days later: replayed %v, %v; want a new job", replayed, err)
	}
}

func TestKeyOfAnotherRequestOrStudio(t *testing.T) {
	b := newBench(t)
	first := b.submit("key")
	other := request("north")
	other.AsTraced = true
	_, _, err := b.l.Submit(b.ctx, "key", other)
	if ke, ok := errors.AsType[*job.KeyError](err); !ok || ke.ID != first.ID {
		t.Errorf("another request under the same key: %v, want *KeyError naming %s", err, first.ID)
	}
	moved := request("north")
	moved.Plan.Key, moved.Trace = "input/plan-again", "00-1-2-3"
	if r, replayed, err := b.l.Submit(b.ctx, "key", moved); err != nil || !replayed || r.ID != first.ID {
		t.Errorf("same content from another place: replayed %v, %v", replayed, err)
	}
	if r, replayed, err := b.l.Submit(b.ctx, "key", request("south")); err != nil || replayed || r.ID == first.ID {
		t.Errorf("same key, another studio: replayed %v, %v; keys belong to studios", replayed, err)
	}
}

// Whatever step of the store fails during a submission, repeating it gives one
// job, and no job is left that nobody would find.
func TestSubmissionBrokenOffAtEveryStep(t *testing.T) {
	for n := 1; ; n++ {
		b := newBench(t)
		b.fault.arm(n)
		_, _, err := b.l.Submit(b.ctx, "key", request("north"))
		hit := b.fault.hit
		b.fault.arm(0)
		if err != nil && !errors.Is(err, errInjected) {
			t.Fatalf("step %d: %v, want the injected error in the chain", n, err)
		}
		r, _, err := b.l.Submit(b.ctx, "key", request("north"))
		if err != nil {
			t.Fatalf("step %d, again: %v", n, err)
		}
		if k := b.keys("record/"); len(k) != 1 {
			t.Fatalf("step %d: records %v", n, k)
		}
		for _, want := range []string{"open/" + r.ID, "studio/north/" + r.ID} {
			if k := b.keys(want); len(k) != 1 {
				t.Errorf("step %d: no marker %s", n, want)
			}
		}
		if path(r) != "accepted/0:submitted" {
			t.Errorf("step %d: history %s", n, path(r))
		}
		if !hit {
			if n < 5 {
				t.Fatalf("only %d steps were seen: the check checks nothing", n)
			}
			return
		}
	}
}

func TestRequestsThatAreRefused(t *testing.T) {
	b := newBench(t)
	for _, c := range []struct {
		name, want string
		change     func(*job.Request)
	}{
		{"studio climbs", "studio", func(r *job.Request) { r.Studio = "../north" }},
		{"no studio", "studio", func(r *job.Request) { r.Studio = "" }},
		{"lane", "lane", func(r *job.Request) { r.Lane = "fast" }},
		{"no inputs", "0 inputs", func(r *job.Request) { r.Inputs = nil }},
		{"name climbs", "plain relative name", func(r *job.Request) { r.Inputs[0].Name = "../one.wav" }},
		{"absolute name", "plain relative name", func(r *job.Request) { r.Inputs[0].Name = "/etc/passwd" }},
		{"unclean name", "plain relative name", func(r *job.Request) { r.Inputs[0].Name = "a/./one.wav" }},
		{"backslash", "plain relative name", func(r *job.Request) { r.Inputs[0].Name = `a\one.wav` }},
		{"nul", "plain relative name", func(r *job.Request) { r.Inputs[0].Name = "one\x00.wav" }},
		{"name of the plan", "stands twice", func(r *job.Request) { r.Inputs[0].Name = "PLAN.yaml" }},
		{"hash", "SHA-256", func(r *job.Request) { r.Inputs[0].SHA256 = "abc" }},
		{"size", "-1 bytes", func(r *job.Request) { r.Inputs[0].Bytes = -1 }},
		{"length", "length_s", func(r *job.Request) { r.LengthS = 1e9 }},
		{"title", "title", func(r *job.Request) { r.Title = strings.Repeat("x", 301) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := request("north")
			c.change(&r)
			_, _, err := b.l.Submit(b.ctx, "", r)
			if re, ok := errors.AsType[*job.RequestError](err); !ok || !strings.Contains(re.Error(), c.want) {
				t.Errorf("got %v, want a *RequestError about %q", err, c.want)
			}
		})
	}
	if k := b.keys(""); len(k) != 0 {
		t.Errorf("refused requests left %v", k)
	}
	_, _, err := b.l.Submit(b.ctx, strings.Repeat("k", 256), request("north"))
	if _, ok := errors.AsType[*job.RequestError](err); !ok {
		t.Errorf("a key of 256 bytes: %v", err)
	}
}

func TestRecordOfAnotherVersionIsRefusedByName(t *testing.T) {
	b := newBench(t)
	for i, body := range []string{
		`{"schema":"discsafe-job/2"}`,
		`{"schema":"discsafe-job/1","id":"%s","state":"accepted","colour":"red"}`,
		`{"schema":"discsafe-job/1","id":"%s","state":"asleep"}`,
		`{"schema":"discsafe-job/1","id":"other","state":"accepted"}`,
		`{"schema":"discsafe-job/1","id":"%s","state":"accepted"} {}`,
		`{`, ``,
	} {
		id := fmt.Sprintf("0%025d", i)
		if strings.Contains(body, "%s") {
			body = fmt.Sprintf(body, id)
		}
		if err := b.store.PutIfAbsent(b.ctx, "record/"+id, []byte(body)); err != nil {
			t.Fatal(err)
		}
		for what, f := range map[string]func() error{
			"Get":    func() error { _, err := b.l.Get(b.ctx, id); return err },
			"Claim":  func() error { _, err := b.l.Claim(b.ctx, id, by("w")); return err },
			"Cancel": func() error { _, err := b.l.Cancel(b.ctx, id, ""); return err },
		} {
			if _, ok := errors.AsType[*job.RecordError](f()); !ok {
				t.Errorf("%s of %q: %v, want *RecordError", what, body, f())
			}
		}
	}
}
