package browser

import (
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// line stands between browser and service: it limits what goes up and can be
// cut. A browser's own emulation of being offline leaves connections open that
// are there already; this does not.
type line struct {
	addr string // where the browser goes
	to   string
	mu   sync.Mutex
	down bool
	rate int64 // bytes a second towards the service
	up   int64 // bytes towards the service so far
	open map[net.Conn]bool
}

func newLine(t *testing.T, to string, bytesPerS int64) *line {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &line{addr: ln.Addr().String(), to: to, rate: bytesPerS, open: map[net.Conn]bool{}}
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return // closed with the test
			}
			go l.carry(c)
		}
	}()
	t.Cleanup(func() { ln.Close(); l.cut(true) })
	return l
}

func (l *line) carry(c net.Conn) {
	defer c.Close()
	l.mu.Lock()
	if l.down {
		l.mu.Unlock()
		return
	}
	l.open[c] = true
	l.mu.Unlock()
	s, err := net.Dial("tcp", l.to)
	if err != nil {
		return
	}
	defer s.Close()
	go func() {
		_, _ = io.Copy(c, s) // ends when either does
		c.Close()
	}()
	buf := make([]byte, 64<<10)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		l.mu.Lock()
		l.up += int64(n)
		rate := l.rate
		l.mu.Unlock()
		time.Sleep(time.Duration(int64(n) * int64(time.Second) / rate))
		if _, err := s.Write(buf[:n]); err != nil {
			return
		}
	}
}

// cut takes the line down, or up again.
func (l *line) cut(down bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.down = down
	if down {
		for c := range l.open {
			c.Close()
		}
		clear(l.open)
	}
}

// fast takes the brake off.
func (l *line) fast() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.rate = 1 << 30
}

func (l *line) sent() int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.up
}
