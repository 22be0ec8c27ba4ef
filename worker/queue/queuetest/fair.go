package queuetest

import (
	"sync"
	"testing"

	"discsafe/worker/queue"
)

// publishMany publishes the same number of bulk jobs for each studio, studios
// side by side so that a test does not wait for one disk sync after the other.
func publishMany(t *testing.T, q queue.Queue, jobs int, studios ...string) {
	t.Helper()
	var all sync.WaitGroup
	for _, s := range studios {
		all.Go(func() {
			for n := range jobs {
				if err := q.Publish(t.Context(), job(s, n)); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	if all.Wait(); t.Failed() {
		t.FailNow()
	}
}

func testOrder(t *testing.T, b *bench) {
	q, other := b.open(t), b.open(t)
	const jobs = 20
	publishMany(t, q, jobs, "a", "b")
	next := make(map[string]int)
	for n := range 2 * jobs {
		from := q
		if n%3 == 0 {
			from = other
		}
		d := fetch(t, from)
		s := d.Message().Studio
		if want := job(s, next[s]); d.Message() != want {
			t.Fatalf("studio %s: got %s; want %s", s, d.Message().ID(), want.ID())
		}
		next[s]++
		if n%2 == 0 { // order does not depend on what is settled
			done(t, d)
		}
	}
}

func testStarvation(t *testing.T, b *bench) {
	q := b.open(t)
	publishMany(t, q, 500, "big")
	for range 3 { // the worker is well into the long line
		done(t, fetch(t, q))
	}
	publish(t, q, job("small", 0))
	// With two busy studios one may be passed over at most once.
	for n := range 2 {
		d := fetch(t, q)
		done(t, d)
		if d.Message().Studio == "small" {
			return
		}
		if n == 1 {
			t.Fatalf("the only job of one studio was passed over twice for %s", d.Message().ID())
		}
	}
}

func testShares(t *testing.T, b *bench) {
	q := b.open(t)
	studios := []string{"a", "b", "c"}
	publishMany(t, q, 12, studios...)
	got := make(map[string]int)
	for n := 1; n <= 30; n++ {
		d := fetch(t, q)
		done(t, d)
		got[d.Message().Studio]++
		if n%len(studios) != 0 {
			continue
		}
		for _, s := range studios {
			if got[s] != n/len(studios) {
				t.Fatalf("after %d deliveries: %v; want the same for each", n, got)
			}
		}
	}
}

func testLanes(t *testing.T, b *bench) {
	q := b.open(t)
	publishMany(t, q, 8, "a")
	for n := range 8 {
		m := job("a", 100+n)
		m.Lane = queue.Express
		publish(t, q, m)
	}
	lanes := ""
	for range 16 {
		d := fetch(t, q)
		done(t, d)
		lanes += d.Message().Lane[:1]
	}
	// Three express deliveries for each bulk one while both wait, then the rest.
	if want := "eeebeeebeebbbbbb"; lanes != want {
		t.Errorf("lanes %s; want %s", lanes, want)
	}
}
