package access

import (
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	v1 "discsafe/api/v1"
)

func TestRateOfATokenAndOfAnAddress(t *testing.T) {
	h := build(t, func(o *GateOptions) { o.Rate, o.Burst = 2, 5 })
	tok, other := h.issue(v1.RoleEngineer, "", 0), h.issue(v1.RoleEngineer, "", 0)
	c := h.signIn(tok.Secret)
	for range 5 {
		h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)), 200, "")
	}
	w := h.ask("GET", "/v1/me", "", bearerOf(tok.Secret))
	p := h.wants(w, 429, v1.TooMany)
	if p.RetryAfter != 1 || w.Header().Get("Retry-After") != "1" {
		t.Errorf("retry after %d s, header %q", p.RetryAfter, w.Header().Get("Retry-After"))
	}
	h.wants(h.ask("GET", "/v1/me", "", cookieOf(c)), 429, v1.TooMany)                                  // its session shares it
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret), from("198.51.100.1:1")), 429, v1.TooMany) // wherever it is
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(other.Secret)), 200, "")
	h.clock.advance(500 * time.Millisecond)
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)), 200, "")
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)), 429, v1.TooMany)

	h.clock.advance(time.Hour)
	got := map[int]int{}
	for range 2 * anonymousBurst {
		got[h.ask("GET", "/v1/me", "", from("203.0.113.1:1")).Code]++
	}
	if got[401] != anonymousBurst || got[429] != anonymousBurst {
		t.Errorf("%v", got)
	}
	// Neither guesses nor public pages get past it, nor is the store asked; who is
	// known, and probes, do not suffer.
	opened := h.shelf.opened.Load()
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(newSecret(TokenPrefix)), from("203.0.113.1:1")), 429, v1.TooMany)
	h.wants(h.ask("GET", "/openapi.json", "", from("203.0.113.1:1")), 429, v1.TooMany)
	if h.shelf.opened.Load() != opened {
		t.Error("the store was asked")
	}
	h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret), from("203.0.113.1:1")), 200, "")
	h.wants(h.ask("GET", "/healthz", "", from("203.0.113.1:1")), 200, "")
	if h.observed(RateLimited) == 0 {
		t.Error("not observed")
	}
}

func TestNoRate(t *testing.T) {
	h := build(t, func(o *GateOptions) { o.Rate = -1 })
	tok := h.issue(v1.RoleEngineer, "", 0)
	for range 1000 {
		h.wants(h.ask("GET", "/v1/me", "", bearerOf(tok.Secret)), 200, "")
	}
}

// Who waits as told is let in, and not much earlier.
func TestWaitIsRight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		perSecond := rapid.Float64Range(0.01, 500).Draw(t, "rate")
		burst := rapid.IntRange(1, 20).Draw(t, "burst")
		c := newClock()
		span := time.Duration(float64(time.Second) / perSecond)
		l, th := newRates(perSecond, burst), newThrottle(burst, span)
		for name, take := range map[string]func() time.Duration{
			"rates":    func() time.Duration { return l.take("k", c.now()) },
			"throttle": func() time.Duration { return th.take("k", c.now()) },
		} {
			for i := range burst {
				if w := take(); w != 0 {
					t.Fatalf("%s: request %d of %d waits %s", name, i, burst, w)
				}
			}
			for range 5 {
				w := take()
				if w < min(span, time.Millisecond)/2 || w > span+2*time.Millisecond {
					t.Fatalf("%s: wait %s, one passes every %s", name, w, span)
				}
				c.advance(w + time.Microsecond) // the limiter counts in floating point
				if again := take(); again != 0 {
					t.Fatalf("%s: waited %s as told, now %s", name, w, again)
				}
			}
		}
	})
}

func TestThrottleWithAClockSetBack(t *testing.T) {
	c := newClock()
	th := newThrottle(1, time.Minute)
	th.take("k", c.now())
	c.advance(-24 * time.Hour)
	if w := th.take("k", c.now()); w != time.Minute {
		t.Fatalf("wait %s", w)
	}
	c.advance(time.Minute)
	if w := th.take("k", c.now()); w != 0 {
		t.Fatalf("locked out by the clock for %s", w)
	}
}

func TestThrottleGivesBack(t *testing.T) {
	c := newClock()
	th := newThrottle(2, time.Minute)
	for range 10 {
		if th.take("k", c.now()) != 0 {
			t.Fatal("what was given back counts")
		}
		th.giveBack("k")
	}
	th.giveBack("k") // no credit
	for i, want := range []bool{true, true, false} {
		if got := th.take("k", c.now()) == 0; got != want {
			t.Errorf("%d: %v", i, got)
		}
	}
}

func TestMemoryIsBounded(t *testing.T) {
	c := newClock()
	l, th := newRates(1, 1), newThrottle(1, time.Minute)
	for i := range 3 * keyedEntries {
		l.take(strconv.Itoa(i), c.now())
		th.take(strconv.Itoa(i), c.now())
	}
	if l.by.len() != keyedEntries || th.by.len() != keyedEntries || l.by.order.Len() != keyedEntries {
		t.Errorf("%d and %d entries, want %d", l.by.len(), th.by.len(), keyedEntries)
	}
}

// An lru of n keeps the n keys used last: against a slice that does it plainly.
func TestLRUAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "limit")
		l := newLRU[int, int](n)
		var model [][2]int // last used first
		find := func(k int) int {
			for i, p := range model {
				if p[0] == k {
					return i
				}
			}
			return -1
		}
		for step := range 60 {
			k := rapid.IntRange(0, 7).Draw(t, "key")
			i := find(k)
			switch rapid.SampledFrom([]string{"put", "get", "drop"}).Draw(t, "op") {
			case "put":
				l.put(k, step)
				if i >= 0 {
					model = append(model[:i], model[i+1:]...)
				}
				model = append([][2]int{{k, step}}, model...)
				model = model[:min(len(model), n)]
			case "get":
				v, ok := l.get(k)
				if ok != (i >= 0) || ok && v != model[i][1] {
					t.Fatalf("get %d: %d %v, model %v", k, v, ok, model)
				}
				if i >= 0 {
					p := model[i]
					model = append(model[:i], model[i+1:]...)
					model = append([][2]int{p}, model...)
				}
			case "drop":
				l.drop(k)
				if i >= 0 {
					model = append(model[:i], model[i+1:]...)
				}
			}
			if l.len() != len(model) {
				t.Fatalf("%d entries, model %d", l.len(), len(model))
			}
		}
	})
}
