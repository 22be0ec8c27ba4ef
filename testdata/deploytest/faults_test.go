package deploytest

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// fault is something that goes wrong, the number that tells, and the alerts it
// must raise, the one of the runbook's table first.
type fault struct {
	name   string // as in the table
	moves  string // a query that has an answer only while the fault lasts
	alerts []string
	begin  func(t *testing.T) (end func())
	slow   bool // it takes its time to show
}

func (f fault) within() time.Duration {
	if f.slow {
		return 150 * time.Second // three attempts, with rests of 10 and 40 s between them
	}
	return 60 * time.Second
}

// faults lists all that is provoked, in rounds: what stands together is provoked
// together.
func (s *site) faults(plans []string) [][]fault {
	return [][]fault{
		{{name: "worker frozen", moves: `up{role="worker"} == 0`, alerts: []string{"TargetDown", "NoWorker", "OldestWaiting", "CanaryMissing"}, begin: func(t *testing.T) func() {
			s.freeze(syscall.SIGSTOP)
			for _, p := range plans[:3] {
				if _, err := s.as(t, s.engineer, "submit", p, "--studio", "north"); err != nil {
					t.Fatal(err)
				}
			}
			return func() { s.freeze(syscall.SIGCONT) }
		}}},
		{{name: "broker down", moves: `min(discsafe_broker_sync_always) == 0`, alerts: []string{"BrokerSync", "WorkerTrouble"}, begin: func(*testing.T) func() {
			s.nats.signal(syscall.SIGKILL)
			<-s.nats.done
			return func() { s.nats = s.restartNATS() }
		}}},
		{{name: "API down", moves: `up{role="api"} == 0`, alerts: []string{"ApiDown", "TargetDown", "CanaryMissing"}, begin: func(*testing.T) func() {
			s.api.end()
			return func() { s.api = s.restartAPI() }
		}}},
		{
			{name: "stuck upload", moves: `max(discsafe_upload_silent_seconds) > 3600`, alerts: []string{"UploadsStuck"}, begin: s.leaveUpload},
			{name: "poison file", moves: `sum(increase(discsafe_jobs_failed_total{reason="crashed"}[1h])) > 2`, alerts: []string{"JobsBreaking"}, begin: s.poison, slow: true},
			{name: "dead letter", moves: `max(discsafe_dead_letters) > 0`, alerts: []string{"DeadLetters"}, begin: s.starve, slow: true},
			{name: "intake paused", moves: `max(discsafe_intake_paused) > 0`, alerts: []string{"IntakePaused"}, begin: func(t *testing.T) func() {
				s.operate(t, "/v1/status/pause", `{"why":"trial"}`)
				return func() { s.operate(t, "/v1/status/resume", "") }
			}},
		},
		{
			{name: "full disk", moves: `discsafe_disk_free_bytes{volume="spool"} < 1e6`, alerts: []string{"DiskLow", "IntakeFull"}, begin: s.fillSpool},
			{name: "clock off", moves: `abs(discsafe_clock_timestamp_seconds - timestamp(discsafe_clock_timestamp_seconds)) > 60`, alerts: []string{"ClockOff"}, begin: func(*testing.T) func() {
				s.workers[0].end()
				s.workers[0] = s.startWorker(0, []string{"DISCSAFE_CLOCK_AHEAD=-3m"})
				return func() { s.workers[0].end(); s.workers[0] = s.startWorker(0, nil) }
			}},
			// Last, as the service throttles this address for it.
			{name: "flood of wrong tokens", moves: `sum(rate(discsafe_sign_in_failures_total[5m])) > 1`, alerts: []string{"SignInFlood"}, begin: s.flood},
		},
		{{name: "store read-only", moves: `discsafe_disk_writable{volume="store"} == 0`, alerts: []string{"NotWritable", "CanaryMissing"}, begin: func(t *testing.T) func() {
			s.store.end()
			s.store = s.restartStore("--readonly")
			s.refused(t, http.StatusServiceUnavailable)
			return func() { s.store.end(); s.store = s.restartStore() }
		}}},
		{{name: "slow disk", moves: `min_over_time(discsafe_disk_write_seconds{volume="store"}[5m]) > 1`, alerts: []string{"DiskSlow"}, begin: func(*testing.T) func() {
			s.slow.Store(int64(1300 * time.Millisecond))
			return func() { s.slow.Store(0) }
		}}},
		{{name: "mix damaged in the store", moves: `sum(increase(discsafe_integrity_violations_total[1h])) > 0`, alerts: []string{"IntegrityViolation"}, begin: func(t *testing.T) func() {
			s.flip(t)
			if _, err := s.as(t, s.engineer, "submit", plans[0], "--studio", "north", "--wait"); err == nil {
				t.Fatal("a job with a damaged mix ended well")
			}
			return func() { s.flip(t) } // and back; the canary's clip is among them
		}}},
	}
}

// flood tries tokens that nobody has.
func (s *site) flood(t *testing.T) func() {
	for range 120 {
		r, err := ask(http.MethodGet, s.server+"/v1/me", "Bearer wrong", nil)
		if err != nil {
			t.Fatal(err)
		}
		if r != http.StatusUnauthorized && r != http.StatusTooManyRequests {
			t.Fatalf("a wrong token got %d", r)
		}
	}
	return func() {}
}

// broken hands in a side that its process breaks on, and returns its job.
func (s *site) broken(t *testing.T, n int, catalogue string) (id string) {
	t.Helper()
	plan := side(t, t.TempDir(), n)
	b, err := os.ReadFile(plan)
	if err != nil {
		t.Fatal(err)
	}
	put(t, plan, string(b)+"catalogue: "+catalogue+"\n")
	out, err := s.as(t, s.engineer, "submit", plan, "--studio", "north")
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(out)
}

// poison hands in three sides on which every process breaks. Deleting their jobs
// ends it.
func (s *site) poison(t *testing.T) func() {
	var ids []string
	for n := range 3 {
		ids = append(ids, s.broken(t, 60+n, "FAULT-PANIC"))
	}
	return func() {
		for _, id := range ids {
			if _, err := s.as(t, s.engineer, "jobs", "delete", id); err != nil {
				t.Error(err)
			}
		}
	}
}

// starve gives the workers less memory than a side wants. More memory and putting
// the job back to the start ends it: then it must be done.
func (s *site) starve(t *testing.T) func() {
	restart := func(more ...string) {
		for n, w := range s.workers {
			w.end()
			s.workers[n] = s.startWorker(n, nil, more...)
		}
	}
	restart("--memory", "256MiB")
	id := s.broken(t, 70, "FAULT-HUNGER")
	return func() {
		restart()
		s.operate(t, "/v1/dead/"+id+"/requeue", "")
		eventually(t, 60*time.Second, "the job is done after all", func() error {
			out, err := s.as(t, s.engineer, "jobs", "show", id, "--json")
			if err == nil && !strings.Contains(out, `"state": "done"`) {
				err = errors.New("not yet")
			}
			return err
		})
	}
}

// leaveUpload begins a resumable upload and leaves it half way.
func (s *site) leaveUpload(t *testing.T) func() {
	t.Helper()
	token, err := os.ReadFile(s.engineer)
	if err != nil {
		t.Fatal(err)
	}
	tus := func(method, at string, body io.Reader, want int, headers ...string) http.Header {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, s.server+at, body)
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range append(headers, "Tus-Resumable: 1.0.0", "Authorization: Bearer "+strings.TrimSpace(string(token))) {
			k, v, _ := strings.Cut(h, ": ")
			r.Header.Set(k, v)
		}
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Body.Close(); err != nil || a.StatusCode != want {
			t.Fatalf("%s %s: %d, %v", method, at, a.StatusCode, err)
		}
		return a.Header
	}
	at := tus(http.MethodPost, "/v1/uploads?studio=north", nil, http.StatusCreated, "Upload-Length: 1000").Get("Location")
	tus(http.MethodPatch, at, strings.NewReader(strings.Repeat("x", 500)), http.StatusNoContent, "Upload-Offset: 0", "Content-Type: application/offset+octet-stream")
	return func() { tus(http.MethodDelete, at, nil, http.StatusNoContent) }
}

// fillSpool fills the API's spool to the last byte, and hands in a mix that is not
// there yet.
func (s *site) fillSpool(t *testing.T) func() {
	ballast := filepath.Join(s.spool, "ballast")
	if err := os.WriteFile(ballast, make([]byte, spoolBytes+1), 0o600); !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("the spool is not full: %v", err)
	}
	s.refused(t, http.StatusInsufficientStorage)
	return func() {
		if err := os.Remove(ballast); err != nil {
			t.Error(err)
		}
	}
}

// refused hands in a mix that is not there yet, which must be answered so.
func (s *site) refused(t *testing.T, want int) {
	t.Helper()
	token, err := os.ReadFile(s.engineer)
	if err != nil {
		t.Fatal(err)
	}
	mix := bytes.Repeat([]byte("new"), 1000)
	sum := sha256.Sum256(mix)
	at := s.server + "/v1/mixes/" + hex.EncodeToString(sum[:]) + "?studio=north"
	if status, err := ask(http.MethodPut, at, "Bearer "+strings.TrimSpace(string(token)), mix); status != want || err != nil {
		t.Fatalf("a new mix got %d, %v; want %d", status, err, want)
	}
}

// faultRow is a line of the runbook's table.
var faultRow = regexp.MustCompile("(?m)^\\| ([^|:]+)(?::[^|]*)? \\| `([a-z_]+)` \\| ([^|]+) \\| ([A-Za-z]+) \\| \\[([a-z-]+)\\]\\(#([a-z-]+)\\) \\|$")

// The table of faults in the runbook names what is provoked, the numbers and
// alerts that are seen to move, where the operations page shows them, and the
// paragraphs that the alerts lead to.
func TestTableOfFaults(t *testing.T) {
	_, section, _ := strings.Cut(read(t, "deploy/runbook.md"), "\n## faults\n")
	section, _, _ = strings.Cut(section, "\n## ")
	rows := faultRow.FindAllStringSubmatch(section, -1)
	if lines := strings.Count(section, "\n|"); len(rows) != lines-2 { // the head and its rule
		t.Errorf("%d of %d lines are rows as they should be", len(rows), lines-2)
	}
	provoked := map[string]fault{}
	for _, together := range (&site{}).faults(make([]string, 3)) {
		for _, f := range together {
			provoked[f.name] = f
		}
	}
	alerts, _ := rules(t)
	page := operationsPage(t)
	for _, r := range rows {
		name, number, place, alert, word, anchor := r[1], r[2], r[3], r[4], r[5], r[6]
		f, is := provoked[name]
		if !is {
			t.Errorf("%q is provoked nowhere, or stands twice", name)
			continue
		}
		delete(provoked, name)
		if !slices.Contains(metric.FindAllString(f.moves, -1), number) {
			t.Errorf("%s: what is seen to move is %s, not %s", name, f.moves, number)
		}
		if f.alerts[0] != alert {
			t.Errorf("%s: what is seen to fire is %s, not %s", name, f.alerts[0], alert)
		}
		i := slices.IndexFunc(alerts, func(a rule) bool { return a.Alert == alert })
		if i < 0 || alerts[i].Annotations["runbook"] != "deploy/runbook.md#"+anchor || word != anchor {
			t.Errorf("%s: %s does not lead to %s", name, alert, anchor)
		}
		if shown := place == "does not answer"; !shown && !strings.Contains(page, ">"+place+"<") {
			t.Errorf("%s: the operations page has nothing called %q", name, place)
		}
	}
	for name := range provoked {
		t.Errorf("%q is provoked, and has no row", name)
	}
}

// operationsPage is the page of a service of its own.
func operationsPage(t *testing.T) string {
	t.Helper()
	s := begin(t, "serve", nil, built, "serve", "--data", filepath.Join(t.TempDir(), "data"), "--listen", "127.0.0.1:0", "--log", "text")
	at := s.address(t)
	var page string
	eventually(t, 30*time.Second, "the operations page", func() (err error) {
		if page, err = get(at + "/operations"); err == nil && !strings.Contains(page, "<figure") {
			err = fmt.Errorf("it shows nothing yet")
		}
		return err
	})
	return page
}
