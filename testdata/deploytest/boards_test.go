package deploytest

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// board is what is looked at of a dashboard of Grafana.
type board struct {
	File   string `json:"-"`
	UID    string `json:"uid"`
	Title  string `json:"title"`
	Text   string `json:"description"`
	Panels []struct {
		ID          int    `json:"id"`
		Title       string `json:"title"`
		Description string `json:"description"`
		Links       []struct {
			Title string `json:"title"`
			URL   string `json:"url"`
		} `json:"links"`
		Source struct {
			UID string `json:"uid"`
		} `json:"datasource"`
		Grid struct {
			X, Y, W, H int
		} `json:"gridPos"`
		Field struct {
			Defaults struct {
				Unit       string `json:"unit"`
				Thresholds struct {
					Steps []struct {
						Value *float64 `json:"value"`
					} `json:"steps"`
				} `json:"thresholds"`
				Custom struct {
					Lines struct {
						Mode string `json:"mode"`
					} `json:"thresholdsStyle"`
				} `json:"custom"`
			} `json:"defaults"`
		} `json:"fieldConfig"`
		Targets []struct {
			Ref    string `json:"refId"`
			Expr   string `json:"expr"`
			Legend string `json:"legendFormat"`
		} `json:"targets"`
	} `json:"panels"`
}

func boards(t *testing.T) []board {
	t.Helper()
	var out []board
	for _, path := range files(t, "deploy/grafana/dashboards/*.json") {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		d := board{File: filepath.Base(path)}
		if err := json.Unmarshal(b, &d); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		out = append(out, d)
	}
	return out
}

func TestDashboards(t *testing.T) {
	source := regexp.MustCompile(`(?m)^    uid: (\S+)$`).FindStringSubmatch(read(t, "deploy/grafana/provisioning/datasources/prometheus.yml"))[1]
	known := anchors(t)
	uids := map[string]bool{}
	for _, b := range boards(t) {
		if uids[b.UID] || b.UID+".json" != b.File {
			t.Errorf("%s: uid %q", b.File, b.UID)
		}
		uids[b.UID] = true
		if !strings.HasSuffix(b.Title, "?") || b.Text == "" {
			t.Errorf("%s: %q is no question, or nothing says what the page is for", b.File, b.Title)
		}
		if n := len(b.Panels); n < 1 || n > 5 {
			t.Errorf("%s: %d panels, want one to five", b.File, n)
		}
		ids := map[int]bool{}
		for _, p := range b.Panels {
			at := b.File + " " + p.Title
			if ids[p.ID] {
				t.Errorf("%s: id %d stands twice", at, p.ID)
			}
			ids[p.ID] = true
			if p.Description == "" || p.Field.Defaults.Unit == "" || p.Source.UID != source {
				t.Errorf("%s: description %q, unit %q, source %q", at, p.Description, p.Field.Defaults.Unit, p.Source.UID)
			}
			steps := p.Field.Defaults.Thresholds.Steps
			if len(steps) < 2 || steps[0].Value != nil || steps[len(steps)-1].Value == nil || p.Field.Defaults.Custom.Lines.Mode != "line" {
				t.Errorf("%s: no threshold that is drawn as a line", at)
			}
			if len(p.Links) == 0 {
				t.Errorf("%s: no link to the runbook", at)
			}
			for _, l := range p.Links {
				page, anchor, _ := strings.Cut(l.URL, "#")
				if page != "/public/discsafe/runbook.md" || !slices.Contains(known, anchor) {
					t.Errorf("%s: %s leads nowhere", at, l.URL)
				}
			}
			refs := map[string]bool{}
			for _, q := range p.Targets {
				if refs[q.Ref] || q.Expr == "" || q.Legend == "" {
					t.Errorf("%s: query %q, %q, %q", at, q.Ref, q.Expr, q.Legend)
				}
				refs[q.Ref] = true
			}
			for _, o := range b.Panels {
				a, c := p.Grid, o.Grid
				if o.ID != p.ID && a.X < c.X+c.W && c.X < a.X+a.W && a.Y < c.Y+c.H && c.Y < a.Y+a.H {
					t.Errorf("%s lies over %s", at, o.Title)
				}
			}
		}
	}
	for _, l := range []string{"deploy/runbook.md:/usr/share/grafana/public/discsafe/runbook.md:ro"} {
		if !strings.Contains(read(t, "docker-compose.yml"), l) {
			t.Errorf("docker-compose.yml does not put the runbook where links lead: %s", l)
		}
	}
}

var (
	quoted   = regexp.MustCompile(`"[^"]*"`)
	metric   = regexp.MustCompile(`\b(discsafe_[a-z0-9_]+|process_[a-z_]+|go_[a-z_]+|up)\b`)
	recorded = regexp.MustCompile(`\bdiscsafe:[a-z0-9_:]+`)
	matcher  = regexp.MustCompile(`\b([a-z_]+)\s*(=~|!~|!=|=)\s*"([^"]*)"`)
	sample   = regexp.MustCompile(`(?m)^([a-z_][a-z0-9_]*)(?:\{(.*)\})? \S+`)
)

// exported starts the service and a canary, lets one job through, and reads
// what both export: names, with the values of every label seen.
func exported(t *testing.T) map[string]map[string][]string {
	t.Helper()
	dir := t.TempDir()
	metrics := port(t)
	s := begin(t, "serve", nil, built, "serve", "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0", "--metrics", metrics, "--log", "text")
	at := s.address(t)
	c := begin(t, "canary", []string{"XDG_CACHE_HOME=" + dir}, built, "canary", "--server", at, "--every", "1s", "--metrics", "127.0.0.1:0", "--log", "text")
	canary := c.address(t)
	eventually(t, time.Minute, "a trial job", func() error {
		b, err := get(canary + "/metrics")
		if err == nil && !regexp.MustCompile(`(?m)^discsafe_canary_seconds \S*[1-9]`).MatchString(b) {
			err = fmt.Errorf("none ended well yet")
		}
		return err
	})
	out := map[string]map[string][]string{"up": {"job": nil, "role": nil, "instance": nil}}
	for _, url := range []string{"http://" + metrics, canary} {
		text, err := get(url + "/metrics")
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range sample.FindAllStringSubmatch(text, -1) {
			if out[m[1]] == nil {
				out[m[1]] = map[string][]string{"job": nil, "role": nil, "instance": nil} // set by who scrapes
			}
			for _, l := range matcher.FindAllStringSubmatch(m[2], -1) {
				out[m[1]][l[1]] = append(out[m[1]][l[1]], l[3])
			}
		}
	}
	return out
}

func TestQueriesNameWhatTheProgramExports(t *testing.T) {
	there := exported(t)
	alerts, records := rules(t)
	names := map[string]bool{}
	queries := map[string]string{}
	for _, r := range records {
		names[r.Record] = true
		queries["rule "+r.Record] = r.Expr
	}
	for _, a := range alerts {
		queries["alert "+a.Alert] = a.Expr
	}
	for _, b := range boards(t) {
		for _, p := range b.Panels {
			for _, q := range p.Targets {
				queries[b.UID+", "+p.Title+", "+q.Ref] = q.Expr
			}
		}
	}
	used := map[string]bool{}
	for where, q := range queries {
		bare := quoted.ReplaceAllString(q, `""`)
		found := metric.FindAllString(recorded.ReplaceAllString(bare, " "), -1)
		for _, n := range recorded.FindAllString(bare, -1) {
			used[n] = true
			if !names[n] {
				t.Errorf("%s: no rule records %s", where, n)
			}
		}
		for _, n := range found {
			if there[n] == nil {
				t.Errorf("%s: no process exports %s", where, n)
			}
		}
		checkLabels(t, where, q, there)
	}
	for n := range names {
		if !used[n] {
			t.Errorf("%s is recorded and never asked for", n)
		}
	}
}

var selector = regexp.MustCompile(`([a-z_][a-z0-9_]*)\{([^}]*)\}`)

// checkLabels holds each matcher against the labels the program exports, and
// values of closed lists against the values that are there from the start.
func checkLabels(t *testing.T, where, q string, there map[string]map[string][]string) {
	t.Helper()
	for _, s := range selector.FindAllStringSubmatch(q, -1) {
		labels := there[s[1]]
		if labels == nil {
			continue // told already
		}
		for _, m := range matcher.FindAllStringSubmatch(s[2], -1) {
			values, known := labels[m[1]]
			if !known {
				t.Errorf("%s: %s has no label %s", where, s[1], m[1])
			}
			closed := slices.Contains([]string{"reason", "kept", "state", "result", "kind", "outcome"}, m[1])
			if !closed || len(values) == 0 {
				continue
			}
			for _, v := range strings.Split(m[3], "|") {
				if !slices.Contains(values, v) {
					t.Errorf("%s: %s never has %s=%q", where, s[1], m[1], v)
				}
			}
		}
	}
}
