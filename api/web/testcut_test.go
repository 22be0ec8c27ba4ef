package web_test

import (
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/tones"
)

// ownRoom is a room file as a person writes it.
const ownRoom = "# a room\nname: \"own <b>röom</b> & co\"\nreference: {velocity_cm_s: 7.07, kind: peak}\ngroove: {width_um: 57.5}\nradius: {outer_mm: 145.2}\n"

// cutFile is a file as the command takes it from the pipeline.
func cutFile(t *testing.T, discID, roomText, name string) io.ReadSeeker {
	t.Helper()
	disc, err := groove.LookupDisc(discID)
	if err != nil {
		t.Fatal(err)
	}
	room := sideplan.DefaultRoom()
	if roomText != "" {
		if room, err = sideplan.ParseRoom("room.yaml", []byte(roomText)); err != nil {
			t.Fatal(err)
		}
	}
	sheet, err := tones.Plan(disc, room)
	if err != nil {
		t.Fatal(err)
	}
	f, err := sheet.File(name)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// cutLinks are the addresses of the files on a page, by name.
func cutLinks(t *testing.T, p *page) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, e := range elements(t, p.body) {
		if at, ok := strings.CutPrefix(e.attrs["href"], "/rooms/tones/"); ok {
			name, _, _ := strings.Cut(at, "?")
			out[name] = html.UnescapeString(e.attrs["href"])
		}
	}
	if len(out) != len(tones.Files()) {
		t.Fatalf("links to %v", out)
	}
	return out
}

// The form leads to an address that gives the files of the command, whatever the
// room. Of the second sound only stretches are read; tones.txtar of the command
// compares all of it.
func TestTestCutFiles(t *testing.T) {
	h := newHouse(t)
	p := h.want(h.get("engineer", "/rooms/tones"), http.StatusOK)
	checkPage(t, p)
	for _, c := range tones.Cautions() {
		wantIn(t, p, html.EscapeString(c))
	}
	wantIn(t, p, `<option value="12in-33" selected>`, `<a href="/rooms" aria-current="page">`)
	wantOut(t, p, "/rooms/tones/tones.wav", "limits above")
	for _, c := range []struct{ disc, room string }{{"7in-45", ""}, {"12in-33", ownRoom}} {
		t.Run(c.disc, func(t *testing.T) {
			p := h.want(h.sendParts("engineer", "/rooms/tones", []part{{field: "disc", value: c.disc}, {"room", "room.yaml", []byte(c.room)}}), http.StatusSeeOther)
			p = h.want(h.get("engineer", p.Header.Get("Location")), http.StatusOK)
			checkPage(t, p)
			if at := strings.Index(p.body, "burn out a cutter head"); at < 0 || at > strings.Index(p.body, "/rooms/tones/tones.wav") {
				t.Error("the sound is offered before the cautions")
			}
			wantOut(t, p, "<b>")
			links := cutLinks(t, p)
			for _, name := range tones.Files() {
				want := cutFile(t, c.disc, c.room, name)
				size, err := want.Seek(0, io.SeekEnd)
				if err != nil {
					t.Fatal(err)
				}
				stretch := func(from, to int64) string {
					data := make([]byte, to-from)
					if _, err := want.Seek(from, io.SeekStart); err != nil {
						t.Fatal(err)
					}
					if _, err := io.ReadFull(want, data); err != nil {
						t.Fatal(err)
					}
					return string(data)
				}
				if name != tones.SoundName || c.room == "" {
					got := h.want(h.get("engineer", links[name]), http.StatusOK)
					if got.body != stretch(0, size) {
						t.Errorf("%s: %d bytes, want the %d of the command", name, len(got.body), size)
					}
					if got.ContentLength != size || len(got.TransferEncoding) > 0 {
						t.Errorf("%s: Content-Length %d, %v", name, got.ContentLength, got.TransferEncoding)
					}
				}
				head := h.want(h.send("engineer", http.MethodHead, links[name], nil), http.StatusOK)
				if head.ContentLength != size || head.body != "" {
					t.Errorf("head of %s: %v", name, head.Header)
				}
				tag := head.Header.Get("ETag")
				h.want(h.get("engineer", links[name], "If-None-Match", tag), http.StatusNotModified)
				for _, other := range tones.Files() {
					if other != name && h.send("engineer", http.MethodHead, links[other], nil).Header.Get("ETag") == tag {
						t.Errorf("%s and %s have one ETag", name, other)
					}
				}
				for _, from := range []int64{0, size * 2 / 3, size - 1000} {
					some := h.want(h.get("engineer", links[name], "Range", fmt.Sprintf("bytes=%d-%d", from, from+999), "If-Range", tag), http.StatusPartialContent)
					if some.body != stretch(from, from+1000) || some.Header.Get("Content-Range") != fmt.Sprintf("bytes %d-%d/%d", from, from+999, size) {
						t.Errorf("%s from %d: %d bytes, %s", name, from, len(some.body), some.Header.Get("Content-Range"))
					}
				}
				far := h.want(h.get("engineer", links[name], "Range", "bytes=999999999-"), http.StatusRequestedRangeNotSatisfiable)
				if got := far.Header.Get("Content-Type"); got != "application/problem+json" {
					t.Errorf("a range that is not there: %s", got)
				}
			}
			for name, want := range map[string][2]string{
				tones.SoundName: {"audio/wav", "attachment; filename=tones.wav"},
				tones.JSONName:  {"application/json", "attachment; filename=tones-sheet.json"},
				tones.TextName:  {"text/plain; charset=utf-8", "attachment; filename=tones-sheet.txt"},
				tones.PageName:  {"text/html; charset=utf-8", "inline; filename=tones-sheet.html"},
			} {
				head := h.send("engineer", http.MethodHead, links[name], nil).Header
				if got := [2]string{head.Get("Content-Type"), head.Get("Content-Disposition")}; got != want {
					t.Errorf("%s: %v", name, got)
				}
				if name == tones.PageName && !strings.HasPrefix(head.Get("Content-Security-Policy"), "sandbox;") {
					t.Errorf("a sheet that holds a room's name is not sandboxed: %v", head)
				}
			}
			// The room is kept from one form to the next, and can be left.
			kept := []part{{field: "disc", value: "12in-45"}}
			for _, e := range elements(t, p.body) {
				if e.attrs["name"] == "room_kept" {
					kept = append(kept, part{field: "room_kept", value: html.UnescapeString(e.attrs["value"])})
				}
			}
			next := h.want(h.sendParts("engineer", "/rooms/tones", kept), http.StatusSeeOther).Header.Get("Location")
			if strings.Contains(next, "room=") != (c.room != "") {
				t.Errorf("on to %s", next)
			}
			next = h.want(h.sendParts("engineer", "/rooms/tones", append(kept, part{field: "room_none", value: "on"})), http.StatusSeeOther).Header.Get("Location")
			if next != "/rooms/tones?disc=12in-45" {
				t.Errorf("on to %s without the room", next)
			}
		})
	}
}

// The sheet that the page gives is what the page of readings takes.
func TestTestCutIsFitted(t *testing.T) {
	h := newHouse(t)
	room, err := sideplan.ParseRoom("room.yaml", []byte(ownRoom))
	if err != nil {
		t.Fatal(err)
	}
	_, readings := testCut(t, room)
	sheet := h.want(h.get("engineer", "/rooms/tones/tones-sheet.json?"+url.Values{"disc": {"12in-33"}, "room": {ownRoom}}.Encode()), http.StatusOK)
	p := h.want(h.fit("engineer", []part{{field: "readings", value: readings}, {"sheet", "tones-sheet.json", []byte(sheet.body)}, {"room", "room.yaml", []byte(ownRoom)}}), http.StatusOK)
	wantIn(t, p, `class="number">60.5 um</td>`) // 3 um wider than what the room said
}

func TestTestCutFaults(t *testing.T) {
	h := newHouse(t)
	room := func(text string) part { return part{"room", "room.yaml", []byte(text)} }
	for _, c := range []struct {
		name     string
		disc     string
		room     part
		status   int
		at, want string
	}{
		{"no such disc", "5in-33", room(""), 422, "disc", `Disc "5in-33" is not known`},
		{"no disc", "", room(""), 422, "disc", "is not known"},
		{"damaged room", "12in-33", room("groove: {width_um: wide}\n"), 422, "room", "groove.width_um"},
		{"no room on the disc", "7in-33", room("pitch: {min_um: 300}\nradius: {outer_mm: 62}\n"), 422, "disc", "use a larger disc"},
		{"radii that cross", "12in-33", room("radius: {outer_mm: 100, inner_mm: 120}\n"), 422, "room", "inner"},
		{"long name", "12in-33", room("name: " + strings.Repeat("x", 1900) + "\nplayback: {report_tips_um: [" + strings.Repeat("7,", 500) + "7]}\n"), 422, "room", ""},
		{"too large", "12in-33", room(strings.Repeat(" ", 300<<10)), 422, "room", "more than 256 KiB"},
		{"form too large", "12in-33", room(strings.Repeat(" ", 1<<20)), 413, "room", "more than 1024 KiB"},
		{"hostile", "</option><script>alert(1)</script>", room(""), 422, "disc", "is not known"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := h.want(h.sendParts("engineer", "/rooms/tones", []part{{field: "disc", value: c.disc}, c.room}), c.status)
			checkPage(t, p)
			_, after, ok := strings.Cut(p.body, `<div id="`+c.at+`-fault" role="alert">`)
			said, _, _ := strings.Cut(after, "</div>")
			if !ok || !strings.Contains(html.UnescapeString(said), c.want) {
				t.Errorf("beside %s: %q, want %q", c.at, said, c.want)
			}
			wantOut(t, p, "<script>alert", "/rooms/tones/tones.wav")
		})
	}
	checkPage(t, h.want(h.get("engineer", "/rooms/tones?disc=5in-33"), http.StatusUnprocessableEntity))
	h.want(h.post("engineer", "/rooms/tones", url.Values{"disc": {"12in-33"}}), http.StatusUnsupportedMediaType)
	for at, status := range map[string]int{
		"/rooms/tones/other.wav?disc=12in-33":                                   404,
		"/rooms/tones/tones.wav":                                                422,
		"/rooms/tones/tones.wav?disc=5in-33":                                    422,
		"/rooms/tones/tones.wav?disc=12in-33&disc=12in-33":                      422,
		"/rooms/tones/tones.wav?disc=12in-33&rate=192000":                       422,
		"/rooms/tones/tones.wav?disc=12in-33&room=groove:1":                     422,
		"/rooms/tones/tones.wav?disc=12in-33&room=" + strings.Repeat("x", 5000): 400,
	} {
		p := h.want(h.get("engineer", at), status)
		if got := p.Header.Get("Content-Type"); got != "application/problem+json" {
			t.Errorf("%.80s: %s", at, got)
		}
	}
}

func TestTestCutsAreForEngineers(t *testing.T) {
	h := newHouse(t)
	form := []part{{field: "disc", value: "12in-33"}}
	for _, who := range []string{"a", "operator"} {
		h.want(h.get(who, "/rooms/tones"), http.StatusForbidden)
		h.want(h.sendParts(who, "/rooms/tones", form), http.StatusForbidden)
		for _, name := range tones.Files() {
			h.want(h.get(who, "/rooms/tones/"+name+"?disc=12in-33"), http.StatusForbidden)
		}
	}
	h.want(h.get("nobody", "/rooms/tones/tones.wav?disc=12in-33"), http.StatusUnauthorized)
	h.want(h.sendParts("engineer", "/rooms/tones", form, "Origin", "http://elsewhere.example", "Sec-Fetch-Site", "cross-site"), http.StatusForbidden)
}

// Four are sent at a time: a fifth is told to come back, and gets its turn when
// one is done. Its head and its sheets wait for nobody.
func TestTestCutsAtOnce(t *testing.T) {
	h := newHouse(t)
	const at = "/rooms/tones/tones.wav?disc=12in-33"
	ask := func() *http.Response {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, h.srv.URL+at, nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := h.who["engineer"].Do(r)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	var open []*http.Response
	for range 4 { // whoever reads nothing holds a place: 100 MB are more than the system keeps for them
		res := ask()
		defer res.Body.Close()
		open = append(open, res)
	}
	p := h.want(h.get("engineer", at), http.StatusTooManyRequests)
	if p.Header.Get("Retry-After") != "10" {
		t.Errorf("%v", p.Header)
	}
	h.want(h.send("engineer", http.MethodHead, at, nil), http.StatusOK)
	h.want(h.get("engineer", strings.Replace(at, "tones.wav", "tones-sheet.json", 1)), http.StatusOK)
	open[0].Body.Close()
	for { // the place is given back when the service sees that the reader has gone
		res := ask()
		res.Body.Close()
		if res.StatusCode == http.StatusOK {
			break
		}
	}
}
