package web

import (
	"fmt"
	"math"
	"time"

	"discsafe/api/v1"
)

// badge is a state or a verdict: a word, a shape and a colour, so that none of
// them is needed alone. Kind names shape and colour.
type badge struct{ Word, Kind string }

// choice is one value of a filter.
type choice struct {
	Value, Word string
	On          bool
}

var stateBadges = map[string]badge{
	"accepted":  {"Waiting", "wait"},
	"running":   {"Running", "run"},
	"done":      {"Done", "good"},
	"failed":    {"Failed", "bad"},
	"cancelled": {"Cancelled", "off"},
	"dead":      {"Given up", "bad"},
}

var stateOrder = []string{"accepted", "running", "done", "failed", "cancelled", "dead"}

var verdictBadges = map[string]badge{
	"ready":     {"Ready", "good"},
	"attention": {"Attention", "look"},
	"blocked":   {"Blocked", "bad"},
}

var verdictOrder = []string{"ready", "attention", "blocked"}

func stateBadge(s string) badge {
	if b, ok := stateBadges[s]; ok {
		return b
	}
	return badge{s, "off"}
}

// verdictBadge is the verdict of a job; nil if it has none.
func verdictBadge(j *v1.Job) *badge {
	if j.Verdict == "" {
		return nil
	}
	b, ok := verdictBadges[j.Verdict]
	if !ok {
		b = badge{j.Verdict, "off"}
	}
	return &b
}

func choices(order []string, words map[string]badge, on string) []choice {
	var out []choice
	for _, v := range order {
		out = append(out, choice{v, words[v].Word, v == on})
	}
	return out
}

// stamp is a time as people read it, with the exact one behind it.
type stamp struct{ ISO, Exact, Ago string }

func stampOf(t, now time.Time) *stamp {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &stamp{t.Format(time.RFC3339), t.Format("2006-01-02 15:04:05") + " UTC", agoWords(now.Sub(t))}
}

func agoWords(d time.Duration) string {
	form := "%s ago"
	if d < 0 {
		d, form = -d, "in %s"
	}
	if d < 45*time.Second {
		return "just now"
	}
	return fmt.Sprintf(form, spanWords(d))
}

// spanWords rounds to what matters.
func spanWords(d time.Duration) string {
	one := func(n float64, unit, units string) string {
		if n = math.Round(n); n == 1 {
			return "1 " + unit
		}
		return fmt.Sprintf("%.0f %s", n, units)
	}
	switch {
	case d < 99500*time.Millisecond:
		return one(d.Seconds(), "s", "s")
	case d < 90*time.Minute:
		return one(d.Minutes(), "min", "min")
	case d < 36*time.Hour:
		return one(d.Hours(), "h", "h")
	}
	return one(d.Hours()/24, "day", "days")
}

// lengthWords is a length of programme, minutes and seconds.
func lengthWords(s float64) string {
	if s <= 0 || math.IsNaN(s) || s > 1e7 {
		return ""
	}
	n := int(math.Round(s))
	return fmt.Sprintf("%d:%02d", n/60, n%60)
}

// bytesWords is a size in decimal units, as disks and browsers count.
func bytesWords(n int64) string {
	f, units := float64(n), []string{"bytes", "kB", "MB", "GB", "TB"}
	i := 0
	for ; f >= 999.5 && i < len(units)-1; i++ {
		f /= 1000
	}
	if i == 0 || f >= 99.95 {
		return fmt.Sprintf("%.0f %s", f, units[i])
	}
	return fmt.Sprintf("%.1f %s", f, units[i])
}
