package job_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/worker/job"
	"discsafe/worker/store"
)

const day = 24 * time.Hour

// expire is one batch that is larger than anything here.
func (b *bench) expire(olderThan time.Duration) (job.Batch, error) {
	return b.l.Expire(b.ctx, olderThan, b.clock.now(), "", 1000)
}

func (b *bench) lay() (job.Batch, error) { return b.l.Lay(b.ctx, b.clock.now(), "", 1000) }

// walked fails unless every job is met by one of the walks: nothing is forgotten.
func (b *bench) walked(what string) {
	b.t.Helper()
	all := b.keys("")
	marked := func(id string, dirs ...string) bool {
		return slices.ContainsFunc(all, func(k string) bool {
			return strings.HasSuffix(k, "/"+id) && slices.ContainsFunc(dirs, func(d string) bool { return strings.HasPrefix(k, d) })
		})
	}
	for _, k := range b.keys("record/") {
		data, _, err := store.Read(b.ctx, b.store, k)
		var r job.Record
		if err := errors.Join(err, json.Unmarshal(data, &r)); err != nil {
			b.t.Fatal(err)
		}
		var ok bool
		switch {
		case r.Deleted != nil:
			ok = marked(r.ID, "open/", "buried/")
		case !r.State.Ended():
			ok = marked(r.ID, "open/")
		default:
			ok = r.Standing() == job.Approved || marked(r.ID, "open/", "ended/")
		}
		if !ok {
			b.t.Fatalf("%s: no walk meets job %s (%s, deleted %v, %s)", what, r.ID, r.State, r.Deleted, r.Standing())
		}
	}
}

func TestExpire(t *testing.T) {
	b := newBench(t)
	var ids []string
	for range 3 {
		ids = append(ids, b.done("").ID)
		b.clock.pass(day)
	}
	open := b.submit("")
	b.clock.pass(10 * day)
	young := b.done("")

	if d, err := b.l.Behind(b.ctx, 9*day, b.clock.now()); d != 4*day-time.Minute || err != nil {
		t.Errorf("the oldest is due for %s, %v; it ended 13 days ago at the beginning of a minute", d, err)
	}
	if n, err := b.expire(13 * day); n.Removed != 0 || err != nil {
		t.Errorf("its minute is not over: %+v, %v", n, err)
	}
	// One job that cannot be deleted holds up nobody.
	b.failAt("remove", "result/"+ids[0]+"/")
	n, err := b.l.Expire(b.ctx, 9*day, b.clock.now(), "", 2)
	if n.Removed != 2 || !strings.HasSuffix(n.Next, ids[1]) || !errors.Is(err, errInjected) {
		t.Errorf("expire with a fault: %+v, %v", n, err)
	}
	b.failAt("", "")
	if n, err = b.l.Expire(b.ctx, 9*day, b.clock.now(), n.Next, 2); n.Removed != 1 || n.Next != "" || err != nil {
		t.Errorf("the rest: %+v, %v", n, err)
	}
	b.gone(ids[0])
	if n, err := b.expire(9 * day); n.Removed != 0 || err != nil || len(b.left(ids[0])) == 0 {
		t.Errorf("what was deleted a moment ago is left to who does it: %+v, %v", n, err)
	}
	b.clock.pass(2 * time.Minute)
	if n, err := b.expire(9 * day); n.Removed != 0 || err != nil {
		t.Errorf("what broke off: %+v, %v", n, err)
	}
	for _, id := range ids {
		b.gone(id)
		if k := b.left(id); len(k) > 0 {
			t.Errorf("left: %v", k)
		}
	}
	b.get(open.ID)
	b.get(young.ID)
	if d, err := b.l.Behind(b.ctx, 9*day, b.clock.now()); d != 0 || err != nil {
		t.Errorf("with nothing due: %s, %v", d, err)
	}
	b.clock.pass(20 * day)
	if n, err := b.expire(40 * day); n.Removed != 0 || err != nil {
		t.Errorf("nothing is so old: %+v, %v", n, err)
	}
	if n, err := b.expire(9 * day); n.Removed != 1 || err != nil {
		t.Errorf("the young one, 20 days later: %+v, %v", n, err)
	}
	if n, err := b.lay(); n.Removed != 3 || err != nil {
		t.Errorf("tombstones: %+v, %v", n, err)
	}
	if k := b.keys("record/"); len(k) != 2 { // the open one, and the tombstone just made
		t.Errorf("records left: %v", k)
	}
	b.walked("at the end")
}

// What is kept costs a pass nothing, however much it is.
func TestExpireLooksAtNothingThatIsNotDue(t *testing.T) {
	b := newBench(t)
	for range 30 {
		b.preparedSide("ready")
		if err := b.l.Delete(b.ctx, b.done("").ID, ""); err != nil {
			t.Fatal(err)
		}
	}
	b.clock.pass(2 * day)
	before := b.fault.steps
	_, err := b.expire(3 * day)
	_, lerr := b.lay()
	if steps := b.fault.steps - before; err != nil || lerr != nil || steps != 2 {
		t.Errorf("%d steps, want one listing of each walk; %v, %v", steps, err, lerr)
	}
}

// A cursor goes on behind what gives trouble or cannot be read.
func TestExpireInBatches(t *testing.T) {
	b := newBench(t)
	for range 7 {
		b.done("")
		b.clock.pass(time.Hour)
	}
	odd := b.keys("ended/")[3][len("ended/202603011500/"):]
	data, v, err := store.Read(b.ctx, b.store, "record/"+odd)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.store.Swap(b.ctx, "record/"+odd, v, []byte(strings.Replace(string(data), `"rev"`, `"newer":1,"rev"`, 1))); err != nil {
		t.Fatal(err)
	}
	b.clock.pass(2 * day)
	strange := []string{"ended/0", "ended/202603010000/x", "ended/20260301/" + odd}
	for _, k := range strange { // nobody's: left alone, and in nobody's way
		if err := b.store.PutIfAbsent(b.ctx, k, []byte("?")); err != nil {
			t.Fatal(err)
		}
	}
	if d, err := b.l.Behind(b.ctx, day, b.clock.now()); d != day+7*time.Hour-time.Minute || err != nil {
		t.Errorf("behind by %s, %v", d, err)
	}
	var removed, batches int
	for after := ""; ; batches++ {
		n, err := b.l.Expire(b.ctx, day, b.clock.now(), after, 2)
		if err != nil || len(n.Unreadable) > 0 && n.Unreadable[0] != odd {
			t.Fatalf("%+v, %v", n, err)
		}
		if removed, after = removed+n.Removed, n.Next; after == "" {
			break
		}
	}
	if removed != 6 || batches != 5 || len(b.left(odd)) != 5 || len(b.keys("ended/")) != 1+len(strange) {
		t.Errorf("%d removed in %d batches, markers left %v", removed, batches+1, b.keys("ended/"))
	}
}

// Records of a version that had no such markers get them by Rebuild.
func TestExpireOfRecordsWithoutMarkers(t *testing.T) {
	b := newBench(t)
	ids := []string{b.done("").ID, b.preparedSide("ready").ID, b.done("").ID}
	if _, err := b.l.Sign(b.ctx, ids[1], sign(job.Approve, "")); err != nil {
		t.Fatal(err)
	}
	if err := b.l.Delete(b.ctx, ids[2], "ann"); err != nil {
		t.Fatal(err)
	}
	for _, k := range slices.Concat(b.keys("ended/"), b.keys("buried/")) {
		if err := b.store.Delete(b.ctx, k); err != nil {
			t.Fatal(err)
		}
	}
	b.clock.pass(10 * day)
	if n, err := b.expire(day); n.Removed != 0 || err != nil {
		t.Errorf("without markers: %+v, %v", n, err)
	}
	if _, err := b.l.Rebuild(b.ctx, time.Hour); err != nil {
		t.Fatal(err)
	}
	if k := b.keys("ended/"); len(k) != 1 || !strings.HasSuffix(k[0], ids[0]) || len(b.keys("buried/")) != 1 {
		t.Errorf("markers after rebuilding: %v %v", k, b.keys("buried/"))
	}
	if n, err := b.expire(day); n.Removed != 1 || err != nil {
		t.Errorf("with markers: %+v, %v", n, err)
	}
	b.clock.pass(5 * day)
	if n, err := b.lay(); n.Removed != 1 || err != nil {
		t.Errorf("tombstones: %+v, %v", n, err)
	}
	b.get(ids[1])
	b.walked("at the end")
}

// kinds is a store with one job of every kind that retention meets.
type kinds struct {
	due, retried, approved, live, young, buried string
	kept                                        map[string][]string // keys of those that stay
}

func (b *bench) kinds() kinds {
	b.t.Helper()
	fail := func(id string) {
		b.t.Helper()
		if _, err := b.claim(id, "w").Fail(b.ctx, job.Because(job.CodeSound, "")); err != nil {
			b.t.Fatal(err)
		}
	}
	var h kinds
	h.due, h.buried = b.done("").ID, b.done("").ID
	h.approved = b.preparedSide("ready").ID
	h.retried, h.live = b.submit("").ID, b.submit("").ID
	fail(h.retried)
	fail(h.live)
	_, err := b.l.Sign(b.ctx, h.approved, sign(job.Approve, ""))
	if err := errors.Join(err, b.l.Delete(b.ctx, h.buried, "ann")); err != nil {
		b.t.Fatal(err)
	}
	b.clock.pass(3 * time.Hour)
	for _, id := range []string{h.retried, h.live} {
		if _, err := b.l.Retry(b.ctx, id, "ann"); err != nil {
			b.t.Fatal(err)
		}
	}
	fail(h.retried) // has a marker of each of its ends
	b.clock.pass(20 * day)
	b.result(b.claim(h.live, "w"))
	h.young = b.done("").ID
	h.kept = map[string][]string{}
	for _, id := range []string{h.approved, h.live, h.young} {
		h.kept[id] = b.files(id)
	}
	return h
}

// files are the keys of a job but for markers of retention.
func (b *bench) files(id string) []string {
	return slices.DeleteFunc(b.keys(""), func(k string) bool { return !strings.Contains(k, id) || strings.HasPrefix(k, "ended/") })
}

// settled fails unless what stays is whole, and, at the end, what goes is gone.
func (b *bench) settled(what string, h kinds, end bool) {
	b.t.Helper()
	for id, keys := range h.kept {
		b.get(id)
		if got := b.files(id); !slices.Equal(got, keys) {
			b.t.Fatalf("%s: a job that stays has %v, it had %v", what, got, keys)
		}
	}
	b.walked(what)
	if !end {
		return
	}
	for _, id := range []string{h.due, h.retried} {
		b.gone(id)
		if k := b.left(id); len(k) > 0 {
			b.t.Fatalf("%s: left %v", what, k)
		}
	}
	if _, err := b.store.Stat(b.ctx, "record/"+h.buried); !errors.Is(err, store.ErrNotFound) {
		b.t.Fatalf("%s: the old tombstone: %v", what, err)
	}
	if k := b.keys("open/"); len(k) != 1 || k[0] != "open/"+h.live {
		b.t.Fatalf("%s: open are %v", what, k)
	}
}

// Wherever a process ends, nothing that stays is touched, no job is forgotten,
// and the next walk finishes what was begun, with no help of Rebuild.
func TestRetentionKilledAnywhere(t *testing.T) {
	for n := 1; ; n++ {
		b := newBench(t)
		h := b.kinds()
		b.fault.killAt(n)
		_, _ = b.expire(9 * day)
		_, _ = b.lay()
		hit := b.fault.hit
		b.fault.killAt(0)
		what := fmt.Sprintf("killed at step %d", n)
		b.settled(what, h, !hit)
		if !hit {
			if n < 40 {
				t.Fatalf("only %d steps", n)
			}
			return
		}
		b.pass()
		b.clock.pass(2 * time.Minute)
		_, err := b.expire(9 * day)
		_, lerr := b.lay()
		if err != nil || lerr != nil {
			t.Fatalf("%s, and then: %v, %v", what, err, lerr)
		}
		b.settled(what+" and gone on", h, true)
	}
}

// Two processes walk at the same time: one goes all the way at any step of the
// other. Each job is deleted once.
func TestRetentionOfTwoProcesses(t *testing.T) {
	for n := 1; ; n++ {
		b, at := cutIn(t)
		h := b.kinds()
		other := b.ledger(func() time.Time { return b.clock.now().Add(time.Second) }) // its tombstones are not ours
		var second job.Batch
		did := at(n, func() {
			var err, lerr error
			second, err = other.Expire(b.ctx, 9*day, b.clock.now(), "", 1000)
			_, lerr = other.Lay(b.ctx, b.clock.now(), "", 1000)
			if err != nil || lerr != nil {
				t.Fatalf("step %d: the other: %v, %v", n, err, lerr)
			}
		})
		first, err := b.expire(9 * day)
		_, lerr := b.lay()
		if err != nil || lerr != nil || first.Removed+second.Removed != 2 {
			t.Fatalf("step %d: %+v and %+v, %v, %v", n, first, second, err, lerr)
		}
		if !did() {
			if n < 40 {
				t.Fatalf("only %d steps", n)
			}
			return
		}
		what := fmt.Sprintf("the other at step %d", n)
		b.settled(what, h, false)
		b.pass() // a marker of open jobs may be left
		b.clock.pass(2 * time.Minute)
		_, err = b.expire(9 * day)
		_, lerr = b.lay()
		if err != nil || lerr != nil {
			t.Fatalf("%s, and then: %v, %v", what, err, lerr)
		}
		b.settled(what+", and then", h, true)
	}
}

// However a job ends, and wherever its process does, a walk meets it.
func TestEndingKilledAnywhere(t *testing.T) {
	ends := map[string]func(b *bench, h *job.Hold){
		"finish": func(b *bench, h *job.Hold) { _, _ = h.Finish(b.ctx, b.soundOf(h)) },
		"fail":   func(b *bench, h *job.Hold) { _, _ = h.Fail(b.ctx, job.Because(job.CodeSound, "")) },
		"stop":   func(b *bench, h *job.Hold) { _, _ = h.Stop(b.ctx) },
	}
	for name, end := range ends {
		for n := 1; ; n++ {
			b := newBench(t)
			h := b.claim(b.submit("").ID, "w")
			b.result(h)
			b.fault.killAt(n)
			end(b, h)
			hit := b.fault.hit
			b.fault.killAt(0)
			what := fmt.Sprintf("%s, killed at step %d", name, n)
			b.walked(what)
			if b.pass(); b.get(h.ID).State.Ended() && len(b.keys("ended/")) != 1 {
				t.Fatalf("%s: after a pass the markers are %v", what, b.keys(""))
			}
			if !hit {
				if n < 6 {
					t.Fatalf("%s: only %d steps", name, n)
				}
				break
			}
		}
	}
}

// soundOf describes what result stored before, without asking the store.
func (b *bench) soundOf(h *job.Hold) job.Result {
	return job.Result{Verdict: "ready", Version: "1", Files: []job.Output{{Name: "premaster.wav", Key: job.ResultKey(h.ID, h.Attempt, "premaster.wav"), Bytes: 5, SHA256: manifest}}}
}
