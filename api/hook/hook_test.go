package hook_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"discsafe/api/hook"
	v1 "discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestHookOfAnEndedJobIsTold(t *testing.T) {
	b := newBench(t)
	o := b.options()
	o.Base = "https://discsafe.example/"
	h := hook.New(o)
	id := b.submit()
	b.add(h, id)
	b.pass(h, 0)
	h.Nudge(id) // somebody errs
	b.pass(h, 0)
	if len(b.heard()) != 0 {
		t.Fatal("told before the job ended")
	}
	b.clock.pass(time.Minute)
	b.end(id)
	r, err := b.l.Get(b.ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	b.pass(h, 1)
	b.pass(h, 0)
	all := b.heard()
	if len(all) != 1 || b.kept() != 0 {
		t.Fatalf("%d requests, %d hooks kept", len(all), b.kept())
	}
	b.wantTold(hook.Sent)
	g := all[0]
	if err := hook.Verify(secret, g.header, g.body, b.clock.now()); err != nil {
		t.Error(err)
	}
	if g.uri != "/told/pathsecret?key=querysecret" || g.header.Get("Content-Type") != "application/json" {
		t.Errorf("%s %v", g.uri, g.header)
	}
	want := fmt.Sprintf(`{"type":"job.ended","timestamp":%q,"data":{"id":%q,"state":"cancelled","reason":"cancelled","rev":%d,"href":"https://discsafe.example/v1/jobs/%s"}}`,
		r.Ended.Format(time.RFC3339Nano), id, r.Rev, id)
	if string(g.body) != want {
		t.Errorf("body %s\nwant %s", g.body, want)
	}
	if strings.Contains(b.log.String(), "secret") || strings.Contains(b.log.String(), "/told") {
		t.Errorf("the log shows more than the host:\n%s", b.log.String())
	}
}

func TestVerdictIsTold(t *testing.T) {
	b := newBench(t)
	id := b.submit()
	o := b.options()
	o.Ledger = ledger(func(string) (*job.Record, error) {
		return &job.Record{ID: id, State: job.Done, Rev: 7, Ended: b.clock.now(), Result: &job.Result{Verdict: "attention"}}, nil
	})
	h := hook.New(o)
	b.add(h, id)
	h.Nudge(id) // its marker says that it is open
	b.pass(h, 1)
	var m hook.Message
	if err := json.Unmarshal(b.heard()[0].body, &m); err != nil {
		t.Fatal(err)
	}
	if want := (hook.Data{ID: id, State: "done", Verdict: "attention", Rev: 7, Href: "/v1/jobs/" + id}); m.Data != want {
		t.Errorf("%+v, want %+v", m.Data, want)
	}
}

type ledger func(id string) (*job.Record, error)

func (l ledger) Decided(context.Context, time.Duration) ([]string, error) { return nil, nil }

func (l ledger) Get(_ context.Context, id string) (*job.Record, error) { return l(id) }

// TestRepeatedWithTheSameID holds the whole schedule, to giving up.
func TestRepeatedWithTheSameID(t *testing.T) {
	b := newBench(t)
	b.say(status(http.StatusInternalServerError))
	h := b.hooks()
	id := b.submit()
	b.add(h, id)
	b.end(id)
	waits := []time.Duration{10 * time.Second, time.Minute, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour}
	for i, w := range waits {
		b.pass(h, 0)
		if got := len(b.heard()); got != i+1 {
			t.Fatalf("after wait %d: %d requests", i, got)
		}
		b.clock.pass(w - time.Second)
		b.pass(h, 0)
		if got := len(b.heard()); got != i+1 {
			t.Fatalf("told again %v early", time.Second)
		}
		b.clock.pass(time.Second)
	}
	b.pass(h, 0)
	b.clock.pass(48 * time.Hour)
	b.pass(h, 0)
	all := b.heard()
	if len(all) != 9 || b.kept() != 0 {
		t.Fatalf("%d requests, %d kept", len(all), b.kept())
	}
	b.wantTold(append(slices.Repeat([]string{hook.Retry}, 8), hook.GivenUp)...)
	if !strings.Contains(b.log.String(), "given up") {
		t.Error("giving up is not in the log")
	}
	for _, g := range all[1:] {
		if g.header.Get(hook.HeaderID) != all[0].header.Get(hook.HeaderID) || string(g.body) != string(all[0].body) {
			t.Errorf("id or body changed: %s %s", g.header.Get(hook.HeaderID), g.body)
		}
		if g.header.Get(hook.HeaderTimestamp) == all[0].header.Get(hook.HeaderTimestamp) {
			t.Error("the time is not that of the try")
		}
	}
}

func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		name   string
		answer func(http.ResponseWriter, *http.Request)
		result string
		kept   int
		after  time.Duration // when it is tried again
	}{
		{"200", status(200), hook.Sent, 0, 0},
		{"204", status(204), hook.Sent, 0, 0},
		{"410", status(410), hook.Gone, 0, 0},
		{"404", status(404), hook.Retry, 1, 10 * time.Second},
		{"503, later", func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Retry-After", "120"); w.WriteHeader(503) }, hook.Retry, 1, 2 * time.Minute},
		{"429, at once", func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Retry-After", "0"); w.WriteHeader(429) }, hook.Retry, 1, 10 * time.Second},
		{"429, next year", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "31536000")
			w.WriteHeader(429)
		}, hook.Retry, 1, 24 * time.Hour},
		{"cut off", func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, hook.Retry, 1, 30 * time.Second}, // the host rests longer
		{"endless body", func(w http.ResponseWriter, r *http.Request) {
			for {
				if _, err := io.WriteString(w, strings.Repeat("x", 1<<16)); err != nil || r.Context().Err() != nil {
					return
				}
			}
		}, hook.Sent, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.say(c.answer)
			h := b.hooks()
			id := b.submit()
			b.add(h, id)
			b.end(id)
			sent := 0
			if c.result == hook.Sent {
				sent = 1
			}
			began := time.Now()
			b.pass(h, sent)
			if took := time.Since(began); took > 8*time.Second {
				t.Errorf("a try took %v: it waited for the end of the body", took)
			}
			b.wantTold(c.result)
			if strings.Contains(b.log.String(), "secret") || strings.Contains(b.log.String(), "/told") {
				t.Errorf("the log shows more than the host:\n%s", b.log.String())
			}
			if b.kept() != c.kept {
				t.Fatalf("%d kept", b.kept())
			}
			if c.kept == 0 {
				return
			}
			b.say(nil)
			b.clock.pass(c.after - time.Second)
			b.pass(h, 0)
			b.clock.pass(time.Second)
			b.pass(h, 1)
		})
	}
}

// TestCrashBetweenSendingAndNoting: the hook comes again, under the same id,
// from another process, once the lease is over.
func TestCrashBetweenSendingAndNoting(t *testing.T) {
	b := newBench(t)
	first := b.hooks()
	id := b.submit()
	b.add(first, id)
	b.end(id)
	b.failAt(func(step, key string) error {
		if strings.HasPrefix(key, "hook/") && len(b.got) > 0 { // nothing is written after sending
			return fmt.Errorf("%w: %s", errInjected, step)
		}
		return nil
	})
	if n, err := first.Pass(b.ctx); n != 1 || !errors.Is(err, errInjected) {
		t.Fatalf("sent %d, %v", n, err)
	}
	b.failAt(nil)
	second := b.hooks()
	b.pass(second, 0)
	if len(b.heard()) != 1 {
		t.Fatal("told again under the lease of another")
	}
	b.clock.pass(time.Minute)
	b.pass(second, 1)
	all := b.heard()
	if len(all) != 2 || all[0].header.Get(hook.HeaderID) != all[1].header.Get(hook.HeaderID) || b.kept() != 0 {
		t.Fatalf("%d requests, %d kept", len(all), b.kept())
	}
}

// TestProcessThatSentItDoesNotSendAgain: only deleting is repeated.
func TestProcessThatSentItDoesNotSendAgain(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	id := b.submit()
	b.add(h, id)
	b.end(id)
	b.failAt(func(step, key string) error {
		if strings.HasPrefix(key, "hook/") && len(b.got) > 0 {
			return errInjected
		}
		return nil
	})
	if n, err := h.Pass(b.ctx); n != 1 || !errors.Is(err, errInjected) {
		t.Fatalf("sent %d, %v", n, err)
	}
	b.failAt(nil)
	b.clock.pass(2 * time.Minute)
	b.pass(h, 0)
	if len(b.heard()) != 1 || b.kept() != 0 {
		t.Fatalf("%d requests, %d kept", len(b.heard()), b.kept())
	}
}

// TestEveryFaultOfTheStoreEndsInOneIDTold makes each step of the store fail once,
// for as many steps as there are: the hook is always told in the end.
func TestEveryFaultOfTheStoreEndsInOneIDTold(t *testing.T) {
	for n := 1; ; n++ {
		b := newBench(t)
		h := b.hooks()
		id := b.submit()
		b.add(h, id)
		b.end(id)
		left, hit := n, false
		b.failAt(func(string, string) error {
			if left--; left == 0 {
				hit = true
				return errInjected
			}
			return nil
		})
		for range 4 {
			if _, err := h.Pass(b.ctx); err != nil && !errors.Is(err, errInjected) {
				t.Fatal(err)
			}
			b.clock.pass(2 * time.Minute)
		}
		b.failAt(nil)
		ids := map[string]bool{}
		for _, g := range b.heard() {
			ids[g.header.Get(hook.HeaderID)] = true
		}
		if len(ids) != 1 || b.kept() != 0 {
			t.Fatalf("fault at step %d: %d ids told in %d requests, %d kept\n%s", n, len(ids), len(b.heard()), b.kept(), b.log.String())
		}
		if !hit {
			if n < 4 {
				t.Fatalf("only %d steps", n)
			}
			return
		}
	}
}

// TestTwoProcessesSendOnce lets several make passes at the same time.
func TestTwoProcessesSendOnce(t *testing.T) {
	const jobs, processes = 40, 3
	b := newBench(t)
	all := make([]*hook.Hooks, processes)
	for i := range all {
		all[i] = b.hooks()
	}
	var ids []string
	for range jobs {
		id := b.submit()
		b.add(all[0], id)
		ids = append(ids, id)
	}
	for _, id := range ids {
		b.end(id)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	sent := 0
	for _, h := range all {
		wg.Go(func() {
			for range 3 {
				n, err := h.Pass(b.ctx)
				if err != nil {
					t.Error(err)
				}
				mu.Lock()
				sent += n
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	seen := map[string]int{}
	for _, g := range b.heard() {
		seen[g.header.Get(hook.HeaderID)]++
	}
	if len(seen) != jobs || len(b.heard()) != jobs || sent != jobs || b.kept() != 0 {
		t.Errorf("%d jobs: %d ids in %d requests, %d counted, %d kept", jobs, len(seen), len(b.heard()), sent, b.kept())
	}
}

// TestWaitingJobsAreNotRead holds the cost of a pass to what has ended.
func TestWaitingJobsAreNotRead(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	for range 50 {
		b.add(h, b.submit())
	}
	reads := 0
	o := b.options()
	o.Ledger = ledger(func(id string) (*job.Record, error) { reads++; return b.l.Get(b.ctx, id) })
	h = hook.New(o)
	b.mu.Lock()
	b.steps = nil
	b.mu.Unlock()
	b.pass(h, 0)
	b.mu.Lock()
	defer b.mu.Unlock()
	if reads != 0 || len(b.steps) > 4 {
		t.Errorf("%d records of jobs read; %d steps: %v", reads, len(b.steps), b.steps)
	}
}

// TestHostThatIsAwayHoldsNobodyUp: one try a pass, and others are told.
func TestHostThatIsAwayHoldsNobodyUp(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	var ids []string
	for range 20 {
		id := b.submit()
		ids = append(ids, id)
		if err := h.Add(b.ctx, id, v1.Hook{URL: strings.Replace(b.url, "hooks.example", "away.example", 1), Secret: secret}); err != nil {
			t.Fatal(err)
		}
	}
	good := b.submit()
	b.add(h, good)
	for _, id := range append(ids, good) {
		b.end(id)
	}
	b.pass(h, 1)
	b.pass(h, 0)
	slices.Sort(b.results)
	b.wantTold(hook.Retry, hook.Sent)
}

func TestHookOfADeletedJobIsDropped(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	id := b.submit()
	b.add(h, id)
	b.end(id)
	if err := b.l.Delete(b.ctx, id, "test"); err != nil {
		t.Fatal(err)
	}
	b.pass(h, 0)
	b.wantTold(hook.Dropped)
	if b.kept() != 0 || len(b.heard()) != 0 {
		t.Errorf("%d kept, %d requests", b.kept(), len(b.heard()))
	}
}

// TestStoppingBurnsNoTry stops while a receiver is slow.
func TestStoppingBurnsNoTry(t *testing.T) {
	b := newBench(t)
	ctx, cancel := context.WithCancel(b.ctx)
	b.say(func(_ http.ResponseWriter, r *http.Request) { cancel(); <-r.Context().Done() })
	h := b.hooks()
	id := b.submit()
	b.add(h, id)
	b.end(id)
	if n, err := h.Pass(ctx); n != 0 || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
	b.wantTold()
	data, _, err := store.Read(b.ctx, b.store, "hook/"+id)
	if err != nil || !strings.Contains(string(data), `"tries":0`) || strings.Contains(string(data), `"lease"`) {
		t.Errorf("%s, %v", data, err)
	}
	b.say(nil)
	b.pass(b.hooks(), 1)
}

// TestRun holds that a nudge is heard long before the next pass, and that Run
// leaves nothing behind.
func TestRun(t *testing.T) {
	b := newBench(t)
	o := b.options()
	o.Every = 10 * time.Second // a nudge is waited for a twentieth of it
	h := hook.New(o)
	id := b.submit()
	b.add(h, id)
	ctx, cancel := context.WithCancel(b.ctx)
	done := make(chan struct{})
	go func() { defer close(done); h.Run(ctx) }()
	first := func() bool { // the pass of the start is over
		b.mu.Lock()
		defer b.mu.Unlock()
		return slices.ContainsFunc(b.steps, func(s string) bool { return strings.HasSuffix(s, " open/") })
	}
	for deadline := time.Now().Add(time.Minute); !first(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("no pass at the start")
		}
	}
	b.end(id)
	began := time.Now()
	h.Nudge(id)
	for deadline := began.Add(time.Minute); len(b.told()) == 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("not told")
		}
	}
	cancel()
	<-done
	b.wantTold(hook.Sent)
	if took := time.Since(began); took > 8*time.Second {
		t.Errorf("a nudge took %v", took)
	}
}
