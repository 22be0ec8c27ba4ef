package deploytest

import (
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// site is what docker-compose.yml starts, as plain processes, with the very
// files of deploy where only addresses and times differ.
type site struct {
	dir                    string
	nats, store, api       *process
	workers                []*process
	env                    []string // of API and workers
	server                 string   // of the API
	objects                string   // folder the object store keeps
	spool                  string   // folder of the API, a small volume of its own
	prometheus             string
	restartNATS            func() *process
	restartStore           func(more ...string) *process
	restartAPI             func() *process
	startWorker            func(n int, env []string, more ...string) *process
	slow                   atomic.Int64 // nanoseconds by which writes to the store are held back
	engineer, operator     string       // token files
	natsMonitor, storeAddr string       // the store is reached by way of storeAddr
}

// spoolBytes is the size of the API's spool, little enough to be filled.
const spoolBytes = 64 << 20

// faulty is the program with the fault points of fault runs built in: clocks that
// are off, sides that break their process.
var faulty = sync.OnceValues(func() (string, error) {
	at := built + "-faulty"
	cmd := exec.Command("go", "build", "-buildvcs=false", "-tags", "faultpoints", "-o", at, "./cmd/discsafe")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program with fault points: %w\n%s", err, out)
	}
	return at, nil
})

// server returns a program that the module proxy has, built once and kept.
func server(t *testing.T, name string, build ...string) string {
	t.Helper()
	cache := os.Getenv("DISCSAFE_CACHE")
	if cache == "" {
		base, err := os.UserCacheDir()
		if err != nil {
			t.Fatal(err)
		}
		cache = filepath.Join(base, "discsafe-images")
	}
	at := filepath.Join(cache, name)
	if _, err := os.Stat(at); err == nil {
		return at
	}
	tmp := t.TempDir()
	cmd := exec.Command("go", build...)
	cmd.Dir = root
	if build[0] == "install" { // outside any module: its dependencies are no business of ours
		cmd.Dir = tmp
	}
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=", "GOBIN="+tmp)
	if build[0] == "build" {
		cmd.Args = append(cmd.Args[:2:2], append([]string{"-o", filepath.Join(tmp, "server")}, build[1:]...)...)
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(cmd.Args, " "), err, out)
	}
	found, err := filepath.Glob(filepath.Join(tmp, "*"))
	if err != nil || len(found) != 1 {
		t.Fatalf("%s: %v, %v", name, found, err)
	}
	b, err := os.ReadFile(found[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(at+".new", b, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(at+".new", at); err != nil {
		t.Fatal(err)
	}
	return at
}

func grow(t *testing.T) *site {
	t.Helper()
	dir := t.TempDir()
	s := &site{dir: dir, objects: filepath.Join(dir, "objects")}
	version := regexp.MustCompile(`versitygw:(v[0-9.]+)`).FindStringSubmatch(read(t, "docker-compose.yml"))[1]
	out, err := exec.Command("go", "-C", root, "list", "-m", "-f", "{{.Version}}", "github.com/nats-io/nats-server/v2").Output()
	if err != nil {
		t.Fatal(err)
	}
	nats := server(t, "nats-server-"+strings.TrimSpace(string(out)), "build", "github.com/nats-io/nats-server/v2")
	gateway := server(t, "versitygw-static-"+version, "install", "github.com/versity/versitygw/cmd/versitygw@"+version)

	client, monitor := port(t), port(t)
	conf := read(t, "deploy/nats/single.conf")
	for _, c := range [][2]string{{"port: 4222", "listen: \"" + client + "\""}, {"http: 8222", "http: \"" + monitor + "\""}, {"/data", filepath.Join(dir, "broker")}} {
		if !strings.Contains(conf, c[0]) {
			t.Fatalf("single.conf does not hold %s", c[0])
		}
		conf = strings.Replace(conf, c[0], c[1], 1)
	}
	put(t, filepath.Join(dir, "nats.conf"), conf)
	put(t, filepath.Join(dir, "nats_password"), "k123456")
	s.natsMonitor = "http://" + monitor
	s.restartNATS = func() *process {
		p := begin(t, "nats", []string{"NATS_PASSWORD=k123456"}, nats, "-c", filepath.Join(dir, "nats.conf"))
		eventually(t, 20*time.Second, "the broker", func() error { _, err := get(s.natsMonitor + "/healthz"); return err })
		return p
	}
	s.nats = s.restartNATS()
	if err := os.MkdirAll(filepath.Join(s.objects, "sides"), 0o700); err != nil {
		t.Fatal(err)
	}
	storePort := port(t)
	s.restartStore = func(more ...string) *process {
		p := begin(t, "store", []string{"ROOT_ACCESS_KEY=trial", "ROOT_SECRET_KEY=trialtrial"}, gateway,
			append(append([]string{"--port", storePort, "--health", "/healthz", "--quiet", "--keep-alive"}, more...), "posix", s.objects)...)
		eventually(t, 20*time.Second, "the store", func() error { _, err := get("http://" + storePort + "/healthz"); return err })
		return p
	}
	s.store = s.restartStore()
	s.storeAddr = s.holdBack(t, storePort)

	s.env = []string{"XDG_CACHE_HOME=" + dir, "AWS_ACCESS_KEY_ID=trial", "AWS_SECRET_ACCESS_KEY=trialtrial",
		"DISCSAFE_STORE=s3://sides/discsafe", "DISCSAFE_S3_ENDPOINT=http://" + s.storeAddr, "DISCSAFE_S3_PATH_STYLE=true",
		"DISCSAFE_NATS=nats://" + client, "DISCSAFE_NATS_MONITOR=" + s.natsMonitor, "DISCSAFE_NATS_USER=discsafe",
		"DISCSAFE_NATS_PASSWORD_FILE=" + filepath.Join(dir, "nats_password"), "DISCSAFE_LOG=text"}
	token := func(role string, more ...string) string {
		path := filepath.Join(dir, role+"_token")
		put(t, path, command(t, s.env, append([]string{"token", "new", "--role", role, "--name", role}, more...)...))
		return path
	}
	s.engineer, s.operator = token("engineer"), token("operator")
	canary := token("studio", "--studio", "canary")

	program, err := faulty()
	if err != nil {
		t.Fatal(err)
	}
	s.spool = smallVolume(t, filepath.Join(dir, "spool"), spoolBytes)
	targets := map[string][]string{}
	listen, probes := port(t), port(t)
	s.server = "http://" + listen
	targets["api"] = []string{probes}
	s.restartAPI = func() *process {
		p := begin(t, "api", s.env, program, "api", "--listen", listen, "--metrics", probes, "--spool", s.spool, "--min-free", "1MiB")
		p.address(t)
		return p
	}
	s.api = s.restartAPI()
	targets["worker"] = []string{port(t), port(t)}
	s.startWorker = func(n int, env []string, more ...string) *process {
		w := begin(t, fmt.Sprintf("worker %d", n), append(slices.Clone(s.env), env...), program,
			append([]string{"worker", "--scratch", filepath.Join(dir, "scratch"), "--metrics", targets["worker"][n], "--min-free", "1MiB"}, more...)...)
		w.address(t)
		return w
	}
	for n := range targets["worker"] {
		s.workers = append(s.workers, s.startWorker(n, nil))
	}
	at := port(t)
	targets["canary"] = []string{at}
	begin(t, "canary", s.env, built, "canary", "--server", s.server, "--token-file", canary, "--every", "2s", "--within", "8s", "--metrics", at).address(t)
	s.watch(t, targets)
	return s
}

// faster makes an hour of the rules twenty seconds, so that a fault and its end
// can be waited for. What the rules ask stays as it is.
var faster = []struct{ is, becomes string }{
	{"[5m]", "[10s]"}, {"[10m]", "[10s]"}, {"[15m]", "[10s]"}, {"[30m]", "[15s]"}, {"[1h]", "[20s]"}, {"[6h]", "[30s]"}, {"[3d]", "[30s]"},
	{"time() - max(discsafe_canary_timestamp_seconds) > 660", "time() - max(discsafe_canary_timestamp_seconds) > 15"},
	{"discsafe:oldest_waiting_seconds:max > 900", "discsafe:oldest_waiting_seconds:max > 8"},
	{"discsafe_upload_silent_seconds) > 3600", "discsafe_upload_silent_seconds) > 5"},
	// The disk of a machine for tests is what it is; a quarter of the spool is what two of the largest jobs need.
	{"vector(10e9)", "vector(16e6)"},
}

// quick makes an hour of a query twenty seconds.
func quick(q string) string {
	for _, f := range faster {
		q = strings.ReplaceAll(q, f.is, f.becomes)
	}
	return q
}

// holdBack opens a way to the store on which writes take s.slow longer, and
// returns its address.
func (s *site) holdBack(t *testing.T, store string) string {
	t.Helper()
	way := httputil.NewSingleHostReverseProxy(&url.URL{Scheme: "http", Host: store})
	way.ErrorLog = log.New(io.Discard, "", 0) // the store is ended on purpose
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut {
			time.Sleep(time.Duration(s.slow.Load()))
		}
		way.ServeHTTP(w, r)
	}))
	t.Cleanup(srv.Close)
	return strings.TrimPrefix(srv.URL, "http://")
}

// smallVolume makes dir a volume of its own in memory.
func smallVolume(t *testing.T, dir string, bytes int) string {
	t.Helper()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("discsafe-trial", dir, "tmpfs", 0, fmt.Sprintf("size=%d,mode=0700", bytes)); err != nil {
		t.Fatalf("a small volume at %s, which a full disk is tried on, needs root on Linux: %v", dir, err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// watch starts a Prometheus with the rules of deploy.
func (s *site) watch(t *testing.T, targets map[string][]string) {
	t.Helper()
	for _, path := range files(t, "deploy/prometheus/rules/*.yml") {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		text := regexp.MustCompile(`(?m)^ +for: .*\n`).ReplaceAllString(string(b), "")
		put(t, filepath.Join(s.dir, "rules-"+filepath.Base(path)), quick(text))
	}
	var c strings.Builder
	c.WriteString("global: {scrape_interval: 1s, evaluation_interval: 1s}\nrule_files: [\"rules-*.yml\"]\nscrape_configs:\n")
	for role, at := range targets {
		fmt.Fprintf(&c, "  - job_name: discsafe-%s\n    static_configs: [{targets: [%q], labels: {role: %s}}]\n    relabel_configs: [{target_label: job, replacement: discsafe}]\n",
			role, strings.Join(at, `", "`), role)
	}
	put(t, filepath.Join(s.dir, "prometheus.yml"), strings.ReplaceAll(c.String(), `\"`, `"`))
	listen := port(t)
	s.prometheus = "http://" + listen
	begin(t, "prometheus", nil, "prometheus", "--config.file="+filepath.Join(s.dir, "prometheus.yml"),
		"--storage.tsdb.path="+filepath.Join(s.dir, "tsdb"), "--web.listen-address="+listen)
	eventually(t, 20*time.Second, "Prometheus", func() error { _, err := get(s.prometheus + "/-/ready"); return err })
	// It begins some seconds after it says that it is ready; what is counted before the first scrape shows no rise.
	eventually(t, 30*time.Second, "a first scrape of all", func() error {
		n, err := s.query(`count(up{job="discsafe"} == 1) == 4`)
		if err == nil && n == 0 {
			err = fmt.Errorf("not all")
		}
		return err
	})
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// as runs the program as a client with a token.
func (s *site) as(t *testing.T, tokenFile string, args ...string) (string, error) {
	return try(t, []string{"XDG_CACHE_HOME=" + s.dir, "DISCSAFE_SERVER=" + s.server, "DISCSAFE_TOKEN_FILE=" + tokenFile}, args...)
}

func (s *site) freeze(sig syscall.Signal) {
	for _, w := range s.workers {
		w.signal(sig)
	}
}
