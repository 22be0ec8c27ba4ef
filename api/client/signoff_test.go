package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"testing"

	"discsafe/api/v1"

	"github.com/google/go-cmp/cmp"
)

// TestPeopleRoutes: each method asks where and what the service expects.
func TestPeopleRoutes(t *testing.T) {
	var rec recorder
	c, _ := dial(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var in map[string]any
		if r.Method == http.MethodPost || r.Method == http.MethodPut {
			if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
				t.Errorf("%s: %v", r.URL, err)
			}
		}
		text, _ := json.Marshal(in)
		rec.note(fmt.Sprintf("%s %s %s %s", r.Method, r.URL.RequestURI(), text, r.Header.Get("If-Match")))
		switch {
		case r.URL.Path == "/v1/jobs/"+jobID+"/cutting-sheet":
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			fmt.Fprint(w, "<!doctype html>")
		case r.Method == http.MethodDelete:
			w.WriteHeader(http.StatusNoContent)
		default:
			w.Header().Set("ETag", `"t2"`)
			writeJSON(w, http.StatusOK, map[string]any{"state": "approved", "count": 7, "name": "seven", "presets": []v1.Preset{{Name: "seven"}}, "jobs": []v1.Job{aJob("done", 1), aJob("done", 2)}})
		}
	}))
	ctx := within(t)
	must := func(what string, ok bool, err error) {
		t.Helper()
		if err != nil || !ok {
			t.Errorf("%s: %v, %v", what, ok, err)
		}
	}
	s, err := c.Signoff(ctx, jobID)
	must("signoff", s.State == "approved", err)
	s, err = c.Sign(ctx, jobID, v1.Decision{Decision: "approve", Name: "Ada Lind", Manifest: "m"})
	must("sign", s.State == "approved", err)
	jobs, err := c.Revisions(ctx, jobID)
	must("revisions", len(jobs) == 2, err)
	page, err := c.CuttingSheet(ctx, jobID)
	must("sheet", string(page) == "<!doctype html>", err)
	b, err := c.Bulk(ctx, v1.Bulk{Do: "delete", Filter: v1.BulkFilter{Signoff: "returned"}, Preview: true})
	must("bulk", b.Count == 7, err)
	all, err := c.Presets(ctx, "")
	must("presets", len(all) == 1, err)
	_, tag, err := c.Preset(ctx, "north", "seven inch")
	must("preset", tag == `"t2"`, err)
	tag, err = c.KeepPreset(ctx, "", v1.Preset{Name: "seven", Plan: json.RawMessage(`{"level":1}`)}, `"t1"`)
	must("keep", tag == `"t2"`, err)
	must("delete", true, c.DeletePreset(ctx, "", "seven"))
	_, err = c.JobsPage(ctx, Query{Signoff: "open", Verdict: "ready"})
	must("list", true, err)
	want := []string{
		"GET /v1/jobs/" + jobID + "/signoff null ",
		"POST /v1/jobs/" + jobID + `/signoff {"decision":"approve","manifest_sha256":"m","name":"Ada Lind"} `,
		"GET /v1/jobs/" + jobID + "/revisions null ",
		"GET /v1/jobs/" + jobID + "/cutting-sheet null ",
		`POST /v1/jobs/bulk {"do":"delete","filter":{"signoff":"returned"},"preview":true} `,
		"GET /v1/presets null ",
		"GET /v1/presets/seven%20inch?studio=north null ",
		`PUT /v1/presets/seven {"name":"seven","plan":{"level":1}} "t1"`,
		"DELETE /v1/presets/seven null ",
		"GET /v1/jobs?signoff=open&verdict=ready null ",
	}
	if d := cmp.Diff(want, rec.seen); d != "" {
		t.Error(d)
	}
}

// TestSignOnce: a decision whose answer was lost is not given again by itself.
func TestSignOnce(t *testing.T) {
	var rec recorder
	c, _ := dial(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		rec.note(r.Method)
		v1.NewProblem(v1.Internal, "").Write(w)
	}))
	n := 3
	_, err := c.Sign(within(t), jobID, v1.Decision{Decision: "approve"})
	_, err2 := c.Bulk(within(t), v1.Bulk{Do: "delete", Count: &n})
	for _, err := range []error{err, err2} {
		if p, ok := errors.AsType[*v1.Problem](err); !ok || p.Code != string(v1.Internal) {
			t.Errorf("%v", err)
		}
	}
	if len(rec.seen) != 2 {
		t.Errorf("asked %d times, want once each", len(rec.seen))
	}
}
