package deploytest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The grown service under a real Prometheus: after twenty jobs each query of
// each dashboard and each recording rule has data, and alerts fire in faults and
// clear after them.
func TestGrownServiceIsWatched(t *testing.T) {
	s := grow(t)
	mixes := t.TempDir()
	var plans []string
	for n := range 20 {
		plan := side(t, mixes, n)
		plans = append(plans, plan)
		if _, err := s.as(t, s.engineer, "submit", plan, "--studio", "north"); err != nil {
			t.Fatal(err)
		}
	}
	// What broke has data only if something did: a bad token, a wrong hash, a bad mix, a job that is cancelled.
	s.spoil(t, mixes)
	eventually(t, 90*time.Second, "twenty jobs done", func() error {
		out, err := s.as(t, s.engineer, "jobs", "list", "--studio", "north", "--state", "done", "--json")
		if n := strings.Count(out, `"state": "done"`); err == nil && n < 20 {
			err = fmt.Errorf("%d", n)
		}
		return err
	})
	t.Run("recording rules", func(t *testing.T) {
		_, records := rules(t)
		for _, r := range records {
			s.hasData(t, r.Record)
		}
	})
	t.Run("dashboards", func(t *testing.T) {
		for _, b := range boards(t) {
			for _, p := range b.Panels {
				for _, q := range p.Targets {
					s.hasData(t, q.Expr)
				}
			}
		}
	})
	t.Run("nothing is alarmed about", func(t *testing.T) {
		// What was spoilt above is a studio's doing and must not page; tokens are few.
		eventually(t, 60*time.Second, "quiet", func() error {
			if f := s.firing(t); len(f) > 0 {
				return fmt.Errorf("firing: %s", f)
			}
			return nil
		})
	})
	for _, together := range s.faults(plans) {
		t.Run(together[0].name, func(t *testing.T) { s.provoke(t, together) })
	}
}

// provoke lets faults begin that do not hide each other, looks for the number and
// the alerts of each, mends them, and waits until all is clear.
func (s *site) provoke(t *testing.T, together []fault) {
	t.Helper()
	var mend []func()
	mended := sync.OnceFunc(func() {
		for _, f := range slices.Backward(mend) {
			f()
		}
	})
	defer mended() // also when one did not show: the next ones want a whole service
	for _, f := range together {
		s.still(t, 30*time.Second, f)
	}
	began := time.Now()
	for _, f := range together {
		mend = append(mend, f.begin(t))
	}
	for _, f := range together {
		t.Run(f.name, func(t *testing.T) {
			s.seen(t, f.within(), began, "the number moves", f.moves)
			for _, a := range f.alerts {
				s.seen(t, f.within(), began, a+" fires", fmt.Sprintf("ALERTS{alertstate=%q,alertname=%q}", "firing", a))
			}
		})
	}
	mended()
	t.Run("clear", func(t *testing.T) {
		eventually(t, 120*time.Second, "all is clear", func() error {
			if now := s.firing(t); len(now) > 0 {
				return fmt.Errorf("firing: %s", now)
			}
			return nil
		})
		for _, f := range together {
			s.still(t, 10*time.Second, f)
		}
	})
}

// seen waits until a query has had an answer since then, be it over already.
func (s *site) seen(t *testing.T, within time.Duration, since time.Time, what, q string) {
	t.Helper()
	eventually(t, within, what+": "+q, func() error {
		return s.answers(fmt.Sprintf("count_over_time((%s)[%.0fs:1s])", quick(q), math.Ceil(time.Since(since).Seconds())), true)
	})
}

// still waits until the number of a fault stands where it should.
func (s *site) still(t *testing.T, within time.Duration, f fault) {
	t.Helper()
	eventually(t, within, f.name+" is over: "+f.moves, func() error { return s.answers(quick(f.moves), false) })
}

// answers asks Prometheus whether a query has an answer.
func (s *site) answers(q string, want bool) error {
	n, err := s.query(q)
	if err == nil && n > 0 != want {
		err = fmt.Errorf("%d series answer", n)
	}
	return err
}

// spoil does what studios do wrong.
func (s *site) spoil(t *testing.T, dir string) {
	t.Helper()
	if _, err := ask(http.MethodGet, s.server+"/v1/me", "Bearer wrong", nil); err != nil {
		t.Fatal(err)
	}
	token, err := os.ReadFile(s.engineer)
	if err != nil {
		t.Fatal(err)
	}
	wrong := s.server + "/v1/mixes/" + strings.Repeat("0", 64) + "?studio=north"
	if status, err := ask(http.MethodPut, wrong, "Bearer "+strings.TrimSpace(string(token)), []byte("not what the hash says")); err != nil || status < 400 || status >= 500 {
		t.Fatalf("a mix under a wrong hash got %d, %v", status, err)
	}
	put(t, filepath.Join(dir, "bad.wav"), "no sound at all")
	put(t, filepath.Join(dir, "bad.yaml"), "side: A\ndisc: 7in-45\ntracks:\n  - file: bad.wav\n")
	if _, err := s.as(t, s.engineer, "submit", filepath.Join(dir, "bad.yaml"), "--studio", "north", "--wait"); err == nil {
		t.Fatal("bad sound was prepared")
	}
	s.freeze(syscall.SIGSTOP) // or the job may be done before it is cancelled
	defer s.freeze(syscall.SIGCONT)
	var id string
	for n := range 3 { // the others keep what frozen workers may have asked for already
		var err error
		if id, err = s.as(t, s.engineer, "submit", side(t, dir, 97+n), "--studio", "south"); err != nil {
			t.Fatal(err)
		}
	}
	out, err := s.as(t, s.engineer, "jobs", "cancel", strings.TrimSpace(id))
	if err != nil || !strings.Contains(out, "cancelled") {
		t.Fatalf("%s, %v", out, err)
	}
	s.hasData(t, `discsafe_jobs_failed_total{reason="cancelled"} > 0`)
}

// flip changes one bit in every mix of the object store, behind its back.
func (s *site) flip(t *testing.T) {
	t.Helper()
	n := 0
	err := filepath.WalkDir(s.objects, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.Contains(path, "/mix/") {
			return err
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			return err
		}
		defer f.Close()
		one := make([]byte, 1)
		if _, err := f.ReadAt(one, 1000); err != nil {
			return nil // a short one
		}
		one[0] ^= 1
		n++
		_, err = f.WriteAt(one, 1000)
		return err
	})
	if err != nil || n == 0 {
		t.Fatalf("%d mixes flipped: %v", n, err)
	}
}

func ask(method, url, authorization string, body []byte) (status int, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, url, bytes.NewReader(body))
	if err != nil {
		return 0, err
	}
	req.Header.Set("Authorization", authorization)
	if len(body) > 0 {
		req.Header.Set("Content-Type", "application/json")
	}
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	return r.StatusCode, r.Body.Close()
}

// operate asks something of the service as its operator.
func (s *site) operate(t *testing.T, path, body string) {
	t.Helper()
	token, err := os.ReadFile(s.operator)
	if err != nil {
		t.Fatal(err)
	}
	status, err := ask(http.MethodPost, s.server+path, "Bearer "+strings.TrimSpace(string(token)), []byte(body))
	if err != nil || status != http.StatusOK {
		t.Fatalf("%s: %d, %v", path, status, err)
	}
}

// query asks Prometheus and returns how many series answer.
func (s *site) query(q string) (int, error) {
	text, err := get(s.prometheus + "/api/v1/query?query=" + url.QueryEscape(q))
	if err != nil {
		return 0, err
	}
	var a struct {
		Data struct {
			Result []any `json:"result"`
		} `json:"data"`
	}
	err = json.Unmarshal([]byte(text), &a)
	return len(a.Data.Result), err
}

func (s *site) hasData(t *testing.T, q string) {
	t.Helper()
	eventually(t, 20*time.Second, q, func() error {
		n, err := s.query(q)
		if err == nil && n == 0 {
			err = fmt.Errorf("no data")
		}
		return err
	})
}

// firing lists alerts that fire, but for the one that always does.
func (s *site) firing(t *testing.T) []string {
	t.Helper()
	text, err := get(s.prometheus + "/api/v1/alerts")
	if err != nil {
		t.Fatal(err)
	}
	var a struct {
		Data struct {
			Alerts []struct {
				Labels map[string]string `json:"labels"`
				State  string            `json:"state"`
			} `json:"alerts"`
		} `json:"data"`
	}
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, x := range a.Data.Alerts {
		if n := x.Labels["alertname"]; n != "Watchdog" && x.State == "firing" && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out
}
