package deploytest

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// flagNames lists the flags that the program's source declares.
func flagNames(t *testing.T) map[string]bool {
	t.Helper()
	paths, err := filepath.Glob("../../cmd/discsafe/*.go")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no source of the commands (%v)", err)
	}
	names := map[string]bool{"help": true}
	for _, p := range paths {
		for _, m := range regexp.MustCompile(`Var(?:P)?\([^"\n]*"([a-z0-9-]+)"`).FindAllStringSubmatch(readText(t, p), -1) {
			names[m[1]] = true
		}
	}
	if !names["nats-monitor"] || !names["listen"] || !names["max-file"] {
		t.Fatalf("flags of the source are not found: %v", names)
	}
	return names
}

// notFlags are variables of the program that stand for no flag.
var notFlags = []string{"DISCSAFE_TOKEN"}

var variable = regexp.MustCompile(`\bDISCSAFE_[A-Z0-9_]+`)

func flagOf(variable string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(variable, "DISCSAFE_"), "_", "-"))
}

// directives are those of one unit; a name may stand several times.
func directives(text string) map[string][]string {
	text = strings.ReplaceAll(text, "\\\n", " ")
	d := map[string][]string{}
	for line := range strings.Lines(text) {
		if name, value, is := strings.Cut(strings.TrimSpace(line), "="); is && !strings.HasPrefix(name, "#") {
			d[name] = append(d[name], value)
		}
	}
	return d
}

func units(t *testing.T) map[string]string {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(deployDir, "systemd/*.service"))
	if err != nil || len(paths) != 4 {
		t.Fatalf("%d units (%v), want 4", len(paths), err)
	}
	list := map[string]string{}
	for _, p := range paths {
		list[filepath.Base(p)] = readText(t, p)
	}
	return list
}

func TestUnitsAreClosed(t *testing.T) {
	want := map[string]string{"User": "discsafe", "NoNewPrivileges": "yes", "CapabilityBoundingSet": "", "ProtectSystem": "strict", "ProtectHome": "yes",
		"PrivateTmp": "yes", "PrivateDevices": "yes", "RestrictNamespaces": "yes", "MemoryDenyWriteExecute": "yes", "LockPersonality": "yes",
		"SystemCallArchitectures": "native", "RestrictAddressFamilies": "AF_INET AF_INET6 AF_UNIX", "UMask": "0077", "KillMode": "mixed", "Restart": "always"}
	for name, text := range units(t) {
		d := directives(text)
		for k, v := range want {
			if !slices.Equal(d[k], []string{v}) {
				t.Errorf("%s: %s=%q, want %q", name, k, d[k], v)
			}
		}
		for k := range d {
			if k == "Environment" && strings.Contains(strings.ToLower(strings.Join(d[k], " ")), "password") {
				t.Errorf("%s holds a password", name)
			}
		}
	}
}

func TestUnitsGiveFlagsThatAreThere(t *testing.T) {
	flags := flagNames(t)
	option := regexp.MustCompile(`\s--([a-z0-9-]+)`)
	for name, text := range units(t) {
		for _, line := range directives(text)["ExecStart"] {
			found := option.FindAllStringSubmatch(line, -1)
			if len(found) == 0 {
				t.Errorf("%s: no flag in %q", name, line)
			}
			for _, m := range found {
				if !flags[m[1]] {
					t.Errorf("%s: --%s is no flag", name, m[1])
				}
			}
		}
	}
}

func TestVariablesStandForFlags(t *testing.T) {
	flags := flagNames(t)
	files, err := filepath.Glob(filepath.Join(deployDir, "kubernetes/*.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, p := range append(files, filepath.Join(deployDir, "systemd/discsafe.env"), "../../docker-compose.yml") {
		for _, v := range variable.FindAllString(readText(t, p), -1) {
			seen++
			// Compose's own: what a user sets from outside.
			if strings.HasSuffix(p, "docker-compose.yml") && slices.Contains([]string{"DISCSAFE_PORT", "DISCSAFE_CANARY_EVERY"}, v) {
				continue
			}
			if !flags[flagOf(v)] && !slices.Contains(notFlags, v) {
				t.Errorf("%s: %s stands for no flag", p, v)
			}
		}
	}
	if seen < 20 {
		t.Errorf("only %d variables were found", seen)
	}
}

// Credentials come by LoadCredential, and what is loaded is used.
func TestUnitsUseWhatTheyLoad(t *testing.T) {
	for name, text := range units(t) {
		d := directives(text)
		for _, c := range d["LoadCredential"] {
			id, path, _ := strings.Cut(c, ":")
			if !strings.HasPrefix(path, "/etc/discsafe/") || !strings.Contains(d["ExecStart"][0], "%d/"+id) {
				t.Errorf("%s: credential %s is not used, or lies elsewhere", name, c)
			}
		}
		if n := strings.Count(d["ExecStart"][0], "%d/"); n != len(d["LoadCredential"]) {
			t.Errorf("%s uses %d credentials and loads %d", name, n, len(d["LoadCredential"]))
		}
	}
}

// systemd itself reads the units, where it is there.
func TestUnitsAreUnderstood(t *testing.T) {
	tool, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Log("NOT RUN: systemd-analyze is not here; the units were read by the other tests only")
		return
	}
	dir := t.TempDir()
	args := []string{"verify", "--man=no"}
	for name, text := range units(t) {
		path := filepath.Join(dir, name)
		// A program that is there: verify looks for it.
		if err := os.WriteFile(path, []byte(strings.ReplaceAll(text, "/usr/local/bin/discsafe", "/bin/true")), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	out, err := exec.Command(tool, args...).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}
