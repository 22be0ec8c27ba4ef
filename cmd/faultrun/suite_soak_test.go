package main

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"discsafe/cmd/faultrun/lab"
)

// sampled is what would have been seen of a process whose memory breathes by 6 MB
// in a period of 70 s and that gains so much an hour on top.
func sampled(span time.Duration, rssMBPerHour, goroutinesPerHour float64) *watched {
	w := &watched{tH: map[string][]float64{}, held: map[string][]lab.Held{}, order: []string{"api-0"}}
	r := rand.New(rand.NewPCG(3, 4))
	for at := time.Duration(0); at < span; at += sampleEvery {
		breath := 6 * math.Mod(at.Seconds(), 70) / 70
		w.tH["api-0"] = append(w.tH["api-0"], at.Hours())
		w.held["api-0"] = append(w.held["api-0"], lab.Held{Process: "api-0", FDs: 15 + r.IntN(3), Goroutines: 25 + r.IntN(8) + int(goroutinesPerHour*at.Hours()),
			RSSBytes: int64((50 + breath + rssMBPerHour*at.Hours() + r.Float64()) * mb)})
	}
	return w
}

func TestVerdictTellsLeaksFromBreath(t *testing.T) {
	for _, c := range []struct {
		name                    string
		span                    time.Duration
		rssMBPerHour, goroutine float64
		want                    string // "": nothing is wrong
	}{
		{"an hour, flat", 50 * time.Minute, 0, 0, ""},
		{"an hour, 2 MB/h", 50 * time.Minute, 2, 0, "resident memory rises"},
		{"an hour, one goroutine in a minute", 50 * time.Minute, 0, 60, "goroutines rise"},
		{"ten minutes, flat", 450 * time.Second, 0, 0, ""},
		{"ten minutes, what they cannot tell", 450 * time.Second, 5, 0, ""},
		{"ten minutes, 150 MB/h", 450 * time.Second, 150, 0, "resident memory rises"},
		{"ten minutes, one goroutine in ten seconds", 450 * time.Second, 0, 360, "goroutines rise"},
		{"too few samples", 30 * time.Second, 0, 0, "too few samples"},
	} {
		_, bad := sampled(c.span, c.rssMBPerHour, c.goroutine).judge(c.span)
		got := strings.Join(bad, "; ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestQuietTellsWhatDidNotComeBack(t *testing.T) {
	before := []lab.Held{{Process: "api-0", FDs: 12, Goroutines: 20}, {Process: "worker-0", FDs: 9, Goroutines: 15}}
	if got := moreThan(before, before); len(got) != 0 {
		t.Errorf("of itself: %v", got)
	}
	after := []lab.Held{{Process: "api-0", FDs: 12 + quietFDs + 1, Goroutines: 20}}
	got := strings.Join(moreThan(before, after), "; ")
	if !strings.Contains(got, "api-0 holds 17 descriptors") || !strings.Contains(got, "worker-0 is gone") {
		t.Errorf("%q", got)
	}
}

func TestSoakOptionsAreHeld(t *testing.T) {
	for _, o := range []soakOptions{{span: time.Second, topology: "apart"}, {span: time.Hour, topology: "heap"}} {
		if o.check() == nil {
			t.Errorf("%+v is taken", o)
		}
	}
	if err := (soakOptions{span: time.Hour, topology: "both"}).check(); err != nil {
		t.Error(err)
	}
	if warmup(time.Hour) != 10*time.Minute || warmup(10*time.Minute) != 150*time.Second {
		t.Errorf("warm-up of an hour %v, of ten minutes %v", warmup(time.Hour), warmup(10*time.Minute))
	}
}

func TestCapacityFollowsTheMachine(t *testing.T) {
	now := time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)
	var ended []time.Time
	var busy []busyAt
	for at := now.Add(-10 * time.Minute); at.Before(now); at = at.Add(5 * time.Second) {
		busy = append(busy, busyAt{at, soakSlots * 0.4})
		ended = append(ended, at) // 12 a minute
	}
	// Twelve a minute in 0.4 of the slot time: thirty could be; one sample more or less does no harm.
	if got := capacityNow(now, ended, busy, 7); math.Abs(got-30) > 0.5 {
		t.Errorf("%v jobs a minute, want 30", got)
	}
	for name, got := range map[string]float64{
		"no samples": capacityNow(now, ended, nil, 7), "few jobs": capacityNow(now, ended[:3], busy, 7), "just begun": capacityNow(now, ended, busy[len(busy)-20:], 7),
	} {
		if got != 7 {
			t.Errorf("%s: %v, want what was measured first", name, got)
		}
	}
}
