package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// row is a line of a table: what, and how it is told of one scale.
type row struct {
	what string
	of   func(need) string
}

func tables(in inputs, seen measurement, sides []float64) (string, error) {
	m, err := in.side()
	if err != nil {
		return "", err
	}
	needs := make([]need, len(sides))
	for i, s := range sides {
		if needs[i], err = plan(in, s); err != nil {
			return "", err
		}
	}
	var b strings.Builder
	b.WriteString(seen.tables(in))
	b.WriteString("\n" + in.table(m))
	for _, t := range []struct {
		title string
		rows  []row
	}{
		{"Work", work(in)}, {"Broker and store", traffic()}, {"Bytes", volume(in)}, {"Walks", walked(in)},
	} {
		fmt.Fprintf(&b, "\n| %s |", t.title)
		for _, n := range needs {
			fmt.Fprintf(&b, " %s a day |", number(n.sidesPerDay))
		}
		b.WriteString("\n|---|" + strings.Repeat("---:|", len(needs)) + "\n")
		for _, r := range t.rows {
			fmt.Fprintf(&b, "| %s |", r.what)
			for _, n := range needs {
				fmt.Fprintf(&b, " %s |", r.of(n))
			}
			b.WriteString("\n")
		}
	}
	return b.String(), nil
}

func (in inputs) table(m perSide) string {
	var b strings.Builder
	b.WriteString("| Input | value | whence |\n|---|---:|---|\n")
	line := func(what, value, whence string) { fmt.Fprintf(&b, "| %s | %s | %s |\n", what, value, whence) }
	for _, k := range in.kinds {
		line(k.name+": share of sides", percent(k.share), "assumed")
		line(k.name+": processor seconds for a minute of side", number(k.cpuPerMinute), "measured")
		line(k.name+": MB of mix, MB of result for a minute", number(k.mixMB)+", "+number(k.resultMB), "measured")
	}
	line("minutes a side, mixes a side", number(in.minutesPerSide)+", "+number(in.mixesPerSide), "assumed")
	line("busiest hour by mean hour", number(in.peakFactor), "assumed")
	line("attempts per job, dead letters per job", number(in.attemptsPerJob)+", "+number(in.deadShare), "assumed")
	line(fmt.Sprintf("jobs that wait at most %s s", number(in.targetWaitS)), "at least "+percent(in.targetShare), "wanted")
	line("slots busy in the busiest hour", "at most "+percent(in.utilisation), "wanted")
	line("retention, tombstones, leftovers looked for, days", number(in.retentionDays)+", "+number(in.tombstoneDays)+", "+number(in.tidyDays), "assumed; code; code")
	line("clock by processor seconds with all slots busy", number(in.stretch), "assumed")
	line("processor seconds a job beside preparing", number(in.overheadS), "estimated")
	line("MB/s between a worker's slot and the store", number(in.transferMBs), "assumed")
	line("cores and GB of a machine, MB of a slot", number(in.coresPerMachine)+", "+number(in.memoryGB)+", "+number(in.slotMB), "assumed; slot: kubernetes/worker.yaml")
	line("AckWait, sweep, poll of the queue, s", number(in.ackWaitS)+", "+number(in.sweepS)+", "+number(in.pollS), "defaults in the code")
	line("beat to a record, pass of the reconciler, s", number(in.beatS)+", "+number(in.passS), "defaults in the code")
	line("API processes, studios busy at a time", number(in.apis)+", "+number(in.busyStudios), "assumed")
	line("result files, of them above one part of "+number(in.partMB)+" MB", number(in.resultFiles)+", "+number(in.bigResultFiles), "measured; code")
	line("one request to object storage, ms", number(in.storeMS), "assumed")
	line("retention works, share of the time; records that the daily walk and a pass read at a time", percent(in.retainShare)+", "+number(in.walkAtOnce), "code")
	line("memory of an API, MB: resident, limit", number(in.apiMB)+", "+number(in.apiMemoryMB), "measured; kubernetes/api.yaml")
	line("requests to the store for a job, and for each of its mixes, but for beats and parts", number(in.requestsPerJob)+", "+number(in.requestsPerMix), "measured")
	line("messages of the broker for a job, but for heartbeats and what others hear", number(in.messagesPerJob), "code")
	line("an idle API: requests, messages a second", number(in.apiIdleRequests)+", "+number(in.apiIdleMessages), "measured")
	line("an idle worker process: requests, messages a second", number(in.workerIdleRequests)+", "+number(in.workerIdleMessages), "measured")
	line("bytes of a record", number(in.recordBytes), "measured")
	line("requests to delete a job, and two weeks later its tombstone", number(in.expirePerJob)+", "+number(in.layPerJob), "measured")
	line("requests of the daily walk for a record; bytes it keeps for each plan and mix", number(in.walkPerRecord)+"; "+number(in.usesBytes), "measured")
	line("**mean side:** processor seconds; MB of mix, of result", fmt.Sprintf("%s; %s, %s", number(m.cpuS), number(m.mixMB), number(m.resultMB)), "computed")
	return b.String()
}

func work(in inputs) []row {
	return []row{
		{"attempts in the busiest hour", func(n need) string { return number(n.peakPerHour) }},
		{"seconds an attempt holds a slot", func(n need) string { return number(n.serviceS) }},
		{"cores busy, mean of the day", func(n need) string { return number(n.coresMean) }},
		{"cores busy, busiest hour", func(n need) string { return number(n.coresPeak) }},
		{"slots busy, busiest hour (Erlang)", func(n need) string { return number(n.load) }},
		{"**worker slots**", func(n need) string { return "**" + number(n.slots) + "**" }},
		{"jobs that wait at all", func(n need) string { return percent(n.waitShare) }},
		{fmt.Sprintf("jobs that wait at most %s s", number(in.targetWaitS)), func(n need) string { return percent(n.inTime) }},
		{"**machines for workers**", func(n need) string { return "**" + number(n.machines) + "**" }},
	}
}

func traffic() []row {
	return []row{
		{"broker messages for one job", func(n need) string { return number(n.brokerJob) }},
		{"broker messages a second, busiest hour", func(n need) string { return number(n.brokerRate) }},
		{"store requests for one job", func(n need) string { return number(n.storeJob) }},
		{"store requests a second for jobs, busiest hour", func(n need) string { return number(n.storeJobs) }},
		{"store requests a second of idle processes, passes and walks", func(n need) string { return number(n.storeIdle) }},
	}
}

func volume(in inputs) []row {
	return []row{
		{"mixes, GB a day", func(n need) string { return number(n.mixGB) }},
		{"results, GB a day", func(n need) string { return number(n.resultGB) }},
		{fmt.Sprintf("kept after %s days, TB", number(in.retentionDays)), func(n need) string { return number(n.keptTB) }},
		{"network, MB/s, mean of the day", func(n need) string { return number(n.networkMean) }},
		{"network, MB/s, busiest hour", func(n need) string { return number(n.networkPeak) }},
	}
}

func walked(in inputs) []row {
	return []row{
		{"records in the store", func(n need) string { return number(n.records) }},
		{"their bytes, GB", func(n need) string { return number(n.recordsGB) }},
		{fmt.Sprintf("a pass of the reconciler, due every %s s", number(in.passS)), func(n need) string { return span(n.passS) }},
		{"retention, of the " + span(in.retainShare*daySeconds) + " a day that it may work", func(n need) string { return span(n.expireS) }},
		{"jobs that one process can delete in a day", func(n need) string { return number(math.Round(n.expiryMost/1000) * 1000) }},
		{"the walk over all records, due every day", func(n need) string { return span(n.rebuildS) }},
		{"what it keeps in memory, MB", func(n need) string { return number(n.usesMB) }},
		{"of the jobs past retention, deleted in time", func(n need) string { return percent(n.expiryShare) }},
		{fmt.Sprintf("without any worker, the cap of %s open jobs is met after", number(backlogMost)), func(n need) string { return span(n.backlogHours * hourSeconds) }},
	}
}

// number tells three digits, or all of a whole number.
func number(v float64) string {
	if v == 0 {
		return "0"
	}
	digits := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	if v == math.Trunc(v) {
		digits = 0
	} else if digits < 0 {
		p := math.Pow(10, float64(digits))
		v, digits = math.Round(v*p)/p, 0
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	whole, rest, dot := strings.Cut(s, ".")
	for at := len(whole) - 3; at > 0; at -= 3 {
		whole = whole[:at] + "," + whole[at:]
	}
	if rest = strings.TrimRight(rest, "0"); dot && rest != "" {
		whole += "." + rest
	}
	return whole
}

func percent(v float64) string {
	// A share below the whole is not told as the whole, nor a small one as none.
	switch {
	case v < 1 && v >= 0.9995:
		return "> 99.9 %"
	case v > 0 && v < 0.0005:
		return "< 0.1 %"
	}
	return number(math.Round(v*1000)/10) + " %"
}

func span(s float64) string {
	day := (24 * time.Hour).Seconds()
	switch {
	case s < 120:
		return number(s) + " s"
	case s < 2*hourSeconds:
		return number(s/60) + " min"
	case s < 2*day:
		return number(s/hourSeconds) + " h"
	}
	return number(s/day) + " days"
}
