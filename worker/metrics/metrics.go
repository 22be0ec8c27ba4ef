package metrics

import (
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue"
)

// Buckets of histograms. Jobs last from seconds to hours; requests are answered
// in milliseconds or are uploads.
var (
	jobBuckets   = []float64{0.5, 1, 2.5, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400}
	httpBuckets  = []float64{.005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 120, 600}
	ratioBuckets = []float64{0.5, 1, 2, 5, 10, 20, 40, 60, 80, 100, 150, 200, 400, 800}
)

// promisedS is within how many seconds, plus the length of its programme, a job
// should end.
const promisedS = 120

// Metrics is the registry of one process. Make one with New.
type Metrics struct {
	families

	accepted, completed, failed, promised counts
	jobS, waitS                           *prometheus.HistogramVec
	attemptS                              *prometheus.HistogramVec
	stageS, stageRatio                    *prometheus.HistogramVec
	oldest                                prometheus.Gauge
	audioS                                prometheus.Counter
	attempts, trouble                     counts
	redeliveries, fenced, rung            prometheus.Counter
	integrity                             prometheus.Counter
	dead, unreadable                      prometheus.Gauge
	messages, open                        *prometheus.GaugeVec
	lastDone                              prometheus.Gauge
	retentionBehind, retentionPass        prometheus.Gauge
	retained                              counts
	requests                              *prometheus.CounterVec
	requestS                              *prometheus.HistogramVec
	uploads, refused, signIn, hooks       counts
	build                                 *prometheus.GaugeVec
	writeS, writable                      *prometheus.GaugeVec
	unfinished, silentS                   prometheus.Gauge

	mu      sync.Mutex
	routes  map[string]bool
	slots   []func() worker.Status
	volumes map[string]func() (int64, bool)
	synced  func() bool
	intake  func() (paused, known bool)
	canary  time.Time
	jobCPUS float64
	now     func() time.Time
}

// New makes a registry of its own, with the collectors of Go and the process.
func New() *Metrics {
	m := &Metrics{families: families{reg: prometheus.NewRegistry()}, now: time.Now, routes: map[string]bool{}, volumes: map[string]func() (int64, bool){}}
	m.reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.makeJobs()
	m.makeService()
	return m
}

func (m *Metrics) makeJobs() {
	m.accepted = m.counts("jobs_accepted_total", "Jobs accepted by this process, by lane.", "lane", lanes)
	m.completed = m.counts("jobs_completed_total", "Jobs that ended with a result, by verdict.", "verdict", verdicts)
	m.failed = m.counts("jobs_failed_total", "Jobs that ended without a result, by reason; cancelled ones too.", "reason", ends())
	m.promised = m.counts("jobs_promised_total", "Jobs that ended by themselves, by whether within 2 minutes plus the length of their programme.", "kept", answers)
	m.jobS = m.histogram("job_seconds", "Time from accepted, or from the last retry, to ended.", jobBuckets, "lane")
	m.waitS = m.histogram("job_wait_seconds", "Time a job waited for a worker, before each attempt.", jobBuckets, "lane")
	m.attemptS = m.histogram("attempt_seconds", "Time from claimed to settled.", jobBuckets)
	m.stageS = m.histogram("stage_seconds", "Time of one pass over the side, by pass.", jobBuckets, "stage")
	m.stageRatio = m.histogram("stage_realtime_ratio", "Seconds of programme per second of one pass, by pass.", ratioBuckets, "stage")
	m.oldest = m.gauge("oldest_waiting_seconds", "Age of the job that waits longest; 0 if none waits.")
	m.audioS = m.counter("audio_seconds_processed_total", "Programme of jobs done, in seconds of sound.")
	m.attempts = m.counts("attempts_total", "Attempts ended, by how.", "outcome", outcomes)
	m.trouble = m.counts("worker_trouble_total", "Times the surroundings of a worker refused, by reason.", "reason", codes())
	m.redeliveries = m.counter("redeliveries_total", "Messages handed out again, for whatever reason.")
	m.fenced = m.counter("fenced_total", "Attempts thrown away because another worker had taken the job over.")
	m.integrity = m.counter("integrity_violations_total", "Stored or written bytes that were not what they should be.")
	m.rung = m.counter("jobs_rung_again_total", "Messages published again because the broker had lost them or was not sure to have them.")
	m.dead = m.gauge("dead_letters", "Dead letters kept by the broker.")
	m.unreadable = m.gauge("records_unreadable", "Records of open jobs that this version cannot read.")
	m.messages = m.gauges("queue_messages", "Messages in the broker, by state: waiting, in-flight, dead.", "state")
	m.open = m.gauges("jobs_open", "Jobs that have not ended, by state: waiting, running, lost (running, but the worker shows no life).", "state")
	m.lastDone = m.gauge("last_completed_timestamp_seconds", "When a job last ended with a result; 0 if none since the start of the process.")
}

func (m *Metrics) makeService() {
	m.asked("slots", "Places for jobs of this process's workers, by state: busy, free, paused (free, but nothing is fetched).", []string{"state"}, m.tellSlots)
	m.asked("disk_free_bytes", "Space left, by volume.", []string{"volume"}, m.tellDisks)
	m.asked("broker_sync_always", "1 if the broker writes to the medium before it answers, 0 if not.", nil, m.tellSynced)
	m.asked("intake_paused", "1 if an operator has paused the intake of jobs and mixes, 0 if not.", nil, m.tellIntake)
	m.asked("clock_timestamp_seconds", "The time by the clock of this process, when it was asked.", nil, func(tell func(float64, ...string)) { tell(m.clock()) })
	m.asked("canary_timestamp_seconds", "When the last trial job ended well.", nil, m.tellCanary)
	m.askedCounter("job_processes_cpu_seconds_total", "Processor time of the processes that work on jobs for this one, which process_cpu_seconds_total does not count.", m.tellJobCPU)
	m.asked("job_processes_resident_bytes", "Memory of the processes that work on jobs for this one, which process_resident_memory_bytes does not count.", nil, func(tell func(float64, ...string)) {
		if _, n, known := children(); known {
			tell(float64(n))
		}
	})
	m.writeS = m.gauges("disk_write_seconds", "How long the last trial write took, until it was on the medium or refused, by volume: store, spool, scratch.", "volume")
	m.writable = m.gauges("disk_writable", "1 if the last trial write was taken, 0 if it was refused or did not end, by volume.", "volume")
	m.unfinished = m.gauge("uploads_unfinished", "Resumable uploads that have begun and not ended.")
	m.silentS = m.gauge("upload_silent_seconds", "Time since the last byte of the unfinished upload that has been silent longest; 0 if there is none.")
	m.requests = m.counterVec("http_requests_total", "Requests answered.", "route", "method", "status")
	m.requestS = m.histogram("http_request_seconds", "Time to answer a request; of a stream, to its first byte.", httpBuckets, "route")
	m.uploads = m.counts("uploads_total", "Mixes and room files taken, by whether they were new: stored, known.", "result", uploads)
	m.refused = m.counts("uploads_refused_total", "Mixes, plans and jobs that were not taken, by reason.", "reason", problems)
	m.signIn = m.counts("sign_in_failures_total", "Requests turned away at the door, by kind.", "kind", signIns)
	m.hooks = m.counts("hooks_total", "Tries to tell an address that a job ended, by result.", "result", hookResults)
	m.retained = m.counts("retention_removed_total", "What was past its time and is deleted, by kind: jobs, tombstones (what stays of a deleted job for a while).", "kind", retainedKinds)
	m.retentionBehind = m.gauge("retention_behind_seconds", "For how long the oldest job that is past its time should have been deleted; 0 if none is, or jobs are kept for ever.")
	m.retentionPass = m.gauge("retention_pass_jobs", "Jobs deleted in the last pass of retention, which ends when nothing more is due.")
	m.build = m.gauges("build_info", "Always 1; the labels say what runs.", "version", "go")
	m.build.WithLabelValues("unknown", runtime.Version()).Set(1)
}

// Handler answers scrapes, in OpenMetrics to whom accepts it.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.reg, promhttp.HandlerOpts{Registry: m.reg, EnableOpenMetrics: true, MaxRequestsInFlight: 4, Timeout: 10 * time.Second})
}

// Gatherer gives the metrics to programs.
func (m *Metrics) Gatherer() prometheus.Gatherer { return m.reg }

// Version says which program runs.
func (m *Metrics) Version(version string) {
	m.build.Reset()
	m.build.WithLabelValues(version, runtime.Version()).Set(1)
}

// Counts takes what a pass of the reconciler found.
func (m *Metrics) Counts(c job.Counts) {
	m.oldest.Set(max(0, c.Oldest.Seconds()))
	m.open.WithLabelValues("waiting").Set(float64(c.Waiting))
	m.open.WithLabelValues("running").Set(float64(max(0, c.Running-c.Lost)))
	m.open.WithLabelValues("lost").Set(float64(c.Lost))
	m.rung.Add(float64(max(0, c.Rung)))
	m.unreadable.Set(float64(len(c.Unreadable)))
}

// RetentionBehind takes for how long the oldest job past its time should have
// been deleted.
func (m *Metrics) RetentionBehind(d time.Duration) { m.retentionBehind.Set(max(0, d.Seconds())) }

// Retained takes what one batch of retention deleted.
func (m *Metrics) Retained(jobs, tombstones int) {
	m.retained.add("jobs", float64(jobs))
	m.retained.add("tombstones", float64(tombstones))
}

// RetentionPass takes how many jobs a whole pass of retention deleted.
func (m *Metrics) RetentionPass(jobs int) { m.retentionPass.Set(float64(jobs)) }

// Queue takes what the broker holds.
func (m *Metrics) Queue(s queue.Stats) {
	m.messages.WithLabelValues("waiting").Set(float64(s.Waiting))
	m.messages.WithLabelValues("in-flight").Set(float64(s.InFlight))
	m.messages.WithLabelValues("dead").Set(float64(s.Dead))
	m.dead.Set(float64(s.Dead))
}

// Clock says by which clock the process goes; without it, by the system's.
func (m *Metrics) Clock(now func() time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now = now
}

func (m *Metrics) clock() (atS float64) {
	m.mu.Lock()
	now := m.now
	m.mu.Unlock()
	return float64(now().UnixMilli()) / 1000
}

// Wrote takes how a trial write to a volume ended; err nil: it is on the medium.
func (m *Metrics) Wrote(volume string, took time.Duration, err error) {
	m.writeS.WithLabelValues(volume).Set(max(0, took.Seconds()))
	taken := 1.0
	if err != nil {
		taken = 0
	}
	m.writable.WithLabelValues(volume).Set(taken)
}

// Uploads takes how many resumable uploads have not ended, and for how long the
// one that is silent longest has been silent.
func (m *Metrics) Uploads(unfinished int, silent time.Duration) {
	m.unfinished.Set(float64(unfinished))
	m.silentS.Set(max(0, silent.Seconds()))
}

// Slots adds a worker, whose status is asked for at each scrape.
func (m *Metrics) Slots(status func() worker.Status) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.slots = append(m.slots, status)
}

func (m *Metrics) tellSlots(tell func(float64, ...string)) {
	m.mu.Lock()
	all := m.slots
	m.mu.Unlock()
	var busy, free, paused int
	for _, status := range all {
		s := status()
		busy += len(s.Running)
		left := max(0, s.Slots-len(s.Running))
		if s.Paused || s.Draining || s.Trouble != "" {
			paused += left
		} else {
			free += left
		}
	}
	tell(float64(busy), "busy")
	tell(float64(free), "free")
	tell(float64(paused), "paused")
}

// Disk adds a volume, whose free space is asked for at each scrape. It is left
// out while it is not known.
func (m *Metrics) Disk(volume string, free func() (bytes int64, known bool)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.volumes[volume] = free
}

func (m *Metrics) tellDisks(tell func(float64, ...string)) {
	m.mu.Lock()
	all := make(map[string]func() (int64, bool), len(m.volumes))
	for name, free := range m.volumes {
		all[name] = free
	}
	m.mu.Unlock()
	for name, free := range all {
		if n, known := free(); known {
			tell(float64(n), name)
		}
	}
}

func (m *Metrics) tellJobCPU(tell func(float64, ...string)) {
	cpuS, _, known := children()
	if !known {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.jobCPUS = max(m.jobCPUS, cpuS) // a process may end between the looks at those that run and those that ended
	tell(m.jobCPUS)
}

// Synced says how to ask whether the broker writes to the medium before it
// answers.
func (m *Metrics) Synced(always func() bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.synced = always
}

func (m *Metrics) tellSynced(tell func(float64, ...string)) {
	m.mu.Lock()
	ask := m.synced
	m.mu.Unlock()
	switch {
	case ask == nil:
	case ask():
		tell(1)
	default:
		tell(0)
	}
}

// Intake says how to ask whether the intake is paused. It is left out while that
// is not known.
func (m *Metrics) Intake(paused func() (paused, known bool)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.intake = paused
}

func (m *Metrics) tellIntake(tell func(float64, ...string)) {
	m.mu.Lock()
	ask := m.intake
	m.mu.Unlock()
	if ask == nil {
		return
	}
	switch paused, known := ask(); {
	case !known:
	case paused:
		tell(1)
	default:
		tell(0)
	}
}

// Canary says when a trial job ended well.
func (m *Metrics) Canary(at time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.canary = at
}

func (m *Metrics) tellCanary(tell func(float64, ...string)) {
	m.mu.Lock()
	at := m.canary
	m.mu.Unlock()
	if !at.IsZero() {
		tell(float64(at.UnixMilli()) / 1000)
	}
}

// Routes names the routes there are, as patterns; HTTP counts all others as
// "other". If the method stands before a pattern, its failures are there from
// the start, at 0: the first one must show as a rise.
func (m *Metrics) Routes(patterns ...string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, method := range append(slices.Clone(methods), other) {
		m.beginFailures(other, method)
	}
	for _, p := range patterns {
		m.routes[p] = true
		if method, _, ok := strings.Cut(p, " "); ok {
			m.beginFailures(p, method)
		}
	}
}

// beginFailures makes the series of a route's failures.
func (m *Metrics) beginFailures(route, method string) {
	for _, status := range failures {
		m.requests.WithLabelValues(route, methods.of(method), statusOf(status))
	}
}

// HTTP counts a request. The route is its pattern, never its path.
func (m *Metrics) HTTP(route, method string, status int, took time.Duration) {
	m.mu.Lock()
	if !m.routes[route] {
		route = other
	}
	m.mu.Unlock()
	m.requests.WithLabelValues(route, methods.of(method), statusOf(status)).Inc()
	m.requestS.WithLabelValues(route).Observe(took.Seconds())
}

// Refused counts something that was not taken, by its problem code.
func (m *Metrics) Refused(reason string) { m.refused.add(reason, 1) }

// Upload counts what became of a file handed in: "stored", "known" (it was there
// already), or the problem code with which it was refused.
func (m *Metrics) Upload(kind string) {
	if slices.Contains(uploads, kind) {
		m.uploads.add(kind, 1)
		return
	}
	m.Refused(kind)
}

// SignIn counts somebody who was not let in; it ignores those who were.
func (m *Metrics) SignIn(kind string) {
	if !slices.Contains(entries, kind) {
		m.signIn.add(kind, 1)
	}
}

// Hook counts a try to tell an address.
func (m *Metrics) Hook(result string) { m.hooks.add(result, 1) }

// Integrity counts bytes found to be wrong elsewhere than in a worker.
func (m *Metrics) Integrity(n int) { m.integrity.Add(float64(max(0, n))) }
