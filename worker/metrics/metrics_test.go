package metrics_test

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/metrics"
	"discsafe/worker/queue"
)

// values reads every sample of ours that is not 0, as "name{label=value}"; of a
// histogram, count and sum.
func values(t *testing.T, m *metrics.Metrics) map[string]float64 {
	t.Helper()
	all, err := m.Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	for _, f := range all {
		if !strings.HasPrefix(f.GetName(), "discsafe_") {
			continue
		}
		for _, s := range f.GetMetric() {
			name := strings.TrimPrefix(f.GetName(), "discsafe_")
			var labels []string
			for _, l := range s.GetLabel() {
				labels = append(labels, l.GetName()+"="+l.GetValue())
			}
			key := name
			if len(labels) > 0 {
				key += "{" + strings.Join(labels, ",") + "}"
			}
			put := func(k string, v float64) {
				if v != 0 {
					out[k] = v
				}
			}
			switch {
			case s.GetCounter() != nil:
				put(key, s.GetCounter().GetValue())
			case s.GetGauge() != nil:
				put(key, s.GetGauge().GetValue())
			default:
				put(key+" count", float64(s.GetHistogram().GetSampleCount()))
				put(key+" sum", s.GetHistogram().GetSampleSum())
			}
		}
	}
	return out
}

// moved is what do changed.
func moved(t *testing.T, m *metrics.Metrics, do func()) map[string]float64 {
	t.Helper()
	before := values(t, m)
	do()
	after := values(t, m)
	out := map[string]float64{}
	for k, v := range after {
		if d := v - before[k]; d != 0 {
			out[k] = math.Round(d*1e6) / 1e6
		}
	}
	for k, v := range before {
		if _, still := after[k]; !still {
			out[k] = -v
		}
	}
	return out
}

var day = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func record(s job.State, c job.Code, took time.Duration, lengthS float64) *job.Record {
	r := &job.Record{ID: "j", State: s, Accepted: day, Ended: day.Add(took), Request: job.Request{Lane: job.Express, LengthS: lengthS},
		History: []job.Event{{At: day, To: job.Accepted, Code: job.CodeSubmitted}, {At: day.Add(took), To: s, Code: c}}}
	if s == job.Done {
		r.Result = &job.Result{Verdict: "attention"}
	}
	return r
}

// TestEachEventMovesItsMetric holds that an event moves the metrics meant, and
// no others.
func TestEachEventMovesItsMetric(t *testing.T) {
	second := time.Second
	settled := func(s job.State, c job.Code) worker.Event {
		return worker.Event{Kind: worker.Settled, Job: "j", Lane: job.Express, Attempt: 1, Deliveries: 1, State: s, Code: c, Took: 20 * second, LengthS: 900}
	}
	retried := record(job.Failed, job.CodePlan, 300*second, 0)
	retried.History = append(retried.History[:1:1], job.Event{At: day.Add(290 * second), To: job.Accepted, Code: job.CodeRetried}, retried.History[1])
	for _, c := range []struct {
		name string
		do   func(m *metrics.Metrics)
		want map[string]float64
	}{
		{"accepted", func(m *metrics.Metrics) { m.Accepted(job.Bulk) }, map[string]float64{"jobs_accepted_total{lane=bulk}": 1}},
		{"accepted in an unknown lane", func(m *metrics.Metrics) { m.Accepted("x") }, map[string]float64{"jobs_accepted_total{lane=other}": 1}},
		{"claimed", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Claimed, Lane: job.Express, Attempt: 1, Deliveries: 1, State: job.Running, Waited: 3 * second})
		}, map[string]float64{"job_wait_seconds{lane=express} count": 1, "job_wait_seconds{lane=express} sum": 3}},
		{"claimed, clocks apart", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Claimed, Lane: job.Express, Attempt: 1, Deliveries: 1, Waited: -3 * second})
		}, map[string]float64{"job_wait_seconds{lane=express} count": 1}},
		{"claimed from a second delivery", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Claimed, Lane: job.Bulk, Attempt: 2, Deliveries: 2, Waited: second})
		}, map[string]float64{"job_wait_seconds{lane=bulk} count": 1, "job_wait_seconds{lane=bulk} sum": 1, "redeliveries_total": 1}},
		{"turned away", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Turned, Deliveries: 1, State: job.Done})
		}, map[string]float64{}},
		{"turned away again", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Turned, Deliveries: 4, State: job.Done})
		}, map[string]float64{"redeliveries_total": 1}},
		{"done", func(m *metrics.Metrics) { m.Worker(settled(job.Done, job.CodeDone)) },
			map[string]float64{"attempts_total{outcome=done}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20,
				"audio_seconds_processed_total": 900, "jobs_completed_total{verdict=other}": 1}},
		{"done, with its record", func(m *metrics.Metrics) {
			e := settled(job.Done, job.CodeDone)
			e.Record = record(job.Done, job.CodeDone, 30*second, 900)
			m.Worker(e)
		}, map[string]float64{"attempts_total{outcome=done}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20,
			"audio_seconds_processed_total": 900, "jobs_completed_total{verdict=attention}": 1, "jobs_promised_total{kept=yes}": 1,
			"job_seconds{lane=express} count": 1, "job_seconds{lane=express} sum": 30}},
		{"failed", func(m *metrics.Metrics) { m.Worker(settled(job.Failed, job.CodeSound)) },
			map[string]float64{"attempts_total{outcome=failed}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20, "jobs_failed_total{reason=bad-sound}": 1}},
		{"passed", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Passed, Attempt: 1, Deliveries: 2, State: job.Running, Pass: "measuring the mixes", Took: 5 * second, RealTime: 60})
		}, map[string]float64{"stage_seconds{stage=measuring-the-mixes} count": 1, "stage_seconds{stage=measuring-the-mixes} sum": 5,
			"stage_realtime_ratio{stage=measuring-the-mixes} count": 1, "stage_realtime_ratio{stage=measuring-the-mixes} sum": 60}},
		{"passed, speed unknown", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Passed, Attempt: 1, Deliveries: 1, State: job.Running, Pass: "writing the premaster", Took: 7 * second})
		}, map[string]float64{"stage_seconds{stage=writing-the-premaster} count": 1, "stage_seconds{stage=writing-the-premaster} sum": 7}},
		{"input damaged", func(m *metrics.Metrics) { m.Worker(settled(job.Failed, job.CodeInputDamaged)) },
			map[string]float64{"attempts_total{outcome=failed}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20,
				"jobs_failed_total{reason=input-damaged}": 1, "integrity_violations_total": 1}},
		{"result damaged", func(m *metrics.Metrics) { m.Worker(settled(job.Accepted, job.CodeResult)) },
			map[string]float64{"attempts_total{outcome=crashed}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20, "integrity_violations_total": 1}},
		{"handed back from a second delivery", func(m *metrics.Metrics) {
			e := settled(job.Accepted, job.CodeDrain)
			e.Deliveries = 2 // counted when it was claimed
			m.Worker(e)
		}, map[string]float64{"attempts_total{outcome=handed-back}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20}},
		{"crashed", func(m *metrics.Metrics) { m.Worker(settled(job.Accepted, job.CodeOutOfMemory)) },
			map[string]float64{"attempts_total{outcome=crashed}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20}},
		{"handed back", func(m *metrics.Metrics) { m.Worker(settled(job.Accepted, job.CodeDrain)) },
			map[string]float64{"attempts_total{outcome=handed-back}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20}},
		{"dead", func(m *metrics.Metrics) { m.Worker(settled(job.Dead, job.CodeStalled)) },
			map[string]float64{"attempts_total{outcome=dead}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 20, "jobs_failed_total{reason=stalled}": 1}},
		{"ended by its claim", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Settled, Job: "j", Deliveries: 2, State: job.Dead, Code: job.CodeWorkerLost})
		}, map[string]float64{"jobs_failed_total{reason=worker-lost}": 1, "redeliveries_total": 1}},
		{"fenced", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Fenced, Attempt: 1, Deliveries: 1, State: job.Running, Code: job.CodeTakenOver, Took: 2 * second})
		}, map[string]float64{"fenced_total": 1, "attempts_total{outcome=fenced}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 2}},
		{"last word not taken", func(m *metrics.Metrics) {
			m.Worker(worker.Event{Kind: worker.Trouble, Attempt: 1, Deliveries: 1, Code: job.CodeStore, Took: 2 * second})
		}, map[string]float64{"worker_trouble_total{reason=store-unavailable}": 1, "attempts_total{outcome=unrecorded}": 1, "attempt_seconds count": 1, "attempt_seconds sum": 2}},
		{"broker away", func(m *metrics.Metrics) { m.Worker(worker.Event{Kind: worker.Trouble, Code: worker.CodeQueue}) },
			map[string]float64{"worker_trouble_total{reason=queue-unavailable}": 1}},
		{"cancelled while waiting", func(m *metrics.Metrics) { m.Ended(record(job.Cancelled, job.CodeCancelled, 5*second, 0)) },
			map[string]float64{"jobs_failed_total{reason=cancelled}": 1, "job_seconds{lane=express} count": 1, "job_seconds{lane=express} sum": 5}},
		{"not ended", func(m *metrics.Metrics) { m.Ended(record(job.Running, job.CodeClaimed, 5*second, 0)) }, map[string]float64{}},
		{"ended too late", func(m *metrics.Metrics) { m.Ended(record(job.Failed, job.CodeSound, 221*second, 100)) },
			map[string]float64{"jobs_failed_total{reason=bad-sound}": 1, "jobs_promised_total{kept=no}": 1, "job_seconds{lane=express} count": 1, "job_seconds{lane=express} sum": 221}},
		{"ended after a retry", func(m *metrics.Metrics) { m.Ended(retried) },
			map[string]float64{"jobs_failed_total{reason=bad-plan}": 1, "jobs_promised_total{kept=yes}": 1, "job_seconds{lane=express} count": 1, "job_seconds{lane=express} sum": 10}},
		{"pass", func(m *metrics.Metrics) { m.Pass("measuring the mixes", 4, 80) },
			map[string]float64{"stage_seconds{stage=measuring-the-mixes} count": 1, "stage_seconds{stage=measuring-the-mixes} sum": 4,
				"stage_realtime_ratio{stage=measuring-the-mixes} count": 1, "stage_realtime_ratio{stage=measuring-the-mixes} sum": 80}},
		{"pass too short to time, not known", func(m *metrics.Metrics) { m.Pass("new", 0, 0) }, map[string]float64{"stage_seconds{stage=other} count": 1}},
		{"reconciler", func(m *metrics.Metrics) {
			m.Counts(job.Counts{Open: 9, Waiting: 5, Running: 4, Lost: 1, Rung: 2, Unreadable: []string{"x"}, Oldest: 8 * second})
		}, map[string]float64{"jobs_open{state=waiting}": 5, "jobs_open{state=running}": 3, "jobs_open{state=lost}": 1,
			"jobs_rung_again_total": 2, "records_unreadable": 1, "oldest_waiting_seconds": 8}},
		{"retention", func(m *metrics.Metrics) {
			m.RetentionBehind(7200 * second)
			m.Retained(3, 2)
			m.RetentionPass(5)
		}, map[string]float64{"retention_behind_seconds": 7200, "retention_removed_total{kind=jobs}": 3, "retention_removed_total{kind=tombstones}": 2, "retention_pass_jobs": 5}},
		{"queue", func(m *metrics.Metrics) { m.Queue(queue.Stats{Waiting: 3, InFlight: 2, Dead: 1}) },
			map[string]float64{"queue_messages{state=waiting}": 3, "queue_messages{state=in-flight}": 2, "queue_messages{state=dead}": 1, "dead_letters": 1}},
		{"slots", func(m *metrics.Metrics) {
			m.Slots(func() worker.Status { return worker.Status{Slots: 4, Running: make([]worker.Running, 1)} })
			m.Slots(func() worker.Status {
				return worker.Status{Slots: 2, Running: make([]worker.Running, 1), Trouble: "full"}
			})
			m.Slots(func() worker.Status { return worker.Status{Slots: 1, Paused: true} })
			m.Slots(func() worker.Status { return worker.Status{Slots: 1, Draining: true} })
		}, map[string]float64{"slots{state=busy}": 2, "slots{state=free}": 3, "slots{state=paused}": 3}},
		{"disk", func(m *metrics.Metrics) {
			m.Disk("data", func() (int64, bool) { return 77, true })
			m.Disk("scratch", func() (int64, bool) { return 88, false })
		}, map[string]float64{"disk_free_bytes{volume=data}": 77}},
		{"trial writes", func(m *metrics.Metrics) {
			m.Wrote("store", 2*second, nil)
			m.Wrote("spool", second/2, fmt.Errorf("refused"))
		}, map[string]float64{"disk_write_seconds{volume=store}": 2, "disk_write_seconds{volume=spool}": 0.5, "disk_writable{volume=store}": 1}},
		{"unfinished uploads", func(m *metrics.Metrics) { m.Uploads(3, 90*second) }, map[string]float64{"uploads_unfinished": 3, "upload_silent_seconds": 90}},
		{"broker syncs", func(m *metrics.Metrics) { m.Synced(func() bool { return true }) }, map[string]float64{"broker_sync_always": 1}},
		{"intake paused", func(m *metrics.Metrics) { m.Intake(func() (bool, bool) { return true, true }) }, map[string]float64{"intake_paused": 1}},
		{"canary", func(m *metrics.Metrics) { m.Canary(time.Unix(1000, 5e8)) }, map[string]float64{"canary_timestamp_seconds": 1000.5}},
		{"request", func(m *metrics.Metrics) {
			m.Routes("/v1/jobs/{id}")
			m.HTTP("/v1/jobs/{id}", "GET", 200, second/2)
		}, map[string]float64{"http_requests_total{method=GET,route=/v1/jobs/{id},status=200}": 1,
			"http_request_seconds{route=/v1/jobs/{id}} count": 1, "http_request_seconds{route=/v1/jobs/{id}} sum": 0.5}},
		{"request out of bounds", func(m *metrics.Metrics) { m.HTTP("/v1/jobs/0123", "BREW", 799, second) },
			map[string]float64{"http_requests_total{method=other,route=other,status=other}": 1,
				"http_request_seconds{route=other} count": 1, "http_request_seconds{route=other} sum": 1}},
		{"refused", func(m *metrics.Metrics) { m.Refused("too-large"); m.Refused("../etc") },
			map[string]float64{"uploads_refused_total{reason=too-large}": 1, "uploads_refused_total{reason=other}": 1}},
		{"sign-in", func(m *metrics.Metrics) {
			m.SignIn("token-unknown")
			m.SignIn("x")
			m.SignIn("signed-in")
			m.SignIn("other")
		},
			map[string]float64{"sign_in_failures_total{kind=token-unknown}": 1, "sign_in_failures_total{kind=other}": 2}},
		{"upload", func(m *metrics.Metrics) { m.Upload("stored"); m.Upload("known"); m.Upload("disk-full"); m.Upload("x") },
			map[string]float64{"uploads_total{result=stored}": 1, "uploads_total{result=known}": 1,
				"uploads_refused_total{reason=disk-full}": 1, "uploads_refused_total{reason=other}": 1}},
		{"hook", func(m *metrics.Metrics) { m.Hook("sent") }, map[string]float64{"hooks_total{result=sent}": 1}},
		{"integrity", func(m *metrics.Metrics) { m.Integrity(2); m.Integrity(-1) }, map[string]float64{"integrity_violations_total": 2}},
		{"version", func(m *metrics.Metrics) { m.Version("1.2") },
			map[string]float64{"build_info{go=" + runtime.Version() + ",version=1.2}": 1, "build_info{go=" + runtime.Version() + ",version=unknown}": -1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := metrics.New()
			got := moved(t, m, func() { c.do(m) })
			for _, s := range []string{"last_completed", "clock"} { // the clock's; see TestLastCompleted
				delete(got, s+"_timestamp_seconds")
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("want - got +:\n%s", d)
			}
		})
	}
}

func TestBrokerThatDoesNotSyncIsToldAsZero(t *testing.T) {
	m := metrics.New()
	if n, err := testutil.GatherAndCount(m.Gatherer(), "discsafe_broker_sync_always"); n != 0 || err != nil {
		t.Errorf("%d samples before anybody can tell, %v", n, err)
	}
	m.Synced(func() bool { return false })
	if n, err := testutil.GatherAndCount(m.Gatherer(), "discsafe_broker_sync_always"); n != 1 || err != nil {
		t.Errorf("%d samples, %v", n, err)
	}
	if got := values(t, m)["broker_sync_always"]; got != 0 {
		t.Errorf("%v", got)
	}
}

func TestIntakeIsLeftOutWhileNotKnown(t *testing.T) {
	m := metrics.New()
	want := func(what string, n int) {
		t.Helper()
		if got, err := testutil.GatherAndCount(m.Gatherer(), "discsafe_intake_paused"); got != n || err != nil {
			t.Errorf("%s: %d samples, %v; want %d", what, got, err, n)
		}
	}
	want("nobody to ask", 0)
	m.Intake(func() (bool, bool) { return true, false })
	want("not known", 0)
	m.Intake(func() (bool, bool) { return false, true })
	want("taking jobs", 1)
	if got := values(t, m)["intake_paused"]; got != 0 {
		t.Errorf("%v", got)
	}
}

// A series that comes into being at 1 shows no rise, and the first failure of a
// route would raise no alarm.
func TestFailuresOfRoutesAreThereFromTheStart(t *testing.T) {
	m := metrics.New()
	m.Routes("/v1/jobs", "POST /v1/jobs")
	count := func() int {
		t.Helper()
		n, err := testutil.GatherAndCount(m.Gatherer(), "discsafe_http_requests_total")
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := count()
	for _, status := range []int{500, 503, 507} {
		m.HTTP("POST /v1/jobs", "POST", status, time.Second)
		m.HTTP("/nowhere", "GET", status, time.Second)
	}
	if after := count(); after != before {
		t.Errorf("%d series became %d", before, after)
	}
	if got := values(t, m)["http_requests_total{method=POST,route=POST /v1/jobs,status=503}"]; got != 1 {
		t.Errorf("%v requests were counted", got)
	}
}

func TestLastCompleted(t *testing.T) {
	m := metrics.New()
	m.Ended(record(job.Failed, job.CodePlan, 0, 0))
	if got := values(t, m)["last_completed_timestamp_seconds"]; got != 0 {
		t.Errorf("a failed job counts as completed, %v", got)
	}
	m.Ended(record(job.Done, job.CodeDone, 0, 0))
	if got := values(t, m)["last_completed_timestamp_seconds"]; math.Abs(got-float64(time.Now().Unix())) > 600 {
		t.Errorf("%v", got)
	}
	m.Clock(func() time.Time { return day })
	m.Ended(record(job.Done, job.CodeDone, 0, 0))
	for _, name := range []string{"last_completed", "clock"} {
		if got := values(t, m)[name+"_timestamp_seconds"]; got != float64(day.Unix()) {
			t.Errorf("%s: %v by a clock of its own", name, got)
		}
	}
}

// fill makes every metric have a sample.
func fill(m *metrics.Metrics) {
	m.Disk("data", func() (int64, bool) { return 1, true })
	m.Synced(func() bool { return true })
	m.Wrote("data", 1, nil)
	m.Uploads(1, 1)
	m.Intake(func() (bool, bool) { return true, true })
	m.Canary(day)
	m.HTTP("", "GET", 200, 0)
	m.Pass("x", 1, 1)
	m.Counts(job.Counts{})
	m.Queue(queue.Stats{})
	m.Ended(record(job.Done, job.CodeDone, 0, 0))
	m.Worker(worker.Event{Kind: worker.Claimed, Attempt: 1})
	m.Worker(worker.Event{Kind: worker.Fenced, Attempt: 1})
}

func TestLint(t *testing.T) {
	m := metrics.New()
	fill(m)
	problems, err := testutil.GatherAndLint(m.Gatherer())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// TestDescribeTellsEverything holds the descriptions against what is scraped.
func TestDescribeTellsEverything(t *testing.T) {
	m := metrics.New()
	fill(m)
	all, err := m.Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]metrics.Doc{}
	for _, f := range all {
		if !strings.HasPrefix(f.GetName(), "discsafe_") {
			continue
		}
		d := metrics.Doc{Name: f.GetName(), Type: strings.ToLower(f.GetType().String()), Help: f.GetHelp()}
		for _, l := range f.GetMetric()[0].GetLabel() {
			d.Labels = append(d.Labels, l.GetName())
		}
		got[d.Name] = d
	}
	units := []string{"", "seconds", "bytes", "ratio"}
	for _, d := range metrics.Describe() {
		if d.Help == "" || !slices.Contains(units, d.Unit) || d.Unit != "" && !strings.Contains(d.Name, d.Unit) {
			t.Errorf("%+v", d)
		}
		for _, forbidden := range []string{"job", "id", "studio", "token", "worker"} {
			if slices.Contains(d.Labels, forbidden) {
				t.Errorf("%s has label %s", d.Name, forbidden)
			}
		}
		d.Unit = ""
		slices.Sort(d.Labels)
		if diff := cmp.Diff(d, got[d.Name]); diff != "" {
			t.Errorf("described -, scraped +:\n%s", diff)
		}
		delete(got, d.Name)
	}
	for name := range got {
		t.Errorf("%s is not described", name)
	}
}

// TestNoStrangerMakesSeries holds that what comes from outside cannot make the
// process grow.
func TestNoStrangerMakesSeries(t *testing.T) {
	m := metrics.New()
	fill(m)
	count := func() int {
		n, err := testutil.GatherAndCount(m.Gatherer())
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	use := func(i int) {
		s := fmt.Sprint("x", i)
		m.Accepted(s)
		m.Refused(s)
		m.SignIn(s)
		m.Hook(s)
		m.Upload(s)
		m.Pass(s, 1, 1)
		m.HTTP("/"+s, s, 1000+i, 0)
		r := record(job.Done, job.CodeDone, 0, 0)
		r.Request.Lane, r.Result.Verdict = s, s
		m.Ended(r)
		m.Ended(record(job.Failed, job.Code(s), 0, 0))
		m.Worker(worker.Event{Kind: worker.Settled, Attempt: 1, State: job.State(s), Code: job.Code(s), Lane: s})
		m.Worker(worker.Event{Kind: worker.Trouble, Code: job.Code(s)})
		m.Worker(worker.Event{Kind: worker.Claimed, Attempt: 1, Lane: s})
	}
	use(0)
	before := count()
	for i := range 500 {
		use(i)
	}
	if after := count(); after != before {
		t.Errorf("%d series became %d", before, after)
	}
}

func TestHandler(t *testing.T) {
	m := metrics.New()
	m.Version("1.2")
	s := httptest.NewServer(m.Handler())
	defer s.Close()
	for _, c := range []struct{ name, accept, kind, has string }{
		{"text", "", "text/plain", "discsafe_jobs_accepted_total{lane=\"express\"} 0\n"},
		{"OpenMetrics", "application/openmetrics-text; version=1.0.0", "application/openmetrics-text", "# EOF\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			q, err := http.NewRequest(http.MethodGet, s.URL, nil)
			if err != nil {
				t.Fatal(err)
			}
			q.Header.Set("Accept", c.accept)
			res, err := http.DefaultClient.Do(q)
			if err != nil {
				t.Fatal(err)
			}
			defer res.Body.Close()
			body, err := io.ReadAll(res.Body)
			if err != nil {
				t.Fatal(err)
			}
			if got := res.Header.Get("Content-Type"); !strings.HasPrefix(got, c.kind) {
				t.Errorf("content type %q", got)
			}
			for _, want := range []string{c.has, "discsafe_build_info{", "go_goroutines "} {
				if !strings.Contains(string(body), want) {
					t.Errorf("no %q in\n%.2000s", want, body)
				}
			}
		})
	}
}
