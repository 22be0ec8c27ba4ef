package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"discsafe/api/client"
	"discsafe/testdata/programme"
	"discsafe/worker/job"
)

// The service grown by one API and one worker of one slot, with everything that
// crosses a wire counted: requests at a proxy before the object store, messages by
// the broker's own counters.
const (
	wireJobs   = 5
	wireIdle   = 60 * time.Second // of which the standing load is taken
	wireSettle = 5 * time.Second  // after a job
)

// wireRow is what one job cost on the wires, the standing load taken off.
type wireRow struct {
	Tracks      int                `json:"tracks"`  // of a side, each a mix
	TrackS      float64            `json:"track_s"` // seconds of each
	MixMB       float64            `json:"mix_mb"`  // of the side
	ResultMB    float64            `json:"result_mb"`
	HeldS       float64            `json:"held_s"`       // mean time an attempt held the slot
	Requests    float64            `json:"requests"`     // to the object store for a job, mean
	Messages    float64            `json:"messages"`     // of the broker for a job, in and out, mean
	APIIdle     wireCount          `json:"api_idle"`     // a second, with nothing to do
	WorkerIdle  wireCount          `json:"worker_idle"`  // a second
	RecordBytes float64            `json:"record_bytes"` // of a job that is done, mean
	APIMB       float64            `json:"api_mb"`       // resident, at the end
	WorkerMB    float64            `json:"worker_mb"`
	Kinds       map[string]float64 `json:"kinds"` // requests for a job, by method and first part of the key
}

type wire struct {
	dir   string
	procs []*exec.Cmd
	http  http.Client

	mu    sync.Mutex
	kinds map[string]float64

	store, monitor, api string   // addresses
	env, shared         []string // of API and worker
	apiPID, workerPID   int
}

// onWire runs jobs with so many tracks of so many seconds through real processes.
func onWire(ctx context.Context, discsafe, nats, gateway, dir string, tracks int, trackS float64) (_ wireRow, err error) {
	w := &wire{dir: dir, kinds: map[string]float64{}}
	defer func() { err = errors.Join(err, w.stop()) }()
	out := wireRow{Tracks: tracks, TrackS: trackS}
	if err := w.start(ctx, discsafe, nats, gateway); err != nil {
		return out, err
	}
	if out.APIIdle, err = w.idle(); err != nil {
		return out, err
	}
	if err := w.startWorker(ctx, discsafe); err != nil {
		return out, err
	}
	both, err := w.idle()
	if err != nil {
		return out, err
	}
	out.WorkerIdle = wireCount{both.Requests - out.APIIdle.Requests, both.Messages - out.APIIdle.Messages}
	w.mu.Lock()
	quiet := w.kinds // since the worker began: idle cleared it
	w.kinds = map[string]float64{}
	w.mu.Unlock()
	c, err := client.New(client.Options{Server: w.api})
	if err != nil {
		return out, err
	}
	defer c.Close()
	before, err := w.count()
	if err != nil {
		return out, err
	}
	began := time.Now()
	for i := range wireJobs {
		if err := w.job(ctx, c, i, &out); err != nil {
			return out, err
		}
	}
	after, err := w.count()
	if err != nil {
		return out, err
	}
	took := time.Since(began).Seconds()
	out.Requests = (after.Requests - before.Requests - both.Requests*took) / wireJobs
	out.Messages = (after.Messages - before.Messages - both.Messages*took) / wireJobs
	out.Kinds = map[string]float64{}
	for k, n := range w.kinds {
		if n = (n - quiet[k]/wireIdle.Seconds()*took) / wireJobs; n > 0.3 {
			out.Kinds[k] = float64(int(n*10+0.5)) / 10
		}
	}
	out.APIMB, out.WorkerMB = resident(w.apiPID), resident(w.workerPID)
	return out, nil
}

// job hands one in and waits for its end by looking at the object store's own
// folder, which costs no wire anything.
func (w *wire) job(ctx context.Context, c *client.Client, number int, out *wireRow) error {
	dir := filepath.Join(w.dir, fmt.Sprint("side", number))
	p, err := programme.ByID("band-fit")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	p.RateHz, p.DurationS = 96000, out.TrackS
	if _, err := p.Build(dir); err != nil {
		return err
	}
	mix, err := os.ReadFile(filepath.Join(dir, programme.MixFile))
	if err != nil {
		return err
	}
	plan, names := "side: A\ntracks:\n", []string{}
	for i := range out.Tracks {
		mix[len(mix)-3] = byte(number*out.Tracks + i) // the least bits of the last sample: no file is known already
		name := fmt.Sprintf("%d.wav", i)
		if err := os.WriteFile(filepath.Join(dir, name), mix, 0o644); err != nil {
			return err
		}
		plan += "- file: " + name + "\n"
		names = append(names, name)
	}
	path := filepath.Join(dir, "side.yaml")
	if err := os.WriteFile(path, []byte(plan), 0o644); err != nil {
		return err
	}
	j, _, err := c.SubmitPlan(ctx, client.SidePlan{Path: path, Names: names})
	if err != nil {
		return err
	}
	for {
		data, err := os.ReadFile(filepath.Join(w.dir, "objects", "disc", "record", j.ID))
		var r job.Record
		if err == nil {
			err = json.Unmarshal(data, &r)
		}
		if err == nil && r.State.Ended() {
			if r.State != job.Done {
				return fmt.Errorf("job %s is %s: %v", j.ID, r.State, r.Reason)
			}
			out.HeldS += r.Ended.Sub(r.Started).Seconds() / wireJobs
			out.RecordBytes += float64(len(data)) / wireJobs
			out.MixMB = float64(len(mix)) * float64(out.Tracks) / 1e6
			out.ResultMB = 0
			for _, f := range r.Result.Files {
				out.ResultMB += float64(f.Bytes) / 1e6
			}
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	time.Sleep(wireSettle)
	return os.RemoveAll(dir)
}

type wireCount struct {
	Requests float64 `json:"requests"`
	Messages float64 `json:"messages"`
}

// idle is the standing load, a second, after what happens at a start.
func (w *wire) idle() (a wireCount, err error) {
	time.Sleep(10 * time.Second)
	w.mu.Lock()
	w.kinds = map[string]float64{}
	w.mu.Unlock()
	if a, err = w.count(); err != nil {
		return a, err
	}
	time.Sleep(wireIdle)
	b, err := w.count()
	s := wireIdle.Seconds()
	return wireCount{(b.Requests - a.Requests) / s, (b.Messages - a.Messages) / s}, err
}

func (w *wire) count() (n wireCount, err error) {
	r, err := w.http.Get(w.monitor + "/varz")
	if err != nil {
		return n, err
	}
	defer r.Body.Close()
	var v struct {
		In  float64 `json:"in_msgs"`
		Out float64 `json:"out_msgs"`
	}
	err = json.NewDecoder(r.Body).Decode(&v)
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, k := range w.kinds {
		n.Requests += k
	}
	n.Messages = v.In + v.Out
	return n, err
}

// start starts broker, object store, API and worker.
func (w *wire) start(ctx context.Context, discsafe, nats, gateway string) error {
	port, monitor, objects, api := freePort(), freePort(), freePort(), freePort()
	if err := os.MkdirAll(filepath.Join(w.dir, "objects", "disc"), 0o700); err != nil {
		return err
	}
	conf := filepath.Join(w.dir, "nats.conf")
	text := fmt.Sprintf("host: 127.0.0.1\nport: %d\nhttp: 127.0.0.1:%d\njetstream {\n store_dir: %q\n sync_interval: always\n}\n", port, monitor, filepath.Join(w.dir, "nats"))
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		return err
	}
	w.monitor, w.api = fmt.Sprintf("http://127.0.0.1:%d", monitor), fmt.Sprintf("http://127.0.0.1:%d", api)
	if _, err := w.run(ctx, nats, nil, "-c", conf); err != nil {
		return err
	}
	env := []string{"AWS_ACCESS_KEY_ID=capacity", "AWS_SECRET_ACCESS_KEY=no-secret-at-all", "AWS_REGION=us-east-1", "ROOT_ACCESS_KEY=capacity", "ROOT_SECRET_KEY=no-secret-at-all"}
	if _, err := w.run(ctx, gateway, env, "--port", fmt.Sprintf("127.0.0.1:%d", objects), "--quiet", "--keep-alive", "--health", "/health", "posix", filepath.Join(w.dir, "objects")); err != nil {
		return err
	}
	for _, url := range []string{w.monitor + "/healthz", fmt.Sprintf("http://127.0.0.1:%d/health", objects)} {
		if err := w.until(url); err != nil {
			return err
		}
	}
	if err := w.proxy(fmt.Sprintf("http://127.0.0.1:%d", objects)); err != nil {
		return err
	}
	w.env, w.shared = env, []string{"--nats", fmt.Sprintf("nats://127.0.0.1:%d", port), "--nats-monitor", w.monitor, "--store", "s3://disc", "--s3-endpoint", w.store, "--s3-path-style"}
	var err error
	if w.apiPID, err = w.run(ctx, discsafe, env, append([]string{"api", "--spool", filepath.Join(w.dir, "spool"), "--listen", fmt.Sprintf("127.0.0.1:%d", api), "--retain-days", "90"}, w.shared...)...); err != nil {
		return err
	}
	return w.until(w.api + "/readyz")
}

func (w *wire) startWorker(ctx context.Context, discsafe string) (err error) {
	w.workerPID, err = w.run(ctx, discsafe, w.env, append([]string{"worker", "--scratch", filepath.Join(w.dir, "scratch"), "--metrics", "off"}, w.shared...)...)
	return err
}

// proxy counts what goes to the object store. The host a request was signed for
// stays in it.
func (w *wire) proxy(target string) error {
	to, err := url.Parse(target)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	w.store = "http://" + l.Addr().String()
	p := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(to); r.Out.Host = r.In.Host }}
	go func() {
		_ = http.Serve(l, http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
			first, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(r.URL.Path, "/disc"), "/"), "/")
			if first == "" {
				first, _, _ = strings.Cut(r.URL.Query().Get("prefix"), "/")
				first = "list " + first
			}
			w.mu.Lock()
			w.kinds[r.Method+" "+first]++
			w.mu.Unlock()
			p.ServeHTTP(rw, r)
		}))
	}()
	return nil
}

func (w *wire) run(ctx context.Context, program string, env []string, args ...string) (pid int, err error) {
	c := exec.CommandContext(ctx, program, args...)
	c.Env = append(os.Environ(), env...)
	log, err := os.Create(filepath.Join(w.dir, fmt.Sprintf("log-%d", len(w.procs))))
	if err != nil {
		return 0, err
	}
	c.Stdout, c.Stderr = log, log
	if err := c.Start(); err != nil {
		return 0, err
	}
	w.procs = append(w.procs, c)
	return c.Process.Pid, log.Close()
}

func (w *wire) until(url string) error {
	for end := time.Now().Add(time.Minute); ; time.Sleep(100 * time.Millisecond) {
		r, err := w.http.Get(url)
		if err == nil {
			r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return nil
			}
			err = errors.New(r.Status)
		}
		if time.Now().After(end) {
			return fmt.Errorf("%s: %w", url, err)
		}
	}
}

// stop ends what was started, the last first.
func (w *wire) stop() error {
	var errs []error
	for i := len(w.procs) - 1; i >= 0; i-- {
		errs = append(errs, w.procs[i].Process.Signal(os.Interrupt))
		_ = w.procs[i].Wait() // ended by us, with whatever code
	}
	return errors.Join(errs...)
}

func freePort() int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// resident is the memory of a process in MB, as Linux tells it; 0 elsewhere.
func resident(pid int) float64 {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(data), "VmRSS:")
	var kb float64
	_, _ = fmt.Sscan(rest, &kb)
	return kb * 1024 / 1e6
}
