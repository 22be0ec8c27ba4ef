package service

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/api/client"
	v1 "discsafe/api/v1"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

// An audit takes nothing for a leftover that the service itself keeps, however
// old that is. Every kind of key is made by its owner, and must be there.
func TestAuditKnowsEveryKey(t *testing.T) {
	t.Parallel()
	o := own(t, t.TempDir())
	o.AllowPrivateHooks, o.AllowPlainHooks = true, true
	s, _ := run(t, o)
	issued, err := s.tokens.Issue(t.Context(), v1.NewToken{Name: "me", Role: v1.RoleOperator})
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "signing in begins a session", func() bool { // until the door is closed it begins none
		r, err := http.Post(s.URL()+"/v1/session", "application/json", strings.NewReader(`{"token":"`+issued.Secret+`"}`))
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		return len(r.Cookies()) > 0
	})
	c := dial(t, s.URL(), issued.Secret, func(o *client.Options) { o.Studio = "north" })
	if _, err := c.KeepPreset(t.Context(), "north", v1.Preset{Name: "loud", Plan: json.RawMessage(`{"level":"fit"}`)}, ""); err != nil {
		t.Fatal(err)
	}
	plan, err := c.PlanFiles(t.Context(), client.SidePlan{Path: side(t, t.TempDir(), 1), Names: []string{"one.wav"}, Submit: v1.Submit{Studio: "north"}})
	if err != nil {
		t.Fatal(err)
	}
	// It answers nothing a hook is content with, so the hook stays.
	plan.Hook = &v1.Hook{URL: s.URL() + "/nowhere", Secret: strings.Repeat("s", 32)}
	if _, _, err := c.Submit(t.Context(), plan, ""); err != nil {
		t.Fatal(err)
	}
	// This one is content, so its hook waits for a decision.
	content := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	defer content.Close()
	plan.Hook = &v1.Hook{URL: content.URL, Secret: strings.Repeat("s", 32), Decisions: true}
	waits, _, err := c.Submit(t.Context(), plan, "")
	if err == nil {
		_, err = c.Cancel(t.Context(), waits.ID)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Pause(t.Context(), "a test"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the worker is asked to take no more jobs", func() bool { return c.Drain(t.Context(), s.name) == nil })
	named, hashed := StoreKeys()
	for _, dir := range []string{"setting/", "health/", "roster/", "drain/"} {
		if !slices.ContainsFunc(named, func(known string) bool { return strings.HasPrefix(known, dir) }) {
			t.Errorf("%s is not known", dir)
		}
	}
	for _, dir := range append(named, hashed...) {
		eventually(t, "there is something under "+dir, func() bool {
			for _, err := range store.All(t.Context(), s.store, dir) {
				return err == nil
			}
			return false
		})
	}
	n, err := s.ledger.Audit(t.Context(), job.AuditOptions{Others: named, Hashed: hashed, Settle: time.Nanosecond}, func(f job.Finding) error {
		// The job may be writing.
		if f.Damage == job.DamageExtra && !strings.HasPrefix(f.Key, "result/") && !strings.HasPrefix(f.Key, "seal/") {
			t.Errorf("%s %s: %s", f.Damage, f.Key, f.Detail)
		}
		return nil
	})
	if err != nil || n.Jobs != 2 {
		t.Errorf("%+v %v", n, err)
	}
}
