package api

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	"discsafe/api/v1"
	"discsafe/worker/roster"
)

// logged is a log that can be read while it is written.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) has(parts ...string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	for line := range strings.Lines(l.b.String()) {
		if !slices.ContainsFunc(parts, func(p string) bool { return !strings.Contains(line, p) }) {
			return true
		}
	}
	return false
}

// A worker is asked by name; what an operator does stands in the log with who.
func TestWorkersAreAsked(t *testing.T) {
	l := &logged{}
	h := newHouse(t, func(o *Options) { o.Log = slog.New(slog.NewJSONHandler(l, nil)); o.Instance = "api-1" })
	list := func() []v1.Member {
		t.Helper()
		var out v1.Workers
		if err := json.Unmarshal(h.want(h.ask("operator", http.MethodGet, "/v1/workers", nil), http.StatusOK).body, &out); err != nil {
			t.Fatal(err)
		}
		return out.Workers
	}
	if got := list(); got == nil || len(got) != 0 {
		t.Errorf("nobody: %+v", got)
	}
	if err := roster.New(h.store, nil).Tell(t.Context(), roster.Member{Name: "w-1", Version: "test", Slots: 2, Running: 1, Trouble: "full"}); err != nil {
		t.Fatal(err)
	}
	h.want(h.ask("operator", http.MethodPost, "/v1/workers/w-1/drain", nil), http.StatusOK)
	got := list()
	if len(got) != 1 || got[0].Name != "w-1" || !got[0].Asked || got[0].By != "operator" || got[0].Trouble != "full" || got[0].Since.IsZero() {
		t.Errorf("%+v", got)
	}
	h.want(h.ask("operator", http.MethodPost, "/v1/workers/w-1/resume", nil), http.StatusOK)
	if got := list(); len(got) != 1 || got[0].Asked || got[0].By != "" {
		t.Errorf("resumed: %+v", got)
	}
	for _, name := range []string{"w-2", "..%2F..%2Frecord", "w%201", strings.Repeat("w", 63)} {
		h.want(h.ask("operator", http.MethodPost, "/v1/workers/"+name+"/drain", nil), http.StatusNotFound)
	}
	h.want(h.ask("engineer", http.MethodPost, "/v1/workers/w-1/drain", nil), http.StatusForbidden)

	j := h.submit("a", "")
	h.want(h.ask("operator", http.MethodPost, "/v1/dead/"+j.ID+"/requeue", nil), http.StatusOK)
	h.want(h.ask("operator", http.MethodPost, "/v1/status/pause", asJSON(v1.Pause{Why: "disk"}), "Content-Type", "application/json"), http.StatusOK)
	for what, parts := range map[string][]string{
		"drain":   {`"worker asked"`, `"do":"drain"`, `"worker":"w-1"`, `"by":"operator"`},
		"resume":  {`"worker asked"`, `"do":"resume"`, `"by":"operator"`},
		"requeue": {`"requeued"`, j.ID, `"by":"operator"`},
		"pause":   {`"intake"`, `"paused":true`, `"by":"operator"`, `"why":"disk"`},
	} {
		if !l.has(parts...) {
			t.Errorf("%s does not stand in the log", what)
		}
	}
	if l.has(h.secret["operator"]) {
		t.Error("a secret stands in the log")
	}
	var st v1.Status
	if err := json.Unmarshal(h.want(h.ask("operator", http.MethodGet, "/v1/status", nil), http.StatusOK).body, &st); err != nil || st.Instance != "api-1" {
		t.Errorf("%+v %v", st, err)
	}
}

// countedRefusals notes what was told as refused.
type countedRefusals struct {
	noMetrics
	codes *[]string
}

func (c countedRefusals) Refused(code string) { *c.codes = append(*c.codes, code) }

// Jobs that are not taken are counted by reason, once.
func TestRefusedJobsAreCounted(t *testing.T) {
	var codes []string
	h := newHouse(t, func(o *Options) { o.Metrics = countedRefusals{codes: &codes} })
	send := func(s v1.Submit) {
		h.ask("a", http.MethodPost, "/v1/jobs", asJSON(s), "Content-Type", "application/json")
	}
	send(v1.Submit{Plan: "side: [", Files: h.mixes("a")})
	send(v1.Submit{Plan: planText})
	send(v1.Submit{Plan: planText, Studio: "Not a studio"})
	if want := []string{string(v1.BadPlan), string(v1.MixMissing), string(v1.Invalid)}; !slices.Equal(codes, want) {
		t.Errorf("%v, want %v", codes, want)
	}
}
