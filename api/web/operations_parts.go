package web

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"time"

	"discsafe/api/v1"
	"discsafe/worker/metrics"
)

// part is one question with its answer.
type part struct {
	ID, Question string
	Answer       badge
	Plots        []plot
}

// Levels of a plot's state.
func good(word string) badge { return badge{word, "good"} }
func look(word string) badge { return badge{word, "look"} }
func bad(word string) badge  { return badge{word, "bad"} }
func off(word string) badge  { return badge{word, "off"} }

// Thresholds. They are those of deploy/prometheus/rules/alerts.yml, so that the
// page and the alerts say the same, for one process: what wakes somebody there is
// bad here, what waits for the morning is to be looked at.
const (
	limitOldestS      = 900   // oldest-waiting
	limitPromiseS     = 120   // plus the length of the programme
	limitLateShare    = 0.144 // jobs-late-fast
	limitBreaking     = 2.5   // jobs-breaking, in an hour
	limitErrorShare   = 0.0144
	leastForShare     = 10  // events below which a share says nothing
	limitRealTime     = 10  // slow-passes
	limitSignInsPerS  = 1.0 // sign-in-flood
	limitRepeats      = 10  // redeliveries, in an hour
	limitRepeatsShare = 0.1
	limitRetentionS   = 6 * 3600
	diskNeedBytes     = 10e9 // disk-low
)

// ours are the reasons of failures that are not the studio's.
var ours = []string{"crashed", "internal", "out-of-memory", "stalled", "timed-out", "worker-lost", "input-missing", "input-damaged", "result-damaged"}

// operationsData is what the parts are made of: the window shown, and the last
// hour, by which the alerts go.
type operationsData struct {
	w, hour *metrics.Window
	status  v1.Status
	dead    int // jobs
	members []memberView
}

func ask(id, question string, words [3]string, specs []plotSpec, w *metrics.Window) part {
	p := part{ID: id, Question: question, Answer: good(words[0])}
	for _, s := range specs {
		d := draw(s, w.Span)
		switch s.State.Kind {
		case "bad":
			p.Answer = bad(words[2])
		case "look":
			if p.Answer.Kind != "bad" {
				p.Answer = look(words[1])
			}
		}
		p.Plots = append(p.Plots, d)
	}
	// One sample tells how things stand, but nothing that happened.
	if w.Samples < 2 && p.Answer.Kind == "good" {
		p.Answer = off("Not known yet")
	}
	return p
}

// atLeast makes the answer no better than a.
func (p *part) atLeast(a badge) {
	if p.Answer.Kind != "bad" && (a.Kind == "bad" || p.Answer.Kind != "look") {
		p.Answer = a
	}
}

// named makes lines of the greatest series of a family; the rest is one line.
func named(all []metrics.Named, bins int) []plotSeries {
	var out []plotSeries
	for i, n := range all {
		if len(all) <= mostPlotLines || i < mostPlotLines-1 {
			out = append(out, plotSeries{Name: n.Value, Points: n.Points, Now: math.NaN(), Sum: true})
			continue
		}
		if i == mostPlotLines-1 {
			out = append(out, plotSeries{Name: fmt.Sprintf("%d others", len(all)-i), Points: make([]float64, bins), Now: math.NaN(), Sum: true})
		}
		rest := out[len(out)-1].Points
		for j, v := range n.Points {
			rest[j] += v
		}
	}
	return out
}

// counted is a line of what happened in each bin.
func counted(name string, points []float64) plotSeries {
	return plotSeries{Name: name, Points: points, Now: math.NaN(), Sum: true}
}

// level is a line of what stands.
func level(name string, points []float64) plotSeries {
	return plotSeries{Name: name, Points: points, Now: math.NaN()}
}

// noneOf keeps a plot of a family that has not moved from being without a line.
func noneOf(lines []plotSeries, word string, w *metrics.Window, name string) []plotSeries {
	if len(lines) == 0 {
		return []plotSeries{counted(word, w.Increase(name, ""))}
	}
	return lines
}

func plus(a ...[]float64) []float64 {
	out := slices.Clone(a[0])
	for _, b := range a[1:] {
		for i, v := range b {
			out[i] += v
		}
	}
	return out
}

func rose(w *metrics.Window, name, value string) float64 {
	return metrics.Total(w.Increase(name, value))
}

func served(d *operationsData) part {
	w, each := d.w, "each "+binWords(d.w.Step)
	failed := w.Increases("discsafe_jobs_failed_total")
	broken := metrics.Total(d.hour.IncreaseOf("discsafe_jobs_failed_total", func(reason string) bool { return slices.Contains(ours, reason) }))
	reasons := good("None is ours")
	if broken > 0 {
		reasons = off(fmt.Sprintf("%.0f of ours in an hour", broken))
	}
	if broken > limitBreaking {
		reasons.Kind = "look"
	}
	oldest := w.Last("discsafe_oldest_waiting_seconds", "")
	wait := good("Within the limit")
	switch {
	case math.IsNaN(oldest):
		wait = off("Not known")
	case oldest > limitOldestS:
		wait = bad("Beyond the limit")
	case oldest > limitOldestS/3:
		wait = look("A third of the limit is passed")
	}
	p50, n := w.QuantileOfAll("discsafe_job_seconds", 0.5)
	p95, _ := w.QuantileOfAll("discsafe_job_seconds", 0.95)
	kept, late := rose(d.hour, "discsafe_jobs_promised_total", "yes"), rose(d.hour, "discsafe_jobs_promised_total", "no")
	promise := off("No job ended in an hour")
	switch {
	case kept+late >= leastForShare && late/(kept+late) > limitLateShare:
		promise = bad(fmt.Sprintf("%.0f %% late in an hour", 100*late/(kept+late)))
	case late > 0:
		promise = look(fmt.Sprintf("%.0f of %.0f late in an hour", late, kept+late))
	case kept > 0:
		promise = good("All in time")
	}
	through := fmt.Sprintf("From accepted to ended, of jobs that ended in the bin. In the window: median %s, p95 %s of %.0f jobs.", secondsWords(p50), secondsWords(p95), n)
	if n == 0 {
		through = "From accepted to ended, of jobs that ended in the bin. None did in the window."
	}
	return ask("served", "Are users served?", [3]string{"Yes", "Partly", "No"}, []plotSpec{
		{ID: "jobs", Title: "Jobs", What: "Jobs " + each, Unit: unitCount, State: off(""),
			Lines: []plotSeries{counted("accepted", w.Increase("discsafe_jobs_accepted_total", "")), counted("done", w.Increase("discsafe_jobs_completed_total", "")), counted("failed", w.IncreaseOf("discsafe_jobs_failed_total", nil))}, Runbook: []string{"oldest-waiting", "no-worker"}},
		{ID: "reasons", Title: "Failed, by reason", What: "Jobs " + each + "; cancelled ones too", Unit: unitCount, State: reasons,
			Lines: noneOf(named(failed, w.Bins), "failed", w, "discsafe_jobs_failed_total"), Runbook: []string{"jobs-breaking"}},
		{ID: "oldest", Title: "Age of the oldest waiting", What: "All processes", Unit: unitSeconds, State: wait, Limit: limitOldestS, LimitWord: "Limit",
			Lines: []plotSeries{level("oldest", w.Greatest("discsafe_oldest_waiting_seconds", ""))}, Runbook: []string{"oldest-waiting"}},
		{ID: "through", Title: "Time through the system", What: through, Unit: unitSeconds, State: promise, Limit: limitPromiseS, LimitWord: "Promise, besides the length of the programme",
			Lines: []plotSeries{level("median", w.Quantile("discsafe_job_seconds", 0.5)), level("p95", w.Quantile("discsafe_job_seconds", 0.95))}, Runbook: []string{"jobs-late-fast", "jobs-late-slow"}},
		silentUploads(d),
	}, w)
}

func slow(d *operationsData) part {
	w := d.w
	busy, paused := w.Greatest("discsafe_slots", "busy"), w.AtEnd("discsafe_slots", "paused")
	total := plus(w.AtEnd("discsafe_slots", "busy"), w.AtEnd("discsafe_slots", "free"), w.AtEnd("discsafe_slots", "paused"))
	nBusy, nFree, nPaused := w.Last("discsafe_slots", "busy"), w.Last("discsafe_slots", "free"), w.Last("discsafe_slots", "paused")
	slots := good("There is a free one")
	switch {
	case math.IsNaN(nBusy) || nBusy+nFree+nPaused == 0:
		slots = off("No worker in this process")
	case nBusy+nFree == 0:
		slots = bad("Nothing is fetched")
	case nFree == 0 && d.status.Jobs.Waiting > 0:
		slots = look("All busy, and jobs wait")
	case nFree == 0:
		slots = good("All busy, none waits")
	}
	stages := w.Values("discsafe_stage_seconds")
	type stage struct {
		name      string
		seconds   float64
		realTime  float64
		perPass   []float64
		timeShare float64
	}
	var known []stage
	speed := off("No pass in the window")
	for _, name := range stages {
		mean, n := w.MeanOfAll("discsafe_stage_seconds", name)
		if n == 0 {
			continue
		}
		x, _ := w.MeanOfAll("discsafe_stage_realtime_ratio", name)
		known = append(known, stage{name, mean, x, w.Mean("discsafe_stage_seconds", name), mean * n})
		if speed.Kind == "off" {
			speed = good("Well above real time")
		}
		if x < limitRealTime { // NaN is not
			speed = look("A stage is below 10 × real time")
		}
	}
	slices.SortStableFunc(known, func(a, b stage) int {
		return int(math.Copysign(1, b.timeShare-a.timeShare))
	})
	lines := []plotSeries{level("wait for a worker, p95", w.Quantile("discsafe_job_wait_seconds", 0.95))}
	var rest []string
	for i, s := range known {
		name, note := strings.ReplaceAll(s.name, "-", " "), "mean "+secondsWords(s.seconds)
		if !math.IsNaN(s.realTime) {
			note += fmt.Sprintf(", %s × real time", digits(s.realTime))
		}
		if i < mostPlotLines-1 {
			l := level(name, s.perPass)
			l.Note = note
			lines = append(lines, l)
		} else {
			rest = append(rest, name+" "+note)
		}
	}
	what := "Wait before an attempt, and mean of one pass over a side"
	if len(rest) > 0 {
		what += ". Also: " + strings.Join(rest, "; ")
	}
	cores := float64(runtime.NumCPU())
	service, jobs := w.PerSecond("process_cpu_seconds_total", ""), w.PerSecond("discsafe_job_processes_cpu_seconds_total", "")
	cpu := off("")
	if used := lastKnown(plus(service, jobs)); !math.IsNaN(used) {
		cpu = good("There is some left")
		if used > 0.95*cores {
			cpu = look("All cores are in use")
		}
	}
	return ask("slow", "What is slow?", [3]string{"Nothing", "Something", "Much"}, []plotSpec{
		{ID: "slots", Title: "Slots of this process", What: "Places for jobs", Unit: unitCount, State: slots,
			Lines: []plotSeries{level("busy", busy), level("all", total), level("free, but nothing is fetched", paused)}, Runbook: []string{"no-worker", "worker-trouble"}},
		{ID: "stages", Title: "Wait and stages", What: what, Unit: unitSeconds, State: speed, Lines: lines, Runbook: []string{"slow-passes"}},
		{ID: "cpu", Title: "Processor", What: fmt.Sprintf("Of this process and of those that work on its jobs; the machine has %g cores", cores), Unit: unitCores, State: cpu, Limit: cores, LimitWord: "All cores",
			Lines: []plotSeries{level("service", service), level("jobs", jobs)}, Runbook: []string{"slow-passes"}},
		{ID: "memory", Title: "Memory", What: "Resident, of this process and of those that work on its jobs", Unit: unitBytes, State: off(""),
			Lines: []plotSeries{level("service", w.Greatest("process_resident_memory_bytes", "")), level("jobs", w.Greatest("discsafe_job_processes_resident_bytes", ""))}, Runbook: []string{"memory-grows"}},
	}, w)
}

func broke(d *operationsData) part {
	w, each := d.w, "each "+binWords(d.w.Step)
	again, tries := rose(d.hour, "discsafe_redeliveries_total", ""), metrics.Total(d.hour.IncreaseOf("discsafe_attempts_total", nil))
	crashed := plus(w.Increase("discsafe_attempts_total", "crashed"), w.Increase("discsafe_attempts_total", "dead"), w.Increase("discsafe_attempts_total", "unrecorded"))
	attempts := good("None in the window")
	switch n := metrics.Total(crashed); {
	case again > limitRepeats && again > limitRepeatsShare*tries:
		attempts = look("Over a tenth is repeated")
	case n > 0:
		attempts = look(fmt.Sprintf("%.0f crashed", n))
	case again > 0:
		attempts = off("Some were repeated")
	}
	if v := rose(d.hour, "discsafe_integrity_violations_total", ""); v > 0 {
		attempts = bad("Bytes were not what they should be")
	}
	letters := w.Last("discsafe_dead_letters", "")
	dead := good("None")
	switch {
	case math.IsNaN(letters):
		dead = off("Not known")
	case letters > 0 && d.dead == 0: // requeued without the broker hearing of it, or since the last pass
		dead = off("All decided on")
	case letters > 0:
		dead = look("To be decided on")
	}
	refused := w.Increases("discsafe_uploads_refused_total")
	intake := good("None in the window")
	switch full := rose(w, "discsafe_uploads_refused_total", "backlog-full") + rose(w, "discsafe_uploads_refused_total", "disk-full"); {
	case full > 0:
		intake = bad("Studios are turned away")
	case d.status.Intake.Paused:
		intake = look("Intake is paused")
	case len(refused) > 0:
		intake = off("For what was sent")
	}
	flood := w.Increases("discsafe_sign_in_failures_total")
	door := good("None in the window")
	switch rate := lastKnown(w.IncreaseOf("discsafe_sign_in_failures_total", nil)) / w.Step.Seconds(); {
	case rate > limitSignInsPerS:
		door = look("More than one a second")
	case len(flood) > 0:
		door = off("Some")
	}
	isError := func(status string) bool { return strings.HasPrefix(status, "5") }
	// What an operator paused is answered 503 and is no error of the service.
	hourErrs := metrics.Total(d.hour.IncreaseOf("discsafe_http_requests_total", isError)) - rose(d.hour, "discsafe_uploads_refused_total", string(v1.Paused))
	hourAll := metrics.Total(d.hour.IncreaseOf("discsafe_http_requests_total", nil))
	api := good("None in an hour")
	switch {
	case hourAll >= leastForShare && hourErrs/hourAll > limitErrorShare:
		api = bad(fmt.Sprintf("%.1f %% of requests in an hour", 100*hourErrs/hourAll))
	case hourErrs > 0:
		api = look(fmt.Sprintf("%.0f in an hour", hourErrs))
	}
	p := ask("broke", "What broke?", [3]string{"Nothing", "Something", "Badly"}, []plotSpec{
		{ID: "attempts", Title: "Attempts that came to nothing", What: "Attempts and messages " + each, Unit: unitCount, State: attempts,
			Lines: []plotSeries{counted("crashed or given up", crashed), counted("handed out again", w.Increase("discsafe_redeliveries_total", "")), counted("taken over", w.Increase("discsafe_fenced_total", ""))}, Runbook: []string{"jobs-breaking", "redeliveries", "integrity-violation"}},
		{ID: "dead", Title: "Dead letters", What: "Kept by the broker, all processes", Unit: unitCount, State: dead,
			Lines: []plotSeries{level("dead letters", w.Greatest("discsafe_dead_letters", ""))}, Runbook: []string{"dead-letters"}},
		{ID: "errors", Title: "Requests answered 5xx", What: "Requests " + each, Unit: unitCount, State: api,
			Lines: []plotSeries{counted("answered 5xx", w.IncreaseOf("discsafe_http_requests_total", isError))}, Runbook: []string{"api-errors-fast"}},
		{ID: "refused", Title: "Refused uploads, by reason", What: "Mixes, plans and jobs " + each, Unit: unitCount, State: intake,
			Lines: noneOf(named(refused, w.Bins), "refused", w, "discsafe_uploads_refused_total"), Runbook: []string{"intake-full", "intake-paused"}},
		{ID: "door", Title: "Turned away at the door, by kind", What: "Requests " + each, Unit: unitCount, State: door, Limit: limitSignInsPerS * w.Step.Seconds(), LimitWord: "One a second",
			Lines: noneOf(named(flood, w.Bins), "turned away", w, "discsafe_sign_in_failures_total"), Runbook: []string{"sign-in-flood"}},
	}, w)
	ground(d, &p)
	return p
}

// binWords is the length of a bin.
func binWords(d time.Duration) string {
	if d < time.Minute {
		return fmt.Sprintf("%.0f s", d.Seconds())
	}
	return fmt.Sprintf("%.0f min", d.Minutes())
}

func lastKnown(points []float64) float64 {
	for i := len(points) - 1; i >= 0; i-- {
		if !math.IsNaN(points[i]) {
			return points[i]
		}
	}
	return math.NaN()
}

func secondsWords(s float64) string {
	if math.IsNaN(s) {
		return "not known"
	}
	return withUnit(s, unitSeconds.scale(s))
}
