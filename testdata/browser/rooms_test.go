package browser

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

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
