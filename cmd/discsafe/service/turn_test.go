package service

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"discsafe/worker/store"
	"discsafe/worker/store/mem"
)

// team is processes that share a store, and a clock moved by hand.
type team struct {
	now    time.Time
	store  store.Store
	broken bool
}

func newTeam() *team {
	c := &team{now: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	c.store = mem.New(mem.Options{Fault: func(_, key string) error {
		if c.broken && key == walkKey {
			return errors.New("injected")
		}
		return nil
	}})
	return c
}

func (c *team) member(name string) *turns {
	return &turns{store: c.store, key: walkKey, name: name, every: daily, beat: time.Hour, now: func() time.Time { return c.now }}
}

// walks says whether a member does the work now.
func walks(t *testing.T, u *turns, must bool) (did bool) {
	t.Helper()
	if err := u.do(t.Context(), must, func(context.Context) error { did = true; return nil }); err != nil {
		t.Error(err)
	}
	return did
}

func TestOneWalksADay(t *testing.T) {
	c := newTeam()
	a, b := c.member("a"), c.member("b")
	if !walks(t, a, true) || !walks(t, b, true) {
		t.Error("one did not walk at its start")
	}
	for hour := range 24 * 5 {
		c.now = c.now.Add(time.Hour)
		one, other := walks(t, a, false), walks(t, b, false)
		if due := (hour+1)%24 == 0; one != due || other {
			t.Errorf("hour %d: %v, %v", hour+1, one, other)
		}
	}
	// What is no turn, or one of another time, holds up nobody.
	for _, text := range []string{"{", `{"by":"c","began":"2031-01-01T00:00:00Z","ended":"2031-01-01T00:00:00Z"}`, `{"by":"c","began":"2031-01-01T00:00:00Z","seen":"2031-01-01T00:00:00Z"}`, "{}"} {
		_, v, err := store.Read(t.Context(), c.store, walkKey)
		if err == nil {
			_, err = c.store.Swap(t.Context(), walkKey, v, []byte(text))
		}
		if err != nil {
			t.Fatal(err)
		}
		if !walks(t, b, false) || walks(t, a, false) {
			t.Errorf("%s: nobody walks, or both", text)
		}
	}
}

// A turn that is under way is left alone until it is silent; what broke off is
// tried again by whoever looks next.
func TestTurnsThatBreakOff(t *testing.T) {
	c := newTeam()
	a, b := c.member("a"), c.member("b")
	err := a.do(t.Context(), false, func(context.Context) error {
		if walks(t, b, false) {
			t.Error("two at once")
		}
		c.now = c.now.Add(turnSilent) // a is frozen
		if !walks(t, b, false) {
			t.Error("nobody takes over")
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	c.now = c.now.Add(time.Hour)
	if walks(t, a, false) || walks(t, b, false) {
		t.Error("walked again within a day")
	}
	c.now = c.now.Add(daily)
	fault := errors.New("no")
	if err := a.do(t.Context(), false, func(context.Context) error { return fault }); !errors.Is(err, fault) {
		t.Error(err)
	}
	if !walks(t, b, false) {
		t.Error("what failed is not tried again")
	}
	c.now = c.now.Add(daily)
	c.broken = true
	if err := a.do(t.Context(), true, func(context.Context) error { return nil }); err == nil || !strings.Contains(err.Error(), "whose turn it is") {
		t.Errorf("a store that does not answer: %v", err)
	}
}

// Who was taken over from stops, without an error.
func TestTurnLost(t *testing.T) {
	c := newTeam()
	a, b := c.member("a"), c.member("b")
	a.beat = time.Millisecond
	err := a.do(t.Context(), false, func(ctx context.Context) error {
		time.Sleep(20 * time.Millisecond) // some beats of its own lose nothing
		if ctx.Err() != nil {
			t.Error("lost for nothing")
		}
		if !walks(t, b, true) {
			t.Error("b must, and does not")
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Second):
			return errors.New("goes on beside b")
		}
	})
	if err != nil {
		t.Error(err)
	}
	if walks(t, a, false) {
		t.Error("what b did is done again")
	}
}
