package roster_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"discsafe/worker/roster"
	"discsafe/worker/store/mem"

	"github.com/google/go-cmp/cmp"
)

type house struct {
	*roster.Roster
	store *mem.Store
	at    time.Time
	fault error
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{at: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	h.store = mem.New(mem.Options{Now: func() time.Time { return h.at }, Fault: func(string, string) error { return h.fault }})
	h.Roster = roster.New(h.store, func() time.Time { return h.at })
	return h
}

func (h *house) tell(t *testing.T, name string) {
	t.Helper()
	if err := h.Tell(t.Context(), roster.Member{Name: name, Version: "1", Slots: 2, Running: 1}); err != nil {
		t.Fatal(err)
	}
}

func (h *house) names(t *testing.T) string {
	t.Helper()
	all, err := h.List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, m := range all {
		if m.Mark != nil {
			m.Name += "*"
		}
		if m.Silent {
			m.Name += "?"
		}
		out = append(out, m.Name)
	}
	return strings.Join(out, " ")
}

func (h *house) asked(t *testing.T, name string) bool {
	t.Helper()
	drain, err := h.Asked(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return drain
}

// A mark reaches the worker that it names and no other, and is taken off again.
func TestDrainAndResume(t *testing.T) {
	h := newHouse(t)
	h.tell(t, "one-1")
	h.tell(t, "two-2")
	if err := h.Drain(t.Context(), "two-2", "operator"); err != nil {
		t.Fatal(err)
	}
	first, err := h.List(t.Context())
	want := []roster.Member{{Name: "one-1", Version: "1", Slots: 2, Running: 1, At: h.at},
		{Name: "two-2", Version: "1", Slots: 2, Running: 1, At: h.at, Mark: &roster.Mark{By: "operator", At: h.at}}}
	if d := cmp.Diff(want, first); err != nil || d != "" {
		t.Fatalf("%v, want - got +:\n%s", err, d)
	}
	if h.asked(t, "one-1") || !h.asked(t, "two-2") {
		t.Error("the mark reached the wrong worker")
	}
	// Again, by somebody else: who was first stands.
	h.at = h.at.Add(time.Second)
	if err := h.Drain(t.Context(), "two-2", "another"); err != nil {
		t.Fatal(err)
	}
	if again, err := h.List(t.Context()); err != nil || again[1].Mark.By != "operator" {
		t.Errorf("%+v %v", again, err)
	}
	for range 2 { // the second time there is nothing to take off
		if err := h.Resume(t.Context(), "two-2"); err != nil {
			t.Fatal(err)
		}
	}
	if h.asked(t, "two-2") {
		t.Error("still asked to drain")
	}
}

func TestWhoIsNotThere(t *testing.T) {
	h := newHouse(t)
	h.tell(t, "one-1")
	for _, name := range []string{"", "two-2", "../record/x", "one-1/x", "one 1", strings.Repeat("a", 64), "one\x00", "ö"} {
		if err := h.Drain(t.Context(), name, "operator"); !errors.Is(err, roster.ErrUnknown) {
			t.Errorf("drain %q: %v", name, err)
		}
		if err := h.Resume(t.Context(), name); !errors.Is(err, roster.ErrUnknown) {
			t.Errorf("resume %q: %v", name, err)
		}
	}
	if got := h.names(t); got != "one-1" {
		t.Errorf("%q", got)
	}
}

// Who is silent is shown as such for an hour; who left takes the mark along, so that no later
// process of that name starts out drained.
func TestLeaving(t *testing.T) {
	h := newHouse(t)
	h.tell(t, "gone")
	h.tell(t, "left")
	if err := errors.Join(h.Drain(t.Context(), "gone", "op"), h.Drain(t.Context(), "left", "op"), h.Leave(t.Context(), "left")); err != nil {
		t.Fatal(err)
	}
	if got := h.names(t); got != "gone*" {
		t.Errorf("after leaving: %q", got)
	}
	if h.asked(t, "left") {
		t.Error("the mark stayed")
	}
	h.at = h.at.Add(roster.Silent + time.Second)
	h.tell(t, "here")
	if got := h.names(t); got != "gone*? here" {
		t.Errorf("after silence: %q", got)
	}
	h.at = h.at.Add(roster.Missed)
	h.tell(t, "here")
	if got := h.names(t); got != "here" {
		t.Errorf("after an hour: %q", got)
	}
	h.at = h.at.Add(-2*roster.Silent - roster.Missed) // a clock that is set back hides nobody
	if got := h.names(t); got != "gone* here" {
		t.Errorf("after a step back: %q", got)
	}
}

func TestSweep(t *testing.T) {
	h := newHouse(t)
	h.tell(t, "gone")
	if err := h.Drain(t.Context(), "gone", "op"); err != nil {
		t.Fatal(err)
	}
	h.at = h.at.Add(25 * time.Hour)
	h.tell(t, "here")
	if err := h.Drain(t.Context(), "here", "op"); err != nil {
		t.Fatal(err)
	}
	if n, err := h.Sweep(t.Context()); n != 2 || err != nil {
		t.Errorf("%d swept, %v; want the member and its mark", n, err)
	}
	if n, err := h.Sweep(t.Context()); n != 0 || err != nil {
		t.Errorf("then %d, %v", n, err)
	}
	if !h.asked(t, "here") || h.asked(t, "gone") {
		t.Error("the wrong mark went")
	}
}

// A mark that cannot be read is obeyed; a member that cannot be read hides
// itself and nobody else; a store that does not answer is told.
func TestDamage(t *testing.T) {
	h := newHouse(t)
	h.tell(t, "one-1")
	for _, key := range []string{"drain/one-1", "roster/bad", "roster/other"} {
		data := []byte("{")
		if key == "roster/other" {
			data = []byte(`{"name":"one-1","at":"2026-03-01T12:00:00Z"}`) // says that it is somebody else
		}
		if _, err := h.store.Swap(t.Context(), key, "", data); err != nil {
			t.Fatal(err)
		}
	}
	if !h.asked(t, "one-1") {
		t.Error("a damaged mark was not obeyed")
	}
	if got := h.names(t); got != "one-1*" {
		t.Errorf("%q", got)
	}
	h.fault = errors.New("the volume is gone")
	if err := h.Tell(context.Background(), roster.Member{Name: "one-1"}); err == nil {
		t.Error("a store that fails was not told of")
	}
}

// A worker whose clock is off stands in the list as long as it tells, with how
// far it is off.
func TestClockThatIsOff(t *testing.T) {
	for _, ahead := range []time.Duration{-10 * time.Minute, 0, 3 * time.Minute} {
		h := newHouse(t)
		own := roster.New(h.store, func() time.Time { return h.at.Add(ahead) })
		if err := own.Tell(t.Context(), roster.Member{Name: "one-1"}); err != nil {
			t.Fatal(err)
		}
		all, err := h.List(t.Context())
		if err != nil || len(all) != 1 || all[0].ClockAhead != ahead {
			t.Errorf("%v ahead: %+v, %v", ahead, all, err)
		}
		h.at = h.at.Add(max(0, ahead) + roster.Silent + time.Second)
		if got := h.names(t); got != "one-1?" {
			t.Errorf("%v ahead, and silent: %q", ahead, got)
		}
	}
}
