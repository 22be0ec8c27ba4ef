package browser

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// mixesOf are the mixes of the invented side, in order.
func mixesOf(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(scenario(t), "mixes", "*.wav"))
	if err != nil || len(files) < 2 {
		t.Fatalf("mixes of the demonstration: %v, %v", files, err)
	}
	return files
}

// drop drops files onto the page, as a drag from a file manager does: a real
// file list, real events.
func (b *tab) drop(files ...string) {
	b.t.Helper()
	get[bool](b, `(() => { const i = document.createElement('input'); i.type = 'file'; i.multiple = true; i.id = 'dropper'; document.body.append(i); return true })()`)
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#dropper"), files))
	get[bool](b, `(() => { const i = document.getElementById('dropper'); const d = new DataTransfer(); for (const f of i.files) d.items.add(f);
	  const at = document.getElementById('drop'); for (const k of ['dragenter', 'dragover', 'drop']) at.dispatchEvent(new DragEvent(k, {bubbles: true, cancelable: true, dataTransfer: d})); i.remove(); return true })()`)
}

// TestFromDropToSignature is the main job: a studio drops two mixes, loses the
// line while they are sent, gets it back, submits and follows the job to its
// end; an engineer listens at a change, in every source, and signs the side off.
func TestFromDropToSignature(t *testing.T) {
	h := newHouse(t)
	l := newLine(t, h.addr, 3<<20)
	studio := *h.service
	studio.addr = l.addr
	b := open(t, &studio)
	b.signIn(h.studio)
	b.at("/submit")
	b.until("the script", "document.documentElement.classList.contains('scripted')")
	b.picture("submit-empty")
	b.accessible("submit, empty")
	mixes := mixesOf(t)[:2]
	b.drop(mixes...)
	b.until("two tracks", "document.querySelectorAll('#tracks > li').length === 2")
	b.until("that it is sending", "/MB a second/.test(document.querySelector('.sent').textContent)")
	b.picture("submit-sending")
	l.cut(true)
	b.until("that it has noticed", "[...document.querySelectorAll('.track .state')].some(e => e.textContent === 'Trying again')")
	before := l.sent()
	b.picture("submit-line-lost")
	time.Sleep(time.Second)
	l.cut(false)
	b.do(chromedp.SendKeys(chromedp.CSS("#f-side"), "A"), chromedp.SendKeys(chromedp.CSS("#f-title"), "Invented <Evening>"))
	get[bool](b, `(() => { const d = document.getElementById('f-disc'); d.value = [...d.options].find(o => o.value === '7in-45').value; d.dispatchEvent(new Event('change', {bubbles: true})); return true })()`)
	b.until("both handed in", "[...document.querySelectorAll('.track .state')].every(e => e.textContent === 'Handed in')")
	size := int64(0)
	for _, m := range mixes {
		i, err := os.Stat(m)
		if err != nil {
			t.Fatal(err)
		}
		size += i.Size()
	}
	// Resumed and not begun anew: what is sent twice is what was under way.
	if twice := l.sent() - size; before > size/4 && twice > before/2 {
		t.Errorf("%d bytes were sent for %d, %d of them before the line was lost", l.sent(), size, before)
	}
	l.fast()
	b.picture("submit-full")
	b.accessible("submit, full")
	b.click("#submit button.main[type=submit]")
	b.until("the job", "/^[/]jobs[/][0-9a-z]{26}$/.test(location.pathname)")
	id := strings.TrimPrefix(get[string](b, "location.pathname"), "/jobs/")
	b.picture("job-under-way")
	b.until("its end, without a reload", "document.getElementById('live').dataset.state === 'done'")
	b.until("the files", "!!document.querySelector('a[href$=\"premaster.wav\"]')")
	b.picture("job-done")
	b.accessible("job, done")

	e := open(t, h.service)
	e.signIn(h.engineer)
	e.at("/jobs/" + id + "/audit")
	e.until("the time line", "document.querySelector('#timeline canvas') && performance.getEntriesByName('audit-first-drawing').length > 0")
	e.picture("audit")
	e.accessible("audit")
	e.plays()
	e.click("a[href$='/signoff']")
	e.until("the page of sign-off", "location.pathname.endsWith('/signoff')")
	e.accessible("sign-off")
	e.picture("signoff-open")
	e.click("input[value=return]")
	e.click("#decide button.main")
	e.until("that a note is asked for", "document.querySelector('#sign-fault')?.textContent.includes('should change')")
	e.picture("signoff-fault")
	e.click("input[value=approve]")
	e.click("#decide button.main")
	e.until("the approval", "document.body.innerText.includes('Approved for cutting')")
	e.picture("signoff-approved")
	e.accessible("sign-off, approved")
	// The lock: no page and no script of the studio's can delete it.
	b.at("/jobs/" + id)
	if b.text("main"); !strings.Contains(b.text("main"), "it may be cut from these files") {
		t.Error("the studio does not see the approval")
	}
	b.picture("job-approved")
	if n := get[int](b, fmt.Sprintf(`fetch('/v1/jobs/%s', {method: 'DELETE'}).then(r => r.status)`, id)); n != 409 {
		t.Errorf("deleting an approved side answers %d, want 409", n)
	}
	e.at("/v1/jobs/" + id + "/cutting-sheet")
	e.until("the name on the cutting sheet", "document.body.innerText.includes('Ada Lind')")
	e.picture("cutting-sheet-signed")
}

// player is what the players say of themselves.
type player struct {
	Position, RMS   float64
	Source, Playing string
	Loading         string
}

func (b *tab) player() player {
	b.t.Helper()
	type raw struct {
		Position string `json:"position"`
		RMS      string `json:"rms"`
		Source   string `json:"source"`
		Playing  string `json:"playing"`
		Loading  string `json:"loading"`
	}
	r := get[raw](b, `Object.assign({}, document.querySelector('audit-player').dataset)`)
	p := player{Source: r.Source, Playing: r.Playing, Loading: r.Loading}
	_, _ = fmt.Sscan(r.Position, &p.Position)
	_, _ = fmt.Sscan(r.RMS, &p.RMS)
	return p
}

// plays plays every source at a change: the audio graph must put out sound,
// and switching must keep the position.
func (b *tab) plays() {
	b.t.Helper()
	b.click("#change-list a.go")
	b.until("the change being chosen", "document.querySelector('#change-list tr[aria-current]')")
	b.click("audit-player button.main")
	b.until("sound", "document.querySelector('audit-player').dataset.playing === 'true' && Number(document.querySelector('audit-player').dataset.rms) > 0")
	for _, source := range []string{"after", "before", "difference", "as-traced", "after"} {
		from := b.player()
		at := time.Now()
		b.click("label[for=source-" + source + "]")
		b.until(source, fmt.Sprintf("document.querySelector('audit-player').dataset.source === %q && document.querySelector('audit-player').dataset.loading !== 'true' && Number(document.querySelector('audit-player').dataset.rms) > 0", source))
		to := b.player()
		took := time.Since(at).Seconds()
		// In the loop around a change the position may have gone round once.
		moved := to.Position - from.Position
		if moved < -0.05 {
			b.t.Logf("%s: looped from %.2f to %.2f s", source, from.Position, to.Position)
		} else if math.Abs(moved-took) > 0.3 {
			b.t.Errorf("switching to %s moved the position by %.3f s in %.3f s", source, moved, took)
		}
		if to.Playing != "true" {
			b.t.Errorf("switching to %s stopped it", source)
		}
		b.t.Logf("%s: position %.3f to %.3f in %.3f s, rms %.5f", source, from.Position, to.Position, took, to.RMS)
	}
	b.picture("audit-playing")
	b.keys(kb.Escape)
}
