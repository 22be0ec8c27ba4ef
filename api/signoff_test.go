package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"discsafe/api/v1"
)

func (h *house) signoffOf(r *reply) v1.Signoff {
	h.t.Helper()
	var s v1.Signoff
	if err := json.Unmarshal(r.body, &s); err != nil {
		h.t.Fatalf("%s: %v", r.body, err)
	}
	return s
}

func TestSignoff(t *testing.T) {
	h := newHouse(t, nil)
	j := h.prepared(false, false)
	at := "/v1/jobs/" + j.ID + "/signoff"
	is := h.signoffOf(h.want(h.ask("a", http.MethodGet, at, nil), http.StatusOK))
	if is.State != "open" || is.Locked || len(is.History) != 0 || is.Manifest == "" || is.Files["premaster.wav"] == "" || is.Files["manifest.json"] != is.Manifest {
		t.Fatalf("%+v", is)
	}
	say := func(who, decision, note, manifest string) *reply {
		return h.ask(who, http.MethodPost, at, asJSON(v1.Decision{Decision: decision, Name: "Ada Lind", Note: note, Manifest: manifest}), "Content-Type", "application/json")
	}
	for who, status := range map[string]int{"a": 403, "b": 403, "operator": 403, "": 401} {
		h.want(say(who, "approve", "", is.Manifest), status)
	}
	if p := h.want(say("engineer", "approve", "", strings.Repeat("0", 64)), http.StatusConflict).problem(); p.Code != string(v1.Conflict) {
		t.Errorf("another result: %+v", p)
	}
	h.want(say("engineer", "cut", "", is.Manifest), http.StatusUnprocessableEntity)
	h.want(say("engineer", "return", "", is.Manifest), http.StatusUnprocessableEntity)
	h.want(say("engineer", "return", "less treble in the last track", is.Manifest), http.StatusOK)
	if seen := h.jobOf(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID, nil)); seen.Signoff == nil || seen.Signoff.State != "returned" || seen.Signoff.Note != "less treble in the last track" || seen.Signoff.Name != "Ada Lind" || seen.Signoff.By == "" {
		t.Errorf("the studio sees %+v", seen.Signoff)
	}
	is = h.signoffOf(h.want(say("engineer", "approve", "", is.Manifest), http.StatusOK))
	if is.State != "approved" || !is.Locked || len(is.History) != 2 || is.History[1].Decision != "approve" || is.History[1].By == "" || is.History[1].Revision != 1 || is.History[1].Manifest != is.Manifest {
		t.Errorf("%+v", is)
	}
	if p := h.want(h.ask("a", http.MethodDelete, "/v1/jobs/"+j.ID, nil), http.StatusConflict).problem(); p.Code != string(v1.Locked) {
		t.Errorf("deleting: %+v", p)
	}
	if p := h.want(h.ask("operator", http.MethodPost, "/v1/jobs/"+j.ID+"/retry", nil), http.StatusConflict).problem(); p.Code != string(v1.Locked) {
		t.Errorf("retrying: %+v", p)
	}
	sheet := h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/cutting-sheet", nil), http.StatusOK)
	if s := string(sheet.body); !strings.Contains(s, "Ada Lind") || !strings.Contains(s, is.Manifest) || !strings.Contains(sheet.Header.Get("Content-Security-Policy"), "sandbox") {
		t.Error("the sheet does not say who approved what")
	}
	h.want(h.ask("b", http.MethodGet, "/v1/jobs/"+j.ID+"/cutting-sheet", nil), http.StatusNotFound)
	if list := string(h.want(h.ask("engineer", http.MethodGet, "/v1/jobs?signoff=approved", nil), http.StatusOK).body); !strings.Contains(list, j.ID) {
		t.Error("not in the list of approved sides")
	}
	h.want(say("engineer", "reopen", "a new mix came", is.Manifest), http.StatusOK)
	h.want(h.ask("a", http.MethodDelete, "/v1/jobs/"+j.ID, nil), http.StatusNoContent)
	analysed := h.prepared(true, false)
	h.want(h.ask("engineer", http.MethodGet, "/v1/jobs/"+analysed.ID+"/signoff", nil), http.StatusConflict)
}

func TestRevisionsOverHTTP(t *testing.T) {
	h := newHouse(t, nil)
	first := h.submit("a", "")
	post := func(who, revises string) *reply {
		return h.ask(who, http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: h.mixes(who), Revises: revises}), "Content-Type", "application/json")
	}
	second := h.jobOf(h.want(post("a", first.ID), http.StatusCreated))
	if second.Revises != first.ID || second.Revision != 2 {
		t.Errorf("%+v", second)
	}
	if seen := h.jobOf(h.ask("a", http.MethodGet, "/v1/jobs/"+first.ID, nil)); seen.RevisedBy != second.ID || !seen.Waiting.Equal(seen.Accepted) {
		t.Errorf("the first is revised by %q, waiting since %v", seen.RevisedBy, seen.Waiting)
	}
	for _, who := range []string{first.ID, second.ID} {
		var all v1.Revisions
		r := h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+who+"/revisions", nil), http.StatusOK)
		if err := json.Unmarshal(r.body, &all); err != nil || len(all.Jobs) != 2 || all.Jobs[0].ID != first.ID || all.Jobs[1].ID != second.ID {
			t.Errorf("%s, %v", r.body, err)
		}
	}
	// A request that is repeated gives the same job, also without the one it revises.
	again := func() *reply {
		return h.ask("a", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: h.mixes("a"), Revises: second.ID}), "Content-Type", "application/json", "Idempotency-Key", "k")
	}
	third := h.jobOf(h.want(again(), http.StatusCreated))
	h.want(h.ask("a", http.MethodPost, "/v1/jobs/"+second.ID+"/cancel", nil), http.StatusOK)
	h.want(h.ask("a", http.MethodDelete, "/v1/jobs/"+second.ID, nil), http.StatusNoContent)
	if j := h.jobOf(h.want(again(), http.StatusOK)); j.ID != third.ID || j.Revision != 3 {
		t.Errorf("again: %s revision %d, want %s, 3", j.ID, j.Revision, third.ID)
	}
	for _, id := range []string{first.ID, second.ID, "x"} {
		if p := h.want(post("b", id), http.StatusUnprocessableEntity).problem(); len(p.Faults) != 1 || p.Faults[0].Path != "revises" {
			t.Errorf("revising %s as b: %+v", id, p)
		}
	}
}

func TestPresets(t *testing.T) {
	h := newHouse(t, nil)
	put := func(who, name, body string, header ...string) *reply {
		return h.ask(who, http.MethodPut, "/v1/presets/"+name, strings.NewReader(body), append([]string{"Content-Type", "application/json"}, header...)...)
	}
	h.want(h.ask("a", http.MethodGet, "/v1/presets/seven", nil), http.StatusNotFound)
	r := h.want(put("a", "seven", `{"name":"seven","plan":{"disc":"7in-45","level":"fit","caps":{"max_reduction_db":4}}}`), http.StatusOK)
	tag := r.Header.Get("ETag")
	got := h.want(h.ask("a", http.MethodGet, "/v1/presets/seven", nil), http.StatusOK)
	if got.Header.Get("ETag") != tag || !strings.Contains(string(got.body), `"disc":"7in-45"`) {
		t.Errorf("%s %s", got.Header.Get("ETag"), got.body)
	}
	if s := string(h.want(h.ask("a", http.MethodGet, "/v1/presets", nil), http.StatusOK).body); !strings.Contains(s, `"seven"`) {
		t.Errorf("list %s", s)
	}
	if s := string(h.want(h.ask("b", http.MethodGet, "/v1/presets", nil), http.StatusOK).body); strings.Contains(s, "seven") {
		t.Errorf("another studio sees %s", s)
	}
	h.want(h.ask("b", http.MethodGet, "/v1/presets?studio=a", nil), http.StatusForbidden)
	h.want(h.ask("engineer", http.MethodGet, "/v1/presets?studio=a", nil), http.StatusOK)
	h.want(put("a", "seven", `{"plan":{"level":1}}`, "If-Match", `"other"`), http.StatusConflict)
	h.want(put("a", "seven", `{"plan":{"level":1}}`, "If-Match", tag), http.StatusOK)
	h.want(put("a", "seven", `{"plan":{"level":2}}`, "If-None-Match", "*"), http.StatusConflict)
	for name, body := range map[string]string{
		"no mapping": `{"plan":[1]}`, "none": `{}`, "side": `{"plan":{"side":"A"}}`, "tracks": `{"plan":{"tracks":[]}}`, "bad value": `{"plan":{"disc":"13in-33"}}`, "unknown stage": `{"plan":{"chain":[{"stage":"x"}]}}`, "other name": `{"name":"eight","plan":{}}`,
	} {
		if r := put("a", "seven", body); r.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, r.StatusCode, r.body)
		}
	}
	h.want(put("a", "seven", `{`), http.StatusBadRequest)
	h.want(put("a", "seven", `{"plan":{"room":"`+strings.Repeat("x", maxPresetBytes)+`"}}`), http.StatusRequestEntityTooLarge)
	for _, name := range []string{"%2e%2e", "-x", "a%00", "a%2Fb", strings.Repeat("x", 61), "%3Cb%3E", "a%20", "a."} {
		if r := put("a", name, `{"plan":{}}`); r.StatusCode < 400 || r.StatusCode >= 500 {
			t.Errorf("name %s: %d %s", name, r.StatusCode, r.body)
		}
	}
	for i := range maxPresets - 1 {
		h.want(put("a", fmt.Sprint("p", i), `{"plan":{}}`), http.StatusOK)
	}
	h.want(put("a", "one%20too%20many", `{"plan":{}}`), http.StatusUnprocessableEntity)
	forget := func(header ...string) *reply {
		return h.ask("a", http.MethodDelete, "/v1/presets/seven", nil, header...)
	}
	h.want(forget("If-Match", tag), http.StatusConflict) // that of an earlier one
	h.want(h.ask("a", http.MethodGet, "/v1/presets/seven", nil), http.StatusOK)
	h.want(forget("If-Match", "*"), http.StatusNoContent)
	h.want(forget(), http.StatusNoContent)
	h.want(forget("If-Match", "*"), http.StatusConflict)
	h.want(h.ask("a", http.MethodGet, "/v1/presets/seven", nil), http.StatusNotFound)
}

func TestBulk(t *testing.T) {
	h := newHouse(t, nil)
	var ids []string
	for range 3 {
		ids = append(ids, h.submit("a", "").ID)
	}
	other := h.submit("b", "").ID
	done := h.prepared(false, false)
	ask := func(who string, b v1.Bulk) *reply {
		return h.ask(who, http.MethodPost, "/v1/jobs/bulk", asJSON(b), "Content-Type", "application/json")
	}
	answer := func(r *reply) v1.BulkAnswer {
		var a v1.BulkAnswer
		if err := json.Unmarshal(h.want(r, http.StatusOK).body, &a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	count := func(n int) *int { return &n }
	waiting := v1.BulkFilter{State: []string{"accepted"}}
	if a := answer(ask("a", v1.Bulk{Do: "cancel", Filter: waiting, Preview: true})); a.Count != 3 || len(a.IDs) != 3 || a.Done != 0 {
		t.Errorf("preview %+v", a)
	}
	h.want(ask("a", v1.Bulk{Do: "cancel", Filter: waiting}), http.StatusUnprocessableEntity)
	h.want(ask("a", v1.Bulk{Do: "cancel", Filter: waiting, Count: count(2)}), http.StatusConflict)
	h.want(ask("a", v1.Bulk{Do: "burn", Filter: waiting, Preview: true}), http.StatusUnprocessableEntity)
	if a := answer(ask("a", v1.Bulk{Do: "cancel", Filter: waiting, Count: count(3)})); a.Done != 3 || len(a.Refused) != 0 {
		t.Errorf("cancelled %+v", a)
	}
	if j := h.jobOf(h.ask("b", http.MethodGet, "/v1/jobs/"+other, nil)); j.State != "accepted" {
		t.Errorf("another studio's job is %s", j.State)
	}
	if a := answer(ask("a", v1.Bulk{Do: "retry", Filter: v1.BulkFilter{IDs: append([]string{other, ids[0], ids[0]}, "nonsense")}, Count: count(1)})); a.Done != 1 {
		t.Errorf("retried %+v", a)
	}
	is := h.signoffOf(h.ask("a", http.MethodGet, "/v1/jobs/"+done.ID+"/signoff", nil))
	h.want(h.ask("engineer", http.MethodPost, "/v1/jobs/"+done.ID+"/signoff", asJSON(v1.Decision{Decision: "approve", Name: "Ada", Manifest: is.Manifest}), "Content-Type", "application/json"), http.StatusOK)
	if a := answer(ask("a", v1.Bulk{Do: "delete", Preview: true})); a.Count != 2 || a.Locked != 1 {
		t.Errorf("to be deleted %+v, want the two cancelled: one waits again, one is approved", a)
	}
	a := answer(ask("operator", v1.Bulk{Do: "delete", Filter: v1.BulkFilter{Studio: "a"}, Count: count(2)}))
	if a.Done != 2 || len(a.Outcomes) != 3 || a.Outcomes[0] != (v1.BulkOutcome{ID: ids[2], Code: v1.BulkDone}) || a.Outcomes[2].ID != done.ID || a.Outcomes[2].Code != string(v1.Locked) || len(a.Refused) != 1 {
		t.Errorf("deleted %+v", a)
	}
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+done.ID, nil), http.StatusOK)
}

// TestBulkStops: what would meet every job is told once, and the rest is not tried.
func TestBulkStops(t *testing.T) {
	h := newHouse(t, nil)
	for range 3 {
		id := h.submit("a", "").ID
		h.want(h.ask("a", http.MethodPost, "/v1/jobs/"+id+"/cancel", nil), http.StatusOK)
	}
	h.want(h.ask("operator", http.MethodPost, "/v1/status/pause", asJSON(v1.Pause{Why: "moving house"}), "Content-Type", "application/json"), http.StatusOK)
	n := 3
	var a v1.BulkAnswer
	r := h.want(h.ask("a", http.MethodPost, "/v1/jobs/bulk", asJSON(v1.Bulk{Do: "retry", Count: &n}), "Content-Type", "application/json"), http.StatusOK)
	if err := json.Unmarshal(r.body, &a); err != nil {
		t.Fatal(err)
	}
	if a.Done != 0 || len(a.Outcomes) != 3 || a.Outcomes[0].Code != string(v1.Paused) || strings.HasPrefix(a.Outcomes[0].Detail, "not tried") || !strings.HasPrefix(a.Outcomes[2].Detail, "not tried: ") {
		t.Errorf("%+v", a)
	}
}
