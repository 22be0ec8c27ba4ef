package browser

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// longSide writes a side of 25 minutes at 24 bit, 96 kHz: a made-up pulse of
// bass, chords and bright beats, the same 20 s again and again, at changing level.
func longSide(t *testing.T, dir string) string {
	t.Helper()
	const rate, block, times = 96000, 20, 75
	f, err := os.Create(filepath.Join(dir, "long.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := bufio.NewWriterSize(f, 1<<20)
	le := binary.LittleEndian
	const data = rate * block * times * 6
	head := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00")
	head = le.AppendUint32(head, rate)
	head = le.AppendUint32(head, rate*6)
	head = append(head, 6, 0, 24, 0, 'd', 'a', 't', 'a')
	head = le.AppendUint32(head, data)
	le.PutUint32(head[4:], uint32(len(head)-8+data))
	if _, err := w.Write(head); err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	l, s := make([]float64, rate*block), make([]float64, rate*block)
	for i := range l {
		at := float64(i) / rate
		beat := math.Mod(at, 0.5)
		noise := (r.Float64() - 0.5) * math.Exp(-beat*60)
		l[i] = 0.25*math.Sin(2*math.Pi*55*at)*math.Exp(-math.Mod(at, 1)*2) + 0.1*math.Sin(2*math.Pi*440*at)*math.Exp(-math.Mod(at, 2)) + 0.15*noise
		s[i] = 0.05*math.Sin(2*math.Pi*660*at)*math.Exp(-math.Mod(at+1, 2)) + 0.03*noise
	}
	raw := make([]byte, rate*block*6)
	for k := range times {
		g := 0.4 + 0.6*math.Abs(math.Sin(float64(k)/9))
		for i := range l {
			for c, v := range [2]float64{l[i] + s[i], l[i] - s[i]} {
				n := int32(math.Round(g * v * (1<<23 - 1)))
				raw[6*i+3*c], raw[6*i+3*c+1], raw[6*i+3*c+2] = byte(n), byte(n>>8), byte(n>>16)
			}
		}
		if _, err := w.Write(raw); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return written(t, dir, "side.yaml", []byte("side: A\ntitle: Twenty-five minutes\ntracks:\n  - {file: long.wav, title: Long Shore}\n"))
}

// TestLongSide opens the time line of 25 minutes at 96 kHz. Its data are at most
// 300 kB at any zoom; how fast it opens and pans is measured and told, not judged:
// it hangs on the machine.
func TestLongSide(t *testing.T) {
	h := newHouse(t)
	dir := t.TempDir()
	plan := longSide(t, dir)
	token := written(t, dir, "token", []byte(h.studio))
	id := idIn(t, command(t, "submit", plan, "--server", h.url(""), "--token-file", token, "--wait", "--json"))
	b := open(t, h.service)
	b.signIn(h.engineer)
	for _, zoom := range []string{"from_s=0&to_s=1500", "from_s=600&to_s=660", "from_s=700&to_s=702"} {
		n := get[int](b, fmt.Sprintf(`fetch('/v1/jobs/%s/timeline?%s&bins=1024').then(r => r.arrayBuffer()).then(a => a.byteLength)`, id, zoom))
		if n > 300_000 {
			t.Errorf("%s: %d bytes", zoom, n)
		}
		t.Logf("time line, %s: %d bytes for 1024 bins", zoom, n)
	}
	var opened []float64
	for range 5 {
		b.at("/jobs/" + id + "/audit")
		b.until("the time line", "performance.getEntriesByName('audit-first-drawing').length > 0")
		opened = append(opened, get[float64](b, `performance.getEntriesByName('audit-first-drawing')[0].startTime - performance.getEntriesByType('navigation')[0].responseEnd`))
	}
	slices.Sort(opened)
	t.Logf("from the end of the HTML to the first drawing: median %.0f ms, most %.0f ms (%d times)", opened[2], opened[4], len(opened))
	b.picture("audit-25-min")
	b.size(390, 844)
	b.picture("audit-25-min-phone")
	b.size(1280, 900)
	for _, view := range []struct {
		name string
		keys int
	}{{"a minute", 5}, {"some revolutions", 9}} {
		b.at("/jobs/" + id + "/audit")
		b.until("the time line", "performance.getEntriesByName('audit-first-drawing').length > 0")
		get[bool](b, `(() => { document.querySelector('#timeline [tabindex]')?.focus(); return true })()`)
		for range view.keys {
			b.keys("+")
		}
		// A real drag, a step about every frame; the page counts its frames meanwhile.
		type point struct{ X, Y float64 }
		at := get[point](b, `(() => { const r = document.querySelector('#timeline canvas').getBoundingClientRect(); scrollBy(0, r.top - 200); const q = document.querySelector('#timeline canvas').getBoundingClientRect(); return {X: q.right - 100, Y: q.top + 120}; })()`)
		words := get[string](b, "document.querySelector('#timeline').innerText")
		get[bool](b, `(() => { globalThis.frameGaps = []; let last = 0; const f = now => { if (!globalThis.frameGaps) return; if (last) frameGaps.push(now - last); last = now; requestAnimationFrame(f); }; requestAnimationFrame(f); return true })()`)
		b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, at.X, at.Y, chromedp.ButtonLeft))
		for i := range 150 {
			b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at.X-4*float64(i+1), at.Y, chromedp.ButtonLeft), chromedp.Sleep(12*time.Millisecond))
		}
		b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, at.X-600, at.Y, chromedp.ButtonLeft))
		gaps := get[[]float64](b, "(() => { const g = frameGaps; globalThis.frameGaps = null; return g })()")
		if get[string](b, "document.querySelector('#timeline').innerText") == words {
			t.Errorf("dragging at %s moved nothing", view.name)
		}
		slices.Sort(gaps)
		t.Logf("panning at %s: frames median %.1f ms, p95 %.1f ms, most %.1f ms (%d frames)", view.name, gaps[len(gaps)/2], gaps[len(gaps)*95/100], gaps[len(gaps)-1], len(gaps))
	}
}
