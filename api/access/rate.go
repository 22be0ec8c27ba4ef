package access

import (
	"math"
	"net/netip"
	"time"

	"golang.org/x/time/rate"
)

// keyedEntries is how many tokens or addresses are remembered at a time, about
// 200 bytes each. One that is forgotten begins anew.
const keyedEntries = 8192

// maxWait is the longest time a client is told to wait.
const maxWait = time.Hour

// rates limits requests by key.
type rates struct {
	limit rate.Limit
	burst int
	by    *lru[string, *rate.Limiter]
}

// newRates returns nil, which lets everything pass, if perSecond is below 0.
func newRates(perSecond float64, burst int) *rates {
	if perSecond < 0 {
		return nil
	}
	return &rates{limit: rate.Limit(perSecond), burst: max(1, burst), by: newLRU[string, *rate.Limiter](keyedEntries)}
}

// take returns 0, or how long to wait for the next request to pass.
func (l *rates) take(key string, now time.Time) (wait time.Duration) {
	if l == nil {
		return 0
	}
	l.by.do(key, func(v **rate.Limiter) {
		if *v == nil {
			*v = rate.NewLimiter(l.limit, l.burst)
		}
		if (*v).AllowN(now, 1) {
			return
		}
		missing := 1 - (*v).TokensAt(now)
		wait = time.Duration(min(missing/float64(l.limit), maxWait.Seconds()) * float64(time.Second))
		wait = max(wait, time.Millisecond)
	})
	return wait
}

// A throttle allows a number of failures by key at once, and then one in each
// span. Unlike a rate.Limiter it can take back what was no failure.
type throttle struct {
	burst float64
	span  time.Duration
	by    *lru[string, spent]
}

type spent struct {
	n  float64 // failures not yet forgiven
	at time.Time
}

func newThrottle(burst int, span time.Duration) *throttle {
	return &throttle{burst: float64(burst), span: span, by: newLRU[string, spent](keyedEntries)}
}

// take counts a failure and returns 0; or it returns how long to wait, and does
// not count.
func (t *throttle) take(key string, now time.Time) (wait time.Duration) {
	t.by.do(key, func(s *spent) {
		s.forgive(now, t.span)
		if s.n+1 > t.burst+1e-9 { // rounding must not ask for another nanosecond
			wait = max(time.Millisecond, time.Duration(math.Ceil((s.n+1-t.burst)*float64(t.span))))
			return
		}
		s.n++
	})
	return wait
}

func (t *throttle) giveBack(key string) {
	t.by.do(key, func(s *spent) { s.n = max(0, s.n-1) })
}

func (s *spent) forgive(now time.Time, span time.Duration) {
	if d := now.Sub(s.at); d > 0 && s.n > 0 {
		s.n = max(0, s.n-float64(d)/float64(span))
	}
	s.at = now // also when the clock was set back
}

// addressKey is what an address is limited by: an IPv6 network of 64 bits is
// one subscriber.
func addressKey(a netip.Addr) string {
	if !a.IsValid() {
		return "unknown"
	}
	a = a.Unmap().WithZone("")
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}
