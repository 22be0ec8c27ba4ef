package api

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// HTTPServer returns a server for h with the bounds that keep slow and hostile
// peers from holding it. There is no bound on a whole request: mixes and
// downloads take minutes, events hours. The handler of Server sets deadlines as
// bytes go, see answer and paced.
func HTTPServer(h http.Handler) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		IdleTimeout:       90 * time.Second,
		MaxHeaderBytes:    16 << 10,
	}
}

// LimitListener holds at most total connections at the same time, and at most
// each from one network address; 0 means no bound. One beyond total waits in
// the system's queue, one beyond each is closed at once. Addresses of IPv6 count
// by their /64. Behind a proxy all come from one address: leave each at 0 there.
func LimitListener(l net.Listener, total, each int) net.Listener {
	x := &limited{Listener: l, each: each, by: map[netip.Addr]int{}, done: make(chan struct{})}
	if total > 0 {
		x.slots = make(chan struct{}, total)
	}
	return x
}

type limited struct {
	net.Listener
	slots chan struct{} // nil: no bound
	each  int
	once  sync.Once
	done  chan struct{}

	mu sync.Mutex
	by map[netip.Addr]int
}

// Accept implements net.Listener.
func (l *limited) Accept() (net.Conn, error) {
	if l.slots != nil {
		select {
		case l.slots <- struct{}{}:
		case <-l.done:
			return nil, net.ErrClosed
		}
	}
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			l.free()
			return nil, err
		}
		a := peer(c)
		if l.enter(a) {
			return &limitedConn{Conn: c, l: l, a: a}, nil
		}
		_ = c.Close() // it was never ours
	}
}

// Close implements net.Listener.
func (l *limited) Close() error {
	l.once.Do(func() { close(l.done) })
	return l.Listener.Close()
}

func (l *limited) free() {
	if l.slots != nil {
		<-l.slots
	}
}

func (l *limited) enter(a netip.Addr) bool {
	if l.each <= 0 {
		return true
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.by[a] >= l.each {
		return false
	}
	l.by[a]++
	return true
}

func (l *limited) leave(a netip.Addr) {
	l.free()
	if l.each <= 0 {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.by[a]--; l.by[a] <= 0 {
		delete(l.by, a)
	}
}

func peer(c net.Conn) netip.Addr {
	ap, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	a := ap.Addr().Unmap().WithZone("")
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.Addr()
		}
	}
	return a
}

type limitedConn struct {
	net.Conn
	l    *limited
	a    netip.Addr
	once sync.Once
}

// Close implements net.Conn.
func (c *limitedConn) Close() error {
	err := c.Conn.Close()
	c.once.Do(func() { c.l.leave(c.a) })
	return err
}
