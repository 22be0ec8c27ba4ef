package browser

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
)

// sampled waits until the operations page has seen so many samples of its metrics
// that it tells of what happened.
func (b *tab) sampled() {
	b.t.Helper()
	end := time.Now().Add(stepTime)
	for b.at("/operations"); strings.Contains(b.text("main"), "Not known yet"); b.at("/operations") {
		if time.Now().After(end) {
			b.fail(fmt.Errorf("nothing is known of the metrics"))
		}
		time.Sleep(time.Second)
	}
}

// says fails unless the open page has a text.
func (b *tab) says(texts ...string) {
	b.t.Helper()
	all := b.text("main")
	for _, want := range texts {
		if !strings.Contains(all, want) {
			b.t.Errorf("the page does not say %q", want)
		}
	}
}

// faulty is the program with the fault points of fault runs built in: sides that
// break their process.
var faulty = sync.OnceValues(func() (string, error) {
	at := built + "-faulty"
	cmd := exec.Command("go", "build", "-buildvcs=false", "-tags", "faultpoints", "-o", at, "./cmd/discsafe")
	cmd.Dir = filepath.Join("..", "..")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program with fault points: %w\n%s", err, out)
	}
	return at, nil
})

var catalogueLine = regexp.MustCompile(`(?m)^catalogue: .*$`)

// handIn submits the demonstration's side and does not wait for it; with a
// catalogue number the process breaks as that says.
func (h *house) handIn(t *testing.T, n int, catalogue string) {
	t.Helper()
	plan := filepath.Join(scenario(t), "demo-side.yaml")
	if catalogue != "" {
		text, err := os.ReadFile(plan)
		if err != nil {
			t.Fatal(err)
		}
		plan = written(t, scenario(t), catalogue+".yaml", catalogueLine.ReplaceAll(text, []byte("catalogue: "+catalogue)))
	}
	command(t, "submit", plan, "--server", h.url(""), "--token-file", written(t, t.TempDir(), "token", []byte(h.studio)), "--key", fmt.Sprint("operations-", n))
}

// send asks the service for something and returns its status.
func (h *house) send(t *testing.T, method, path, token string, body []byte, headers ...string) (status int, location string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, h.url(path), bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	for _, s := range headers {
		k, v, _ := strings.Cut(s, ": ")
		r.Header.Set(k, v)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Body.Close(); err != nil {
		t.Fatal(err)
	}
	return a.StatusCode, a.Header.Get("Location")
}

// TestOperationsInEveryState looks at the operations page of a service that has
// nothing to do, of one with more to do than it can, and of one with faults.
func TestOperationsInEveryState(t *testing.T) {
	program, err := faulty()
	if err != nil {
		t.Fatal(err)
	}
	// Jobs that break are given up after three attempts, with rests of 10 and 40 s between.
	bad := houseOf(t, program, "--memory", "256MiB")
	for n, catalogue := range []string{"FAULT-PANIC", "FAULT-HUNGER"} {
		bad.handIn(t, n, catalogue)
	}
	t.Run("empty", func(t *testing.T) {
		h := newHouse(t)
		o := open(t, h.service)
		o.signIn(h.operator)
		o.sampled()
		o.see("operations-empty", "/operations")
		o.says("Are users served?\nYes", "None is known.", "No job is dead.", "Takes jobs")
	})
	t.Run("busy", func(t *testing.T) {
		h := newHouse(t)
		o := open(t, h.service)
		o.signIn(h.operator)
		for n := range 3 {
			h.handIn(t, n, "")
		}
		o.sampled()
		for n := range 12 {
			h.handIn(t, 100+n, "")
		}
		o.until("a job that runs", "document.querySelector('main').innerText.includes('All slots busy')")
		o.see("operations-busy", "/operations")
		o.says("All slots busy", "1 run.")
	})
	t.Run("faults", func(t *testing.T) { bad.faults(t) })
}

// faults breaks what can be broken from outside, and looks at the page.
func (h *house) faults(t *testing.T) {
	o := open(t, h.service)
	o.signIn(h.operator)
	// An upload that was left two hours ago.
	tus := "Tus-Resumable: 1.0.0"
	status, at := h.send(t, http.MethodPost, "/v1/uploads", h.studio, nil, tus, "Upload-Length: 1000")
	if status != http.StatusCreated {
		t.Fatalf("an upload: %d", status)
	}
	h.send(t, http.MethodPatch, at, h.studio, []byte("half"), tus, "Upload-Offset: 0", "Content-Type: application/offset+octet-stream")
	left, err := filepath.Glob(filepath.Join(h.data, "spool", "tus", "*", "*"))
	if err != nil || len(left) == 0 {
		t.Fatalf("no file of the upload: %v", err)
	}
	ago := time.Now().Add(-2 * time.Hour)
	for _, path := range left {
		if err := os.Chtimes(path, ago, ago); err != nil {
			t.Fatal(err)
		}
	}
	// Workers on other machines, as they told of themselves in the store: one froze, one's clock is behind.
	for name, told := range map[string]struct{ by, written time.Duration }{"frozen-0a1b2c3d": {5 * time.Minute, 5 * time.Minute}, "behind-4e5f6071": {10 * time.Minute, 0}} {
		data, err := json.Marshal(map[string]any{"name": name, "version": "dev", "slots": 2, "running": 1, "at": time.Now().Add(-told.by).UTC()})
		if err != nil {
			t.Fatal(err)
		}
		path := written(t, filepath.Join(h.data, "store", "roster"), name, data)
		if err := os.Chtimes(path, time.Now(), time.Now().Add(-told.written)); err != nil {
			t.Fatal(err)
		}
	}
	if status, _ := h.send(t, http.MethodPost, "/v1/status/pause", h.operator, []byte(`{"why":"the disk of the store is changed"}`), "Content-Type: application/json"); status != http.StatusOK {
		t.Fatalf("pausing: %d", status)
	}
	o.until("both jobs given up", "fetch('/v1/jobs?state=dead').then(r => r.json()).then(j => globalThis.gone = j.jobs.length) && globalThis.gone === 2")
	// What is paused is refused, and wrong tokens are turned away; the history shows both at its next samples.
	for range 40 {
		h.send(t, http.MethodPost, "/v1/jobs", h.studio, []byte("{}"), "Content-Type: application/json")
		h.send(t, http.MethodGet, "/v1/me", "wrong", nil)
	}
	o.at("/operations")
	o.until("the history has it all", "document.querySelector('#plot-door').innerText.includes('in all 40') && document.querySelector('#plot-uploads').innerText.includes('beyond the limit') && document.querySelector('#plot-dead').innerText.includes('To be decided on')")
	o.see("operations-faults", "/operations")
	o.says("Intake is paused", "the disk of the store is changed", "Silent: frozen, cut off or killed", "Clock 10 min behind", "2 jobs are dead", "crashed", "out-of-memory")
	o.see("runbook-faults", "/operations/runbook#faults")
}
