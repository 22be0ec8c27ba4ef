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

// storage asks whether what the service keeps has a place, and for how long.
func storage(d *operationsData) part {
	w := d.w
	disk, disks := off("Not known"), []plotSeries{}
	for _, volume := range w.Values("discsafe_disk_free_bytes") {
		disks = append(disks, level(volume, w.Least("discsafe_disk_free_bytes", volume)))
		free := w.Last("discsafe_disk_free_bytes", volume)
		least := 0.0
		if d.status.Disk != nil {
			least = float64(d.status.Disk.LeastBytes)
		}
		switch {
		case math.IsNaN(free):
		case free < least:
			disk = bad(volume + ": nothing is taken in")
		case free < diskNeedBytes && disk.Kind != "bad":
			disk = bad(volume + " is low")
		case disk.Kind == "off":
			disk = good("Enough on every volume")
		}
	}
	if len(disks) == 0 {
		disks = []plotSeries{level("store", w.Least("discsafe_disk_free_bytes", "store"))}
	}
	kept := good("Nothing is overdue")
	switch behind := w.Last("discsafe_retention_behind_seconds", ""); {
	case math.IsNaN(behind):
		kept = off("Not known")
	case behind > limitRetentionS:
		kept = look("Behind by " + secondsWords(behind))
	case behind > 0:
		kept = good("At it")
	}
	return ask("storage", "Does the storage hold?", [3]string{"Yes", "For now", "No"}, []plotSpec{
		{ID: "disk", Title: "Disk free", What: "Least in the bin, by volume", Unit: unitBytes, State: disk, Limit: diskNeedBytes, Least: true, LimitWord: "Two of the largest jobs need",
			Lines: disks, Runbook: []string{"disk-low", "disk-filling"}},
		{ID: "retention", Title: "Jobs past their time", What: "For how long the oldest should have been deleted", Unit: unitSeconds, State: kept, Limit: limitRetentionS, LimitWord: "Limit",
			Lines: []plotSeries{level("oldest", w.Greatest("discsafe_retention_behind_seconds", ""))}, Runbook: []string{"retention-behind"}},
		writes(d),
	}, w)
}

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
