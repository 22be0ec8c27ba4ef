package api

import (
	"bytes"
	"context"
	"flag"
	"math"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"discsafe/api/v1"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write openapi.json anew")

// The document that is served is the one that is checked in, and it is valid.
func TestDocument(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Metrics = noMetrics{} })
	got := h.want(h.ask("", http.MethodGet, "/openapi.json", nil), http.StatusOK).body
	if *update {
		if err := os.WriteFile("openapi.json", got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("openapi.json is not what is served; run go test ./api -run TestDocument -update\n%s", diff)
	}
	doc, err := openapi3.NewLoader().LoadFromData(got)
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		t.Error(err)
	}
	if n := doc.Paths.Len(); n < 30 {
		t.Errorf("%d paths", n)
	}
	if bytes.Contains(got, []byte("ErrorModel")) || bytes.Contains(got, []byte("$schema")) {
		t.Error("huma's own errors or schema links are in the document")
	}
}

type noMetrics struct{}

func (noMetrics) Refused(string) {}
func (noMetrics) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("ok\n")) })
}

func TestJobEndToEnd(t *testing.T) {
	h := newHouse(t, nil)
	r := h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: h.mixes("a"), Lane: "bulk"}), "Content-Type", "application/json"), http.StatusCreated)
	j := h.jobOf(r)
	if r.Header.Get("Location") != "/v1/jobs/"+j.ID || j.State != "accepted" || j.Studio != "a" || j.Lane != "bulk" || j.Title != "Ramp" || j.Kind != "prepare" {
		t.Errorf("submitted: %+v", j)
	}
	// 1 s, a gap of 1.5 s, and 2 s without the first 0.25 s.
	if math.Abs(j.LengthS-4.25) > 1e-9 {
		t.Errorf("length %g s, want 4.25", j.LengthS)
	}
	st, err := h.broker.Open().Stats(t.Context())
	if err != nil || st.Waiting != 1 {
		t.Errorf("the bell was not rung: %+v %v", st, err)
	}
	if got := h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/plan", nil), http.StatusOK); string(got.body) != planText {
		t.Errorf("plan: %q", got.body)
	}
	h.work(j.ID)
	j = h.jobOf(h.want(h.ask("engineer", http.MethodGet, "/v1/jobs/"+j.ID, nil), http.StatusOK))
	if j.State != "done" || j.Verdict != "ready" || len(j.Files) != 4 || len(j.History) != 3 {
		t.Errorf("done: %+v", j)
	}
	for _, f := range j.Files {
		got := h.want(h.ask("a", http.MethodGet, f.Href, nil), http.StatusOK)
		if sum(got.body) != f.SHA256 || got.Header.Get("ETag") != `"`+f.SHA256+`"` {
			t.Errorf("%s: other bytes", f.Name)
		}
	}
	list := h.want(h.ask("a", http.MethodGet, "/v1/jobs?state=done&verdict=ready&q=ramp", nil), http.StatusOK)
	if !strings.Contains(string(list.body), j.ID) {
		t.Errorf("list: %s", list.body)
	}
	if other := h.want(h.ask("b", http.MethodGet, "/v1/jobs?studio=a", nil), http.StatusOK); strings.Contains(string(other.body), j.ID) {
		t.Errorf("studio b is shown studio a's job")
	}
	if p := h.want(h.ask("a", http.MethodPost, "/v1/jobs/"+j.ID+"/cancel", nil), http.StatusConflict).problem(); p.Code != string(v1.WrongState) || p.Request == "" {
		t.Errorf("cancel: %+v", p)
	}
	h.want(h.ask("a", http.MethodDelete, "/v1/jobs/"+j.ID, nil), http.StatusNoContent)
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID, nil), http.StatusGone)
	h.want(h.ask("b", http.MethodGet, "/v1/jobs/"+j.ID, nil), http.StatusNotFound)
}

// A form with plan and mixes is a submission by itself, in any order of parts.
func TestForm(t *testing.T) {
	h := newHouse(t, nil)
	body := "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.wav\"\r\n\r\n" + string(tone(t, 1)) +
		"\r\n--x\r\nContent-Disposition: form-data; name=\"mixes/b.wav\"; filename=\"whatever\"\r\n\r\n" + string(tone(t, 2)) +
		"\r\n--x\r\nContent-Disposition: form-data; name=\"plan\"; filename=\"side.yaml\"\r\n\r\n" + planText +
		"\r\n--x\r\nContent-Disposition: form-data; name=\"kind\"\r\n\r\nanalyse\r\n--x--\r\n"
	j := h.jobOf(h.want(h.ask("a", http.MethodPost, "/v1/jobs", strings.NewReader(body), "Content-Type", "multipart/form-data; boundary=x"), http.StatusCreated))
	if j.Kind != "analyse" || len(j.Inputs) != 2 || j.LengthS != 4.25 {
		t.Errorf("%+v", j)
	}
	for _, name := range []string{"../a.wav", "/etc/passwd", "a/../../b", `..\a.wav`, "C:a.wav", ".", "a\x01.wav"} {
		body := "--x\r\nContent-Disposition: form-data; name=\"file\"; filename*=UTF-8''" + pathEscape(name) + "\r\n\r\nx\r\n--x--\r\n"
		r := h.ask("a", http.MethodPost, "/v1/jobs", strings.NewReader(body), "Content-Type", "multipart/form-data; boundary=x")
		if r.StatusCode != http.StatusUnprocessableEntity && r.StatusCode != http.StatusBadRequest {
			t.Errorf("%q: %d %s", name, r.StatusCode, r.body)
		}
	}
	h.want(h.ask("engineer", http.MethodPost, "/v1/jobs", strings.NewReader(body), "Content-Type", "multipart/form-data; boundary=x"), http.StatusUnprocessableEntity)
}

func TestSubmitFaults(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.SideLengthS = 60; o.Limits.FilesPerSide = 3 })
	files := h.mixes("a")
	plan := func(s string) v1.Submit { return v1.Submit{Plan: s, Files: files} }
	few := strings.NewReplacer("a.wav", "c.wav")
	for name, c := range map[string]struct {
		in     v1.Submit
		status int
		code   v1.Code
		line   int
	}{
		"bad plan":        {plan("side: A\ntracks:\n  - fil: a.wav\n"), 422, v1.BadPlan, 3},
		"file not given":  {plan(few.Replace(planText)), 422, v1.MixMissing, 5},
		"name leads out":  {plan("side: A\ntracks:\n  - file: ../a.wav\n"), 422, v1.BadPlan, 3},
		"file not named":  {plan("side: A\ntracks:\n  - file: a.wav\n"), 422, v1.Invalid, 0},
		"mix not here":    {v1.Submit{Plan: "side: A\ntracks:\n  - file: a.wav\n", Files: []v1.Use{{Name: "a.wav", SHA256: strings.Repeat("0", 64)}}}, 422, v1.MixMissing, 0},
		"trim beyond end": {plan(strings.Replace(planText, "0.25", "9", 1)), 422, v1.BadSound, 0},
		"too many files":  {v1.Submit{Plan: planText, Files: append(append([]v1.Use{}, files...), files...)}, 413, v1.TooLarge, 0},
		"bad hash":        {v1.Submit{Plan: planText, Files: []v1.Use{{Name: "a.wav", SHA256: "x"}}}, 422, v1.Invalid, 0},
		"other studio":    {v1.Submit{Plan: planText, Files: files, Studio: "b"}, 403, v1.Forbidden, 0},
	} {
		t.Run(name, func(t *testing.T) {
			p := h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(c.in), "Content-Type", "application/json"), c.status).problem()
			if p.Code != string(c.code) || p.Status != c.status || p.Request == "" {
				t.Errorf("got %+v, want %s", p, c.code)
			}
			if c.line != 0 && (len(p.Faults) == 0 || p.Faults[0].Line != c.line) {
				t.Errorf("got faults %+v, want line %d", p.Faults, c.line)
			}
		})
	}
	for name, c := range map[string]struct {
		body, kind string
		status     int
	}{
		"no JSON": {"{", "application/json", 400}, "other type": {"x", "text/plain", 415}, "unknown field": {`{"plan":"x","files":[],"x":1}`, "application/json", 422},
		"too large": {`{"plan":"` + strings.Repeat("x", 2<<20) + `"}`, "application/json", 413}, "form without end": {"--x\r\nContent-Disposition: form-data; name=\"plan\"\r\n\r\nside", "multipart/form-data; boundary=x", 400},
	} {
		t.Run(name, func(t *testing.T) {
			h := *h
			h.t = t
			r := h.want(h.ask("a", http.MethodPost, "/v1/jobs", strings.NewReader(c.body), "Content-Type", c.kind), c.status)
			if r.Header.Get("Content-Type") != v1.ProblemType {
				t.Errorf("%s: %s", r.Header.Get("Content-Type"), r.body)
			}
		})
	}
	if n := h.records(); n != 0 {
		t.Errorf("%d jobs were made", n)
	}
}

// 100 at the same time under one key make one job; one answer says 201.
func TestIdempotency(t *testing.T) {
	h := newHouse(t, nil)
	files := h.mixes("a")
	var made atomic.Int32
	ids := make([]string, 100)
	var wg sync.WaitGroup
	for i := range ids {
		wg.Go(func() {
			r := h.ask("a", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: files}), "Content-Type", "application/json", "Idempotency-Key", "k")
			switch {
			case r.StatusCode == http.StatusCreated && r.Header.Get("Idempotency-Replayed") == "":
				made.Add(1)
			case r.StatusCode == http.StatusOK && r.Header.Get("Idempotency-Replayed") == "true":
			default:
				t.Errorf("%d %s", r.StatusCode, r.body)
			}
			ids[i] = h.jobOf(r).ID
		})
	}
	wg.Wait()
	for _, id := range ids {
		if id != ids[0] || id == "" {
			t.Fatalf("ids %q and %q", id, ids[0])
		}
	}
	if made.Load() != 1 || h.records() != 1 {
		t.Errorf("%d times 201, %d records", made.Load(), h.records())
	}
	// Who lost the answer learns of the job also while nothing new is taken.
	h.want(h.ask("operator", http.MethodPost, "/v1/status/pause", asJSON(v1.Pause{Why: "moving house"}), "Content-Type", "application/json"), http.StatusOK)
	again := asJSON(v1.Submit{Plan: planText, Files: files})
	r := h.want(h.ask("a", http.MethodPost, "/v1/jobs", again, "Content-Type", "application/json", "Idempotency-Key", "k"), http.StatusOK)
	if id := h.jobOf(r).ID; id != ids[0] {
		t.Errorf("replayed %q, want %q", id, ids[0])
	}
	h.want(h.ask("engineer", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Studio: "a", Plan: planText, Files: files}), "Content-Type", "application/json", "Idempotency-Key", "k"), http.StatusOK)
	h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: files}), "Content-Type", "application/json", "Idempotency-Key", "new"), http.StatusServiceUnavailable)
	h.want(h.ask("engineer", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Studio: "a", Plan: planText, Files: files}), "Content-Type", "application/json", "Idempotency-Key", "new"), http.StatusServiceUnavailable)
	h.want(h.ask("operator", http.MethodPost, "/v1/status/resume", nil), http.StatusOK)
	p := h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: files, Lane: "bulk"}), "Content-Type", "application/json", "Idempotency-Key", "k"), http.StatusConflict).problem()
	if p.Code != string(v1.KeyReused) {
		t.Errorf("%+v", p)
	}
	// Another address to be told is another request.
	told := v1.Submit{Plan: planText, Files: files, Hook: &v1.Hook{URL: "https://192.0.9.9/told", Secret: "sixteen bytes and more"}}
	p = h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(told), "Content-Type", "application/json", "Idempotency-Key", "k"), http.StatusConflict).problem()
	if p.Code != string(v1.KeyReused) {
		t.Errorf("%+v", p)
	}
}

func TestLimitsOfIntake(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.Backlog = 2 })
	h.submit("a", "")
	h.submit("a", "")
	in := v1.Submit{Plan: planText, Files: h.mixes("a")}
	r := h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(in), "Content-Type", "application/json"), http.StatusTooManyRequests)
	if r.Header.Get("Retry-After") == "" || r.problem().Code != string(v1.BacklogFull) {
		t.Errorf("%s", r.body)
	}
	h.want(h.ask("operator", http.MethodPost, "/v1/status/pause", asJSON(v1.Pause{Why: "moving house"}), "Content-Type", "application/json"), http.StatusOK)
	r = h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(in), "Content-Type", "application/json"), http.StatusServiceUnavailable)
	if p := r.problem(); p.Code != string(v1.Paused) || p.Detail != "moving house" || r.Header.Get("Retry-After") == "" {
		t.Errorf("%+v", p)
	}
	// Another process on the same store obeys too.
	other := newGatekeeper(h.ledger, h.store, Limits{}.filled(), time.Now)
	if err := other.job(t.Context()); err == nil {
		t.Error("another process takes jobs")
	}
	h.want(h.ask("operator", http.MethodPost, "/v1/status/resume", nil), http.StatusOK)
	if s := h.want(h.ask("operator", http.MethodGet, "/v1/status", nil), http.StatusOK); !strings.Contains(string(s.body), `"open":2`) {
		t.Errorf("%s", s.body)
	}
}

func TestProblemsOfTheRouter(t *testing.T) {
	h := newHouse(t, nil)
	for name, c := range map[string]struct {
		who, method, path string
		status            int
	}{
		"unknown path": {"a", "GET", "/v1/nothing", 404}, "nobody, unknown path": {"", "GET", "/v1/nothing", 401}, "method": {"a", "PUT", "/v1/jobs", 405},
		"unknown parameter": {"a", "GET", "/v1/jobs?x=1", 422}, "bad limit": {"a", "GET", "/v1/jobs?limit=501", 422}, "bad cursor": {"a", "GET", "/v1/jobs?cursor=x", 422},
		"long address": {"a", "GET", "/v1/jobs?q=" + strings.Repeat("x", 5000), 400}, "no such job": {"a", "GET", "/v1/jobs/nope", 404},
	} {
		t.Run(name, func(t *testing.T) {
			r := h.want(h.ask(c.who, c.method, c.path, nil), c.status)
			if p := r.problem(); r.Header.Get("Content-Type") != v1.ProblemType || p.Status != c.status || p.Code == "" || p.Request == "" {
				t.Errorf("%s", r.body)
			}
			if c.status == 405 && !strings.Contains(r.Header.Get("Allow"), "POST") {
				t.Errorf("Allow: %q", r.Header.Get("Allow"))
			}
		})
	}
}

// Ranges and conditions as RFC 9110 has them: sections 13.1.2, 13.1.5, 14.1.2, 15.3.7, 15.5.17.
func TestRanges(t *testing.T) {
	h := newHouse(t, nil)
	j := h.submit("a", "")
	h.work(j.ID)
	data := results(t)["premaster.wav"]
	tag := `"` + sum(data) + `"`
	for name, c := range map[string]struct {
		method, header, value, other string
		status                       int
		from, to                     int
	}{
		"whole":          {"GET", "", "", "", 200, 0, len(data)},
		"head":           {"HEAD", "", "", "", 200, 0, 0},
		"first bytes":    {"GET", "Range", "bytes=0-499", "", 206, 0, 500},
		"second bytes":   {"GET", "Range", "bytes=500-999", "", 206, 500, 1000},
		"last bytes":     {"GET", "Range", "bytes=-500", "", 206, len(data) - 500, len(data)},
		"from somewhere": {"GET", "Range", "bytes=9500-", "", 206, 9500, len(data)},
		"none such":      {"GET", "Range", "bytes=999999999-", "", 416, 0, 0},
		"other unit":     {"GET", "Range", "seconds=1-2", "", 416, 0, 0},
		"unchanged":      {"GET", "If-None-Match", tag, "", 304, 0, 0},
		"changed":        {"GET", "If-None-Match", `"x"`, "", 200, 0, len(data)},
		"if range same":  {"GET", "Range", "bytes=0-9", tag, 206, 0, 10},
		"if range other": {"GET", "Range", "bytes=0-9", `"x"`, 200, 0, len(data)},
	} {
		t.Run(name, func(t *testing.T) {
			header := []string{"Accept-Encoding", "identity"}
			if c.header != "" {
				header = append(header, c.header, c.value)
			}
			if c.other != "" {
				header = append(header, "If-Range", c.other)
			}
			r := h.want(h.ask("a", c.method, "/v1/jobs/"+j.ID+"/files/premaster.wav", nil, header...), c.status)
			if c.status < 300 && !bytes.Equal(r.body, data[c.from:c.to]) {
				t.Errorf("%d bytes, want %d", len(r.body), c.to-c.from)
			}
			if c.status == 416 && r.problem().Code != string(v1.RangeRefused) {
				t.Errorf("%s", r.body)
			}
		})
	}
	page := h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/files/report.html", nil), http.StatusOK)
	if csp := page.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "sandbox") || strings.Contains(csp, "allow-scripts") || strings.Contains(csp, "script-src") {
		t.Errorf("a report may run scripts: %q", csp)
	}
	h.want(h.ask("operator", http.MethodGet, "/v1/jobs/"+j.ID+"/files/report.json", nil), http.StatusOK)
	h.want(h.ask("operator", http.MethodGet, "/v1/jobs/"+j.ID+"/files/premaster.wav", nil), http.StatusForbidden)
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/files/..%2f..%2fplan", nil), http.StatusNotFound)
}

func TestExcerpts(t *testing.T) {
	h := newHouse(t, nil)
	j := h.submit("a", "")
	h.work(j.ID)
	base := "/v1/jobs/" + j.ID + "/audio/"
	for name, c := range map[string]struct {
		what  string
		frame int64 // of the ramp at the beginning
		n     int64
	}{
		"after?from_s=0.5&to_s=1":              {"after", rate / 2, rate / 2},
		"after?from_s=2.9&to_s=60&format=16":   {"after", 127890, 3*rate - 127890},
		"before?from_s=0.25&to_s=0.5":          {"before", 11025, 11025},
		"before?from_s=2.5&to_s=3&format=16":   {"before", 11025, rate / 2}, // the second track, from its trim
		"after?from_s=0.00001&to_s=0.00003":    {"after", 0, 1},
		"before?from_s=0&to_s=0.1&format=24":   {"before", 0, 4410},
		"after?from_s=0&to_s=0.0999&format=16": {"after", 0, 4406},
	} {
		t.Run(name, func(t *testing.T) {
			r := h.want(h.ask("a", http.MethodGet, base+name, nil), http.StatusOK)
			rd, err := wav.New(name, bytes.NewReader(r.body), int64(len(r.body)))
			if err != nil {
				t.Fatal(err)
			}
			if rd.Frames() != c.n {
				t.Fatalf("%d frames, want %d", rd.Frames(), c.n)
			}
			b := audio.NewBlock(int(c.n))
			if n, err := rd.Read(b); n != int(c.n) || err != nil {
				t.Fatal(n, err)
			}
			// 16-bit samples pass both forms unchanged.
			for i, v := range b.L {
				if want := float64((c.frame+int64(i))%(1<<15)) / (1 << 15); v != want || b.R[i] != -want {
					t.Fatalf("frame %d: %g %g, want %g", i, v, b.R[i], want)
				}
			}
			h.want(h.ask("a", http.MethodGet, base+name, nil, "If-None-Match", r.Header.Get("ETag")), http.StatusNotModified)
		})
	}
	for path, status := range map[string]int{"after?from_s=0&to_s=121": 422, "after?from_s=1&to_s=1": 422, "after?from_s=x&to_s=1": 422, "after?from_s=NaN&to_s=1": 422, "after?to_s=1": 422,
		"after?from_s=10&to_s=11": 416, "before?from_s=100&to_s=101": 416, "difference?from_s=0&to_s=1": 404, "other?from_s=0&to_s=1": 404, "after?from_s=0&to_s=1&format=8": 422} {
		h.want(h.ask("a", http.MethodGet, base+path, nil), status)
	}
	h.want(h.ask("operator", http.MethodGet, base+"after?from_s=0&to_s=1", nil), http.StatusForbidden)
}

func TestPlanCheck(t *testing.T) {
	h := newHouse(t, nil)
	ask := func(in any) string {
		return string(h.want(h.ask("a", http.MethodPost, "/v1/plans/check", asJSON(in), "Content-Type", "application/json"), http.StatusOK).body)
	}
	if s := ask(map[string]string{"plan": planText}); !strings.Contains(s, `"ok":true`) || !strings.Contains(s, "tracks") {
		t.Error(s)
	}
	if s := ask(map[string]string{"plan": "side: A\nx: 1\n"}); !strings.Contains(s, `"ok":false`) || !strings.Contains(s, `"line":2`) {
		t.Error(s)
	}
	if s := ask(v1.Submit{Plan: planText, Files: h.mixes("a")}); !strings.Contains(s, `"length_s":4.25`) {
		t.Error(s)
	}
}
