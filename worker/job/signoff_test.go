package job_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"discsafe/worker/job"
)

// preparedSide is a prepared side with a manifest of that hash.
func (b *bench) preparedSide(verdict string) *job.Record {
	b.t.Helper()
	h := b.claim(b.submit("").ID, "w1")
	res := b.result(h)
	res.Verdict = verdict
	res.Files = append(res.Files, job.Output{Name: "manifest.json", Key: job.ResultKey(h.ID, h.Attempt, "manifest.json"), Bytes: 2, SHA256: manifest})
	r, err := h.Finish(b.ctx, res)
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

var manifest = strings.Repeat("3c", 32)

func sign(decision, note string) job.Sign {
	return job.Sign{By: "token", Name: "Ada Lind", Decision: decision, Note: note, Manifest: manifest}
}

func TestSign(t *testing.T) {
	b := newBench(t)
	id := b.preparedSide("ready").ID
	steps := []struct {
		s    job.Sign
		want job.Standing
	}{
		{sign(job.Return, "the second track is too bright at the centre"), job.Returned},
		{sign(job.Reopen, "heard it again"), job.Open},
		{sign(job.Approve, ""), job.Approved},
	}
	for i, c := range steps {
		b.clock.pass(time.Minute)
		r, err := b.l.Sign(b.ctx, id, c.s)
		if err != nil || r.Standing() != c.want || len(r.Signoff) != i+1 {
			t.Fatalf("step %d: %v, %v", i, r, err)
		}
		if last := r.Signoff[i]; !last.At.Equal(b.clock.now().UTC().Truncate(time.Millisecond)) || last.Attempt != 1 || last.Revision != 1 || last.By != "token" || !r.Changed().Equal(last.At) {
			t.Errorf("step %d: %+v", i, last)
		}
	}
	var locked *job.LockedError
	for _, s := range []job.Sign{sign(job.Approve, ""), sign(job.Return, "no")} {
		if _, err := b.l.Sign(b.ctx, id, s); !errors.As(err, &locked) || locked.Name != "Ada Lind" {
			t.Errorf("%s of an approved side: %v", s.Decision, err)
		}
	}
	if err := b.l.Delete(b.ctx, id, "mira"); !errors.As(err, &locked) {
		t.Errorf("deleting an approved side: %v", err)
	}
	if _, err := b.l.Retry(b.ctx, id, "mira"); !errors.As(err, &locked) || len(b.keys("open/")) != 0 {
		t.Errorf("retrying an approved side: %v, open %v", err, b.keys("open/"))
	}
	b.clock.pass(400 * 24 * time.Hour)
	for want := range 2 { // it is put off, and then not looked at
		if n, err := b.expire(24 * time.Hour); n.Removed != 0 || n.PutOff != 1-want || err != nil {
			t.Errorf("retention took %+v, %v", n, err)
		}
	}
	if _, err := b.l.Sign(b.ctx, id, sign(job.Reopen, "a new mix came")); err != nil {
		t.Fatal(err)
	}
	if n, err := b.expire(24 * time.Hour); n.Removed != 1 || err != nil {
		t.Errorf("of a reopened side retention took %+v, %v", n, err)
	}
}

func TestSignRefuses(t *testing.T) {
	b := newBench(t)
	ready, blocked, waiting := b.preparedSide("ready").ID, b.preparedSide("blocked").ID, b.submit("").ID
	with := func(change func(*job.Sign)) job.Sign {
		s := sign(job.Approve, "")
		change(&s)
		return s
	}
	for name, c := range map[string]struct {
		id   string
		s    job.Sign
		want string
	}{
		"no name":            {ready, with(func(s *job.Sign) { s.Name = "  " }), "gives a name"},
		"long name":          {ready, with(func(s *job.Sign) { s.Name = strings.Repeat("a", 121) }), "at most 120"},
		"two lines of name":  {ready, with(func(s *job.Sign) { s.Name = "a\nb" }), "not text"},
		"long note":          {ready, with(func(s *job.Sign) { s.Note = strings.Repeat("a", 4001) }), "at most 4000"},
		"control in note":    {ready, with(func(s *job.Sign) { s.Note = "a\x1b[2J" }), "not text"},
		"broken text":        {ready, with(func(s *job.Sign) { s.Note = "\xff" }), "not text"},
		"other word":         {ready, with(func(s *job.Sign) { s.Decision = "cut" }), "want approve, return or reopen"},
		"return, no note":    {ready, sign(job.Return, " \n"), "what to change"},
		"reopen, no note":    {ready, sign(job.Reopen, ""), "why it is opened"},
		"reopen what is not": {ready, sign(job.Reopen, "because"), "neither approved nor returned"},
		"no manifest":        {ready, with(func(s *job.Sign) { s.Manifest = "" }), "manifest_sha256"},
		"other manifest":     {ready, with(func(s *job.Sign) { s.Manifest = strings.Repeat("0", 64) }), "another result"},
		"blocked, no note":   {blocked, sign(job.Approve, ""), "why it may be cut"},
		"waiting":            {waiting, sign(job.Approve, ""), "cannot be signed off"},
		"unknown":            {"0123456789abcdefghjkmnpqrs", sign(job.Approve, ""), "no such job"},
	} {
		if _, err := b.l.Sign(b.ctx, c.id, c.s); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	if r, err := b.l.Sign(b.ctx, blocked, sign(job.Approve, "the room cuts deeper than its profile says\nand has for years")); err != nil || r.Standing() != job.Approved {
		t.Errorf("approving a blocked side with a note: %v", err)
	}
}

func TestRevisions(t *testing.T) {
	b := newBench(t)
	var ids []string
	last := ""
	for range 3 {
		q := request("north")
		if last != "" {
			if err := b.l.Revise(b.ctx, &q, last); err != nil {
				t.Fatal(err)
			}
		}
		b.clock.pass(time.Second)
		r, _, err := b.l.Submit(b.ctx, fmt.Sprint("key", len(ids)), q)
		if err != nil {
			t.Fatal(err)
		}
		last = r.ID
		ids = append(ids, last)
	}
	for _, id := range ids {
		chain, err := b.l.Revisions(b.ctx, id)
		if err != nil || len(chain) != 3 {
			t.Fatalf("%d of them, %v", len(chain), err)
		}
		for i, r := range chain {
			if r.ID != ids[i] || i > 0 && (r.Request.Revision != i+1 || r.Request.Revises != ids[i-1] || r.Request.Root != ids[0]) {
				t.Errorf("%d: %+v, want %s", i, r.Request, ids[i])
			}
		}
	}
	if by := b.get(ids[0]).RevisedBy + b.get(ids[1]).RevisedBy + b.get(ids[2]).RevisedBy; by != ids[1]+ids[2] {
		t.Errorf("revised by %s, want %s and %s", by, ids[1], ids[2])
	}
	// A second that takes the first's place counts on in the chain.
	q := request("north")
	if err := b.l.Revise(b.ctx, &q, ids[0]); err != nil || q.Revision != 4 {
		t.Fatalf("revision %d, %v", q.Revision, err)
	}
	b.clock.pass(time.Second)
	side, _, err := b.l.Submit(b.ctx, "side", q)
	if err != nil || b.get(ids[0]).RevisedBy != side.ID {
		t.Fatalf("revised by %s, %v, want %s", b.get(ids[0]).RevisedBy, err, side.ID)
	}
	if _, err := b.l.Cancel(b.ctx, side.ID, "mira"); err != nil {
		t.Fatal(err)
	}
	if err := b.l.Delete(b.ctx, side.ID, "mira"); err != nil || b.get(ids[0]).RevisedBy != ids[1] {
		t.Fatalf("after the newest was deleted: revised by %s, %v, want %s", b.get(ids[0]).RevisedBy, err, ids[1])
	}
	south := request("south")
	if err := b.l.Revise(b.ctx, &south, last); !errors.Is(err, job.ErrUnknown) {
		t.Errorf("revising another studio's: %v", err)
	}
	for _, id := range ids[:2] {
		if _, err := b.l.Cancel(b.ctx, id, "mira"); err != nil {
			t.Fatal(err)
		}
		if err := b.l.Delete(b.ctx, id, "mira"); err != nil {
			t.Fatal(err)
		}
	}
	if chain, err := b.l.Revisions(b.ctx, last); err != nil || len(chain) != 1 || len(b.keys("revision/")) != 1 {
		t.Errorf("of a chain whose first were deleted: %d, %v, marks %v", len(chain), err, b.keys("revision/"))
	}
}

// TestRevisedByMends: a submission that ends before the earlier job knows of it
// is a submission all the same.
func TestRevisedByMends(t *testing.T) {
	b := newBench(t)
	first := b.submit("")
	q := request("north")
	if err := b.l.Revise(b.ctx, &q, first.ID); err != nil {
		t.Fatal(err)
	}
	b.clock.pass(time.Second)
	b.failAt("rename", "record/"+first.ID)
	second, _, err := b.l.Submit(b.ctx, "", q)
	if err != nil || b.get(first.ID).RevisedBy != "" {
		t.Fatalf("%v, revised by %q", err, b.get(first.ID).RevisedBy)
	}
	b.failAt("", "")
	if _, err := b.l.Rebuild(b.ctx, 0); err != nil || b.get(first.ID).RevisedBy != second.ID {
		t.Errorf("rebuilt: %v, revised by %q, want %q", err, b.get(first.ID).RevisedBy, second.ID)
	}
}

func TestListBySignoff(t *testing.T) {
	b := newBench(t)
	open, approved := b.preparedSide("ready").ID, b.preparedSide("attention").ID
	b.submit("")
	if _, err := b.l.Sign(b.ctx, approved, sign(job.Approve, "")); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		f    job.Filter
		want []string
	}{
		"open": {job.Filter{Signoff: job.Open}, []string{open}}, "approved": {job.Filter{Signoff: job.Approved}, []string{approved}}, "returned": {job.Filter{Signoff: job.Returned}, nil},
		"verdict": {job.Filter{Verdict: "attention"}, []string{approved}}, "kind": {job.Filter{Kind: job.Analyse}, nil},
	} {
		p, err := b.l.List(b.ctx, c.f, "", 10)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range p.Jobs {
			got = append(got, r.ID)
		}
		if fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

func TestDecided(t *testing.T) {
	b := newBench(t)
	id := b.preparedSide("ready").ID
	if _, err := b.l.Sign(b.ctx, id, sign(job.Approve, "")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		pass, back time.Duration
		want       int
	}{{0, time.Minute, 1}, {10 * time.Minute, time.Minute, 0}, {0, 10 * time.Minute, 1}, {3 * time.Hour, 24 * time.Hour, 0}} {
		b.clock.pass(c.pass)
		if ids, err := b.l.Decided(b.ctx, c.back); err != nil || len(ids) != c.want {
			t.Errorf("after %v, %v back: %v, %v, want %d", c.pass, c.back, ids, err, c.want)
		}
	}
	if n := len(b.keys("news/")); n != 1 {
		t.Errorf("%d notes", n)
	}
	if _, err := b.l.Rebuild(b.ctx, 0); err != nil || len(b.keys("news/")) != 0 {
		t.Errorf("notes are left: %v, %v", b.keys("news/"), err)
	}
}
