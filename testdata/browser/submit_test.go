package browser

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// accept answers the question whether the page may be left, as a person who means
// it.
func (b *tab) accept() {
	b.t.Helper()
	b.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, page.Enable, page.EnableParams{})
		return err
	}))
	if err := chromedp.Listen(b.ctx, func(ev any) {
		if _, ok := ev.(*page.EventJavascriptDialogOpening); !ok {
			return
		}
		go func() {
			// A dialog that is gone already needs no answer.
			_ = chromedp.Do(b.ctx, chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
				_, err := chromedp.Call(ctx, page.HandleJavaScriptDialog, page.HandleJavaScriptDialogParams{Accept: true})
				return err
			}))
		}()
	}); err != nil {
		b.t.Fatal(err)
	}
}

// slowCut is true of a form that asks for all there is of cutting speed.
const slowCut = "['f-cutting_speed', 'f-compare_speeds', 'f-as_traced'].every(id => document.getElementById(id).checked)"

func (b *tab) cutSlowly() {
	b.t.Helper()
	get[bool](b, "(() => { for (const id of ['f-cutting_speed', 'f-compare_speeds', 'f-as_traced']) document.getElementById(id).click(); return true })()")
}

// TestReloadWhileSending: what was typed and what was sent survives a reload; the
// same file, chosen again, goes on where it stood.
func TestReloadWhileSending(t *testing.T) {
	h := newHouse(t)
	l := newLine(t, h.addr, 2<<20)
	s := *h.service
	s.addr = l.addr
	b := open(t, &s)
	b.accept()
	b.signIn(h.studio)
	b.at("/submit")
	b.until("the script", "document.documentElement.classList.contains('scripted')")
	mix := mixesOf(t)[0]
	b.drop(mix)
	b.do(chromedp.SendKeys(chromedp.CSS("#f-title"), "Kept over a reload"))
	b.cutSlowly()
	// The browser counts what went into its sockets' buffers, so the line is asked.
	for end := time.Now().Add(stepTime); l.sent() < 4_000_000; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("half of it is never sent")
		}
	}
	b.at("/submit?again")
	b.until("the script", "document.documentElement.classList.contains('scripted')")
	b.until("that it asks for the file again", "!document.getElementById('again').hidden")
	if got := get[string](b, "document.getElementById('f-title').value"); got != "Kept over a reload" {
		t.Errorf("the title is %q now", got)
	}
	if !get[bool](b, slowCut) {
		t.Error("how it is cut is forgotten")
	}
	b.picture("submit-after-reload")
	here := l.sent()
	b.drop(mix)
	b.until("that it is handed in", "[...document.querySelectorAll('.track .state')].some(e => e.textContent === 'Handed in')")
	// The demonstration's first mix has 7.5 MB, of which more than 4 had passed the line.
	if again := l.sent() - here; again > 6_000_000 {
		t.Errorf("%d bytes were sent after the reload: it began anew", again)
	}
}

// TestFaultsAndPresets: what is wrong stands beside its field and nothing is
// lost; settings are kept as a preset and come back; a revision begins with what
// the job had.
func TestFaultsAndPresets(t *testing.T) {
	h := newHouse(t)
	id := h.submitted(t, h.studio)
	b := open(t, h.service)
	b.accept()
	b.signIn(h.studio)
	b.at("/submit")
	b.until("the script", "document.documentElement.classList.contains('scripted')")
	b.drop(mixesOf(t)[0])
	b.until("that it is handed in", "[...document.querySelectorAll('.track .state')].some(e => e.textContent === 'Handed in')")
	b.do(chromedp.SendKeys(chromedp.CSS("#f-title"), "Not lost"))
	get[bool](b, `(() => { document.getElementById('level-set').click(); const l = document.getElementById('f-level'); l.value = '99'; l.dispatchEvent(new Event('input', {bubbles: true})); return true })()`)
	b.click("#submit button.main[type=submit]")
	b.until("the list of faults", "!document.getElementById('summary').hidden")
	b.until("the fault beside its field", "!document.getElementById('f-level-fault').hidden && document.getElementById('f-level').getAttribute('aria-invalid') === 'true'")
	if got := get[string](b, "document.getElementById('f-title').value"); got != "Not lost" {
		t.Errorf("the title is %q now", got)
	}
	b.picture("submit-faults")
	b.accessible("submit, faults")
	b.size(390, 844)
	b.picture("submit-faults-phone")
	b.size(1280, 900)
	get[bool](b, `(() => { const l = document.getElementById('f-level'); l.value = '1.5'; l.dispatchEvent(new Event('input', {bubbles: true})); for (const d of document.querySelectorAll('details')) d.open = true; return true })()`)
	b.cutSlowly()
	b.do(chromedp.SendKeys(chromedp.CSS("#f-preset_name"), "Loud seven"))
	b.click("button[value='preset-save']")
	b.until("that it is saved", "document.body.innerText.includes('Saved as preset Loud seven')")
	b.at("/presets")
	b.until("the preset", "document.body.innerText.includes('Loud seven')")
	b.picture("presets-one")
	b.accessible("presets, one")
	b.at("/submit?preset=Loud+seven")
	b.until("its level", "document.getElementById('level-set').checked && document.getElementById('f-level').value === '1.5'")
	b.until("its speed", "document.getElementById('f-cutting_speed').checked && document.getElementById('f-compare_speeds').checked")
	b.at("/submit?revises=" + id)
	b.until("the script", "document.documentElement.classList.contains('scripted')")
	b.until("the plan of the job", "document.getElementById('f-title').value === 'Invented Evening' && document.querySelectorAll('#tracks > li').length === 3")
	b.click("#submit button.main[type=submit]")
	b.until("the new job", fmt.Sprintf("/^[/]jobs[/][0-9a-z]{26}$/.test(location.pathname) && !location.pathname.includes(%q)", id))
	b.until("its place in the chain", "document.body.innerText.includes('Revisions')")
	if text := b.text("main"); !strings.Contains(text, "2, this one") {
		t.Error("the new job does not say that it is revision 2")
	}
}
