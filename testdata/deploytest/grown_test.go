package deploytest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
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
	prometheus             string
	restartNATS            func() *process
	restartAPI             func() *process
	engineer, operator     string // token files
	natsMonitor, storeAddr string
}

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
	s.storeAddr = port(t)
	s.store = begin(t, "store", []string{"ROOT_ACCESS_KEY=trial", "ROOT_SECRET_KEY=trialtrial"}, gateway,
		"--port", s.storeAddr, "--health", "/healthz", "--quiet", "--keep-alive", "posix", s.objects)
	eventually(t, 20*time.Second, "the store", func() error { _, err := get("http://" + s.storeAddr + "/healthz"); return err })

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

	targets := map[string][]string{}
	listen, probes := port(t), port(t)
	s.server = "http://" + listen
	targets["api"] = []string{probes}
	s.restartAPI = func() *process {
		p := begin(t, "api", s.env, built, "api", "--listen", listen, "--metrics", probes, "--spool", filepath.Join(dir, "spool"), "--min-free", "1MiB")
		p.address(t)
		return p
	}
	s.api = s.restartAPI()
	targets["worker"] = []string{port(t), port(t)}
	for n, at := range targets["worker"] {
		w := begin(t, fmt.Sprintf("worker %d", n), s.env, built, "worker", "--scratch", filepath.Join(dir, "scratch"), "--metrics", at, "--min-free", "1MiB")
		w.address(t)
		s.workers = append(s.workers, w)
	}
	at := port(t)
	targets["canary"] = []string{at}
	begin(t, "canary", s.env, built, "canary", "--server", s.server, "--token-file", canary, "--every", "2s", "--within", "8s", "--metrics", at).address(t)
	s.watch(t, targets)
	return s
}

// faster makes an hour of the rules half a minute, so that a fault and its end
// can be waited for. What the rules ask stays as it is.
var faster = []struct{ is, becomes string }{
	{"[5m]", "[15s]"}, {"[10m]", "[15s]"}, {"[15m]", "[15s]"}, {"[30m]", "[20s]"}, {"[1h]", "[30s]"}, {"[6h]", "[60s]"}, {"[3d]", "[60s]"},
	{"time() - max(discsafe_canary_timestamp_seconds) > 660", "time() - max(discsafe_canary_timestamp_seconds) > 15"},
	{"discsafe:oldest_waiting_seconds:max > 900", "discsafe:oldest_waiting_seconds:max > 8"},
	// The disk of a machine for tests is what it is.
	{"vector(10e9)", "vector(1e3)"},
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
		for _, f := range faster {
			text = strings.ReplaceAll(text, f.is, f.becomes)
		}
		put(t, filepath.Join(s.dir, "rules-"+filepath.Base(path)), text)
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
