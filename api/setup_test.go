package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"discsafe/api/access"
	"discsafe/api/hook"
	"discsafe/api/intake"
	"discsafe/api/v1"
	"discsafe/pipeline/audio"
	"discsafe/worker/job"
	"discsafe/worker/queue/mem"
	"discsafe/worker/store"
	storemem "discsafe/worker/store/mem"
)

// house is a whole service but for its workers, which tests play themselves.
type house struct {
	t      *testing.T
	store  *storemem.Store
	broker *mem.Broker
	ledger *job.Ledger
	tokens *access.Tokens
	api    *Server
	srv    *httptest.Server
	secret map[string]string // by who
}

const rate = 44100

// tone is a WAV file of a length in seconds, 16 bits, no two passages alike.
func tone(t testing.TB, seconds float64) []byte {
	t.Helper()
	var b bytes.Buffer
	n := int64(math.Round(seconds * rate))
	if err := writeWAV(&b, &ramp{n: n}, n, 0, 16); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// ramp delivers frame i as i mod 2^15 on the left, its negative on the right.
type ramp struct{ at, n int64 }

func (r *ramp) Format() audio.Format {
	return audio.Format{SampleRateHz: rate, Channels: 2, BitDepth: 16}
}
func (r *ramp) Frames() int64 { return r.n }
func (r *ramp) Close() error  { return nil }
func (r *ramp) Read(b audio.Block) (int, error) {
	for i := range b.L {
		if r.at == r.n {
			return i, nil
		}
		v := float64(r.at%(1<<15)) / (1 << 15)
		b.L[i], b.R[i] = v, -v
		r.at++
	}
	return b.Len(), nil
}

func newHouse(t *testing.T, change func(*Options)) *house {
	t.Helper()
	h := &house{t: t, secret: map[string]string{}}
	h.store = storemem.New(storemem.Options{Now: time.Now})
	h.broker = mem.New(mem.Options{})
	var err error
	if h.ledger, err = job.NewLedger(job.Config{Store: h.store, Now: time.Now}); err != nil {
		t.Fatal(err)
	}
	h.tokens = access.NewTokens(h.store, time.Now)
	gate := access.NewGate(access.GateOptions{Tokens: h.tokens, Rate: -1})
	in, err := intake.New(intake.Options{Store: h.store, Spool: filepath.Join(t.TempDir(), "spool")})
	if err != nil {
		t.Fatal(err)
	}
	o := Options{Ledger: h.ledger, Store: h.store, Queue: h.broker.Open(), Intake: in, Gate: gate, Tokens: h.tokens, Version: "test",
		Hooks: hook.New(hook.Options{Store: h.store, Ledger: h.ledger}), Limits: Limits{Poll: 20 * time.Millisecond, Heartbeat: 100 * time.Millisecond}}
	if change != nil {
		change(&o)
	}
	if h.api, err = New(o); err != nil {
		t.Fatal(err)
	}
	h.srv = httptest.NewUnstartedServer(nil)
	h.srv.Config = HTTPServer(h.api.Handler())
	h.srv.Start()
	t.Cleanup(func() {
		h.api.Drain()
		h.srv.Close()
	})
	for who, n := range map[string]v1.NewToken{"a": {Name: "studio a", Role: v1.RoleStudio, Studio: "a"}, "b": {Name: "studio b", Role: v1.RoleStudio, Studio: "b"},
		"engineer": {Name: "engineer", Role: v1.RoleEngineer}, "operator": {Name: "operator", Role: v1.RoleOperator}} {
		tok, err := h.tokens.Issue(t.Context(), n)
		if err != nil {
			t.Fatal(err)
		}
		h.secret[who] = tok.Secret
	}
	return h
}

// reply is an answer read to its end.
type reply struct {
	*http.Response
	body []byte
}

func (r *reply) problem() v1.Problem {
	var p v1.Problem
	_ = json.Unmarshal(r.body, &p)
	return p
}

// ask sends a request as who; header pairs follow the body.
func (h *house) ask(who, method, path string, body io.Reader, header ...string) *reply {
	h.t.Helper()
	r, err := http.NewRequestWithContext(h.t.Context(), method, h.srv.URL+path, body)
	if err != nil {
		h.t.Fatal(err)
	}
	if s, ok := h.secret[who]; ok {
		r.Header.Set("Authorization", "Bearer "+s)
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	res, err := h.srv.Client().Do(r)
	if err != nil {
		h.t.Fatal(err)
	}
	defer res.Body.Close()
	if strings.HasPrefix(res.Header.Get("Content-Type"), "text/event-stream") {
		return &reply{res, nil} // it has no end
	}
	data, err := io.ReadAll(res.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	return &reply{res, data}
}

func (h *house) want(r *reply, status int) *reply {
	h.t.Helper()
	if r.StatusCode != status {
		h.t.Fatalf("%s %s: %d, want %d: %s", r.Request.Method, r.Request.URL.Path, r.StatusCode, status, r.body)
	}
	return r
}

func asJSON(v any) io.Reader {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // a test's own value
	}
	return bytes.NewReader(b)
}

func sum(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

const planText = "side: A\ntitle: Ramp\ncatalogue: R 1\ntracks:\n  - file: a.wav\n  - {file: mixes/b.wav, gap_s: 1.5, trim: {start_s: 0.25}}\n"

// mixes hands two files in for studio a and returns them as a submission has them.
func (h *house) mixes(who string) []v1.Use {
	var uses []v1.Use
	for name, s := range map[string]float64{"a.wav": 1, "mixes/b.wav": 2} {
		data := tone(h.t, s)
		r := h.ask(who, http.MethodPut, "/v1/mixes/"+sum(data)+"?name=x.wav", bytes.NewReader(data), "Content-Type", "application/octet-stream")
		if r.StatusCode != http.StatusCreated && r.StatusCode != http.StatusOK {
			h.t.Fatalf("handing in: %d %s", r.StatusCode, r.body)
		}
		uses = append(uses, v1.Use{Name: name, SHA256: sum(data)})
	}
	slices.SortFunc(uses, func(a, b v1.Use) int { return strings.Compare(a.Name, b.Name) })
	return uses
}

func (h *house) submit(who, key string) v1.Job {
	h.t.Helper()
	header := []string{"Content-Type", "application/json"}
	if key != "" {
		header = append(header, "Idempotency-Key", key)
	}
	r := h.want(h.ask(who, http.MethodPost, "/v1/jobs", asJSON(v1.Submit{Plan: planText, Files: h.mixes(who)}), header...), http.StatusCreated)
	return h.jobOf(r)
}

func (h *house) jobOf(r *reply) v1.Job {
	h.t.Helper()
	var j v1.Job
	if err := json.Unmarshal(r.body, &j); err != nil {
		h.t.Fatalf("%s: %v", r.body, err)
	}
	return j
}

func (h *house) claim(id string) *job.Hold {
	h.t.Helper()
	hold, err := h.ledger.Claim(h.t.Context(), id, job.Claimant{Worker: "w", Version: "test", Token: "t" + id, Lease: time.Minute})
	if err != nil {
		h.t.Fatal(err)
	}
	return hold
}

// results are the files of a job done by work.
func results(t testing.TB) map[string][]byte {
	return map[string][]byte{"premaster.wav": tone(t, 3), "report.json": []byte(`{"schema":"x"}`), "report.html": []byte("<script>alert(1)</script>"), "manifest.json": []byte("{}")}
}

// work does a job, as a worker would.
func (h *house) work(id string) *job.Record { h.t.Helper(); return h.finished(id, results(h.t)) }

// finished does a job, with those files as its result.
func (h *house) finished(id string, files map[string][]byte) *job.Record {
	h.t.Helper()
	ctx := h.t.Context()
	hold := h.claim(id)
	res := job.Result{Attempt: hold.Attempt, Verdict: "ready", Version: "test", Recipe: strings.Repeat("0", 64)}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		out := job.Output{Name: name, Key: job.ResultKey(id, hold.Attempt, name), Bytes: int64(len(files[name])), SHA256: sum(files[name])}
		if _, err := h.store.Put(ctx, out.Key, bytes.NewReader(files[name])); err != nil {
			h.t.Fatal(err)
		}
		res.Files = append(res.Files, out)
	}
	r, err := hold.Finish(ctx, res)
	if err != nil {
		h.t.Fatal(err)
	}
	return r
}

// decoded is an answer as a T has it, with no field that T has not.
func decoded[T any](t testing.TB, r *reply) T {
	t.Helper()
	var v T
	d := json.NewDecoder(bytes.NewReader(r.body))
	d.DisallowUnknownFields()
	if err := d.Decode(&v); err != nil {
		t.Fatalf("%v in %.300s", err, r.body)
	}
	return v
}

func (h *house) records() int {
	h.t.Helper()
	n := 0
	for _, err := range store.All(context.Background(), h.store, "record/") {
		if err != nil {
			h.t.Fatal(err)
		}
		n++
	}
	return n
}

func pathEscape(s string) string { return url.PathEscape(s) }
