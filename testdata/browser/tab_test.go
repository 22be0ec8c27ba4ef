package browser

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// stepTime bounds one step of a test: far above what any page takes, so that
// only what never comes fails.
const stepTime = 60 * time.Second

// tab is one page of a browser with a profile of its own.
type tab struct {
	t    *testing.T
	ctx  context.Context
	s    *service
	mu   sync.Mutex
	seen []string // addresses asked for that are not the service's
	bad  []string // exceptions and refusals on the console
}

// open starts a browser and returns its tab. At the end of the test it
// must not have asked anybody but the service for anything, and no script
// must have failed.
func open(t *testing.T, s *service) *tab {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("these tests need Debian's chromium: %v", err)
	}
	actx, stop := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.WindowSize(1280, 900), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("autoplay-policy", "user-gesture-required"))
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(actx)
	b := &tab{t: t, ctx: ctx, s: s}
	t.Cleanup(func() {
		b.judge()
		// A browser that is gone already has nothing to close.
		_ = chromedp.Cancel(ctx)
		cancel()
	})
	// The context of the first step is the browser's life, so it has no bound.
	if err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, network.Enable, network.EnableParams{})
		return err
	})); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Listen(ctx, b.listen); err != nil {
		t.Fatal(err)
	}
	console := chromedp.Console(ctx)
	go func() {
		for m, err := range console {
			if err != nil {
				return
			}
			if m.IsException() || strings.Contains(m.String(), "Content Security Policy") {
				b.mu.Lock()
				b.bad = append(b.bad, m.String())
				b.mu.Unlock()
			}
		}
	}()
	return b
}

func (b *tab) listen(ev any) {
	var address string
	switch ev := ev.(type) {
	case *network.EventRequestWillBeSent:
		address = ev.Request.URL
	case network.EventRequestWillBeSent:
		address = ev.Request.URL
	default:
		return
	}
	u, err := url.Parse(address)
	if err == nil && (u.Scheme == "data" || u.Scheme == "blob" || u.Scheme == "about" || u.Host == b.s.addr || isLoopback(u.Host)) {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.seen = append(b.seen, address)
}

// isLoopback: a test may put a proxy of its own before the service.
func isLoopback(host string) bool {
	h, _, err := net.SplitHostPort(host)
	return err == nil && h == "127.0.0.1"
}

func (b *tab) judge() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.seen) > 0 {
		b.t.Errorf("requests left the origin: %v", b.seen)
	}
	if len(b.bad) > 0 {
		b.t.Errorf("scripts failed or were refused: %s", strings.Join(slices.Compact(b.bad), "\n"))
	}
}

// do works the page; what does not work fails the test.
func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, stepTime)
	defer stop()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.fail(err)
	}
}

func (b *tab) fail(err error) {
	b.t.Helper()
	where, _ := chromedp.Run(b.ctx, chromedp.Location()) // only to tell where it failed
	if data, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot()); err == nil && *pictures != "" {
		b.keep("failed-"+strings.ReplaceAll(b.t.Name(), "/", "-"), data)
	}
	b.t.Fatalf("at %s: %v", where, err)
}

// get evaluates an expression in the page; a promise is waited for.
func get[T any](b *tab, js string) T {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, stepTime)
	defer stop()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		b.fail(fmt.Errorf("%s: %w", short(js), err))
	}
	return v
}

func short(s string) string {
	if len(s) > 200 {
		return s[:200] + "..."
	}
	return s
}

// until waits until an expression is true.
func (b *tab) until(what, js string) {
	b.t.Helper()
	end := time.Now().Add(stepTime)
	for {
		ctx, stop := context.WithTimeout(b.ctx, stepTime)
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+js+")"))
		stop()
		if err == nil && ok {
			return
		}
		if time.Now().After(end) {
			b.fail(fmt.Errorf("waiting in vain for %s (%s): %w", what, short(js), err))
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// at opens an address of the service.
func (b *tab) at(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.s.url(path)))
}

func (b *tab) click(css string) {
	b.t.Helper()
	b.do(chromedp.ScrollIntoView(chromedp.CSS(css)), chromedp.Click(chromedp.CSS(css), chromedp.NodeVisible))
}

func (b *tab) text(css string) string {
	b.t.Helper()
	return get[string](b, fmt.Sprintf("document.querySelector(%q)?.innerText ?? ''", css))
}

// keys presses keys one after the other, as a person at a keyboard.
func (b *tab) keys(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		b.do(chromedp.KeyEvent(k))
	}
}

// focused tells in words what has the focus.
func (b *tab) focused() string {
	b.t.Helper()
	return get[string](b, `(() => { const e = document.activeElement; return e.tagName.toLowerCase() + (e.id ? '#' + e.id : '') + ' ' + (e.getAttribute('aria-label') || e.innerText || e.name || '').trim().slice(0, 60) })()`)
}

// tabTo presses Tab until what matches has the focus: if a keyboard cannot
// reach it, the test fails.
func (b *tab) tabTo(css string) {
	b.t.Helper()
	for range 200 {
		if get[bool](b, fmt.Sprintf("!!document.activeElement && document.activeElement.matches(%q)", css)) {
			return
		}
		b.keys(kb.Tab)
	}
	b.t.Fatalf("200 times Tab does not lead to %s; it is at %s", css, b.focused())
}

// signIn signs in by the page.
func (b *tab) signIn(token string) {
	b.t.Helper()
	b.at("/signin")
	b.do(chromedp.WaitVisible(chromedp.CSS("input[name=token]")), chromedp.SendKeys(chromedp.CSS("input[name=token]"), token+kb.Enter))
	b.until("the list of jobs", "location.pathname === '/jobs'")
}

// dark switches the colour scheme.
func (b *tab) dark(on bool) {
	b.t.Helper()
	scheme := "light"
	if on {
		scheme = "dark"
	}
	b.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	}))
}

// size sets the window.
func (b *tab) size(width, height int64) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, height))
}

// picture keeps the whole page as a picture, if pictures were asked for.
func (b *tab) picture(name string) {
	b.t.Helper()
	if *pictures == "" {
		return
	}
	ctx, stop := context.WithTimeout(b.ctx, stepTime)
	defer stop()
	time.Sleep(400 * time.Millisecond) // what a page fetches and draws after a change of size; a sandboxed one has no timers
	data, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.fail(err)
	}
	b.keep(name, data)
}

func (b *tab) keep(name string, data []byte) {
	b.t.Helper()
	if err := os.MkdirAll(*pictures, 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*pictures, name+".png"), data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
