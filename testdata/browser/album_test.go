package browser

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestAlbumByKeyboard is a studio's way with a release, without a mouse: choose
// three mixes, exchange two, submit, compare what was found, and submit a side of
// it, whose job has the mixes that are there already.
func TestAlbumByKeyboard(t *testing.T) {
	h := newHouse(t)
	b := open(t, h.service)
	b.signIn(h.studio)
	b.tabTo("nav a[href='/album']")
	b.keys(kb.Enter)
	b.until("the script", "location.pathname === '/album' && document.documentElement.classList.contains('scripted')")
	b.tabTo("#pick")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#pick"), mixesOf(t))) // what the system's own window answers
	b.until("that they are handed in", "[...document.querySelectorAll('.track .state')].filter(e => e.textContent === 'Handed in').length === 3")
	first := b.text("#tracks > li:first-child .filename")
	b.tabTo("#tracks > li:first-child button[value^='down:']")
	b.keys(kb.Enter)
	b.until("the other order", "document.querySelector('#tracks > li:nth-child(2) .filename').innerText === '"+first+"'")
	b.tabTo("#f-title")
	b.keys(strings.Split("Invented Harbour", "")...)
	b.tabTo("input[name=order]")
	b.keys(kb.ArrowDown)
	b.until("that the order is free", "document.getElementById('order-free').checked")
	b.tabTo("#f-same_level")
	b.keys(" ")
	b.until("the release as it will be sent", "['keep_order: false', 'same_level: true', 'title: \"Invented Harbour\"'].every(s => document.getElementById('plan-text').textContent.includes(s))")
	b.lookedAt("album-filled", func() {})
	b.tabTo("#send")
	b.keys(kb.Enter)
	b.until("the job", "/^[/]jobs[/][0-9a-z]{26}$/.test(location.pathname)")
	b.until("it done", "document.querySelector(\"a[href$='/arrangement']\")")
	b.tabTo("a[href$='/arrangement']")
	b.keys(kb.Enter)
	b.until("what was found", "location.pathname.endsWith('/arrangement') && document.body.innerText.includes('proven best')")
	b.tabTo("#division-2 summary")
	b.keys(kb.Enter)
	b.until("the second division", "document.querySelector('#division-2 details').open")
	b.lookedAt("arrangement-second", func() {})
	b.tabTo("#prepare-1-B")
	b.keys(kb.Enter)
	b.until("the form of that side", "location.pathname === '/submit' && document.documentElement.classList.contains('scripted') && document.getElementById('f-side').value === 'B'")
	b.until("its mixes, which are there already", "['Handed in', 'Handed in,Handed in'].includes([...document.querySelectorAll('.track .state')].map(e => e.textContent).join())")
	b.tabTo("#send")
	b.keys(kb.Enter)
	b.until("the job of the side", "/^[/]jobs[/][0-9a-z]{26}$/.test(location.pathname) && document.querySelector('h1').innerText === 'Invented Harbour, side B'")
}
