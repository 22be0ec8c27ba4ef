package hook_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"discsafe/api/hook"
	v1 "discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

var manifest = strings.Repeat("3c", 32)

// side submits a side whose end and decisions are to be told.
func (b *bench) side(h *hook.Hooks, decisions bool) string {
	b.t.Helper()
	id := b.submit()
	if err := h.Add(b.ctx, id, v1.Hook{URL: b.url, Secret: secret, Decisions: decisions}); err != nil {
		b.t.Fatal(err)
	}
	return id
}

// finish ends a job with a result that can be decided about.
func (b *bench) finish(id string) {
	b.t.Helper()
	hold, err := b.l.Claim(b.ctx, id, job.Claimant{Worker: "w1", Version: "1", Token: "w1", Lease: time.Minute})
	if err != nil {
		b.t.Fatal(err)
	}
	key := job.ResultKey(id, hold.Attempt, "manifest.json")
	info, err := b.store.Put(b.ctx, key, strings.NewReader("{}"))
	if err == nil {
		_, err = hold.Finish(b.ctx, job.Result{Verdict: "ready", Version: "1", Files: []job.Output{{Name: "manifest.json", Key: key, Bytes: info.Size, SHA256: manifest}}})
	}
	if err != nil {
		b.t.Fatal(err)
	}
	b.clock.pass(time.Second)
}

func (b *bench) sign(id, decision, note string) {
	b.t.Helper()
	if _, err := b.l.Sign(b.ctx, id, job.Sign{By: "token", Name: "Ada Lind", Decision: decision, Note: note, Manifest: manifest}); err != nil {
		b.t.Fatal(err)
	}
	b.clock.pass(20 * time.Second)
}

// waiting is how many hooks wait for a decision.
func (b *bench) waiting() int { return b.below("hook-decision/") }

// said are types and decisions in the order they came, each id once.
func (b *bench) said() (out []string) {
	b.t.Helper()
	ids := map[string]bool{}
	for _, g := range b.heard() {
		var m hook.Message
		if err := json.Unmarshal(g.body, &m); err != nil {
			b.t.Fatal(err)
		}
		if id := g.header.Get(hook.HeaderID); !ids[id] {
			ids[id] = true
			out = append(out, strings.TrimSpace(m.Type+" "+m.Data.Decision))
		}
	}
	return out
}

func (b *bench) wantSaid(want ...string) {
	b.t.Helper()
	if got := b.said(); fmt.Sprint(got) != fmt.Sprint(want) {
		b.t.Fatalf("told %q, want %q\n%s", got, want, b.log.String())
	}
}

func TestDecisionsAreTold(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	id, other := b.side(h, true), b.side(h, false)
	b.finish(id)
	b.finish(other)
	b.pass(h, 2)
	if b.kept() != 0 || b.waiting() != 1 {
		t.Fatalf("%d kept, %d waiting", b.kept(), b.waiting())
	}
	b.clock.pass(24 * time.Hour)
	b.pass(h, 0)
	b.sign(id, job.Return, "the second track is too bright at the centre")
	b.sign(other, job.Approve, "")
	b.pass(h, 1)
	b.pass(h, 0)
	b.wantSaid("job.ended", "job.ended", "job.decided return")
	if b.waiting() != 1 {
		t.Fatalf("%d waiting for the next decision", b.waiting())
	}
	// Two at once come one after the other.
	b.sign(id, job.Reopen, "heard it again")
	b.sign(id, job.Approve, "")
	b.pass(h, 1)
	b.clock.pass(time.Minute)
	b.pass(h, 1)
	b.pass(h, 0)
	b.wantSaid("job.ended", "job.ended", "job.decided return", "job.decided reopen", "job.decided approve")
	r, err := b.l.Get(b.ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	g := b.heard()[4]
	want := fmt.Sprintf(`{"type":"job.decided","timestamp":%q,"data":{"id":%q,"state":"done","verdict":"ready","decision":"approve","revision":1,"rev":%d,"href":"/v1/jobs/%s"}}`,
		r.Signoff[2].At.Format(time.RFC3339Nano), id, r.Rev, id)
	if string(g.body) != want || g.header.Get(hook.HeaderID) != "msg_"+id+"_decision-3" {
		t.Errorf("%s %s\nwant %s", g.header.Get(hook.HeaderID), g.body, want)
	}
	if err := hook.Verify(secret, g.header, g.body, b.clock.now().Add(-time.Minute)); err != nil {
		t.Error(err)
	}
}

// A version that does not know decisions would forget the hook at the end.
func TestHookWithDecisionsHasALayoutOfItsOwn(t *testing.T) {
	b := newBench(t)
	id := b.side(b.hooks(), true)
	data, _, err := store.Read(b.ctx, b.store, "hook/"+id)
	if err != nil || !strings.Contains(string(data), `"schema":"discsafe-hook/2"`) {
		t.Errorf("%s %v", data, err)
	}
}

// A decision that was noted nowhere, as the process was killed, is told all the
// same; so is one of a time when no process ran.
func TestDecisionWithoutANoteIsTold(t *testing.T) {
	for name, pass := range map[string]time.Duration{"found by the sweep": 7 * time.Hour, "found at the start": 0} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			h := b.hooks()
			id := b.side(h, true)
			b.finish(id)
			b.pass(h, 1)
			b.failAt(func(_, key string) error {
				if strings.HasPrefix(key, "news/") {
					return errInjected
				}
				return nil
			})
			b.sign(id, job.Approve, "")
			b.failAt(nil)
			b.pass(h, 0)
			if b.clock.pass(pass); pass == 0 {
				h = b.hooks()
			}
			b.pass(h, 1)
			b.wantSaid("job.ended", "job.decided approve")
		})
	}
}

// Each step of the store fails once, and where it does the process may be killed
// besides: everything is told, under one id each, and the hook waits once.
func TestEveryFaultOfTheStoreTellsAllDecisions(t *testing.T) {
	for _, killed := range []bool{false, true} {
		for n := 1; ; n++ {
			b := newBench(t)
			h := b.hooks()
			id := b.side(h, true)
			b.finish(id)
			left, hit := n, false
			fault := func(string, string) error {
				if left--; left == 0 {
					hit = true
					return errInjected
				}
				return nil
			}
			passes := func() {
				for range 5 {
					b.failAt(fault)
					_, err := h.Pass(b.ctx)
					b.failAt(nil)
					if err != nil && !errors.Is(err, errInjected) {
						t.Fatal(err)
					}
					if err != nil && killed {
						h = b.hooks()
					}
					b.clock.pass(2 * time.Minute)
				}
			}
			passes()
			b.sign(id, job.Return, "too bright")
			passes()
			b.sign(id, job.Reopen, "heard it again")
			b.sign(id, job.Approve, "")
			passes()
			if got := fmt.Sprint(b.said()); got != "[job.ended job.decided return job.decided reopen job.decided approve]" || b.kept() != 0 || b.waiting() != 1 {
				t.Fatalf("fault at step %d, killed %v: %s, %d kept, %d waiting\n%s", n, killed, got, b.kept(), b.waiting(), b.log.String())
			}
			if !hit {
				if n < 20 {
					t.Fatalf("only %d steps", n)
				}
				break
			}
		}
	}
}

func TestDecisionIsRepeatedAndGivenUp(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	id := b.side(h, true)
	b.finish(id)
	b.pass(h, 1)
	b.say(status(http.StatusInternalServerError))
	b.sign(id, job.Approve, "")
	for range 9 {
		b.pass(h, 0)
		b.clock.pass(25 * time.Hour)
	}
	b.pass(h, 0)
	if n := len(b.heard()); n != 10 || b.kept() != 0 || b.waiting() != 0 {
		t.Errorf("%d requests, %d kept, %d waiting", n, b.kept(), b.waiting())
	}
	b.wantSaid("job.ended", "job.decided approve")
}

func TestWaitingHooksOfDeletedJobsAreDropped(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	swept, removed := b.side(h, true), b.side(h, true)
	b.finish(swept)
	b.finish(removed)
	b.pass(h, 2)
	for _, id := range []string{swept, removed} {
		if err := b.l.Delete(b.ctx, id, "test"); err != nil {
			t.Fatal(err)
		}
	}
	if err := h.Remove(b.ctx, removed); err != nil || b.waiting() != 1 {
		t.Fatalf("%d waiting, %v", b.waiting(), err)
	}
	b.clock.pass(7 * time.Hour)
	b.pass(h, 0)
	b.wantTold(hook.Sent, hook.Sent, hook.Dropped)
	if b.waiting() != 0 {
		t.Errorf("%d waiting", b.waiting())
	}
}

// TestSidesThatWaitAreNotRead holds the cost of a pass while sides wait.
func TestSidesThatWaitAreNotRead(t *testing.T) {
	b := newBench(t)
	h := b.hooks()
	for range 20 {
		b.finish(b.side(h, true))
	}
	b.pass(h, 20)
	b.clock.pass(time.Minute)
	b.mu.Lock()
	b.steps = nil
	b.mu.Unlock()
	b.pass(h, 0)
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.steps) > 4 {
		t.Errorf("%d steps: %v", len(b.steps), b.steps)
	}
}
