package browser

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestTestCutIsMadeAndFitted: an engineer finds the page by keyboard, makes a test
// cut for a room, downloads what the command writes, and fits the room with a CSV
// of readings and the sheet that was downloaded.
func TestTestCutIsMadeAndFitted(t *testing.T) {
	h := newHouse(t)
	dir := t.TempDir()
	room := written(t, dir, "harbour.yaml", []byte("name: Invented Harbour, lathe 2\ngroove: {width_um: 57.5}\n"))
	b := open(t, h.service)
	b.signIn(h.engineer)
	b.at("/rooms")
	b.tabTo("main a[href='/rooms/tones']")
	b.keys(kb.Enter)
	b.until("the page of test cuts", "location.pathname === '/rooms/tones'")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#room"), []string{room}))
	b.tabTo("#disc")
	b.keys("7") // the first of the list that begins with it
	b.tabTo("#testcut button.main")
	b.keys(kb.Enter)
	b.until("the test cut", "document.getElementById('h-cut')")
	if s := b.text("main"); !strings.Contains(s, "Invented Harbour, lathe 2 on 7in-45") || strings.Index(s, "burn out a cutter head") > strings.Index(s, "tones.wav") {
		t.Errorf("%s", s)
	}
	made := get[string](b, "location.pathname + location.search")
	b.see("testcut-own-room", made)
	want := filepath.Join(dir, "command")
	command(t, "tones", "--disc", "7in-45", "--room", room, "--out", want)
	b.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: "allow", DownloadPath: dir})
		return err
	}))
	for _, name := range []string{"tones.wav", "tones-sheet.json"} {
		b.click("main a[href^='/rooms/tones/" + name + "']")
		// The browser gives a file its name when it is whole.
		for end := time.Now().Add(stepTime); ; time.Sleep(50 * time.Millisecond) {
			if _, err := os.Stat(filepath.Join(dir, name)); err == nil {
				break
			}
			if time.Now().After(end) {
				t.Fatalf("%s does not come", name)
			}
		}
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if of, err := os.ReadFile(filepath.Join(want, name)); err != nil || !bytes.Equal(got, of) {
			t.Errorf("%s: %d bytes downloaded, the command has %d, %v", name, len(got), len(of), err)
		}
	}
	b.at("/rooms")
	read := written(t, dir, "read.csv", []byte("id,value\nS1-width,60.5\nS2-width,60.5\nS3-width,60\nS4-width,61\nR-swing,18\nL2-swing,20\nL3-swing,40\nL4-swing,56\nV3-widest,81\nV3-narrowest,41\n"))
	for field, path := range map[string]string{"#readings_file": read, "#sheet": filepath.Join(dir, "tones-sheet.json"), "#room": room} {
		b.do(chromedp.SetUploadFiles(chromedp.CSS(field), []string{path}))
	}
	b.click("#rooms button.main")
	b.until("the fit", "document.getElementById('h-fit')")
	b.lookedAt("rooms-fitted-csv", func() {}) // an answer to a form has no address
	if s := b.text("main"); !strings.Contains(s, "No reading is out of line") || !strings.Contains(s, "60.7 um") {
		t.Errorf("%s", s)
	}
	if typed := get[string](b, "document.getElementById('readings').value"); !strings.Contains(typed, `{id: "S1-width", value: 60.5}`) {
		t.Errorf("kept %q", typed)
	}
}

// TestRoomIsFitted: an engineer fits a room in the browser, without and with a
// fault; what is shown then is no page that an address could open.
func TestRoomIsFitted(t *testing.T) {
	h := newHouse(t)
	b := open(t, h.service)
	b.signIn(h.engineer)
	b.at("/rooms")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#sheet"), []string{written(t, t.TempDir(), "tones-sheet.json", []byte("{"))}))
	typed := "cuts:\n" +
		"- {name: one, start_mm: 146.3, planned_end_mm: 60.3, planned_pitch_um: 100, end_mm: 59.97}\n" +
		"- {name: two, start_mm: 146.3, planned_end_mm: 103.3, planned_pitch_um: 100, end_mm: 103.185}\n" +
		"- {name: three, start_mm: 146.3, planned_end_mm: 86.3, planned_pitch_um: 100, end_mm: 86.1}\n" +
		"- {name: wrong, start_mm: 146.3, planned_end_mm: 66.3, planned_pitch_um: 100, end_mm: 67.5}\n"
	get[bool](b, "(document.getElementById('readings').value = `"+typed+"`, true)")
	b.click("#rooms button.main")
	b.until("the fault", "document.getElementById('sheet-fault')")
	b.lookedAt("rooms-fault", func() {})
	if got := get[string](b, "document.getElementById('readings').value"); got != typed {
		t.Errorf("kept %q", got)
	}
	b.click("#rooms button.main")
	b.until("the fit", "document.getElementById('h-fit')")
	b.lookedAt("rooms-fitted", func() {}) // an answer to a form has no address
	if s := b.text("main"); !strings.Contains(s, "1 of 4 readings out of line") {
		t.Errorf("%s", s)
	}
}
