package web

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// What the estimate rests on: at 0 dB in the generic room a side has the full
// playing time that its format proposes; louder is shorter; nothing is longer
// than silence; and the level for a length is the one that gives that length.
func TestEstimate(t *testing.T) {
	room := groove.DefaultRoom()
	for _, id := range groove.DiscIDs() {
		disc, err := groove.LookupDisc(id)
		if err != nil {
			t.Fatal(err)
		}
		e := estimateOf(disc, room)
		if got, want := e.usualS(0), disc.SideMin.Full*60; math.Abs(got-want) > 1e-6*want { // rounding of a quotient
			t.Errorf("%s: %g s at 0 dB, want %g", id, got, want)
		}
		// Arithmetic: turns of 70 um in the band between outer and quality limit.
		if got, want := e.longestS()/60, disc.MinutesAt(70); math.Abs(got-want) > 1e-9*want {
			t.Errorf("%s: at most %g min, want %g", id, got, want)
		}
	}
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		t.Fatal(err)
	}
	// By hand: 86000 um/(18 min/1.8 s) is 143.33 um, 73.33 above a silent turn of
	// 70; at -4 dB 46.27, so 86000/116.27*1.8 s are 22 min 11 s.
	if got := estimateOf(disc, room).usualS(-4); math.Abs(got-1331.4) > .5 {
		t.Errorf("at -4 dB %g s", got)
	}
	// A band of 10 mm in place of 7 inch 45's, with its minutes: 1:27 fit, and were
	// said to be longer than a silent groove of 3:10. By hand: what a turn of the
	// format takes in 4 min, and so 10000 um of it.
	small, err := groove.LookupDisc("7in-45")
	if err != nil {
		t.Fatal(err)
	}
	pitchUM := small.BandMM() * 1000 / (4 * 45)
	small.OuterMM, small.InnerQualityMM = 64, 54
	e := estimateOf(small, room)
	if got, want := e.usualS(0), 10000/pitchUM*60/45; math.Abs(got-want) > 1e-6*want {
		t.Errorf("a narrow band: %g s at 0 dB, want %g", got, want)
	}
	small.SideMin = groove.SideMinutes{Full: 4.5, Reduced: 5, Stop: 6} // its own, and more than silence
	if db, ok := estimateOf(small, room).levelDB(87); !ok || !math.IsInf(db, 1) {
		t.Errorf("minutes of its own: %g dB, %v", db, ok)
	}
	rapid.Check(t, func(t *rapid.T) {
		disc, _ := groove.LookupDisc(rapid.SampledFrom(groove.DiscIDs()).Draw(t, "disc"))
		room := groove.DefaultRoom()
		room.Groove.WidthUM = rapid.Float64Range(50, 90).Draw(t, "width")
		room.Groove.MinLandUM = rapid.Float64Range(0, 40).Draw(t, "land")
		e := estimateOf(disc, room)
		db := rapid.Float64Range(-24, 24).Draw(t, "level")
		long := e.usualS(db)
		if !(long > 0 && long < e.longestS() && e.usualS(db+1) < long) {
			t.Fatalf("%g s at %g dB, %g at one more, at most %g", long, db, e.usualS(db+1), e.longestS())
		}
		if back, ok := e.levelDB(long); !ok || math.Abs(back-db) > 1e-6 { // swing is a difference of pitches up to 300 times larger
			t.Fatalf("%g dB gives %g s, which gives %g dB (%v)", db, long, back, ok)
		}
		if _, ok := e.levelDB(e.longestS() * 1.001); ok {
			t.Fatal("a level for more than silence")
		}
	})
}

// Whatever is typed, the plan says exactly that and nothing else.
func TestPlanTextSaysWhatWasTyped(t *testing.T) {
	text := rapid.StringOfN(rapid.RuneFrom([]rune("aé\u00a0\u2028\u0085\U0001F3B5\"'\\:#-{}[]&*!|>%@`,?\n\t "), unicode.L, unicode.P), 1, 30, 38)
	rapid.Check(t, func(t *rapid.T) {
		d := newDraft()
		d.set("side", "A")
		title, track := text.Draw(t, "title"), text.Draw(t, "track")
		gain := rapid.Float64Range(-24, 24).Draw(t, "gain")
		d.set("title", title)
		d.set("k1.name", text.Draw(t, "name"))
		d.set("k1.title", track)
		d.set("k1.gain_db", rapid.SampledFrom([]string{plainNumber(gain), "+" + plainNumber(math.Abs(gain)), strconv.FormatFloat(gain, 'e', -1, 64), "0" + plainNumber(math.Abs(gain))}).Draw(t, "typed"))
		typed, err := strconv.ParseFloat(d.get("k1.gain_db"), 64)
		if err != nil {
			t.Fatal(err)
		}
		p, err := parsePlan(d.planText())
		if err != nil {
			// Control characters and lines have no place in a title; that is for the plan's reader to say.
			if strings.Contains(err.Error(), "readable as YAML") || strings.Contains(err.Error(), "gain_db") {
				t.Fatalf("%v\n%s", err, d.planText())
			}
			return
		}
		if strings.TrimSpace(title) != "" && p.Title != title || strings.TrimSpace(track) != "" && p.Tracks[0].Title != track || p.Tracks[0].GainDB != typed || p.Tracks[0].File != d.fileNames()["k1"] || len(p.Tracks) != 1 {
			t.Fatalf("%+v of\n%s", p.Tracks, d.planText())
		}
	})
}

// A plan taken into the form and written again is the same plan.
func TestFillAndWrite(t *testing.T) {
	plans := map[string]string{
		"plain":     "side: A\ntracks: [{file: a.wav}]\n",
		"all":       "side: B\ntitle: T\nartist: X\ncatalogue: C 1\ninscription: i\nnotes: |\n  one\n  two\nmono: true\ncutting_speed: half\ncompare_speeds: true\ndisc: 7in-45\nlevel: -2.5\ntracks:\n  - {file: a.wav, title: One, isrc: QZABC2600001, gain_db: -1.5, trim: {start_s: 1, end_s: 60.5}}\n  - {file: b.wav, gap_s: 0}\ncaps: {max_level_db: 3}\noutput: {bit_depth: 16, sample_rate: 48000}\n",
		"chain":     "side: A\ntracks: [{file: a.wav}]\nchain:\n  - {stage: sum-lows, crossover_hz: 120, phase: matched}\n  - {stage: fit-level, dither: none}\n",
		"no chain":  "side: A\nlevel: 0\ntracks: [{file: a.wav}]\nchain: []\n",
		"own disc":  "side: A\ndisc: {id: 12in-33, inner_quality_mm: 62}\ntracks: [{file: a.wav}]\n",
		"own room":  "side: A\nroom: {name: Here, groove: {width_um: 65}}\ntracks: [{file: a.wav}]\n",
		"same file": "side: A\ntracks: [{file: a.wav}, {file: a.wav}]\n",
	}
	for _, f := range planDocs {
		if f.param != "-" && !slices.ContainsFunc(slices.Collect(maps.Values(plans)), func(text string) bool { return strings.Contains("\n"+text, "\n"+f.param+":") }) {
			t.Errorf("no plan below has %s", f.param)
		}
	}
	for name, text := range plans {
		want, err := parsePlan(text)
		if err != nil {
			t.Fatal(err)
		}
		d := newDraft()
		if err := d.fill(want, false); err != nil {
			t.Fatal(err)
		}
		for _, k := range d.rows {
			d.set(k+".sha", strings.Repeat(string(d.get(k + ".name")[0]), 64))
		}
		got, err := parsePlan(d.planText())
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, d.planText())
		}
		if diff := cmp.Diff(normal(t, want), normal(t, got)); diff != "" {
			t.Errorf("%s: %s\n%s", name, diff, d.planText())
		}
	}
}

func normal(t *testing.T, p *sideplan.Plan) string {
	t.Helper()
	b, err := p.Normalized()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestFileNames(t *testing.T) {
	d := newDraft()
	d.more(3)
	for k, v := range map[string][2]string{"k1": {"a.wav", "1"}, "k2": {`C:\x\A.wav`, "2"}, "k3": {"/tmp/a.wav", "1"}, "k4": {"..", "3"}, "k5": {"b\x00:\xff.wav", "4"}, "k6": {strings.Repeat("é", 200) + ".wav", "5"}} {
		d.set(k+".name", v[0])
		d.set(k+".sha", strings.Repeat(v[1], 64))
	}
	want := map[string]string{"k1": "a.wav", "k2": "2-A.wav", "k3": "a.wav", "k4": "mix", "k5": "b---.wav", "k6": strings.Repeat("é", 98) + ".wav"}
	if diff := cmp.Diff(want, d.fileNames()); diff != "" {
		t.Error(diff)
	}
	if n := len(d.uses()); n != 5 {
		t.Errorf("%d files, want 5: one stands twice", n)
	}
}

// desk plays the service: presets in memory, plans by their own reader.
type desk struct {
	Service
	presets map[string]v1.Preset
	room    groove.Room
}

func (d *desk) Submit(context.Context, string, v1.Submit) (string, error) { return "j", nil }
func (d *desk) CheckPlan(_ context.Context, _, _, plan string, _ []v1.Use) (v1.PlanCheck, error) {
	p, err := parsePlan(plan)
	if list, ok := errors.AsType[*spec.Error](err); ok {
		var c v1.PlanCheck
		for _, f := range list.Faults {
			c.Faults = append(c.Faults, v1.Fault(f))
		}
		return c, nil
	}
	text, err := p.Normalized()
	return v1.PlanCheck{OK: true, Plan: string(text)}, err
}
func (d *desk) TakeMix(context.Context, string, string, io.Reader) (v1.Mix, error) {
	return v1.Mix{}, v1.NewProblem(v1.DiskFull, "")
}
func (d *desk) Mix(_ context.Context, _, sha string) (v1.Mix, error) {
	return v1.Mix{SHA256: sha, Name: "room.yaml"}, nil
}
func (d *desk) RoomFiles(context.Context, string) ([]v1.Mix, error) { return nil, nil }
func (d *desk) RoomFigures(context.Context, string, string, string) (groove.Room, error) {
	return d.room, nil
}
func (d *desk) StudioFor(context.Context, string) (string, error) { return "a", nil }
func (d *desk) FormBytes() int64                                  { return 1 << 20 }
func (d *desk) Presets(context.Context, string) ([]v1.Preset, error) {
	var out []v1.Preset
	for _, p := range d.presets {
		out = append(out, p)
	}
	return out, nil
}
func (d *desk) Preset(_ context.Context, _, name string) (v1.Preset, error) {
	if p, ok := d.presets[name]; ok {
		return p, nil
	}
	return v1.Preset{}, v1.NewProblem(v1.NotFound, "")
}
func (d *desk) SavePreset(_ context.Context, _ string, p v1.Preset) error {
	d.presets[p.Name] = p
	return nil
}
func (d *desk) DeletePreset(_ context.Context, _, name string) error {
	delete(d.presets, name)
	return nil
}

func TestPresets(t *testing.T) {
	room := sideplan.DefaultRoom()
	room.Name, room.Groove.WidthUM = "Room </textarea>", 65
	d := &desk{presets: map[string]v1.Preset{}, room: room}
	p, err := New(Options{Service: d, Session: func(http.ResponseWriter, *http.Request) {}})
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	for _, r := range p.submitRoutes() {
		mux.HandleFunc(r.Method+" "+r.Path, r.Handler)
	}
	send := func(method, path string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if method == http.MethodPost && path == "/submit" {
			r.Header.Set("Accept", "application/json")
		}
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Identity{Role: v1.RoleStudio, Studio: "a"})))
		return w
	}
	form := newDraft().vals
	for k, v := range map[string]string{"do": "preset-save", "preset_name": "Quiet room", "disc": "7in-45", "cutting_speed": "on", "compare_speeds": "on", "level_how": "set", "level": "-1", "room": "file", "room_sha": strings.Repeat("1", 64), "room_name": "room.yaml", "chain.sum-lows.crossover_hz": "120"} {
		form.Set(k, v)
	}
	form.Del("chain.band-limit")
	w := send(http.MethodPost, "/submit", form)
	if w.Code != http.StatusOK || d.presets["Quiet room"].Plan == nil {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	plan, err := presetPlan(d.presets["Quiet room"])
	if err != nil || plan.Disc.ID != "7in-45" || plan.CuttingSpeed != sideplan.SpeedHalf || !plan.CompareSpeeds || plan.Level.DB != -1 || plan.Room.Groove.WidthUM != 65 || len(plan.Chain) != 5 {
		t.Fatalf("%+v %v", plan, err)
	}
	for _, name := range []string{"side", "tracks", "title"} {
		if strings.Contains(string(d.presets["Quiet room"].Plan), `"`+name+`"`) {
			t.Errorf("the preset keeps %s", name)
		}
	}
	w = send(http.MethodPost, "/submit", url.Values{"do": {"preset-load"}, "preset": {"Quiet room"}})
	var said submitAnswer
	if err := json.Unmarshal(w.Body.Bytes(), &said); err != nil {
		t.Fatal(err)
	}
	for k, want := range map[string]string{"disc": "7in-45", "cutting_speed": "on", "compare_speeds": "on", "level_how": "set", "level": "-1", "room": "own", "chain.band-limit": "", "chain.sum-lows": "on", "chain.sum-lows.crossover_hz": "120"} {
		if said.Values[k] != want {
			t.Errorf("%s is %q, want %q", k, said.Values[k], want)
		}
	}
	if w = send(http.MethodGet, "/submit?preset=Quiet+room", nil); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `Room \u003c/textarea\u003e`) {
		t.Errorf("%d", w.Code)
	}
	for change, field := range map[string]string{"preset_name=": "preset_name", "preset_name=../x": "preset_name", "preset_name=x.": "preset_name", "preset_name=x&caps.max_reduction_db=99": "caps.max_reduction_db", "do=preset-load&preset=none": "preset", "do=preset-load&preset=": "preset"} {
		v, err := url.ParseQuery(change)
		if err != nil {
			t.Fatal(err)
		}
		for k, list := range form {
			if _, set := v[k]; !set {
				v[k] = list
			}
		}
		said := submitAnswer{}
		w := send(http.MethodPost, "/submit", v)
		if err := json.Unmarshal(w.Body.Bytes(), &said); err != nil || w.Code != http.StatusUnprocessableEntity || len(said.Faults) != 1 || said.Faults[0].Field != field {
			t.Errorf("%s: %d %+v %v", change, w.Code, said.Faults, err)
		}
	}
	if w = send(http.MethodGet, "/presets", nil); !strings.Contains(w.Body.String(), "Quiet room") || !strings.Contains(w.Body.String(), "7in-45, half speed") || !strings.Contains(w.Body.String(), "\u22121 dB") {
		t.Errorf("%s", w.Body)
	}
	if w = send(http.MethodGet, "/presets?delete=Quiet+room", nil); !strings.Contains(w.Body.String(), "Delete preset Quiet room?") || len(d.presets) != 1 {
		t.Errorf("%s", w.Body)
	}
	if w = send(http.MethodPost, "/presets", url.Values{"do": {"delete"}, "name": {"Quiet room"}}); w.Code != http.StatusSeeOther || len(d.presets) != 0 {
		t.Errorf("%d, %d left", w.Code, len(d.presets))
	}
}

func FuzzDraft(f *testing.F) {
	f.Add("row=k1&k1.name=a.wav&side=A&do=check&chain.sum-lows=on&level_how=set&level=1e3")
	f.Add("row=k1&row=k1&k1.declared=1,2,3,4,5&disc=own&disc_own={}&room=own&room_own=[]")
	f.Add("row=k1&k1.name=a.wav&k1.hold=first&sides=2&order=free&same_level=on")
	f.Fuzz(func(t *testing.T, text string) {
		vals, err := url.ParseQuery(text)
		if err != nil {
			return
		}
		d := draftOf(vals)
		for _, d.album = range []bool{true, false} {
			_, err = d.planOf(d.planText())
			list, ok := errors.AsType[*spec.Error](err)
			if !ok {
				continue
			}
			for _, x := range list.Faults {
				if x.Code == spec.CodeSyntax && !strings.Contains(x.Detail, "control characters") || x.Code == spec.CodeUnknown && !strings.HasPrefix(x.Path, "disc") && !strings.HasPrefix(x.Path, "room") {
					t.Fatalf("%v in\n%s", x, d.planText())
				}
				d.faultsOf([]v1.Fault{v1.Fault(x)})
			}
			d.panelOf(nil, sideplan.DefaultRoom())
		}
		for _, name := range d.fileNames() {
			if name == "" || len(name) > 255 || strings.ContainsAny(name, "/\\\x00") || name == ".." {
				t.Fatalf("file name %q", name)
			}
		}
	})
}

func TestFaultsStandAsTheirFieldsDo(t *testing.T) {
	d := newDraft()
	d.rows = []string{"k1"}
	want := []string{"", "studio", "k1.file", "side", "disc", "level", "chain.de-ess", "output.bit_depth", "kind", "lane", "as_traced"}
	var list []fieldFault
	for i := range want { // neither in order nor against it
		list = append(list, fieldFault{Field: want[(i*4+3)%len(want)]})
	}
	d.inOrder(list)
	for i, f := range list {
		if f.Field != want[i] {
			t.Fatalf("%d is %q, want %q", i, f.Field, want[i])
		}
	}
}
