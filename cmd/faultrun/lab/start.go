package lab

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"discsafe/cmd/faultrun/proc"
	"discsafe/cmd/faultrun/proxy"
)

// Broker is one NATS server.
type Broker struct {
	l       *Lab
	n       int
	dir     string
	config  string
	port    int
	monitor int
	P       *proc.Proc
	Proxies []*proxy.Proxy // to the port and to the monitoring address, where the lab is proxied
}

func (l *Lab) startBrokers() error {
	var routes []string
	ports := make([][3]int, l.o.Brokers)
	for n := range ports {
		for i := range ports[n] {
			p, err := l.g.Port()
			if err != nil {
				return err
			}
			ports[n][i] = p
		}
		routes = append(routes, fmt.Sprintf("nats://127.0.0.1:%d", ports[n][2]))
	}
	for n, p := range ports {
		b := &Broker{l: l, n: n, port: p[0], monitor: p[1], dir: l.Volume("broker")}
		if l.o.Brokers > 1 {
			b.dir = l.Volume(fmt.Sprintf("broker-%d", n))
		}
		text := fmt.Sprintf("server_name: broker-%d\nhost: 127.0.0.1\nport: %d\nhttp: 127.0.0.1:%d\nlog_file: %q\njetstream {\n  store_dir: %q\n  sync_interval: always\n  max_mem: 64M\n  max_file: 1G\n}\n",
			n, p[0], p[1], filepath.Join(l.Dir, "logs", fmt.Sprintf("broker-%d-server.log", n)), b.dir)
		if l.o.Brokers > 1 {
			text += fmt.Sprintf("cluster {\n  name: faultrun\n  host: 127.0.0.1\n  port: %d\n  routes: [%s]\n}\n", p[2], strings.Join(routes, ", "))
		}
		b.config = filepath.Join(l.Dir, fmt.Sprintf("broker-%d.conf", n))
		if err := os.WriteFile(b.config, []byte(text), 0o600); err != nil {
			return err
		}
		l.Brokers = append(l.Brokers, b)
		if err := b.launch(); err != nil {
			return err
		}
		if l.o.Proxied {
			for _, port := range p[:2] {
				x, err := proxy.Listen(fmt.Sprintf("127.0.0.1:%d", port))
				if err != nil {
					return err
				}
				b.Proxies = append(b.Proxies, x)
			}
		}
	}
	for _, b := range l.Brokers {
		if err := b.ready(); err != nil {
			return err
		}
	}
	return nil
}

func (b *Broker) launch() (err error) {
	b.P, err = b.l.g.Start(proc.Spec{
		Name: fmt.Sprintf("broker-%d", b.n), Args: []string{b.l.o.Programs.NATS, "-c", b.config}, Env: b.l.environment(nil),
		Dir: b.l.Dir, Log: filepath.Join(b.l.Dir, "logs", fmt.Sprintf("broker-%d.log", b.n)),
	})
	return err
}

// ready waits until the server says that it is healthy, JetStream included.
func (b *Broker) ready() error {
	return b.l.until(60*time.Second, b.Healthy)
}

// Healthy returns nil if the server says that it is well.
func (b *Broker) Healthy() error {
	if !b.P.Alive() {
		return fmt.Errorf("broker %d ended; see its log", b.n)
	}
	r, err := b.l.http.Get(fmt.Sprintf("http://127.0.0.1:%d/healthz", b.monitor))
	if err != nil {
		return err
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return fmt.Errorf("broker %d is not healthy: %s", b.n, r.Status)
	}
	return nil
}

// Start starts it again.
func (b *Broker) Start() error {
	if err := b.launch(); err != nil {
		return err
	}
	return b.ready()
}

// Wipe deletes what it stored. It must not run.
func (b *Broker) Wipe() error {
	names, err := os.ReadDir(b.dir)
	if err != nil {
		return err
	}
	for _, n := range names {
		if err := os.RemoveAll(filepath.Join(b.dir, n.Name())); err != nil {
			return err
		}
	}
	return nil
}

// Proxy sets what the network between the broker and everybody does.
func (b *Broker) Proxy(m proxy.Mode) {
	for _, p := range b.Proxies {
		p.Set(m)
	}
	b.l.Note("network", "broker", b.n, "mode", m.String())
}

func (b *Broker) closeProxies() {
	for _, p := range b.Proxies {
		_ = p.Close() // nothing depends on it any more
	}
}

// Address is how clients reach it, and its monitoring address.
func (b *Broker) Address() (client, monitor string) {
	if len(b.Proxies) == 2 {
		return "nats://" + b.Proxies[0].Addr(), "http://" + b.Proxies[1].Addr()
	}
	return fmt.Sprintf("nats://127.0.0.1:%d", b.port), fmt.Sprintf("http://127.0.0.1:%d", b.monitor)
}

// S3 is an object store over a folder.
type S3 struct {
	URL, Bucket, Prefix string
	P                   *proc.Proc
	root                string
}

const s3Access, s3Secret = "faultrun", "no-secret-at-all"

func (l *Lab) startS3() error {
	port, err := l.g.Port()
	if err != nil {
		return err
	}
	s := &S3{URL: fmt.Sprintf("http://127.0.0.1:%d", port), Bucket: "disc", Prefix: "safe/", root: l.Volume("objects")}
	// On this server a folder is a bucket.
	if err := os.MkdirAll(filepath.Join(s.root, s.Bucket), 0o700); err != nil {
		return err
	}
	s.P, err = l.g.Start(proc.Spec{
		Name: "object store", Dir: l.Dir, Log: filepath.Join(l.Dir, "logs", "s3.log"),
		Args: []string{l.o.Programs.S3, "--port", fmt.Sprintf("127.0.0.1:%d", port), "--health", "/health", "--quiet", "--keep-alive", "posix", s.root},
		Env:  l.environment([]string{"ROOT_ACCESS_KEY=" + s3Access, "ROOT_SECRET_KEY=" + s3Secret}),
	})
	if err != nil {
		return err
	}
	l.S3 = s
	return l.until(30*time.Second, func() error {
		r, err := l.http.Get(s.URL + "/health")
		if err == nil {
			r.Body.Close()
		}
		return err
	})
}

// S3Env is what a client of the object store needs in its environment.
func (l *Lab) S3Env() []string {
	return []string{"AWS_ACCESS_KEY_ID=" + s3Access, "AWS_SECRET_ACCESS_KEY=" + s3Secret, "AWS_REGION=us-east-1"}
}

// shared are the flags that APIs and workers have in common.
func (l *Lab) shared() (args, env []string) {
	var urls, monitors []string
	for _, b := range l.Brokers {
		u, m := b.Address()
		urls, monitors = append(urls, u), append(monitors, m)
	}
	args = []string{"--nats", strings.Join(urls, ","), "--nats-monitor", strings.Join(monitors, ",")}
	if l.o.Brokers > 1 {
		args = append(args, "--nats-replicas", strconv.Itoa(l.o.Brokers))
	}
	if l.S3 != nil {
		return append(args, "--store", "s3://"+l.S3.Bucket+"/"+l.S3.Prefix, "--s3-endpoint", l.S3.URL, "--s3-path-style"), l.S3Env()
	}
	return append(args, "--store", l.Volume("store")), nil
}

// API is one process that answers requests.
type API struct {
	l    *Lab
	n    int
	port int
	base usage
	P    *proc.Proc

	profiles string // address; "": none
}

// URL is where it answers.
func (a *API) URL() string { return fmt.Sprintf("http://127.0.0.1:%d", a.port) }

// Start starts it, again on the same port. env is added to its environment.
func (a *API) Start(env []string) (err error) {
	l, t := a.l, a.l.o.Tune
	if a.port == 0 {
		if a.port, err = l.g.Port(); err != nil {
			return err
		}
	}
	args, shared := l.shared()
	listen := []string{"--listen", fmt.Sprintf("127.0.0.1:%d", a.port)}
	if l.o.Serve {
		args = append([]string{l.exe, "serve", "--data", l.Data}, append(listen, t.JobArgs...)...)
	} else {
		args = append([]string{l.exe, "api", "--spool", a.Spool()}, append(listen, args...)...)
	}
	args = append(args, t.APIArgs...)
	more, err := l.profiles(&a.profiles)
	if err != nil {
		return err
	}
	env = slices.Concat(t.APIEnv, more, env)
	a.P, err = l.g.Start(proc.Spec{
		Name: fmt.Sprintf("api-%d", a.n), Args: args, Ready: "listening on ", Dir: filepath.Join(l.outside, "cwd"),
		Env: l.environment(append(shared, env...)), Log: a.log(),
	})
	l.Note("start", "process", fmt.Sprintf("api-%d", a.n), "error", err)
	if err == nil {
		a.base, err = l.usage(a.P, a.Scrape)
	}
	return err
}

// profiles is what makes a process show profiles, and where it will.
func (l *Lab) profiles(at *string) (env []string, err error) {
	if !l.o.Tune.Profiles {
		return nil, nil
	}
	port, err := l.g.Port()
	if err != nil {
		return nil, err
	}
	*at = fmt.Sprintf("127.0.0.1:%d", port)
	return []string{"DISCSAFE_PROFILES=" + *at}, nil
}

// Spool is its folder for uploads under way.
func (a *API) Spool() string { return filepath.Join(a.l.Volume("spool"), strconv.Itoa(a.n)) }

func (a *API) log() string { return filepath.Join(a.l.Dir, "logs", fmt.Sprintf("api-%d.log", a.n)) }

// Worker is one process that works on jobs.
type Worker struct {
	l       *Lab
	N       int
	P       *proc.Proc
	Metrics string // address
	base    usage

	profiles string // address; "": none
}

// Worker starts another worker. env is added to its environment.
func (l *Lab) Worker(env []string) (*Worker, error) {
	t := l.o.Tune
	l.mu.Lock()
	w := &Worker{l: l, N: len(l.Workers)}
	l.Workers = append(l.Workers, w)
	l.mu.Unlock()
	port, err := l.g.Port()
	if err != nil {
		return nil, err
	}
	w.Metrics = fmt.Sprintf("http://127.0.0.1:%d", port)
	args, shared := l.shared()
	args = append([]string{l.exe, "worker", "--scratch", l.Volume("scratch"), "--slots", "1", "--metrics", fmt.Sprintf("127.0.0.1:%d", port)}, args...)
	args = append(args, t.JobArgs...)
	more, err := l.profiles(&w.profiles)
	if err != nil {
		return nil, err
	}
	w.P, err = l.g.Start(proc.Spec{
		Name: fmt.Sprintf("worker-%d", w.N), Args: args, Ready: "listening on ", Dir: filepath.Join(l.outside, "cwd"),
		Env: l.environment(slices.Concat(shared, t.JobEnv, more, env)), Log: w.log(),
	})
	l.Note("start", "process", fmt.Sprintf("worker-%d", w.N), "error", err)
	if err == nil && len(env) == 0 { // one that is to die at once may not answer
		w.base, err = l.usage(w.P, w.Scrape)
	}
	return w, err
}

func (w *Worker) log() string {
	return filepath.Join(w.l.Dir, "logs", fmt.Sprintf("worker-%d.log", w.N))
}

// Crash kills a worker, and nothing but it.
func (w *Worker) Crash() {
	w.l.Note("fault", "what", "kill -9", "process", fmt.Sprintf("worker-%d", w.N), "pid", w.P.PID)
	w.P.Crash()
}

// Freeze stops a worker where it stands; Thaw lets it go on.
func (w *Worker) Freeze() {
	w.l.Note("fault", "what", "freeze", "process", fmt.Sprintf("worker-%d", w.N))
	w.P.Signal(syscall.SIGSTOP)
}

// Thaw lets it go on.
func (w *Worker) Thaw() {
	w.l.Note("heal", "what", "thaw", "process", fmt.Sprintf("worker-%d", w.N))
	w.P.Signal(syscall.SIGCONT)
}

// Living are the workers that run.
func (l *Lab) Living() []*Worker {
	l.mu.Lock()
	defer l.mu.Unlock()
	var alive []*Worker
	for _, w := range l.Workers {
		if w.P != nil && w.P.Alive() {
			alive = append(alive, w)
		}
	}
	return alive
}

// until repeats f until it returns nil, for at most d.
func (l *Lab) until(d time.Duration, f func() error) error {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	return l.Until(ctx, 50*time.Millisecond, f)
}

// Busy waits for a worker that has a job in its hands, and returns it.
func (l *Lab) Busy(ctx context.Context) (*Worker, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var found *Worker
	err := l.Until(ctx, 5*time.Millisecond, func() error {
		for _, w := range l.Living() {
			if s, err := w.Scrape(); err == nil && s.Sum("discsafe_slots", `state="busy"`) > 0 {
				found = w
				return nil
			}
		}
		return errors.New("no worker has a job in its hands")
	})
	return found, err
}

// Until repeats f until it returns nil or the context ends.
func (l *Lab) Until(ctx context.Context, every time.Duration, f func() error) error {
	for {
		err := f()
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		case <-time.After(every):
		}
	}
}
