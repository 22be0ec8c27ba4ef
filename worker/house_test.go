package worker_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"discsafe/pipeline/report"
	"discsafe/worker"
	"discsafe/worker/job"
	"discsafe/worker/queue"
	queuemem "discsafe/worker/queue/mem"
	"discsafe/worker/store"
	storemem "discsafe/worker/store/mem"
)

// house is a whole service in one process: store, broker, records, and as many
// workers as a test starts. It runs in a synctest bubble, so hours pass in
// milliseconds and goroutines left behind fail the test.
type house struct {
	t      *testing.T
	ctx    context.Context
	store  *storemem.Store
	broker *queuemem.Broker
	queue  queue.Queue // of the submitting side
	l      *job.Ledger
	base   string // scratch

	mu         sync.Mutex
	storeFault store.Fault
	queueFault queuemem.FaultFunc
	events     []worker.Event
}

func newHouse(t *testing.T, base string) *house {
	h := &house{t: t, ctx: t.Context(), base: base}
	h.store = storemem.New(storemem.Options{Now: time.Now, Fault: func(step, key string) error {
		h.mu.Lock()
		f := h.storeFault
		h.mu.Unlock()
		if f == nil {
			return nil
		}
		return f(step, key)
	}})
	h.broker = queuemem.New(queuemem.Options{Fault: func(op queuemem.Op, when queuemem.Moment, m queue.Message) error {
		h.mu.Lock()
		f := h.queueFault
		h.mu.Unlock()
		if f == nil {
			return nil
		}
		return f(op, when, m)
	}})
	h.queue = h.broker.Open()
	h.l = h.ledger(h.store)
	return h
}

func (h *house) ledger(s store.Store) *job.Ledger {
	l, err := job.NewLedger(job.Config{Store: s, Now: time.Now})
	if err != nil {
		h.t.Fatal(err)
	}
	return l
}

func (h *house) faults(s store.Fault, q queuemem.FaultFunc) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.storeFault, h.queueFault = s, q
}

func (h *house) observe(e worker.Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.events = append(h.events, e)
}

func (h *house) count(k worker.EventKind, c job.Code) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := 0
	for _, e := range h.events {
		if e.Kind == k && (c == "" || e.Code == c) {
			n++
		}
	}
	return n
}

// runner pretends to prepare: it takes a time and writes a folder with a
// manifest, unless the job's title says otherwise.
type runner struct {
	takes  time.Duration
	broken func(worker.Task) *job.Reason
	spoil  func(dir string)
}

func (r *runner) Run(ctx context.Context, t worker.Task, told func(worker.Pass)) worker.Outcome {
	for i := range 4 {
		told(worker.Pass{Name: "treating", Number: 1, Of: 1, Fraction: float64(i) / 4, RealTime: 40})
		select {
		case <-ctx.Done():
			return worker.Outcome{Stopped: true}
		case <-time.After(r.takes / 4):
		}
	}
	if r.broken != nil {
		if why := r.broken(t); why != nil {
			return worker.Outcome{Reason: why}
		}
	}
	// The result depends on the input alone, not on job or attempt.
	plan, err := os.ReadFile(t.Plan)
	if err == nil {
		err = writeResult(t.Out, map[string][]byte{"premaster.wav": append([]byte("sound of "), plan...), "report.json": []byte("{}")})
	}
	if err != nil {
		why := job.Because(job.CodeInternal, err.Error())
		return worker.Outcome{Reason: &why}
	}
	if r.spoil != nil {
		r.spoil(t.Out)
	}
	return worker.Outcome{Made: worker.Made{Verdict: "ready", Version: "test"}}
}

func writeResult(dir string, files map[string][]byte) error {
	if err := os.Mkdir(dir, 0o700); err != nil {
		return err
	}
	m := report.Manifest{Schema: report.ManifestSchema, Tool: report.Tool{Name: "discsafe", Version: "test"}, RecipeSHA256: strings.Repeat("0", 64)}
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			return err
		}
		f, err := report.HashOf(name, bytes.NewReader(data))
		if err != nil {
			return err
		}
		m.Outputs = append(m.Outputs, f)
	}
	var b bytes.Buffer
	if err := m.Write(&b); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, report.ManifestName), b.Bytes(), 0o600)
}

// submit stores a plan and a mix and rings.
func (h *house) submit(name string) string {
	h.t.Helper()
	in := func(file, text string) job.Input {
		key := "input/" + name + "/" + file
		info, err := h.store.Put(h.ctx, key, strings.NewReader(text))
		if err != nil {
			h.t.Fatal(err)
		}
		return job.Input{Name: file, Key: key, Bytes: info.Size, SHA256: info.SHA256}
	}
	r, _, err := h.l.Submit(h.ctx, name, job.Request{Studio: "north", Title: name, LengthS: 60,
		Plan: in("plan.yaml", "plan "+name), Inputs: []job.Input{in("mixes-one.wav", "mix "+name)}})
	if err != nil {
		h.t.Fatal(err)
	}
	if err := h.queue.Publish(h.ctx, worker.Ring(r)); err != nil {
		h.t.Fatal(err)
	}
	return r.ID
}

// start runs a worker until stop is called, which waits for it.
func (h *house) start(name string, change func(*worker.Options)) (w *worker.Worker, stop func()) {
	h.t.Helper()
	o := worker.Options{Queue: h.broker.Open(), Store: h.store, Ledger: h.ledger(h.store), Runner: &runner{takes: 10 * time.Second}, Name: name, Version: "test",
		Scratch: h.base, Observe: h.observe, Free: func() (int64, bool) { return 1 << 40, true }}
	if change != nil {
		change(&o)
	}
	w, err := worker.New(o)
	if err != nil {
		h.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	return w, sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			h.t.Error(err)
		}
		o.Queue.Close()
	})
}

// until waits in virtual time for a job to reach a state.
func (h *house) until(id string, want job.State, most time.Duration) *job.Record {
	h.t.Helper()
	for end := time.Now().Add(most); ; {
		r, err := h.l.Get(h.ctx, id)
		if err == nil && r.State == want {
			return r
		}
		if time.Now().After(end) {
			h.t.Fatalf("job %s is not %s after %v: %+v %v", id, want, most, r, err)
		}
		time.Sleep(250 * time.Millisecond)
	}
}

// check holds what must be true of a finished job: the result is complete, and
// nothing else of it is left in the store.
func (h *house) check(r *job.Record) {
	h.t.Helper()
	want := map[string]bool{}
	for _, f := range r.Result.Files {
		want[f.Key] = true
		if err := store.Verify(h.ctx, h.store, f.Key, f.Bytes, f.SHA256); err != nil {
			h.t.Error(err)
		}
	}
	if _, ok := r.Result.File(report.ManifestName); !ok || len(want) != 3 {
		h.t.Errorf("files %+v", r.Result.Files)
	}
	for o, err := range store.All(h.ctx, h.store, "result/"+r.ID+"/") {
		if err != nil || !want[o.Key] {
			h.t.Errorf("left in the store: %s %v", o.Key, err)
		}
	}
	done := 0
	for _, e := range r.History {
		if e.To == job.Done {
			done++
		}
	}
	if done != 1 {
		h.t.Errorf("committed %d times: %+v", done, r.History)
	}
}

// empty checks that nothing is left in scratch and queue.
func (h *house) empty() {
	h.t.Helper()
	entries, err := os.ReadDir(h.base)
	if err != nil || len(entries) > 0 {
		h.t.Errorf("left in scratch: %v %v", entries, err)
	}
	s, err := h.queue.Stats(h.ctx)
	if err != nil || s.Waiting+s.InFlight > 0 {
		h.t.Errorf("left in the queue: %+v %v", s, err)
	}
}

func inHouse(t *testing.T, f func(*house)) {
	base := filepath.Join(t.TempDir(), "scratch")
	synctest.Test(t, func(t *testing.T) { f(newHouse(t, base)) })
}
