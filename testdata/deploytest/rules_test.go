package deploytest

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"sigs.k8s.io/yaml"
)

// rule is an alert or a recording rule of Prometheus.
type rule struct {
	Alert       string            `json:"alert"`
	Record      string            `json:"record"`
	Expr        string            `json:"expr"`
	For         string            `json:"for"`
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
}

type ruleFile struct {
	Groups []struct {
		Name  string `json:"name"`
		Rules []rule `json:"rules"`
	} `json:"groups"`
}

// rules reads every rule file, strictly.
func rules(t *testing.T) (alerts, records []rule) {
	t.Helper()
	for _, path := range files(t, "deploy/prometheus/rules/*.yml") {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var f ruleFile
		if err := yaml.UnmarshalStrict(b, &f); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		for _, g := range f.Groups {
			for _, r := range g.Rules {
				if r.Alert != "" {
					alerts = append(alerts, r)
				} else {
					records = append(records, r)
				}
			}
		}
	}
	return alerts, records
}

// anchors are the headings of the runbook as links name them.
func anchors(t *testing.T) []string {
	t.Helper()
	var out []string
	for _, m := range regexp.MustCompile(`(?m)^## (.+)$`).FindAllStringSubmatch(read(t, "deploy/runbook.md"), -1) {
		out = append(out, strings.ReplaceAll(strings.ToLower(m[1]), " ", "-"))
	}
	return out
}

func TestEveryAlertSaysWhatToDo(t *testing.T) {
	alerts, _ := rules(t)
	known := anchors(t)
	var seen, linked []string
	for _, a := range alerts {
		if slices.Contains(seen, a.Alert) {
			t.Errorf("%s stands twice", a.Alert)
		}
		seen = append(seen, a.Alert)
		if !slices.Contains([]string{"page", "ticket", "none"}, a.Labels["severity"]) {
			t.Errorf("%s: severity %q", a.Alert, a.Labels["severity"])
		}
		for _, k := range []string{"summary", "description", "runbook"} {
			if a.Annotations[k] == "" {
				t.Errorf("%s has no %s", a.Alert, k)
			}
		}
		file, anchor, _ := strings.Cut(a.Annotations["runbook"], "#")
		if file != "deploy/runbook.md" || !slices.Contains(known, anchor) {
			t.Errorf("%s: its runbook %q is not there", a.Alert, a.Annotations["runbook"])
		}
		linked = append(linked, anchor)
	}
	for _, b := range boards(t) {
		for _, p := range b.Panels {
			for _, l := range p.Links {
				_, anchor, _ := strings.Cut(l.URL, "#")
				linked = append(linked, anchor)
			}
		}
	}
	for _, m := range withinRunbook.FindAllStringSubmatch(read(t, "deploy/runbook.md"), -1) {
		linked = append(linked, m[1])
	}
	for _, a := range known {
		if !slices.Contains(linked, a) {
			t.Errorf("nothing leads to the paragraph %q of the runbook", a)
		}
	}
}

var withinRunbook = regexp.MustCompile(`\]\(#([^)]+)\)`)

func TestLinksWithinTheRunbook(t *testing.T) {
	known := anchors(t)
	found := withinRunbook.FindAllStringSubmatch(read(t, "deploy/runbook.md"), -1)
	if len(found) < 10 {
		t.Fatalf("%d links found", len(found))
	}
	for _, m := range found {
		if !slices.Contains(known, m[1]) {
			t.Errorf("#%s leads nowhere", m[1])
		}
	}
}

// ruleTests is what is looked at of promtool's test files; promtool itself
// reads them strictly.
type ruleTests struct {
	Tests []struct {
		Name   string `json:"name"`
		Checks []struct {
			Alert string `json:"alertname"`
			Want  []any  `json:"exp_alerts"`
		} `json:"alert_rule_test"`
	} `json:"tests"`
}

func TestEveryAlertIsTestedFiringAndClear(t *testing.T) {
	fires, clear := map[string]int{}, map[string]int{}
	for _, path := range files(t, "deploy/prometheus/tests/*.yml") {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var f ruleTests
		if err := yaml.Unmarshal(b, &f); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		for _, c := range f.Tests {
			// Within one series of events: fires, and is clear afterwards.
			last := map[string]bool{}
			for _, k := range c.Checks {
				if len(k.Want) > 0 {
					fires[k.Alert]++
					last[k.Alert] = true
				} else if last[k.Alert] {
					clear[k.Alert]++
				}
			}
		}
	}
	alerts, _ := rules(t)
	for _, a := range alerts {
		if fires[a.Alert] == 0 {
			t.Errorf("no test fires %s", a.Alert)
		}
		if clear[a.Alert] == 0 && a.Alert != "Watchdog" { // which is there to fire always
			t.Errorf("no test sees %s clear after it fired", a.Alert)
		}
	}
}

func promtool(t *testing.T, args ...string) error {
	t.Helper()
	out, err := exec.Command("promtool", args...).CombinedOutput()
	if err != nil {
		t.Logf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return err
}

func TestPrometheusTakesConfigurationAndRules(t *testing.T) {
	if err := promtool(t, "check", "config", filepath.Join(root, "deploy/prometheus/prometheus.yml")); err != nil {
		t.Error(err)
	}
}

func TestRules(t *testing.T) {
	for _, path := range files(t, "deploy/prometheus/tests/*.yml") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			if err := promtool(t, "test", "rules", path); err != nil {
				t.Error(err)
			}
		})
	}
}

// That the tests can fail: each of these spoils one rule.
func TestSpoiltRulesAreNoticed(t *testing.T) {
	cases := map[string]struct{ in, out, tests string }{
		"threshold":       {"max(discsafe_dead_letters) > 0", "max(discsafe_dead_letters) > 1", "workers.yml"},
		"duration":        {"        for: 5m\n        labels: {severity: ticket}\n        annotations:\n          summary: 'Running jobs", "        labels: {severity: page}\n        annotations:\n          summary: 'Running jobs", "workers.yml"},
		"absent series":   {"(sum(discsafe_slots{state=~\"busy|free\"}) or vector(0)) == 0", "sum(discsafe_slots{state=~\"busy|free\"}) == 0", "workers.yml"},
		"counts ours":     {"crashed|internal|", "crashed|internal|bad-sound|", "workers.yml"},
		"clocks behind":   {"abs(discsafe_clock_timestamp_seconds - timestamp(discsafe_clock_timestamp_seconds))", "(discsafe_clock_timestamp_seconds - timestamp(discsafe_clock_timestamp_seconds))", "machines.yml"},
		"whose scratch":   {"discsafe_disk_writable{volume=~\"store|spool\"}", "discsafe_disk_writable", "machines.yml"},
		"every write":     {"min_over_time(discsafe_disk_write_seconds[5m])", "max_over_time(discsafe_disk_write_seconds[5m])", "machines.yml"},
		"broker's answer": {"min(discsafe_broker_sync_always) == 0", "max(discsafe_broker_sync_always) == 0", "machines.yml"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			for _, sub := range []string{"rules", "tests"} {
				if err := os.CopyFS(filepath.Join(dir, sub), os.DirFS(filepath.Join(root, "deploy/prometheus", sub))); err != nil {
					t.Fatal(err)
				}
			}
			path := filepath.Join(dir, "rules", "alerts.yml")
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			spoilt := strings.Replace(string(b), c.in, c.out, 1)
			if spoilt == string(b) {
				t.Fatalf("no rule holds %q", c.in)
			}
			if err := os.WriteFile(path, []byte(spoilt), 0o600); err != nil {
				t.Fatal(err)
			}
			if exec.Command("promtool", "test", "rules", filepath.Join(dir, "tests", c.tests)).Run() == nil {
				t.Error("no test noticed")
			}
		})
	}
}
