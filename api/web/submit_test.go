package web_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
)

// silence is a WAV file of 16 bits by the format's own document.
func silence(seconds float64, rate, channels int) []byte {
	n := int(seconds*float64(rate)) * channels * 2
	var b bytes.Buffer
	b.WriteString("RIFF")
	for _, v := range []any{uint32(36 + n), []byte("WAVEfmt "), uint32(16), uint16(1), uint16(channels), uint32(rate), uint32(rate * channels * 2), uint16(channels * 2), uint16(16), []byte("data"), uint32(n), make([]byte, n)} {
		_ = binary.Write(&b, binary.LittleEndian, v) // a buffer takes everything
	}
	return b.Bytes()
}

// part is a field of a form, or a file of one.
type part struct {
	field, value string
	file         []byte // with value as its name
}

func (h *house) sendForm(who string, parts []part, header ...string) *page {
	h.t.Helper()
	return h.sendParts(who, "/submit", parts, header...)
}

// sendParts posts a form with files, as a browser does.
func (h *house) sendParts(who, path string, parts []part, header ...string) *page {
	h.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, p := range parts {
		var err error
		if p.file == nil {
			err = w.WriteField(p.field, p.value)
		} else {
			var to io.Writer
			if to, err = w.CreateFormFile(p.field, p.value); err == nil {
				_, err = to.Write(p.file)
			}
		}
		if err != nil {
			h.t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		h.t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(h.t.Context(), http.MethodPost, h.srv.URL+path, &b)
	if err != nil {
		h.t.Fatal(err)
	}
	r.Header.Set("Content-Type", w.FormDataContentType())
	return h.do(who, r, append([]string{"Origin", h.srv.URL, "Sec-Fetch-Site", "same-origin"}, header...)...)
}

// fields are what a browser would send of a page as it stands, in order.
func fields(t *testing.T, body string) []part {
	t.Helper()
	body = regexp.MustCompile(`(?s)<template.*?</template>`).ReplaceAllString(body, "")
	var out []part
	sel, inForm := "", false
	for _, e := range elements(t, body) {
		a := e.attrs
		_, checked := a["checked"]
		switch {
		case e.name == "form":
			inForm = a["id"] == "submit"
		case !inForm:
		case e.name == "select":
			sel = a["name"]
		case e.name == "option":
			if _, on := a["selected"]; on {
				out = append(out, part{field: sel, value: a["value"]})
			}
		case e.name == "textarea":
			out = append(out, part{field: a["name"], value: e.inner})
		case e.name != "input" || a["name"] == "" || a["type"] == "file":
		case a["type"] == "checkbox" || a["type"] == "radio":
			if checked {
				out = append(out, part{field: a["name"], value: a["value"]})
			}
		default:
			out = append(out, part{field: a["name"], value: a["value"]})
		}
	}
	return out
}

// with sets fields, and puts files in.
func with(parts []part, change map[string]string, files ...part) []part {
	var out []part
	for _, p := range parts {
		if v, ok := change[p.field]; ok {
			p.value = v
			delete(change, p.field)
		}
		out = append(out, p)
	}
	for name, v := range change {
		out = append(out, part{field: name, value: v})
	}
	return append(out, files...)
}

func values(parts []part) url.Values {
	v := url.Values{}
	for _, p := range parts {
		if p.file == nil {
			v.Add(p.field, p.value)
		}
	}
	return v
}

func attr(t *testing.T, body, id string) map[string]string {
	t.Helper()
	for _, e := range elements(t, body) {
		if e.attrs["id"] == id {
			return e.attrs
		}
	}
	t.Fatalf("no element %s", id)
	return nil
}

func TestSubmitWithoutScript(t *testing.T) {
	h := newHouse(t)
	p := h.want(h.get("a", "/submit"), http.StatusOK)
	checkPage(t, p)
	if strings.Contains(p.body, `name="studio"`) {
		t.Error("a studio is asked for which studio")
	}
	a, b := silence(1, 44100, 2), silence(2, 44100, 2)
	sent := with(fields(t, p.body), map[string]string{"side": "A", "title": hostile, "do": "submit", "k1.title": "One", "k2.gap_s": "1.5"},
		part{"k1.file", `C:\mixes\a.wav`, a}, part{"k2.file", "b.wav", b})
	made := h.want(h.sendForm("a", sent), http.StatusSeeOther)
	at := made.Header.Get("Location")
	if !strings.HasPrefix(at, "/jobs/") {
		t.Fatalf("leads to %q", at)
	}
	j, err := h.ledger.Get(t.Context(), strings.TrimPrefix(at, "/jobs/"))
	if err != nil {
		t.Fatal(err)
	}
	// Arithmetic: 1 s, a gap of 1.5 s, 2 s.
	if j.Request.LengthS != 4.5 || j.Request.Studio != "a" || j.Request.Title != hostile || len(j.Request.Inputs) != 2 || j.Request.Inputs[0].Name != "a.wav" || j.Request.Inputs[0].SHA256 != sum(a) {
		t.Errorf("made of it: %+v", j.Request)
	}
	checkPage(t, h.want(h.get("a", at), http.StatusOK))
	// The same form again, as a double click sends it, makes the same job.
	if p := h.want(h.sendForm("a", sent), http.StatusSeeOther); p.Header.Get("Location") != at {
		t.Errorf("twice sent, a second job: %s", p.Header.Get("Location"))
	}
	// Changed and sent from an old page, it makes none, and may be sent on.
	p = h.want(h.sendForm("a", with(sent, map[string]string{"title": "Other"})), http.StatusConflict)
	checkPage(t, p)
	if !strings.Contains(p.body, "A job was already made from this form") {
		t.Error("nothing is said of the old form")
	}
	if p := h.want(h.sendForm("a", with(fields(t, p.body), map[string]string{"do": "submit"})), http.StatusSeeOther); p.Header.Get("Location") == at {
		t.Error("the form cannot be sent on")
	}
}

// Whatever is wrong: what was typed and handed in is there again.
func TestSubmitLosesNothing(t *testing.T) {
	h := newHouse(t)
	p := h.get("a", "/submit")
	p = h.want(h.sendForm("a", with(fields(t, p.body), map[string]string{"title": hostile, "notes": "line 1\n  line <2>", "k1.gap_s": "much", "k3.title": "No file", "level_how": "set", "level": "1,5",
		"chain.sum-lows.crossover_hz": "9999", "lane": "bulk", "do": "submit"}, part{"k1.file", `"><script>.wav`, silence(1, 44100, 2)}, part{"k2.file", "not.wav", []byte("no sound at all")})), http.StatusUnprocessableEntity)
	checkPage(t, p)
	if strings.Contains(p.body, "<script>alert") || strings.Contains(p.body, "<img") {
		t.Error("a title or name got through")
	}
	got := values(fields(t, p.body))
	for name, want := range map[string]string{"title": hostile, "notes": "line 1\n  line <2>", "k1.gap_s": "much", "k3.title": "No file", "level_how": "set", "level": "1,5", "chain.sum-lows.crossover_hz": "9999",
		"lane": "bulk", "k1.sha": sum(silence(1, 44100, 2)), "k1.name": `"><script>.wav`, "k2.sha": sum([]byte("no sound at all"))} {
		if got.Get(name) != want {
			t.Errorf("%s is %q, was %q", name, got.Get(name), want)
		}
	}
	for id, part := range map[string]string{"f-side": "missing", "f-level": "number", "f-k1-gap_s": "number", "f-k3-file": "no file", "f-chain-sum-lows-crossover_hz": "out of range"} {
		if a := attr(t, p.body, id); a["aria-invalid"] != "true" || !strings.Contains(a["aria-describedby"], id+"-fault") {
			t.Errorf("%s is not marked: %v", id, a)
		}
		fault := regexp.MustCompile(`(?s)id="` + id + `-fault"[^>]*>([^<]*)<`).FindStringSubmatch(p.body)
		if fault == nil || !strings.Contains(fault[1], part) {
			t.Errorf("beside %s stands %q", id, fault)
		}
		if !strings.Contains(p.body, `<a href="#`+id+`">`) {
			t.Errorf("no way from the summary to %s", id)
		}
	}
	// Mended on that page, with no file sent again, only the second mix is left to complain of.
	mend := map[string]string{"side": "A", "k1.gap_s": "", "level": "1.5", "chain.sum-lows.crossover_hz": "150", "k3.title": "", "do": "submit"}
	p = h.want(h.sendForm("a", with(fields(t, p.body), mend)), http.StatusUnprocessableEntity)
	if a := attr(t, p.body, "f-k2-file"); a["aria-invalid"] != "true" || strings.Count(p.body, `aria-invalid`) != 1 {
		t.Errorf("not the second mix alone: %v", a)
	}
	p = h.want(h.sendForm("a", with(fields(t, p.body), map[string]string{"do": "drop:k2"})), http.StatusOK)
	h.want(h.sendForm("a", with(fields(t, p.body), map[string]string{"do": "submit"})), http.StatusSeeOther)
}

// Every fault that the plan's reader can find lands beside its field.
func TestFaultsBesideFields(t *testing.T) {
	h := newHouse(t)
	mix := silence(1, 44100, 2)
	base := fields(t, h.want(h.sendForm("a", with(fields(t, h.get("a", "/submit").body), map[string]string{"side": "A", "do": "check"},
		part{"k1.file", "a.wav", mix}, part{"k2.file", "b.wav", silence(1, 48000, 2)}, part{"room_file", "room.yaml", []byte("groove: {width_um: 9}\n")})), http.StatusOK).body)
	long := strings.Repeat("x", 5000)
	good := map[string]string{"output.sample_rate": "48000", "room": "generic"}
	for _, c := range []struct {
		name, field string
		change      map[string]string
	}{
		{"none", "", nil},
		{"no side", "side", map[string]string{"side": ""}}, {"long side", "side", map[string]string{"side": long}},
		{"long title", "title", map[string]string{"title": long}}, {"long artist", "artist", map[string]string{"artist": long}}, {"long number", "catalogue", map[string]string{"catalogue": long}},
		{"long inscription", "inscription", map[string]string{"inscription": long}}, {"long notes", "notes", map[string]string{"notes": long}},
		{"control character", "title", map[string]string{"title": "a\x07b"}},
		{"disc", "disc", map[string]string{"disc": "13in-33"}}, {"disc of its own", "disc_own", map[string]string{"disc": "own", "disc_own": `{"id":"12in-33","outer_mm":999}`}},
		{"impossible disc", "disc_own", map[string]string{"disc": "own", "disc_own": `{"id":"12in-33","outer_mm":70,"inner_quality_mm":80}`}},
		{"level", "level", map[string]string{"level_how": "set", "level": "high"}}, {"level above caps", "level", map[string]string{"level_how": "set", "level": "7"}}, {"no level", "level", map[string]string{"level_how": "set", "level": ""}},
		{"room file", "room_file", map[string]string{"room": "file"}}, {"room of its own", "room_own", map[string]string{"room": "own", "room_own": `{"pitch":{"min_um":1}}`}}, {"no room", "room_own", map[string]string{"room": "own", "room_own": "x"}},
		{"gap", "k2.gap_s", map[string]string{"k2.gap_s": "31"}}, {"gap in words", "k1.gap_s", map[string]string{"k1.gap_s": "two"}}, {"gain", "k2.gain_db", map[string]string{"k2.gain_db": "1e999"}},
		{"ISRC", "k1.isrc", map[string]string{"k1.isrc": "XX"}}, {"ISRC twice", "k2.isrc", map[string]string{"k1.isrc": "QZ-ABC-26-00001", "k2.isrc": "QZABC2600001"}},
		{"title of a track", "k2.title", map[string]string{"k2.title": long}}, {"trim", "k1.end_s", map[string]string{"k1.start_s": "2", "k1.end_s": "1"}}, {"trim beyond", "k1.file", map[string]string{"k1.end_s": "1000"}},
		{"rates", "k2.file", map[string]string{"output.sample_rate": "0"}}, {"no file", "k3.file", map[string]string{"k3.title": "x"}}, {"file gone", "k1.file", map[string]string{"k1.sha": strings.Repeat("0", 64)}},
		{"no stage", "chain.fit-level", map[string]string{"chain.fit-level": ""}},
		{"cutoff", "chain.block-infrasonic.cutoff_hz", map[string]string{"chain.block-infrasonic.cutoff_hz": "1"}}, {"slope", "chain.sum-lows.slope", map[string]string{"chain.sum-lows.slope": "7"}},
		{"word", "chain.de-ess.mode", map[string]string{"chain.de-ess.mode": "perhaps"}}, {"after one is off", "chain.limit-sides.look_ahead_ms", map[string]string{"chain.sum-lows": "", "chain.limit-sides.look_ahead_ms": "1"}},
		{"ceiling", "chain.fit-level.ceiling_dbtp", map[string]string{"chain.fit-level.ceiling_dbtp": "3"}},
		{"caps", "caps.max_treated_share", map[string]string{"caps.max_treated_share": "2"}}, {"caps crossed", "caps.min_level_db", map[string]string{"caps.min_level_db": "10"}}, {"depth", "output.bit_depth", map[string]string{"output.bit_depth": "20"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			change := map[string]string{"do": "check"}
			for _, m := range []map[string]string{good, c.change} {
				for k, v := range m {
					change[k] = v
				}
			}
			p := h.want(h.sendForm("a", with(base, change), "Accept", "application/json"), http.StatusOK)
			var said struct {
				OK     bool
				Faults []struct{ Field, ID, Text, Label string }
				Plan   string
			}
			if err := json.Unmarshal([]byte(p.body), &said); err != nil {
				t.Fatal(err)
			}
			if c.field == "" {
				if !said.OK || len(said.Faults) > 0 {
					t.Errorf("%s", p.body)
				}
				return
			}
			if len(said.Faults) == 0 || said.OK {
				t.Fatalf("no fault, with the plan %s", said.Plan)
			}
			for _, f := range said.Faults {
				if f.Field != c.field || f.ID != "f-"+strings.ReplaceAll(c.field, ".", "-") || f.Text == "" || f.Label == "" {
					t.Errorf("fault at %+v, want %s", f, c.field)
				}
			}
		})
	}
}

func TestSubmitSteps(t *testing.T) {
	h := newHouse(t)
	p := h.get("a", "/submit")
	order := func() string { return strings.Join(values(fields(t, p.body))["row"], " ") }
	for _, c := range []struct{ do, want string }{{"more", "k1 k2 k3 k4 k5 k6 k7 k8"}, {"down:k1", "k2 k1 k3 k4 k5 k6 k7 k8"}, {"up:k2", "k2 k1 k3 k4 k5 k6 k7 k8"}, {"up:k8", "k2 k1 k3 k4 k5 k6 k8 k7"},
		{"drop:k3", "k2 k1 k4 k5 k6 k8 k7"}, {"down:none", "k2 k1 k4 k5 k6 k8 k7"}} {
		p = h.want(h.sendForm("a", with(fields(t, p.body), map[string]string{"do": c.do})), http.StatusOK)
		if checkPage(t, p); order() != c.want {
			t.Errorf("after %s: %s", c.do, order())
		}
	}
	checkPage(t, h.want(h.sendForm("a", []part{{"do", "none", nil}}), http.StatusUnprocessableEntity))
}

// Who may submit, and for whom; and forms that no page of ours sends.
func TestSubmitRefuses(t *testing.T) {
	h := newHouse(t)
	if p := h.get("nobody", "/submit"); p.StatusCode == http.StatusOK {
		t.Error("nobody sees the form")
	}
	p := h.want(h.get("engineer", "/submit"), http.StatusOK)
	checkPage(t, p)
	mix := silence(1, 44100, 2)
	sent := with(fields(t, p.body), map[string]string{"side": "A", "do": "submit"}, part{"k1.file", "a.wav", mix})
	p = h.want(h.sendForm("engineer", sent), http.StatusUnprocessableEntity)
	if a := attr(t, p.body, "f-studio"); a["aria-invalid"] != "true" {
		t.Error("an engineer is not asked for which studio")
	}
	h.want(h.sendForm("engineer", with(sent, map[string]string{"studio": "b"})), http.StatusSeeOther)
	// Another studio's mix is not there, whatever its hash.
	p = h.want(h.sendForm("a", with(fields(t, h.get("a", "/submit").body), map[string]string{"side": "A", "k1.name": "a.wav", "k1.sha": sum(mix), "do": "submit"})), http.StatusUnprocessableEntity)
	if !strings.Contains(p.body, "no longer here") {
		t.Error("another studio's mix is there")
	}
	p = h.want(h.sendForm("a", []part{{"do", "submit", nil}}, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site", "Accept", "text/html"), http.StatusForbidden)
	checkPage(t, p)
	for name, parts := range map[string][]part{"file in a strange field": {{"title", "a.wav", mix}}, "a key of no row": {{"k_.file", "a.wav", mix}}} {
		if p := h.sendForm("a", parts); p.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, p.StatusCode)
		}
	}
	many := []part{{"do", "check", nil}}
	for i := range 100 {
		many = append(many, part{"row", fmt.Sprintf("k%d", i), nil}, part{fmt.Sprintf("k%d.title", i), "x", nil})
	}
	checkPage(t, h.want(h.sendForm("a", many), http.StatusOK))
	h.want(h.sendForm("a", []part{{"notes", strings.Repeat("x", 1<<20), nil}}), http.StatusRequestEntityTooLarge)
	checkPage(t, h.want(h.post("a", "/submit", url.Values{"do": {"check"}, "row": {"k1", "k1", "../x", "kNEW"}}), http.StatusOK))
}

func TestRevise(t *testing.T) {
	h := newHouse(t)
	p := h.want(h.sendForm("a", with(fields(t, h.get("a", "/submit").body), map[string]string{"side": "B", "title": "First", "k1.isrc": "QZ-ABC-26-00001", "k1.start_s": "0.25", "level_how": "set", "level": "-2", "chain.band-limit": "",
		"chain.de-ess.tip_um": "18", "caps.max_level_db": "3", "notes": "n", "mono": "on", "cutting_speed": "on", "compare_speeds": "on", "as_traced": "on", "do": "submit"}, part{"k1.file", "a.wav", silence(2, 44100, 2)}, part{"room_file", "r.yaml", []byte("name: Room\n")})), http.StatusSeeOther)
	id := strings.TrimPrefix(p.Header.Get("Location"), "/jobs/")
	p = h.want(h.get("a", "/submit?revises="+id), http.StatusOK)
	checkPage(t, p)
	got := values(fields(t, p.body))
	for name, want := range map[string]string{"revises": id, "side": "B", "title": "First", "k1.isrc": "QZABC2600001", "k1.start_s": "0.25", "level_how": "set", "level": "-2", "chain.band-limit": "", "chain.sum-lows": "on", "chain.de-ess.tip_um": "18",
		"caps.max_level_db": "3", "notes": "n", "mono": "on", "cutting_speed": "on", "compare_speeds": "on", "as_traced": "on", "k1.name": "a.wav", "k1.sha": sum(silence(2, 44100, 2)), "room_name": "r.yaml", "room_sha": sum([]byte("name: Room\n"))} {
		if got.Get(name) != want {
			t.Errorf("%s is %q, want %q", name, got.Get(name), want)
		}
	}
	h.want(h.get("b", "/submit?revises="+id), http.StatusNotFound)
}

// The file is the one whose licence and origin are written down.
func TestVendoredFile(t *testing.T) {
	data, err := os.ReadFile("assets/tus.min.js")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"vendored/README.md", "assets/tus.LICENSE.txt"} {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), sum(data)) {
			t.Errorf("%s names another file", name)
		}
	}
}

// Advice comes before anything is submitted, also for files that are only
// announced by the browser.
func TestAdvice(t *testing.T) {
	h := newHouse(t)
	base := values(fields(t, h.get("a", "/submit").body))
	panel := func(change map[string]string) string {
		t.Helper()
		v := url.Values{"do": {"check"}}
		for k, list := range base {
			v[k] = list
		}
		for k, s := range change {
			v.Set(k, s)
		}
		p := h.send("a", http.MethodPost, "/submit", v, "Origin", h.srv.URL, "Sec-Fetch-Site", "same-origin", "Accept", "application/json")
		var said struct{ Panel string }
		if err := json.Unmarshal([]byte(h.want(p, http.StatusOK).body), &said); err != nil {
			t.Fatal(err)
		}
		return said.Panel
	}
	minutes := func(m, rate int) string { return fmt.Sprintf("%d,2,24,0,%d", rate, m*60*rate) }
	for _, c := range []struct {
		name   string
		change map[string]string
		want   []string
		not    []string
	}{
		{"nothing yet", nil, []string{"About 18:00 fit at 0 dB"}, []string{"Must change"}},
		{"fits", map[string]string{"k1.name": "a.wav", "k1.declared": minutes(9, 48000), "k2.name": "b.wav", "k2.declared": minutes(8, 48000)}, []string{"17:02", "18:00", "Fits"}, []string{"Must change", "Look at this"}},
		{"too long for the level", map[string]string{"k1.name": "a.wav", "k1.declared": minutes(20, 48000), "level_how": "set", "level": "2"}, []string{"20:00 of about", "Too long for this level"}, []string{"Must change"}},
		{"too long", map[string]string{"k1.name": "a.wav", "k1.declared": minutes(20, 48000), "disc": "7in-45"}, []string{"Too long", "Must change"}, nil},
		{"rates", map[string]string{"k1.name": "a.wav", "k1.declared": minutes(5, 48000), "k2.name": "b.wav", "k2.declared": minutes(5, 44100)}, []string{"Track 2 has 44.1 kHz"}, nil},
		{"rates converted", map[string]string{"k1.name": "a.wav", "k1.declared": minutes(5, 48000), "k2.name": "b.wav", "k2.declared": minutes(5, 44100), "output.sample_rate": "48000"}, nil, []string{"Track 2 has"}},
		{"no gap", map[string]string{"k1.name": "a.wav", "k1.declared": minutes(5, 48000), "k2.name": "b.wav", "k2.declared": minutes(5, 48000), "k2.gap_s": "0"}, []string{"No silence before track 2"}, nil},
		{"mono", map[string]string{"k1.name": "a.wav", "k1.declared": "48000,1,24,0,480000"}, []string{"Track 1 is mono"}, nil},
		{"16 bit", map[string]string{"k1.name": "a.wav", "k1.declared": "48000,2,16,0,480000"}, []string{"has 16 bits"}, nil},
		{"kind", map[string]string{"k1.name": "a.mp3"}, []string{"does not look like"}, nil},
		{"lies", map[string]string{"k1.name": "a.wav", "k1.declared": "48000,2,16,0,999999999999999999999"}, []string{"About 18:00 fit at 0 dB"}, nil},
	} {
		got := panel(c.change)
		for _, s := range c.want {
			if !strings.Contains(got, s) {
				t.Errorf("%s: no %q in %s", c.name, s, got)
			}
		}
		for _, s := range c.not {
			if strings.Contains(got, s) {
				t.Errorf("%s: %q in %s", c.name, s, got)
			}
		}
	}
}
