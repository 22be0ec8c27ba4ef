package lab

import (
	"encoding/json"
	"fmt"
	"net/http"
)

// judgeReasons holds every transition that needs explaining against logs and
// counters: I7.
func (l *Lab) judgeReasons(v Verdict) error {
	type key struct{ job, code string }
	logged := map[key]int{}
	lines, err := l.Logs("", func(n Line) bool { return n.Text("job") != "" && n.Text("reason") != "" })
	if err != nil {
		return err
	}
	for _, n := range lines {
		logged[key{n.Text("job"), n.Text("reason")}]++
	}
	orderly := l.orderly(lines)
	ended := map[string]float64{}
	for _, j := range l.Jobs() {
		f := j.Final
		seen := map[string]bool{}
		for _, e := range f.History {
			// Ordinary transitions explain themselves; a lost worker is told by the one that took over.
			if seen[e.Code] || e.To == "running" && e.Code != "worker-lost" || e.Code == "submitted" {
				continue
			}
			seen[e.Code] = true
			if f.Over() && logged[key{j.ID, e.Code}] == 0 && (v.Counted || orderly[e.By]) {
				l.Bad("I7", "job %s: %s -> %s (%s) stands in its history and in no log line", j.ID, e.From, e.To, e.Code)
			}
		}
		if f.Over() && f.State != "done" {
			if f.Reason == nil {
				l.Bad("I7", "job %s ended %s and the API does not say why", j.ID, f.State)
				continue
			}
			if last := f.History[len(f.History)-1]; last.Code != f.Reason.Code {
				l.Bad("I7", "job %s: reason %s, last event %s", j.ID, f.Reason.Code, last.Code)
			}
			ended[f.Reason.Code]++
		}
	}
	if !v.Counted {
		return nil // counters died with their processes
	}
	for code, want := range ended {
		counted, err := l.Everywhere("discsafe_jobs_failed_total", fmt.Sprintf("reason=%q", code))
		if err != nil {
			return err
		}
		if counted != want {
			l.Bad("I7", "%v jobs ended for %s, the counters say %v", want, code, counted)
		}
	}
	return nil
}

// orderly names the workers that nobody killed. One that is killed between its
// word to the record and its line in the log leaves none.
func (l *Lab) orderly(lines []Line) map[string]bool {
	names := map[string]bool{}
	killed := map[string]bool{}
	l.mu.Lock()
	for _, w := range l.Workers {
		killed[w.P.Name] = !w.P.Alive() && w.P.Code() == -1
	}
	l.mu.Unlock()
	for _, n := range lines {
		if name := n.Text("worker"); name != "" && !killed[n.Text("file")] {
			names[name] = true
		}
	}
	return names
}

// waiting asks the brokers how many messages of jobs they hold.
func (l *Lab) waiting() (int, error) {
	for _, b := range l.Brokers {
		if !b.P.Alive() {
			continue
		}
		r, err := l.http.Get(fmt.Sprintf("http://127.0.0.1:%d/jsz?streams=true&leader-only=false", b.monitor))
		if err != nil {
			return 0, err
		}
		defer r.Body.Close()
		if r.StatusCode != http.StatusOK {
			return 0, fmt.Errorf("the broker's monitoring address says %s", r.Status)
		}
		var js struct {
			Accounts []struct {
				Streams []struct {
					Name  string `json:"name"`
					State struct {
						Messages int `json:"messages"`
					} `json:"state"`
				} `json:"stream_detail"`
			} `json:"account_details"`
		}
		if err := json.NewDecoder(r.Body).Decode(&js); err != nil {
			return 0, err
		}
		for _, a := range js.Accounts {
			for _, s := range a.Streams {
				if s.Name == "discsafe-jobs" {
					return s.State.Messages, nil
				}
			}
		}
	}
	return 0, fmt.Errorf("no broker tells of the stream of jobs")
}
