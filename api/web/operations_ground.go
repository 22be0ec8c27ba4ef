package web

import (
	"fmt"
	"math"
	"time"

	"discsafe/api/v1"
)

// What the service stands on: volumes, uploads that come in, clocks. Thresholds
// are those of the alerts, see operations_parts.go.
const (
	limitWriteS  = 1    // disk-slow
	limitSilentS = 3600 // uploads-stuck
	limitClockS  = 60   // clock-off
)

// writes plots how long trial writes take.
func writes(d *operationsData) plotSpec {
	w := d.w
	s := plotSpec{ID: "writes", Title: "Trial writes", What: "A small write every 10 s, until it is on the medium; the longest in the bin, by volume", Unit: unitSeconds,
		State: off("Not known"), Limit: limitWriteS, LimitWord: "Slow from", Runbook: []string{"not-writable", "disk-slow"}}
	for _, volume := range w.Values("discsafe_disk_write_seconds") {
		s.Lines = append(s.Lines, level(volume, w.Greatest("discsafe_disk_write_seconds", volume)))
		took, taken := w.Last("discsafe_disk_write_seconds", volume), w.Last("discsafe_disk_writable", volume)
		switch {
		case math.IsNaN(took):
		case taken == 0:
			s.State = bad(volume + " cannot be written")
		case took > limitWriteS && s.State.Kind != "bad":
			s.State = look(volume + " is slow")
		case s.State.Kind == "off":
			s.State = good("Taken, and fast enough")
		}
	}
	if len(s.Lines) == 0 {
		s.Lines = []plotSeries{level("store", w.Greatest("discsafe_disk_write_seconds", "store"))}
	}
	return s
}

// silentUploads plots for how long an unfinished upload has had no byte.
func silentUploads(d *operationsData) plotSpec {
	w := d.w
	n, silent := w.Last("discsafe_uploads_unfinished", ""), w.Last("discsafe_upload_silent_seconds", "")
	s := plotSpec{ID: "uploads", Title: "Unfinished uploads", What: "Time since the last byte of the one that is silent longest", Unit: unitSeconds,
		State: off("Not known"), Limit: limitSilentS, LimitWord: "Limit", Lines: []plotSeries{level("silent for", w.Greatest("discsafe_upload_silent_seconds", ""))}, Runbook: []string{"uploads-stuck"}}
	switch {
	case math.IsNaN(n):
	case n == 0:
		s.State = good("None")
	case silent > limitSilentS:
		s.State = look(fmt.Sprintf("%.0f, one silent beyond the limit", n))
	default:
		s.State = good(fmt.Sprintf("%.0f under way", n))
	}
	return s
}

// ground lets what no plot shows answer what broke: the broker, workers that fell
// silent with their jobs, and clocks.
func ground(d *operationsData, broke *part) {
	if d.status.Queue == nil {
		broke.atLeast(bad("Badly"))
	}
	some := d.status.Jobs.Lost > 0
	for _, m := range d.members {
		some = some || m.Silent || m.Clock != nil
	}
	if some {
		broke.atLeast(look("Something"))
	}
}

// clockBadge says that a worker's clock is off; nil if it is not.
func clockBadge(m *v1.Member) *badge {
	if math.Abs(m.AheadS) <= limitClockS {
		return nil
	}
	word := "ahead"
	if m.AheadS < 0 {
		word = "behind"
	}
	b := look("Clock " + spanWords(time.Duration(math.Abs(m.AheadS)*float64(time.Second))) + " " + word)
	return &b
}
