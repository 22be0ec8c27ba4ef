package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// progressView shows progress on standard error: one line redrawn in place on
// a terminal, otherwise a plain line when a pass begins and every plainEvery.
type progressView struct {
	mu       sync.Mutex
	w        io.Writer
	terminal bool
	width    int
	now      func() time.Time

	pass  int    // last one shown
	name  string // and what was done in it
	last  time.Time
	drawn int // characters on the terminal's line
}

const (
	plainEvery    = 5 * time.Second
	terminalEvery = 100 * time.Millisecond
	defaultWidth  = 80

	leastShown = 0.5 // of real time: below it a whole number would say 0x
)

// newProgress returns nil where nothing is to be shown: JSON was asked for and
// standard error is no terminal.
func (a *app) newProgress() *progressView {
	v := &progressView{w: a.stderr, now: a.now, width: defaultWidth}
	if f, ok := a.stderr.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		v.terminal = true
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
			v.width = w
		}
	}
	if a.json && !v.terminal {
		v = nil
	}
	a.view = v
	return v
}

// note says something on standard error, on a line of its own: also while
// progress is drawn there.
func (a *app) note(text string) {
	a.view.done()
	fmt.Fprintf(a.stderr, "discsafe: %s\n", text)
}

// show is the callback given to the engine; safe on a nil view.
func (v *progressView) show(p progress) {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	now := v.now()
	every := plainEvery
	if v.terminal {
		every = terminalEvery
	}
	fresh := p.PassNumber != v.pass || p.Pass != v.name
	if !fresh && now.Sub(v.last) < every {
		return
	}
	v.pass, v.name, v.last = p.PassNumber, p.Pass, now
	if v.terminal {
		v.draw(terminalLine(p, v.width))
		return
	}
	fmt.Fprintln(v.w, plainLine(p))
}

func (v *progressView) draw(line string) {
	n := len([]rune(line))
	fmt.Fprint(v.w, "\r"+line+strings.Repeat(" ", max(0, v.drawn-n)))
	v.drawn = n
}

// done clears the terminal's line, so that what follows begins on a clean one.
func (v *progressView) done() {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.drawn > 0 {
		v.draw("")
		fmt.Fprint(v.w, "\r")
	}
}

func passText(p progress) string {
	switch {
	case p.PassNumber == 0: // not a pass: a file sent, a job that waits
		return p.Pass
	case p.Passes > 0:
		return fmt.Sprintf("pass %d of %d, %s", p.PassNumber, p.Passes, p.Pass)
	}
	return fmt.Sprintf("pass %d, %s", p.PassNumber, p.Pass)
}

func percent(p progress) int { return int(100 * min(1, max(0, p.Fraction))) }

func plainLine(p progress) string {
	if p.Fraction < 0 {
		return passText(p)
	}
	s := fmt.Sprintf("%s: %d %%", passText(p), percent(p))
	if p.RealTime >= leastShown {
		s += fmt.Sprintf(" (%.0fx real time)", p.RealTime)
	}
	return s
}

func terminalLine(p progress, width int) string {
	if p.Fraction < 0 { // nothing is measured: something is waited for
		line := []rune(passText(p))
		return string(line[:min(len(line), max(0, width-1))])
	}
	tail := fmt.Sprintf(" %3d %%", percent(p))
	if p.RealTime >= leastShown {
		tail += fmt.Sprintf(" %4.0fx real time", p.RealTime)
	}
	head := passText(p) + " "
	cells := min(30, width-len([]rune(head))-len(tail)-3)
	bar := ""
	if cells >= 5 {
		full := cells * percent(p) / 100
		bar = "[" + strings.Repeat("#", full) + strings.Repeat(".", cells-full) + "]"
	}
	line := []rune(head + bar + tail)
	return string(line[:min(len(line), max(0, width-1))]) // a full line would wrap
}
