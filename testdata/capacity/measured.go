package main

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
)

// measuredJSON holds what walks, reconcile and wire printed, and what was read
// of processes by hand; deploy/capacity.md says how.
//
//go:embed measured.json
var measuredJSON []byte

// measurement is everything that was measured but the sound.
type measurement struct {
	Walks struct {
		Before []walkRow `json:"before"` // when retention walked over records
		After  []walkRow `json:"after"`
	} `json:"walks"`
	Reconcile []walkRow     `json:"reconcile"`
	Wire      []wireRow     `json:"wire"`
	Resident  []residentRow `json:"resident"`
}

// residentRow is the most memory of a service in one process, in the minutes of
// its first walk.
type residentRow struct {
	Records  int     `json:"records"`
	BeforeMB float64 `json:"before_mb"`
	AfterMB  float64 `json:"after_mb"`
}

func load() (m measurement, err error) { return m, json.Unmarshal(measuredJSON, &m) }

// into fills in the inputs that follow from it.
func (m *measurement) into(in *inputs) error {
	most := 0
	for _, r := range m.Walks.After {
		if r.Records < most {
			continue
		}
		n := float64(r.Operations)
		switch r.What {
		case walkDue:
			in.expirePerJob = n / float64(r.Jobs)
		case walkLay:
			in.layPerJob = n / float64(r.Jobs)
		case walkDaily:
			most = r.Records
			in.walkPerRecord = n / float64(r.Records)
			// A tombstone names no keys.
			in.usesBytes = r.HeapMB * 1e6 / (float64(r.Records) * (1000 - sharesTombstones) / 1000 * (wireMixes + 1))
		}
	}
	if len(m.Wire) < 2 || most == 0 || in.layPerJob == 0 {
		return errors.New("measured.json: walks or wires are missing")
	}
	// Of sides whose mixes are large enough to be sent by a resumable upload, as real
	// ones are: one of many mixes and one of one. More requests than these grow with
	// length and size.
	a, b := m.Wire[0], m.Wire[1]
	rest := func(r wireRow) float64 { return r.Requests - in.growing(r.Tracks, r.MixMB, r.ResultMB, r.HeldS) }
	in.requestsPerMix = (rest(a) - rest(b)) / float64(a.Tracks-b.Tracks)
	in.requestsPerJob = rest(a) - float64(a.Tracks)*in.requestsPerMix
	for _, r := range m.Wire {
		k := float64(len(m.Wire))
		in.recordBytes = max(in.recordBytes, r.RecordBytes)
		in.apiMB = max(in.apiMB, r.APIMB)
		in.apiIdleRequests += r.APIIdle.Requests / k
		in.apiIdleMessages += r.APIIdle.Messages / k
		in.workerIdleRequests += r.WorkerIdle.Requests / k
		in.workerIdleMessages += r.WorkerIdle.Messages / k
	}
	return nil
}

// growing are the requests of a job that follow from its length and size: two a
// beat, and those of parts beyond the first request of a file.
func (in inputs) growing(mixes int, mixMB, resultMB, heldS float64) float64 {
	n := 2*math.Floor(heldS/in.beatS) + in.bigResultFiles*(in.put(resultMB/in.bigResultFiles)-1)
	if mixes > 0 {
		n += float64(mixes) * (in.put(mixMB/float64(mixes)) - 1)
	}
	return n
}

// messages are those of a job of one API and one worker, by the code: both hear
// of it, and the worker says that it works on it.
func (in inputs) messages(heldS float64) float64 {
	return in.messagesPerJob + 2 + 2*math.Floor(heldS/(in.ackWaitS/3))
}

// tables are what was measured, as deploy/capacity.md tells it.
func (m *measurement) tables(in inputs) string {
	var b strings.Builder
	cell := func(rows []walkRow, records int, names ...string) string {
		for _, r := range rows {
			for _, name := range names {
				if r.What == name && r.Records == records {
					return fmt.Sprintf("%s; %s", number(float64(r.Operations)), span(r.Seconds))
				}
			}
		}
		return "-"
	}
	b.WriteString("| Store operations; time, of records in a file store | 10,000 before | 10,000 now | 100,000 before | 100,000 now |\n|---|---:|---:|---:|---:|\n")
	for _, r := range [][]string{{walkDue}, {walkNone}, {"the hourly walk: which mixes are used"}, {walkDaily, "the daily walk: markers"}} {
		fmt.Fprintf(&b, "| %s |", r[0])
		for _, n := range []int{10_000, 100_000} {
			fmt.Fprintf(&b, " %s | %s |", cell(m.Walks.Before, n, r...), cell(m.Walks.After, n, r...))
		}
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "| a pass of the reconciler, %s open jobs, none without a message | | %s | | |\n", number(openRecords), cell(m.Reconcile, openRecords, passQuiet))
	fmt.Fprintf(&b, "| the same when the broker has lost all messages | | %s | | |\n", cell(m.Reconcile, openRecords, passRings))
	b.WriteString("| resident memory of a service in its first minutes, MB |")
	for _, r := range m.Resident {
		fmt.Fprintf(&b, " %s | %s |", number(r.BeforeMB), number(r.AfterMB))
	}
	b.WriteString("\n\n| One job on the wires, an API and a worker of one slot |")
	for _, r := range m.Wire {
		fmt.Fprintf(&b, " %d x %s s |", r.Tracks, number(r.TrackS))
	}
	b.WriteString("\n|---|" + strings.Repeat("---:|", len(m.Wire)) + "\n")
	for _, r := range []struct {
		what string
		of   func(wireRow) float64
	}{
		{"MB of mixes", func(r wireRow) float64 { return r.MixMB }},
		{"MB of results", func(r wireRow) float64 { return r.ResultMB }},
		{"seconds an attempt held the slot, on a busy machine", func(r wireRow) float64 { return r.HeldS }},
		{"**requests to the store**", func(r wireRow) float64 { return r.Requests }},
		{"of these by length and size, computed", func(r wireRow) float64 { return in.growing(r.Tracks, r.MixMB, r.ResultMB, r.HeldS) }},
		{"the plan's figure for such a job", func(r wireRow) float64 {
			return in.requestsPerJob + float64(r.Tracks)*in.requestsPerMix + in.growing(r.Tracks, r.MixMB, r.ResultMB, r.HeldS)
		}},
		{"**messages of the broker, in and out**", func(r wireRow) float64 { return r.Messages }},
		{"of these for the job itself, by the code", func(r wireRow) float64 { return in.messages(r.HeldS) }},
		{"bytes of the record when done", func(r wireRow) float64 { return r.RecordBytes }},
		{"resident memory of the API, MB", func(r wireRow) float64 { return r.APIMB }},
		{"of the worker without its job's process, MB", func(r wireRow) float64 { return r.WorkerMB }},
		{"idle: requests a second of the API", func(r wireRow) float64 { return r.APIIdle.Requests }},
		{"of the worker", func(r wireRow) float64 { return r.WorkerIdle.Requests }},
		{"idle: messages a second of the API", func(r wireRow) float64 { return r.APIIdle.Messages }},
		{"of the worker", func(r wireRow) float64 { return r.WorkerIdle.Messages }},
	} {
		fmt.Fprintf(&b, "| %s |", r.what)
		for _, w := range m.Wire {
			fmt.Fprintf(&b, " %s |", number(r.of(w)))
		}
		b.WriteString("\n")
	}
	return b.String()
}
