package deploytest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"testing"
	"time"
)

const alertmanagerFile = "deploy/prometheus/alertmanager.yml"

// amtool runs Alertmanager's own tool and returns what it prints.
func amtool(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command("amtool", args...).CombinedOutput()
	if err != nil {
		t.Fatalf("amtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// Alertmanager takes the file, sends each alert where its severity says, and what
// is inhibited are alerts that there are.
func TestAlertmanagerTakesConfiguration(t *testing.T) {
	path := filepath.Join(root, alertmanagerFile)
	amtool(t, "check-config", path)
	alerts, _ := rules(t)
	var names []string
	for _, a := range alerts {
		names = append(names, a.Alert)
		want := map[string]string{"page": "page", "ticket": "ticket", "none": "watchdog"}[a.Labels["severity"]]
		if got := strings.TrimSpace(amtool(t, "config", "routes", "test", "--config.file="+path, "alertname="+a.Alert, "severity="+a.Labels["severity"])); !strings.HasSuffix(got, want) {
			t.Errorf("%s goes to %q, want %s", a.Alert, got, want)
		}
	}
	text := read(t, alertmanagerFile)
	matchers := regexp.MustCompile(`alertname=(~?)"([^"]+)"`).FindAllStringSubmatch(text, -1)
	if len(matchers) < 20 {
		t.Fatalf("%d matchers found", len(matchers))
	}
	for _, m := range matchers {
		for _, one := range strings.Split(m[2], "|") {
			if re := regexp.MustCompile("^(?:" + one + ")$"); !slices.ContainsFunc(names, re.MatchString) {
				t.Errorf("no alert is called %s", one)
			}
		}
	}
	for _, u := range regexp.MustCompile(`url\S*: "?(\S+?)"?[,}]`).FindAllStringSubmatch(text, -1) {
		if !strings.HasPrefix(u[1], "http://relay.invalid:") { // RFC 2606: a name that leads nowhere
			t.Errorf("an address of somebody stands in the file: %s", u[1])
		}
	}
}

// A running Alertmanager tells people once: a page wakes, what follows from it is
// not told, tickets wait elsewhere, and the watchdog is heard.
func TestAlertmanagerTells(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "token"), "for-the-relay")
	told := make(chan string, 100) // receiver and alert
	relay := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m struct {
			Alerts []struct {
				Labels map[string]string `json:"labels"`
			} `json:"alerts"`
		}
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil || r.Header.Get("Authorization") != "Bearer for-the-relay" {
			t.Errorf("%v, Authorization %q", err, r.Header.Get("Authorization"))
		}
		for _, a := range m.Alerts {
			told <- r.URL.Path + " " + a.Labels["alertname"]
		}
	}))
	t.Cleanup(relay.Close)
	text := read(t, alertmanagerFile)
	for _, c := range [][2]string{{"http://relay.invalid:9099", relay.URL}, {"/run/secrets/alert_relay_token", filepath.Join(dir, "token")}, {"group_wait: 30s", "group_wait: 2s"}, {"group_wait: 10s", "group_wait: 2s"}} {
		if !strings.Contains(text, c[0]) {
			t.Fatalf("the file does not hold %s", c[0])
		}
		text = strings.ReplaceAll(text, c[0], c[1])
	}
	put(t, filepath.Join(dir, "alertmanager.yml"), text)
	at := port(t)
	begin(t, "alertmanager", nil, "prometheus-alertmanager", "--config.file="+filepath.Join(dir, "alertmanager.yml"),
		"--storage.path="+filepath.Join(dir, "data"), "--web.listen-address="+at, "--cluster.listen-address=")
	eventually(t, 20*time.Second, "Alertmanager", func() error { _, err := get("http://" + at + "/-/ready"); return err })

	type labels map[string]string
	var firing []map[string]labels
	for _, l := range []labels{
		{"alertname": "NoWorker", "severity": "page"},
		{"alertname": "CanaryMissing", "severity": "page"},
		{"alertname": "DeadLetters", "severity": "ticket"},
		{"alertname": "DiskLow", "severity": "page", "volume": "spool", "instance": "api:8734"},
		{"alertname": "NotWritable", "severity": "page", "volume": "spool", "instance": "api:8734"},
		{"alertname": "NotWritable", "severity": "page", "volume": "store", "instance": "api:8734"},
		{"alertname": "WorkerTrouble", "severity": "ticket", "reason": "store-unavailable"},
		{"alertname": "WorkerTrouble", "severity": "ticket", "reason": "cannot-start"},
		{"alertname": "Watchdog", "severity": "none"},
	} {
		firing = append(firing, map[string]labels{"labels": l})
	}
	body, err := json.Marshal(firing)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.Post("http://"+at+"/api/v2/alerts", "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Body.Close(); err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("Alertmanager answers %s, %v", r.Status, err)
	}
	want := []string{"/page DiskLow", "/page NotWritable", "/ticket DeadLetters", "/ticket WorkerTrouble", "/watchdog Watchdog"}
	var got []string
	eventually(t, 20*time.Second, "what is told", func() error {
		for more := true; more; {
			select {
			case one := <-told:
				got = append(got, one)
			default:
				more = false
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, want) {
			return fmt.Errorf("%s; want %s", got, want)
		}
		return nil
	})
	select { // an inhibited one that came late would follow at once
	case one := <-told:
		t.Errorf("told besides: %s", one)
	case <-time.After(3 * time.Second):
	}
}
