package browser

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// written writes a file below a folder of the test.
func written(t *testing.T, dir, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestEveryPage opens every page as it is with something in it and with
// nothing, on a screen and on a phone, in light and dark: axe-core finds nothing
// serious, nothing is wider than the screen, no script fails, nothing leaves the
// origin.
func TestEveryPage(t *testing.T) {
	h := newHouse(t)
	e := open(t, h.service)
	e.signIn(h.engineer)
	e.see("jobs-empty", "/jobs")
	s := open(t, h.service)
	s.signIn(h.studio)
	s.see("presets-empty", "/presets")
	s.see("jobs-empty-studio", "/jobs")
	done := h.submitted(t, h.studio)
	analysed := h.submitted(t, h.studio, "--analyse")
	revised := h.submitted(t, h.studio, "--revises", done)
	arranged := h.submitted(t, h.studio, "--arrange")
	for _, p := range []struct{ name, path string }{
		{"jobs", "/jobs"}, {"jobs-nothing-found", "/jobs?q=nothing+has+this+name"}, {"jobs-search-fault", "/jobs?state=nonsense"},
		{"job", "/jobs/" + done}, {"job-analysed", "/jobs/" + analysed}, {"job-revision", "/jobs/" + revised}, {"job-delete", "/jobs/" + done + "/delete"},
		{"audit", "/jobs/" + done + "/audit"}, {"audit-analysed", "/jobs/" + analysed + "/audit"},
		{"groove", "/jobs/" + done + "/groove?at_s=12.5"}, {"groove-before", "/jobs/" + done + "/groove?at_s=12.5&of=before"},
		{"signoff", "/jobs/" + done + "/signoff"}, {"compare", "/jobs/" + done + "/compare/" + revised},
		{"rooms", "/rooms"}, {"testcut", "/rooms/tones"}, {"testcut-made", "/rooms/tones?disc=12in-33"}, {"testcut-fault", "/rooms/tones?disc=5in-33"}, {"job-arranged", "/jobs/" + arranged}, {"absent", "/jobs/0123456789abcdefghjkmnpqrs"},
	} {
		e.see(p.name, p.path)
	}
	// These run no script at all, by their policy; only so can axe-core look at them.
	e.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
		return err
	}))
	e.see("cutting-sheet", "/v1/jobs/"+done+"/cutting-sheet")
	e.see("report", "/v1/jobs/"+done+"/files/report.html")
	e.see("tones-sheet", "/rooms/tones/tones-sheet.html?disc=12in-33")
	e.see("arrangement-file", "/v1/jobs/"+arranged+"/files/arrangement.html")
	for _, p := range []struct{ name, path string }{{"submit", "/submit"}, {"submit-revision", "/submit?revises=" + done}, {"job-revise", "/jobs/" + done + "/revise"}, {"album", "/album"}, {"album-again", "/album?revises=" + arranged}, {"arrangement", "/jobs/" + arranged + "/arrangement"}, {"presets", "/presets"}, {"job-studio", "/jobs/" + done}} {
		s.see(p.name, p.path)
	}
	n := open(t, h.service)
	n.see("signin", "/signin")
	o := open(t, h.service)
	o.signIn(h.operator)
	o.see("audit-operator", "/jobs/"+done+"/audit")
	o.see("operations", "/operations")
	o.see("operations-pause", "/operations/pause")
	o.see("runbook", "/operations/runbook")
}

// see opens one page in all its forms.
func (b *tab) see(name, path string) {
	b.t.Helper()
	b.size(1280, 900)
	b.at(path)
	b.lookedAt(name, func() { b.at(path) })
}

// lookedAt looks at the page that is open, in all its forms; again opens it anew
// where it is drawn for a width.
func (b *tab) lookedAt(name string, again func()) {
	b.t.Helper()
	b.settled()
	b.accessible(name)
	b.picture(name)
	b.dark(true)
	b.picture(name + "-dark")
	b.dark(false)
	b.size(390, 844)
	again()
	b.settled()
	if wide := get[int](b, "document.documentElement.scrollWidth"); wide > 391 {
		b.t.Errorf("%s is %d px wide on a phone of 390", name, wide)
	}
	b.accessible(name + ", phone")
	b.picture(name + "-phone")
	b.size(1280, 900)
}

// settled waits until what a page draws by script is there.
func (b *tab) settled() {
	b.t.Helper()
	b.until("the page", "document.readyState === 'complete'")
	if get[bool](b, "!!document.getElementById('timeline')") {
		b.until("the time line, or words why not", "performance.getEntriesByName('audit-first-drawing').length > 0 || document.getElementById('timeline').hidden || document.getElementById('timeline').innerText.length > 0")
	}
}

// TestKeyboardAlone does the engineer's work with the keyboard: sign in, find the
// side, choose a change, listen, switch, sign off.
func TestKeyboardAlone(t *testing.T) {
	h := newHouse(t)
	id := h.submitted(t, h.studio)
	b := open(t, h.service)
	b.at("/signin")
	b.tabTo("input[name=token]")
	b.keys(strings.Split(h.engineer, "")...)
	b.keys(kb.Enter)
	b.until("the list", "location.pathname === '/jobs'")
	b.tabTo("#a-" + id)
	b.keys(kb.Enter)
	b.until("the job", "location.pathname === '/jobs/"+id+"'")
	b.tabTo("a[href$='/audit']")
	b.keys(kb.Enter)
	b.until("the time line", "performance.getEntriesByName('audit-first-drawing').length > 0")
	b.tabTo("#change-list a.go")
	b.keys(kb.Enter)
	b.until("the change", "document.querySelector('#change-list tr[aria-current]')")
	b.keys(" ")
	b.until("sound", "document.querySelector('audit-player').dataset.playing === 'true' && Number(document.querySelector('audit-player').dataset.rms) > 0")
	b.keys("1")
	b.until("the mix", "document.querySelector('audit-player').dataset.source === 'before'")
	b.keys(" ")
	b.until("silence", "document.querySelector('audit-player').dataset.playing !== 'true'")
	b.at("/jobs/" + id + "/signoff")
	b.tabTo("input[name=decision]") // Tab enters a group of choices once, arrows go through it
	b.keys(kb.ArrowDown)
	b.until("the choice", "document.querySelector('input[value=return]').checked")
	b.tabTo("#note")
	b.keys("q", "u", "i", "e", "t", "e", "r")
	b.tabTo("#decide button.main")
	b.keys(kb.Enter)
	b.until("that it went back", "document.body.innerText.includes('Returned to the studio')")
	// And the studio orders tracks and reaches the button, without a mouse.
	s := open(t, h.service)
	s.signIn(h.studio)
	s.at("/submit")
	s.until("the script", "document.documentElement.classList.contains('scripted')")
	s.drop(mixesOf(t)[:2]...)
	s.until("two tracks", "document.querySelectorAll('#tracks > li').length === 2")
	first := s.text("#tracks > li:first-child .filename")
	s.tabTo("#tracks > li:first-child button[value^='down:']")
	s.keys(kb.Enter)
	s.until("the other order", fmt.Sprintf("document.querySelector('#tracks > li:first-child .filename').innerText !== %q", first))
	// How it is cut is chosen on the way there.
	for _, box := range []string{"#f-cutting_speed", "#f-compare_speeds", "#f-as_traced"} {
		s.tabTo(box)
		s.keys(" ")
	}
	s.picture("submit-speeds")
	s.until("the choice in the plan", "/cutting_speed: half\\ncompare_speeds: true/.test(document.getElementById('plan-text').textContent) && document.getElementById('f-as_traced').checked")
	s.tabTo("#submit button.main[type=submit]")
}

// TestListIsLive: a new job comes into the list by itself, not while it is paused;
// what was chosen stays chosen.
func TestListIsLive(t *testing.T) {
	h := newHouse(t)
	first := h.submitted(t, h.studio, "--analyse")
	b := open(t, h.service)
	b.signIn(h.engineer)
	b.until("that it follows", "document.getElementById('live-word').textContent.includes('by themselves')")
	b.click("#job-" + first + " label.pick")
	second := h.submitted(t, h.studio, "--analyse", "--key", "second")
	b.until("the second job", "document.getElementById('job-"+second+"')")
	b.until("it done", "document.getElementById('job-"+second+"').innerText.includes('Done')")
	if !get[bool](b, "document.querySelector('#job-"+first+" input').checked") {
		t.Error("what was chosen is chosen no more")
	}
	b.click("#pause")
	third := h.submitted(t, h.studio, "--analyse", "--key", "third")
	if get[bool](b, "new Promise(done => setTimeout(() => done(!!document.getElementById('job-"+third+"')), 3000))") {
		t.Error("a paused list changes")
	}
	b.click("#pause")
	b.until("the third job", "document.getElementById('job-"+third+"')")
	b.click("button[name=do][value=delete]")
	b.until("the question", "document.body.innerText.includes('Delete 1 job and their files?')")
	b.picture("bulk-question")
	b.accessible("bulk, question")
	b.click("main form button")
	b.until("the answer", "document.body.innerText.includes('1 job deleted.')")
}
