package deploytest

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/compose-spec/compose-go/v2/cli"
	"github.com/compose-spec/compose-go/v2/types"
	"sigs.k8s.io/yaml"
)

// project loads Compose files strictly, in a copy with secrets of its own.
func project(t *testing.T, names ...string) *types.Project {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "deploy"), os.DirFS(filepath.Join(root, "deploy"))); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "docker-compose.yml"), read(t, "docker-compose.yml"))
	for _, n := range []string{"store.env", "store_root.env", "nats.env"} {
		put(t, filepath.Join(dir, "deploy/secrets", n), "NAME=value\n")
	}
	var paths []string
	for _, n := range names {
		paths = append(paths, filepath.Join(dir, n))
	}
	o, err := cli.NewProjectOptions(paths, cli.WithWorkingDirectory(dir), cli.WithName("trial"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := o.LoadProject(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestComposeFile(t *testing.T) {
	p := project(t, "docker-compose.yml")
	want := []string{"alertmanager", "api", "canary", "grafana", "nats", "prometheus", "store", "worker"}
	if got := p.ServiceNames(); !slices.Equal(got, want) {
		t.Errorf("services %v, want %v", got, want)
	}
	for name, s := range p.Services {
		if s.Restart != "unless-stopped" || s.MemLimit == 0 || !slices.Contains(s.CapDrop, "ALL") ||
			!slices.Contains(s.SecurityOpt, "no-new-privileges:true") || s.Privileged {
			t.Errorf("%s: restart %q, memory %d, capabilities dropped %v, %v", name, s.Restart, s.MemLimit, s.CapDrop, s.SecurityOpt)
		}
		if !s.ReadOnly && name != "grafana" { // which writes where it likes
			t.Errorf("%s: its root can be written", name)
		}
		for _, port := range s.Ports {
			if port.HostIP != "127.0.0.1" {
				t.Errorf("%s: port %s is open to other machines", name, port.Published)
			}
		}
		if strings.HasSuffix(s.Image, ":latest") || !strings.Contains(s.Image, ":") {
			t.Errorf("%s: image %s has no version", name, s.Image)
		}
		if s.Image == "discsafe:dev" && s.User != "65532:65532" {
			t.Errorf("%s runs as %q", name, s.User)
		}
	}
	worker := p.Services["worker"]
	if n := worker.GetScale(); n != 2 {
		t.Errorf("%d workers, want 2", n)
	}
	for k := range p.Services["canary"].DependsOn {
		if p.Services["canary"].DependsOn[k].Condition != "service_healthy" {
			t.Errorf("canary does not wait for %s", k)
		}
	}
}

func TestOverrideLeavesNothingToPull(t *testing.T) {
	p := project(t, "docker-compose.yml", "deploy/compose.selfbuilt.yml")
	for name, s := range p.Services {
		if s.Image != "discsafe:dev" && !strings.HasPrefix(s.Image, "discsafe-try/") {
			t.Errorf("%s would be pulled: %s", name, s.Image)
		}
	}
	if _, there := p.Services["grafana"]; there {
		t.Error("grafana cannot be built here and is not left out")
	}
}

// A secret in a file of the checkout would be one for everybody.
func TestNoSecretStandsInFiles(t *testing.T) {
	word := regexp.MustCompile(`(?i)(password|secret|token|_key)\S*["']?\s*[:=]\s*["']?([A-Za-z0-9+/_-]{12,})`)
	allowed := regexp.MustCompile(`(?i)^(/|deploy/|nats_password|hook_key|canary_token|alert_relay_token|grafana_password|discsafe|secretKeyRef|\$)`)
	seen := 0
	for _, pattern := range []string{"docker-compose.yml", "deploy/*", "deploy/*/*", ".ci/compose"} {
		for _, path := range files(t, pattern) {
			b, err := os.ReadFile(path)
			if err != nil {
				continue // a folder
			}
			if strings.Contains(path, "deploy/secrets/") {
				continue // git leaves it out
			}
			seen++
			for _, m := range word.FindAllStringSubmatch(string(b), -1) {
				if !allowed.MatchString(m[2]) {
					t.Errorf("%s: %s", path, m[0])
				}
			}
		}
	}
	if seen < 20 {
		t.Errorf("%d files looked at", seen)
	}
	if got := read(t, "deploy/secrets/.gitignore"); !strings.Contains(got, "\n*\n") {
		t.Errorf("git does not leave secrets out: %q", got)
	}
}

// Settings in the environment are only read if they are named after a flag.
func TestSettingsAreFlags(t *testing.T) {
	p := project(t, "docker-compose.yml")
	seen := 0
	for name, s := range p.Services {
		if s.Image != "discsafe:dev" {
			continue
		}
		help := command(t, nil, s.Command[0], "--help")
		for k := range s.Environment {
			flag, ours := strings.CutPrefix(k, "DISCSAFE_")
			if !ours || flag == "URL" { // of the health check
				continue
			}
			seen++
			if flag = "--" + strings.ToLower(strings.ReplaceAll(flag, "_", "-")); !strings.Contains(help, flag+" ") {
				t.Errorf("%s: %s sets %s, which %s does not have", name, k, flag, s.Command[0])
			}
		}
		for _, a := range s.Command[1:] {
			if strings.HasPrefix(a, "--") && !strings.Contains(help, a+" ") {
				t.Errorf("%s: %s has no %s", name, s.Command[0], a)
			}
		}
		if s.HealthCheck == nil && s.Environment["DISCSAFE_URL"] == nil {
			t.Errorf("%s: its health is asked nowhere", name)
		}
	}
	if seen < 15 {
		t.Errorf("%d settings looked at", seen)
	}
}

// Prometheus finds services by their names.
func TestScrapedServicesAreThere(t *testing.T) {
	var c struct {
		Scrape []struct {
			Job string `json:"job_name"`
			DNS []struct {
				Names []string `json:"names"`
				Port  int      `json:"port"`
			} `json:"dns_sd_configs"`
			Relabel []struct {
				Target      string `json:"target_label"`
				Replacement string `json:"replacement"`
			} `json:"relabel_configs"`
		} `json:"scrape_configs"`
	}
	if err := yaml.Unmarshal([]byte(read(t, "deploy/prometheus/prometheus.yml")), &c); err != nil {
		t.Fatal(err)
	}
	p := project(t, "docker-compose.yml")
	roles := map[string]bool{}
	for _, s := range c.Scrape {
		for _, d := range s.DNS {
			for _, n := range d.Names {
				service, there := p.Services[n]
				if !there {
					t.Errorf("%s: no service %s", s.Job, n)
					continue
				}
				text := strings.Join(service.Command, " ")
				if v := service.Environment["DISCSAFE_METRICS"]; v != nil {
					text += " " + *v
				}
				if want := map[int]string{8734: "0.0.0.0:8734", 8735: "0.0.0.0:8735"}[d.Port]; want == "" || !strings.Contains(text, want) {
					t.Errorf("%s: %s shows no metrics on %d", s.Job, n, d.Port)
				}
			}
			set := map[string]string{}
			for _, r := range s.Relabel {
				set[r.Target] = r.Replacement
			}
			if set["job"] != "discsafe" || set["role"] == "" {
				t.Errorf("%s: rules want job and role, there are %v", s.Job, set)
			}
			roles[set["role"]] = true
		}
	}
	if len(roles) != 3 {
		t.Errorf("roles %v", roles)
	}
}
