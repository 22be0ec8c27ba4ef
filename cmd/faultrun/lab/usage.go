package lab

import (
	"fmt"
	"time"

	"discsafe/cmd/faultrun/proc"
)

// usage is what a process holds of things that must not grow.
type usage struct{ fds, goroutines int }

func (l *Lab) usage(p *proc.Proc, scrape func() (Samples, error)) (usage, error) {
	s, err := scrape()
	l.http.CloseIdleConnections()
	return usage{p.FDs(), int(s.Sum("go_goroutines"))}, err
}

// What a process may hold above what it had when it began: connections to its
// peers and what goes with each, made when first needed.
const (
	moreFDs        = 20
	moreGoroutines = 40
)

// judgeUsage wants every process that runs back at its beginning: I6.
func (l *Lab) judgeUsage() {
	check := func(p *proc.Proc, base usage, scrape func() (Samples, error)) {
		if base == (usage{}) || !p.Alive() {
			return
		}
		// Connections of clients close a moment after their last request.
		var now usage
		if err := l.until(20*time.Second, func() (err error) {
			if now, err = l.usage(p, scrape); err != nil {
				return err
			}
			if now.fds > base.fds+moreFDs || now.goroutines > base.goroutines+moreGoroutines {
				return fmt.Errorf("%s holds %d descriptors and %d goroutines, at its beginning %d and %d", p.Name, now.fds, now.goroutines, base.fds, base.goroutines)
			}
			return nil
		}); err != nil {
			l.Bad("I6", "%v", err)
		}
		Most(l, "fds_more", now.fds-base.fds)
		Most(l, "goroutines_more", now.goroutines-base.goroutines)
	}
	for _, a := range l.APIs {
		check(a.P, a.base, a.Scrape)
	}
	for _, w := range l.Living() {
		check(w.P, w.base, w.Scrape)
	}
}
