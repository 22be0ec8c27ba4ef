package job_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/worker/job"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// populated has 120 jobs of three studios, one every 10 s, in all states.
func populated(t *testing.T) (*bench, []*job.Record) {
	b := newBench(t)
	var all []*job.Record
	for i := range 120 {
		q := request([]string{"north", "south", "east"}[i%3])
		q.Title = fmt.Sprintf("Title %d", i)
		q.Lane = []string{job.Express, job.Bulk}[i%2]
		r, _, err := b.l.Submit(b.ctx, "", q)
		if err != nil {
			t.Fatal(err)
		}
		if i%6 > 0 {
			h := b.claim(r.ID, "w")
			switch i % 6 {
			case 2:
				_, err = h.Finish(b.ctx, b.result(h))
			case 3:
				_, err = h.Fail(b.ctx, job.Because(job.CodeSound, ""))
			case 4:
				_, err = h.Crash(b.ctx, job.Because(job.CodeCrashed, ""))
			case 5:
				_, err = h.Stop(b.ctx)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		all = append(all, b.get(r.ID))
		b.clock.pass(10 * time.Second)
	}
	slices.Reverse(all)
	return b, all
}

// Paging through a list gives what looking at every record gives.
func TestListAgainstLookingAtEverything(t *testing.T) {
	b, all := populated(t)
	start := all[len(all)-1].Accepted
	rapid.Check(t, func(t *rapid.T) {
		f := job.Filter{
			Studio: rapid.SampledFrom([]string{"", "north", "south", "nobody"}).Draw(t, "studio"),
			Lane:   rapid.SampledFrom([]string{"", job.Express, job.Bulk}).Draw(t, "lane"),
			States: rapid.SliceOfN(rapid.SampledFrom(job.States()), 0, 3).Draw(t, "states"),
			Codes:  rapid.SliceOfN(rapid.SampledFrom([]job.Code{job.CodeSubmitted, job.CodeSound, job.CodeCrashed}), 0, 2).Draw(t, "codes"),
			Text:   rapid.SampledFrom([]string{"", "title 1", "CAT", "nothing"}).Draw(t, "text"),
		}
		if rapid.Bool().Draw(t, "from") {
			f.From = start.Add(time.Duration(rapid.IntRange(0, 1200).Draw(t, "from_s")) * time.Second)
		}
		if rapid.Bool().Draw(t, "to") {
			f.To = start.Add(time.Duration(rapid.IntRange(0, 1200).Draw(t, "to_s")) * time.Second)
		}
		var want, got []string
		for _, r := range all {
			q := r.Request
			if (f.Studio == "" || f.Studio == q.Studio) && (f.Lane == "" || f.Lane == q.Lane) &&
				(len(f.States) == 0 || slices.Contains(f.States, r.State)) && (len(f.Codes) == 0 || slices.Contains(f.Codes, r.Last().Code)) &&
				(f.Text == "" || strings.Contains(strings.ToLower(q.Title+"\n"+q.Catalogue), strings.ToLower(f.Text))) &&
				(f.From.IsZero() || !r.Accepted.Before(f.From)) && (f.To.IsZero() || r.Accepted.Before(f.To)) {
				want = append(want, r.ID)
			}
		}
		limit := rapid.IntRange(1, 50).Draw(t, "limit")
		for cursor, pages := "", 0; ; pages++ {
			p, err := b.l.List(b.ctx, f, cursor, limit)
			if err != nil {
				t.Fatal(err)
			}
			if len(p.Jobs) > limit || pages > 200 {
				t.Fatalf("page %d has %d jobs, limit %d", pages, len(p.Jobs), limit)
			}
			for _, r := range p.Jobs {
				got = append(got, r.ID)
			}
			if p.Next == "" {
				break
			}
			cursor = p.Next
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("filter %+v (-want +got):\n%s", f, diff)
		}
	})
}

func TestPagesDoNotShift(t *testing.T) {
	b, all := populated(t)
	p, err := b.l.List(b.ctx, job.Filter{}, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	for range 5 { // newer jobs arrive between two pages
		b.submit("")
		b.clock.pass(time.Second)
	}
	p, err = b.l.List(b.ctx, job.Filter{}, p.Next, 10)
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range p.Jobs {
		if r.ID != all[10+i].ID {
			t.Fatalf("job %d of page two is %s, want %s", i, r.ID, all[10+i].ID)
		}
	}
	if _, err := b.l.List(b.ctx, job.Filter{}, "nonsense", 10); err == nil {
		t.Error("a cursor that no list gave was taken")
	}
	if p, err := b.l.List(b.ctx, job.Filter{Studio: "../x"}, "", 10); err != nil || len(p.Jobs) != 0 {
		t.Errorf("impossible studio: %v %v", p, err)
	}
}

func TestListNamesRecordsItCannotRead(t *testing.T) {
	b := newBench(t)
	b.submit("")
	id := strings.Repeat("0", 26)
	if err := b.store.PutIfAbsent(b.ctx, "record/"+id, []byte("{}")); err != nil {
		t.Fatal(err)
	}
	p, err := b.l.List(b.ctx, job.Filter{}, "", 10)
	if err != nil || len(p.Jobs) != 1 || !slices.Equal(p.Unreadable, []string{id}) {
		t.Errorf("%+v %v", p, err)
	}
}

func TestCountOpenStopsAtItsBound(t *testing.T) {
	b, all := populated(t)
	open := 0
	for _, r := range all {
		if !r.State.Ended() {
			open++
		}
	}
	for most, want := range map[int]int{10: 10, 1000: open} {
		if n, err := b.l.CountOpen(b.ctx, most); err != nil || n != want {
			t.Errorf("up to %d: %d %v, want %d", most, n, err, want)
		}
	}
}
