package queue_test

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"discsafe/worker/queue"
)

// Whatever comes and goes: a line that has work all the time is passed over at
// most as often as the two rules of Turns say.
func TestTurnsNeverStarve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var turns queue.Turns
		waiting := make(map[queue.Key]int)
		passed := make(map[queue.Key]int) // deliveries of the same lane since the last own one, while waiting
		laneWait := 0                     // express deliveries in a row while bulk waits
		for step := range rapid.IntRange(1, 300).Draw(t, "steps") {
			if rapid.Bool().Draw(t, "arrive") || step == 0 {
				k := queue.Key{Lane: rapid.SampledFrom(queue.Lanes()).Draw(t, "lane"), Studio: fmt.Sprint(rapid.IntRange(0, 5).Draw(t, "studio"))}
				waiting[k] += rapid.IntRange(1, 20).Draw(t, "jobs")
			}
			var busy []queue.Key
			perLane := make(map[string]int)
			for k, n := range waiting {
				if n > 0 {
					busy = append(busy, k)
					perLane[k.Lane]++
				}
			}
			if len(busy) == 0 {
				continue
			}
			next := turns.Order(busy)[0]
			turns.Served(next)
			waiting[next]--
			for k, n := range waiting {
				switch {
				case k == next || n == 0:
					passed[k] = 0
				case k.Lane == next.Lane:
					// Studios that turn up meanwhile for the first time go ahead once
					// each: six studios, so never more than five.
					if passed[k]++; passed[k] > 5 {
						t.Fatalf("%v was passed over %d times", k, passed[k])
					}
				}
			}
			if next.Lane == queue.Express && perLane[queue.Bulk] > 0 {
				if laneWait++; laneWait > queue.DefaultExpressRun {
					t.Fatalf("%d express deliveries in a row while bulk waits", laneWait)
				}
			} else {
				laneWait = 0
			}
			if next.Lane == queue.Bulk && perLane[queue.Express] > 0 {
				// The next one is express, if any is left.
				if peek := turns.Order(busy); peek[0].Lane == queue.Bulk && waiting[firstOf(peek, queue.Express)] > 0 {
					t.Fatal("two bulk deliveries in a row while express waits")
				}
			}
		}
	})
}

func firstOf(keys []queue.Key, lane string) queue.Key {
	i := slices.IndexFunc(keys, func(k queue.Key) bool { return k.Lane == lane })
	return keys[i]
}

// One job of a new studio is next, however many lines are busy.
func TestNewStudioIsNext(t *testing.T) {
	var turns queue.Turns
	var busy []queue.Key
	for n := range 100 {
		k := queue.Key{Lane: queue.Bulk, Studio: fmt.Sprint(n)}
		busy = append(busy, k)
		turns.Served(k)
	}
	small := queue.Key{Lane: queue.Bulk, Studio: "small"}
	if got := turns.Order(append(busy, small))[0]; got != small {
		t.Errorf("next is %v; want %v", got, small)
	}
}

// The order does not depend on the order of the question, which comes from a
// map.
func TestTurnsAreDeterministic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a, b queue.Turns
		keys := make([]queue.Key, 0, 8)
		for n := range 8 {
			keys = append(keys, queue.Key{Lane: queue.Lanes()[n%2], Studio: fmt.Sprint(n / 2)})
		}
		for range rapid.IntRange(0, 20).Draw(t, "served") {
			k := rapid.SampledFrom(keys).Draw(t, "key")
			a.Served(k)
			b.Served(k)
		}
		mixed := rapid.Permutation(keys).Draw(t, "mixed")
		if x, y := a.Order(slices.Clone(keys)), b.Order(mixed); !slices.Equal(x, y) {
			t.Fatalf("%v and %v", x, y)
		}
	})
}

func TestForgetBoundsMemory(t *testing.T) {
	var turns queue.Turns
	old := queue.Key{Lane: queue.Bulk, Studio: "a"}
	young := queue.Key{Lane: queue.Bulk, Studio: "b"}
	turns.Served(old)
	turns.Served(young)
	turns.Served(old)
	turns.Forget(func(k queue.Key) bool { return k == old })
	// Forgotten is as good as never served.
	if got := turns.Order([]queue.Key{young, old})[0]; got != old {
		t.Errorf("next is %v; want %v", got, old)
	}
}
