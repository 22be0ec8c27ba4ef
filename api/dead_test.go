package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"discsafe/api/v1"
	"discsafe/worker/job"
)

// A dead letter waits for a decision; whichever it is, it takes the letter out,
// and no other.
func TestDecisionTakesDeadLetterOut(t *testing.T) {
	for name, c := range map[string]struct {
		method, path, as string
		status           int
	}{
		"requeue": {http.MethodPost, "/v1/dead/{id}/requeue", "operator", http.StatusOK},
		"retry":   {http.MethodPost, "/v1/jobs/{id}/retry", "a", http.StatusOK},
		"delete":  {http.MethodDelete, "/v1/jobs/{id}", "a", http.StatusNoContent},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t, nil)
			q := h.broker.Open()
			defer q.Close()
			// The book of workers that give up at once.
			l, err := job.NewLedger(job.Config{Store: h.store, Now: time.Now, Limits: job.Limits{Crashes: 1}})
			if err != nil {
				t.Fatal(err)
			}
			die := func() string {
				t.Helper()
				h.submit("a", "")
				d, err := q.Fetch(t.Context(), time.Minute)
				if err != nil {
					t.Fatal(err)
				}
				id := d.Message().JobID
				hold, err := l.Claim(t.Context(), id, job.Claimant{Worker: "w", Token: "t", Lease: time.Minute})
				if err != nil {
					t.Fatal(err)
				}
				if r, err := hold.Crash(t.Context(), job.Because(job.CodeCrashed, "")); err != nil || r.State != job.Dead {
					t.Fatalf("%+v %v", r, err)
				}
				if err := d.Drop("crashed: test"); err != nil {
					t.Fatal(err)
				}
				return id
			}
			id, other := die(), die()
			h.want(h.ask(c.as, c.method, strings.Replace(c.path, "{id}", id, 1), nil), c.status)
			var left v1.DeadLetters
			if err := json.Unmarshal(h.want(h.ask("operator", http.MethodGet, "/v1/dead", nil), http.StatusOK).body, &left); err != nil {
				t.Fatal(err)
			}
			if len(left.Letters) != 1 || left.Letters[0].JobID != other || left.Letters[0].State != "dead" {
				t.Errorf("%+v; want the letter of %s", left.Letters, other)
			}
			if s, err := q.Stats(t.Context()); err != nil || s.Dead != 1 {
				t.Errorf("%+v %v", s, err)
			}
		})
	}
}
