package api

import (
	"bytes"
	"encoding/binary"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/sideplan"
)

// groovePlan is a short side at the inside of a disc, where tracing is heard.
const groovePlan = "side: A\ntitle: Tones\nlevel: -1\ndisc: {id: 12in-33, outer_mm: 62, inner_quality_mm: 58}\ntracks: [{file: a.wav, title: First, gap_s: 0.5}]\n"

// mono is 1 kHz in both channels at the level of the reference, left and right
// alike for 4 s, then opposed for 4 s.
func mono(t testing.TB) []byte {
	t.Helper()
	const seconds = 8
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00")
	le := binary.LittleEndian
	b = le.AppendUint32(b, rate)
	b = le.AppendUint32(b, rate*4)
	b = append(b, 4, 0, 16, 0)
	b = append(b, "data"...)
	b = le.AppendUint32(b, seconds*rate*4)
	a := math.Pow(10, -14.0/20) * (1 << 15)
	for i := range seconds * rate {
		at := float64(i) / rate
		// Raised cosines of 50 ms keep what is not 1 kHz out.
		x := a * math.Sin(2*math.Pi*1000*at) * min(1, at/.05, math.Abs(at-4)/.05, (seconds-at)/.05)
		r := x
		if at > 4 {
			r = -x
		}
		b = le.AppendUint16(b, uint16(int16(math.Round(x))))
		b = le.AppendUint16(b, uint16(int16(math.Round(r))))
	}
	le.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

// prepared is a job whose files the pipeline has made.
func (h *house) prepared(analyse, asTraced bool) v1.Job {
	h.t.Helper()
	mix := mono(h.t)
	if r := h.ask("a", http.MethodPut, "/v1/mixes/"+sum(mix), bytes.NewReader(mix), "Content-Type", "application/octet-stream"); r.StatusCode >= 300 {
		h.t.Fatalf("handing in: %d %s", r.StatusCode, r.body)
	}
	kind := v1.Prepare
	if analyse {
		kind = v1.Analyse
	}
	in := v1.Submit{Kind: kind, Plan: groovePlan, Files: []v1.Use{{Name: "a.wav", SHA256: sum(mix)}}}
	j := h.jobOf(h.want(h.ask("a", http.MethodPost, "/v1/jobs", asJSON(in), "Content-Type", "application/json"), http.StatusCreated))
	dir := h.t.TempDir()
	for name, data := range map[string][]byte{"plan.yaml": []byte(groovePlan), "a.wav": mix} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			h.t.Fatal(err)
		}
	}
	plan, err := sideplan.Load(filepath.Join(dir, "plan.yaml"))
	if err != nil {
		h.t.Fatal(err)
	}
	opt := pipeline.Options{OutDir: filepath.Join(dir, "out"), Version: "test", AsTraced: asTraced}
	make := pipeline.Prepare
	if analyse {
		make = pipeline.Analyse
	}
	if _, err := make(h.t.Context(), plan, opt); err != nil {
		h.t.Fatal(err)
	}
	files := map[string][]byte{}
	entries, err := os.ReadDir(opt.OutDir)
	if err != nil {
		h.t.Fatal(err)
	}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(opt.OutDir, e.Name()))
		if err != nil {
			h.t.Fatal(err)
		}
		files[e.Name()] = data
	}
	h.finished(j.ID, files)
	return j
}

// The reference tone moves the groove 7.958 um at 0 dB (see TestGrooveView of
// the pipeline), at -1 dB 7.092 um: sideways where the channels are alike, up and
// down where they are opposed.
func TestGroove(t *testing.T) {
	h := newHouse(t, nil)
	j := h.prepared(false, false)
	base := "/v1/jobs/" + j.ID + "/groove"
	const um = 7.092
	for _, of := range []string{"before", "after"} {
		for _, c := range []struct {
			at                string
			lateral, vertical float64
		}{{"3.2", um, 0}, {"7.1", 0, um}} {
			t.Run(of+" at "+c.at, func(t *testing.T) {
				r := h.want(h.ask("a", http.MethodGet, base+"?at_s="+c.at+"&of="+of, nil), http.StatusOK)
				g := decoded[v1.Groove](t, r)
				// 0.02 um: numbers stand on a grid of 0.01; 16 bits and their dither move walls less.
				if d := math.Abs(g.LateralUM*math.Sqrt2 - c.lateral); d > 0.02 {
					t.Errorf("lateral %.3f um rms, off by %.3f from %.3f peak", g.LateralUM, d, c.lateral)
				}
				if d := math.Abs(g.VerticalUM*math.Sqrt2 - c.vertical); d > 0.02 {
					t.Errorf("vertical %.3f um rms, off by %.3f from %.3f peak", g.VerticalUM, d, c.vertical)
				}
				if g.Of != of || g.Track == nil || g.Track.Title != "First" || g.Title != "Tones" || g.Side != "A" || g.LevelD != -1 || g.Limits.MinWidthUM != 25 {
					t.Errorf("%s, track %+v, %s %s, %g dB, limits %+v", g.Of, g.Track, g.Title, g.Side, g.LevelD, g.Limits)
				}
				if len(g.Turns) != 2+len(g.Turns)%2 || g.Now.LandOutUM == nil {
					t.Errorf("%d turns", len(g.Turns))
				}
				for _, turn := range g.Turns {
					n := len(turn.OuterUM)
					if n < 800 || len(turn.InnerUM) != n || len(turn.BottomUM) != n || len(turn.DepthUM) != n || len(turn.LateralUM) != n || len(turn.VerticalUM) != n {
						t.Errorf("turn %d has %d points", turn.Turn, n)
					}
				}
				again := h.ask("a", http.MethodGet, base+"?at_s="+c.at+"&of="+of, nil)
				if !bytes.Equal(again.body, r.body) {
					t.Error("the same question has two answers")
				}
				h.want(h.ask("a", http.MethodGet, base+"?at_s="+c.at+"&of="+of, nil, "If-None-Match", r.Header.Get("ETag")), http.StatusNotModified)
			})
		}
	}
	if g := decoded[v1.Groove](t, h.want(h.ask("engineer", http.MethodGet, base+"?at_s=3", nil), http.StatusOK)); g.Of != "after" || math.Abs(g.SpanDeg-2) > 0.01 {
		t.Errorf("left to choose: %s, %g degrees", g.Of, g.SpanDeg)
	}
	if r := h.want(h.ask("a", http.MethodGet, base+"?at_s=4.4&span_deg=60", nil), http.StatusOK); len(r.body) > 300_000 {
		t.Errorf("%d bytes", len(r.body))
	} else {
		t.Logf("%d bytes for 60 degrees", len(r.body))
	}
	for query, status := range map[string]int{"": 422, "?at_s=": 422, "?at_s=-1": 422, "?at_s=NaN": 422, "?at_s=1&of=between": 422, "?at_s=1&of=": 422, "?at_s=1&span_deg=0.4": 422, "?at_s=1&span_deg=61": 422,
		"?at_s=1&span_deg=": 422, "?at_s=1&at_s=2": 422, "?at_s=1&x=1": 422, "?at_s=8.5": 416, "?at_s=1e300": 416} {
		h.want(h.ask("a", http.MethodGet, base+query, nil), status)
	}
	// The groove is the sound: not for the operator, and for no other studio.
	h.want(h.ask("operator", http.MethodGet, base+"?at_s=1", nil), http.StatusForbidden)
	h.want(h.ask("b", http.MethodGet, base+"?at_s=1", nil), http.StatusNotFound)
	h.want(h.ask("", http.MethodGet, base+"?at_s=1", nil), http.StatusUnauthorized)
}

// The page shows the same groove, to the same people.
func TestGroovePageIsTheAPIs(t *testing.T) {
	h := newHouse(t, nil)
	j := h.prepared(false, false)
	path := "/jobs/" + j.ID + "/groove?at_s=3.2&of=before"
	page := string(h.want(h.ask("a", http.MethodGet, path, nil), http.StatusOK).body)
	g := decoded[v1.Groove](t, h.want(h.ask("a", http.MethodGet, "/v1"+path, nil), http.StatusOK))
	for _, want := range []string{`id="edge-outer-0"`, "track 1, First", strconv.FormatFloat(g.RadiusMM, 'f', 2, 64) + "</span> mm", "100 % is lateral and 0 % vertical", "sideways alone"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page is without %q", want)
		}
	}
	for who, status := range map[string]int{"operator": http.StatusForbidden, "b": http.StatusNotFound, "engineer": http.StatusOK} {
		h.want(h.ask(who, http.MethodGet, path, nil), status)
	}
	for query, status := range map[string]int{"at_s=99": 422, "at_s=3.2&of=after": 200, "at_s=8.499": 200, "": 200} {
		h.want(h.ask("a", http.MethodGet, "/jobs/"+j.ID+"/groove?"+query, nil), status)
	}
	waiting := h.submit("a", "")
	h.want(h.ask("a", http.MethodGet, "/jobs/"+waiting.ID+"/groove", nil), http.StatusNotFound)
}

func TestGrooveOfJobsWithoutOne(t *testing.T) {
	h := newHouse(t, nil)
	j := h.submit("a", "")
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/groove?at_s=1", nil), http.StatusNotFound)
	h.work(j.ID) // a report that says nothing
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/groove?at_s=1", nil), http.StatusGone)
	a := h.prepared(true, false)
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+a.ID+"/groove?at_s=1&of=after", nil), http.StatusNotFound)
	if g := decoded[v1.Groove](t, h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+a.ID+"/groove?at_s=3.2", nil), http.StatusOK)); g.Of != "before" {
		t.Errorf("an analysis shows the groove %s", g.Of)
	}
}

func TestGrooveGivesWay(t *testing.T) {
	h := newHouse(t, func(o *Options) { o.Limits.Excerpts = 1 })
	j := h.prepared(false, false)
	h.api.excerpts <- struct{}{}
	r := h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/groove?at_s=1", nil), http.StatusTooManyRequests)
	if r.Header.Get("Retry-After") == "" {
		t.Error("it does not say when to come back")
	}
	<-h.api.excerpts
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+j.ID+"/groove?at_s=1", nil), http.StatusOK)
	if n := len(h.api.excerpts); n != 0 {
		t.Errorf("%d places are not given back", n)
	}
}

// What is computed for a job without as-traced.wav is what the file would hold,
// but for one step of 24 bit (see pipeline.AsTraced).
func TestAsTracedWithoutTheFile(t *testing.T) {
	h := newHouse(t, nil)
	without, with := h.prepared(false, false), h.prepared(false, true)
	read := func(id, query string) ([]byte, []float64) {
		r := h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+id+"/audio/as-traced?"+query, nil), http.StatusOK)
		rd, err := wav.New("excerpt", bytes.NewReader(r.body), int64(len(r.body)))
		if err != nil {
			t.Fatal(err)
		}
		return r.body, samplesOf(t, rd)
	}
	for _, q := range []string{"from_s=0&to_s=1", "from_s=6.9&to_s=7.4&format=16", "from_s=8&to_s=20"} {
		raw, got := read(without.ID, q)
		again, _ := read(without.ID, q)
		if !bytes.Equal(raw, again) {
			t.Errorf("%s: the same passage has two forms", q)
		}
		_, want := read(with.ID, q)
		if len(got) != len(want) || len(got) < 1000 {
			t.Fatalf("%s: %d samples, want %d", q, len(got), len(want))
		}
		bound := 1.001 / (1 << 23)
		if strings.Contains(q, "16") {
			bound = 1.001 / (1 << 15) // a step of 24 bit may tip one of 16
		}
		loudest := 0.0
		for i, v := range got {
			loudest = max(loudest, math.Abs(v))
			if math.Abs(v-want[i]) > bound {
				t.Fatalf("%s: sample %d is %g, in the file %g", q, i, v, want[i])
			}
		}
		if loudest < 0.1 {
			t.Errorf("%s: nothing is heard", q)
		}
	}
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+without.ID+"/audio/as-traced?from_s=9&to_s=10", nil), http.StatusRequestedRangeNotSatisfiable)
	h.want(h.ask("operator", http.MethodGet, "/v1/jobs/"+without.ID+"/audio/as-traced?from_s=0&to_s=1", nil), http.StatusForbidden)
	a := h.prepared(true, false)
	h.want(h.ask("a", http.MethodGet, "/v1/jobs/"+a.ID+"/audio/as-traced?from_s=0&to_s=1", nil), http.StatusNotFound)
}

func samplesOf(t testing.TB, rd *wav.Reader) []float64 {
	t.Helper()
	b := audio.NewBlock(int(rd.Frames()))
	for n := 0; n < b.Len(); {
		k, err := rd.Read(b.Slice(n, b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		n += k
	}
	return append(b.L, b.R...)
}

func TestCutShelf(t *testing.T) {
	var k cutShelf
	for _, s := range strings.Split("abcde", "") {
		k.put(&heldCut{sha256: s})
		k.put(&heldCut{sha256: s, title: "twice"})
		k.get("b")
	}
	for s, there := range map[string]bool{"a": false, "b": true, "d": true, "e": true} {
		if c := k.get(s); (c != nil) != there || c != nil && (c.title != "" || c.sha256 != s) {
			t.Errorf("%s: %+v", s, c)
		}
	}
	if len(k.held) != mostCuts {
		t.Errorf("%d are kept", len(k.held))
	}
}

// Whatever is asked, what is taken lies within its bounds.
func FuzzGrooveAsked(f *testing.F) {
	for _, q := range []string{"at_s=1", "at_s=1&span_deg=2&of=after", "at_s=NaN", "at_s=1e309", "at_s=-0", "at_s=0x1p3", "of=%zz", "at_s=1;span_deg=2", "at_s=1&at_s=2"} {
		f.Add(q)
	}
	f.Fuzz(func(t *testing.T, raw string) {
		q, err := url.ParseQuery(raw)
		if err != nil {
			return
		}
		a, bad := grooveAskedOf(q)
		if bad != nil {
			if bad.Status != http.StatusUnprocessableEntity || len(bad.Faults) == 0 {
				t.Errorf("%q: %+v", raw, bad)
			}
			return
		}
		if !(a.atS >= 0) || math.IsInf(a.atS, 0) || !(a.spanDeg >= pipeline.LeastGrooveSpanDeg && a.spanDeg <= pipeline.MostGrooveSpanDeg) || a.of != "" && a.of != "before" && a.of != "after" {
			t.Errorf("%q: %+v", raw, a)
		}
	})
}
