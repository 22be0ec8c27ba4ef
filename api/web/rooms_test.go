package web_test

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/roomfit"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/tones"
)

// testCut is the sheet of a test, and what a microscope would show of it in a
// room that cuts 1 dB hotter and 3 um wider; L3-swing is wrong by 10 um.
func testCut(t *testing.T, room groove.Room) (sheet, readings string) {
	t.Helper()
	disc, err := groove.LookupDisc("12in-33")
	if err != nil {
		t.Fatal(err)
	}
	s, err := tones.Plan(disc, room)
	if err != nil {
		t.Fatal(err)
	}
	data, err := s.JSON()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("sheet: somewhere/else.json\nreadings:\n")
	g := math.Pow(10, 1.0/20)
	for _, r := range s.Readings {
		v := 0.0
		switch r.Kind {
		case roomfit.KindWidth:
			v = r.WidthUM + 3
		case roomfit.KindSwing:
			v = g * r.MotionUM
		case roomfit.KindWidest:
			v = r.WidthUM + 3 + g*r.MotionUM
		case roomfit.KindNarrow:
			v = r.WidthUM + 3 - g*r.MotionUM
		case roomfit.KindRadius:
			v = r.Expected + 0.2
		default:
			continue
		}
		if r.ID == "L3-swing" {
			v += 10
		}
		fmt.Fprintf(&b, "- {id: %s, value: %.2f}\n", r.ID, v)
	}
	return string(data), b.String()
}

// fit sends the form of the page of rooms, with line ends as browsers send them.
func (h *house) fit(who string, parts []part, header ...string) *page {
	h.t.Helper()
	parts = slices.Clone(parts)
	for i, p := range parts {
		if p.file == nil {
			parts[i].value = strings.ReplaceAll(p.value, "\n", "\r\n")
		}
	}
	return h.sendParts(who, "/rooms", parts, header...)
}

// The page shows what the command finds, and its file is the command's file.
func TestRoomsFit(t *testing.T) {
	h := newHouse(t)
	p := h.want(h.get("engineer", "/rooms"), http.StatusOK)
	checkPage(t, p)
	for _, c := range tones.Cautions() {
		if !strings.Contains(p.body, html.EscapeString(c)) {
			t.Errorf("no caution %q", c)
		}
	}
	wantIn(t, p, `<a class="button" href="/rooms/tones">`)
	if !strings.Contains(p.body, "discsafe tones --room room.yaml --out test-cut") || !strings.Contains(p.body, `<a href="/rooms" aria-current="page">`) {
		t.Error("the command or the way to the page is missing")
	}
	room := sideplan.DefaultRoom()
	room.Name, room.Groove.WidthUM = "own <b>room</b>", 55
	roomFile, err := json.Marshal(room)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		room groove.Room
		file []byte
	}{{"generic", sideplan.DefaultRoom(), []byte{}}, {"own", room, roomFile}} {
		t.Run(c.name, func(t *testing.T) {
			sheet, readings := testCut(t, c.room)
			parsed, err := roomfit.Parse("readings", []byte(readings))
			if err != nil {
				t.Fatal(err)
			}
			expected, err := pipeline.RoomExpectations("sheet", []byte(sheet), c.room)
			if err != nil {
				t.Fatal(err)
			}
			want, err := roomfit.FitRoom("readings", c.room, parsed, expected)
			if err != nil {
				t.Fatal(err)
			}
			p := h.want(h.fit("engineer", []part{{field: "readings", value: readings}, {"sheet", "tones-sheet.json", []byte(sheet)}, {"room", "room.yaml", c.file}}), http.StatusOK)
			checkPage(t, p)
			for _, f := range want.Parameters {
				line := "<code>" + f.ID + "</code>"
				if f.Told {
					line = fmt.Sprintf(`<code>%s</code></th><td data-label="Value" class="number">%.3f</td>`, f.ID, *f.Value)
				}
				if !strings.Contains(html.UnescapeString(p.body), line) {
					t.Errorf("no %s", line)
				}
				if f.Low != nil && !strings.Contains(p.body, fmt.Sprintf("%.3f to %.3f", *f.Low, *f.High)) {
					t.Errorf("no interval of %s", f.ID)
				}
			}
			if !strings.Contains(p.body, fmt.Sprintf(`data-label="Profile before" class="number">%g um</td><td data-label="Profile now" class="number">%g um</td>`, c.room.Groove.WidthUM, want.Profile.Groove.WidthUM)) || want.Profile.Groove.WidthUM != c.room.Groove.WidthUM+3 {
				t.Errorf("width before and now: want %g and %g", c.room.Groove.WidthUM, want.Profile.Groove.WidthUM)
			}
			if n := strings.Count(p.body, "</span> out of line</span>"); n != 1 || strings.Count(p.body, "</span> in line</span>") != len(want.Readings)-1 {
				t.Errorf("%d readings out of line", n)
			}
			var text string
			kept := []part{{field: "do", value: "download"}}
			for _, e := range elements(t, p.body) {
				if e.attrs["id"] == "profile" {
					text = strings.TrimSpace(e.inner) // with the line end that follows it

				}
				if e.name == "input" && e.attrs["type"] == "hidden" && len(kept) < 4 && e.attrs["name"] != "do" {
					kept = append(kept, part{field: e.attrs["name"], value: e.attrs["value"]})
				}
			}
			if text != strings.TrimSpace(want.Text()) {
				t.Errorf("the profile of the page is not the command's:\n%s", text)
			}
			p = h.want(h.fit("engineer", kept), http.StatusOK)
			if p.body != want.Text() || p.Header.Get("Content-Disposition") != `attachment; filename="room.yaml"` || p.Header.Get("Content-Type") != "application/yaml; charset=utf-8" {
				t.Errorf("file: %v\n%s", p.Header, p.body)
			}
			if _, err := sideplan.ParseRoom("room.yaml", []byte(p.body)); err != nil {
				t.Error(err)
			}
		})
	}
}

// Faults stand beside their field, and the text typed is kept and does no harm.
func TestRoomsFaults(t *testing.T) {
	h := newHouse(t)
	sheet, readings := testCut(t, sideplan.DefaultRoom())
	const hostile = "readings: [{id: \"</textarea><script>alert(1)</script>\", value: 1}]\n"
	file := func(field, text string) part { return part{field, field, []byte(text)} }
	for _, c := range []struct {
		name     string
		readings string
		files    []part
		status   int
		at, want string
	}{
		{"damaged sheet", readings, []part{file("sheet", sheet[:len(sheet)/2])}, 422, "sheet", "unexpected end of JSON input"},
		{"sheet of something else", readings, []part{file("sheet", `{"schema":"<i>x"}`)}, 422, "sheet", "schema \"<i>x\", want"},
		{"sheet beyond reason", readings, []part{file("sheet", strings.Replace(sheet, `"expected": 60`, `"expected": 1e300`, 1))}, 422, "sheet", "no figure of a disc"},
		{"no sheet", readings, nil, 422, "sheet", "need its sheet"},
		{"sheet too large", readings, []part{file("sheet", strings.Repeat(" ", 300<<10))}, 422, "sheet", "more than 256 KiB"},
		{"form too large", readings, []part{file("sheet", strings.Repeat(" ", 1<<20))}, 413, "sheet", "more than 1024 KiB"},
		{"another room", readings, []part{file("sheet", sheet), file("room", "groove: {width_um: 55}\n")}, 422, "sheet", "made for another profile"},
		{"damaged room", readings, []part{file("sheet", sheet), file("room", "groove: {width_um: wide}\n")}, 422, "room", "groove.width_um"},
		{"nothing read", " \n", []part{file("sheet", sheet)}, 422, "readings", "Nothing was read"},
		{"no YAML", "readings: [", []part{file("sheet", sheet)}, 422, "readings", "Line"},
		{"hostile text", hostile, []part{file("sheet", sheet)}, 422, "readings", "is not on the sheet"},
		{"no room", "readings: [{id: S1-width, value: 900}]", []part{file("sheet", sheet)}, 422, "readings", "make no room"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := h.want(h.fit("engineer", append([]part{{field: "readings", value: c.readings}}, c.files...)), c.status)
			checkPage(t, p)
			_, after, ok := strings.Cut(p.body, `<div id="`+c.at+`-fault" role="alert">`)
			said, _, _ := strings.Cut(after, "</div>")
			if !ok || !strings.Contains(html.UnescapeString(said), c.want) {
				t.Errorf("beside %s: %q, want %q", c.at, said, c.want)
			}
			if strings.Contains(p.body, "alert(1)</script>") || strings.Contains(p.body, "<i>x") {
				t.Error("text of the form is markup of the page")
			}
			for _, e := range elements(t, p.body) {
				if e.attrs["id"] == "readings" && strings.TrimSpace(e.inner) != strings.TrimSpace(c.readings) {
					t.Errorf("kept %q", e.inner)
				}
			}
		})
	}
}

// A file of readings takes the place of what is typed: CSV as the command takes it,
// shown as text that can be mended, or the text itself.
func TestRoomsReadingsFile(t *testing.T) {
	h := newHouse(t)
	sheet, readings := testCut(t, sideplan.DefaultRoom())
	csv := "\ufeffid,value\r\n# as read\r\n"
	list, err := roomfit.Parse("readings", []byte(readings))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list.Readings {
		csv += fmt.Sprintf("\"%s\",%g\r\n", r.ID, r.Value)
	}
	same := func(p *page) string {
		_, fit, _ := strings.Cut(p.body, `<h2 id="h-fit">`)
		fit, _, _ = strings.Cut(fit, `<form`)
		return fit
	}
	form := func(name, text string) []part {
		return []part{{field: "readings", value: "typed before"}, {"readings_file", name, []byte(text)}, {"sheet", "s.json", []byte(sheet)}}
	}
	want := same(h.want(h.fit("engineer", []part{{field: "readings", value: readings}, {"sheet", "s.json", []byte(sheet)}}), http.StatusOK))
	for _, f := range [][2]string{{"read.CSV", csv}, {"readings.yaml", readings}} {
		p := h.want(h.fit("engineer", form(f[0], f[1])), http.StatusOK)
		checkPage(t, p)
		if got := same(p); got != want || got == "" {
			t.Errorf("%s: another fit than of what is typed:\n%s", f[0], got)
		}
		for _, e := range elements(t, p.body) {
			if e.attrs["id"] == "readings" {
				if kept, err := roomfit.Parse("kept", []byte(html.UnescapeString(e.inner))); err != nil || !slices.Equal(kept.Readings, list.Readings) {
					t.Errorf("%s: kept %q, %v", f[0], e.inner, err)
				}
			}
		}
	}
	for text, said := range map[string]string{"S1-width,wide\n": "Line 1: \"wide\" is not a reading", "S1-width;60\n": "a comma and the number", "id,value\nS1-width,\n": "holds no reading", strings.Repeat("#", 300<<10): "more than 256 KiB"} {
		p := h.want(h.fit("engineer", form("r.csv", text)), http.StatusUnprocessableEntity)
		checkPage(t, p)
		_, after, _ := strings.Cut(p.body, `<div id="readings_file-fault" role="alert">`)
		if after, _, _ = strings.Cut(after, "</div>"); !strings.Contains(html.UnescapeString(after), said) {
			t.Errorf("%.20q: %q", text, after)
		}
	}
}

// A right sheet is kept when the readings have a fault: it need not be chosen again.
func TestRoomsKeepTheSheet(t *testing.T) {
	h := newHouse(t)
	sheet, readings := testCut(t, sideplan.DefaultRoom())
	p := h.want(h.fit("engineer", []part{{field: "readings", value: "readings: ["}, {"sheet", "s.json", []byte(sheet)}}), http.StatusUnprocessableEntity)
	kept := ""
	for _, e := range elements(t, p.body) {
		if e.attrs["name"] == "sheet_kept" {
			kept = e.attrs["value"]
		}
	}
	h.want(h.fit("engineer", []part{{field: "readings", value: readings}, {field: "sheet_kept", value: kept}, {"sheet", "", []byte{}}}), http.StatusOK)
}

func TestRoomsAreForEngineers(t *testing.T) {
	h := newHouse(t)
	sheet, readings := testCut(t, sideplan.DefaultRoom())
	form := []part{{field: "readings", value: readings}, {"sheet", "s.json", []byte(sheet)}}
	for _, who := range []string{"a", "operator"} {
		h.want(h.get(who, "/rooms"), http.StatusForbidden)
		h.want(h.fit(who, form), http.StatusForbidden)
		if p := h.get(who, "/jobs"); strings.Contains(p.body, `href="/rooms"`) {
			t.Errorf("%s is led to the page", who)
		}
	}
	h.want(h.fit("engineer", form, "Origin", "http://elsewhere.example", "Sec-Fetch-Site", "cross-site"), http.StatusForbidden)
}
